"""Two metals together: which one gives way, by how much they differ, and what a current takes away.

Physics that people get wrong: in copper with steel or zinc copper is the cathode, the protected side, so the touch alone
seldom eats copper. An index or a series gives the direction, never the rate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

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
NOBLER_THAN_COPPER = frozenset({"carbon"})  # carbon and graphite: no index, but above copper in every sea-water series


@dataclass(frozen=True, kw_only=True)
class Couple:
    """Two metals in one wet place."""

    first: str
    second: str
    gap_v: float | None  # difference of the anodic indices; None where one has none (carbon)
    anode: str | None  # the one that gives way; None where they are alike
    copper_is_cathode: bool | None  # None where there is no copper in the pair
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
        says=says,
        source=f"anodic index, {_row(first)['source']} and {_row(second)['source']} ({_row(first)['status']}, {_row(second)['status']})",
    )


def _named(metal: str) -> str:
    return metal.replace("_", " ")
