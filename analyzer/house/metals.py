"""Two metals together: which one gives way, by how much they differ, and what a current takes away.

Physics that people get wrong: in copper with steel or zinc copper is the cathode, the protected side, so the touch alone
seldom eats copper. An index or a series gives the direction, never the rate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from scipy.constants import physical_constants

from analyzer.base.flags import InputError
from analyzer.house.tables import select

# the words of the facts -> the row of the anodic index (data/tube/galvanic.csv)
INDEX_ROWS: Mapping[str, str] = MappingProxyType(
    {
        "copper": "copper; low brass or bronze; silver solder",
        "brass": "brass and bronze",
        "yellow_brass": "high brass and bronze",
        "stainless_steel": "18% Cr stainless (304, 316 class)",
        "tin_lead_solder": "tin plate; tin-lead solder",
        "lead_free_solder": "lead-free solder Sn95Sb5 or Sn97Cu3 (treat as tin)",
        "lead": "lead, high-lead alloys",
        "steel": "iron, cast or wrought; carbon and low-alloy steel",
        "carbon_steel": "iron, cast or wrought; carbon and low-alloy steel",
        "cast_iron": "iron, cast or wrought; carbon and low-alloy steel",
        "aluminium": "aluminium alloys other than 2000, wrought",
        "galvanised_steel": "zinc plate; hot-dip galvanised steel",
        "zinc": "zinc, wrought or die cast; zinc group value",
    }
)
ALLOWED_GAP_V = MappingProxyType({"harsh": 0.15, "normal": 0.25, "controlled": 0.50})  # classic anodic index text
NOBLER_THAN_COPPER = frozenset({"carbon"})  # carbon and graphite: no index, but above copper in every sea-water series

SECONDS_PER_YEAR = 365.25 * 86_400.0
COPPER_G_PER_MOL = 63.546
COPPER_G_PER_CM3 = 8.94
EXPANSION_COPPER_PER_K = 9.4e-6 * 1.8  # CDA Copper Tube Handbook: 0.0000094 in per in and degree F


@dataclass(frozen=True, kw_only=True)
class Couple:
    """Two metals in one wet place."""

    first: str
    second: str
    gap_v: float | None  # difference of the anodic indices; None where one has none (carbon)
    anode: str | None  # the one that gives way; None where they are alike
    copper_is_cathode: bool | None  # None where there is no copper in the pair
    surroundings_allowed: tuple[str, ...]  # of ALLOWED_GAP_V, those whose gap is not exceeded
    says: str
    source: str


def anodic_index_v(metal: str) -> float:
    """Anodic index against gold (0 V) in volts; InputError for a metal without one. Worked value: copper -0.35."""
    if metal not in INDEX_ROWS:
        raise InputError(f'There is no anodic index for "{metal}": choose one of {", ".join(sorted(INDEX_ROWS))}.')
    return float(_row(metal)["potential_V_from"])


def _row(metal: str) -> Mapping[str, str]:
    return select("galvanic", table="anodic index", material_or_couple=INDEX_ROWS[metal])[0]


def couple(first: str, second: str) -> Couple:
    """The pair's gap and its anode, the more negative one.

    Worked value: copper and galvanised steel differ by 0.85 V and the zinc gives way.
    """
    if NOBLER_THAN_COPPER & {first, second}:
        carbon, other = (first, second) if first in NOBLER_THAN_COPPER else (second, first)
        anodic_index_v(other)  # refuses an unknown partner
        return Couple(
            first=first,
            second=second,
            gap_v=None,
            anode=other,
            copper_is_cathode=False if other == "copper" else None,
            surroundings_allowed=(),
            says=f"{_named(carbon).capitalize()} is nobler than {_named(other)}: where both are wet, {_named(other)} gives way.",
            source="sea-water series, from memory; no anodic index",
        )
    one, two = anodic_index_v(first), anodic_index_v(second)
    gap = round(abs(one - two), 9)
    anode, cathode = (None, None) if gap == 0 else (first, second) if one < two else (second, first)
    has_copper = "copper" in (first, second) and anode is not None
    if anode is None or cathode is None:
        says = f"{_named(first).capitalize()} and {_named(second)} are alike: no couple, but a wet crevice between them can still pit."
    else:
        says = f"{_named(anode).capitalize()} gives way where both are wet; {_named(cathode)} is the protected side."
        if cathode == "copper":
            says += " Loss on the copper with that metal sound speaks for something else: crevice, rubbing, chloride or stray current."
    return Couple(
        first=first,
        second=second,
        gap_v=gap,
        anode=anode,
        copper_is_cathode=cathode == "copper" if has_copper else None,
        surroundings_allowed=tuple(name for name, allowed in ALLOWED_GAP_V.items() if gap <= allowed + 1e-9),
        says=says,
        source=f"anodic index, {_row(first)['source']} and {_row(second)['source']} ({_row(first)['status']}, {_row(second)['status']})",
    )


def _named(metal: str) -> str:
    return metal.replace("_", " ")


@dataclass(frozen=True, kw_only=True)
class AreaRatio:
    ratio: float  # cathode over anode
    says: str


def area_ratio(cathode_cm2: float, anode_cm2: float) -> AreaRatio:
    """Area of the nobler metal over that of the one that gives way; the anode's loss per area grows with it.

    The rule of the trade: a large cathode on a small anode is bad, a small cathode on a large anode does little (common
    practice, no source). Only the wetted areas near the contact count. Worked value: 100 over 1 cm2 is 100.
    """
    if cathode_cm2 <= 0 or anode_cm2 <= 0:
        raise InputError("Areas must be above zero: give the wetted area of each metal near the contact in cm2.")
    ratio = cathode_cm2 / anode_cm2
    if ratio > 10:
        says = "A large noble area drives a small anode: the loss is concentrated and fast."
    elif ratio < 0.1:
        says = "A small noble area on a large anode: the loss is spread and slow."
    else:
        says = "Areas of like size: the ratio decides little."
    return AreaRatio(ratio=ratio, says=says)


def copper_loss_g_per_year(current_ma: float, *, electrons: int = 2) -> float:
    """Copper that a direct current takes where it leaves the metal (Faraday's law), if it all dissolves copper.

    Worked value: 1 mA takes 10.4 g a year as Cu2+, twice that as Cu+.
    """
    faraday = physical_constants["Faraday constant"][0]
    return current_ma / 1000.0 * SECONDS_PER_YEAR * COPPER_G_PER_MOL / (electrons * faraday)


def penetration_mm_per_year(current_density_ua_per_cm2: float, *, electrons: int = 2) -> float:
    """Wall loss of copper at a direct current density: 0.0116 mm a year per uA/cm2 as Cu2+ (Faraday)."""
    grams = copper_loss_g_per_year(current_density_ua_per_cm2 / 1000.0, electrons=electrons)
    return grams / COPPER_G_PER_CM3 * 10.0


def expansion_mm(length_m: float, warmer_by_k: float) -> float:
    """Lengthening of a copper run. Worked value: 100 ft warmer by 100 F lengthen by 1.128 in (CDA Copper Tube Handbook)."""
    return length_m * 1000.0 * EXPANSION_COPPER_PER_K * warmer_by_k


def uniform_life_years(wall_mm: float, loss_um_per_year: float) -> float:
    """Years until even loss has taken the whole wall. Worked value: 0.7 mm at 2.5 um a year last 280 years."""
    return wall_mm * 1000.0 / loss_um_per_year
