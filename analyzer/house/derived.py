"""What follows from the facts by arithmetic: water figures, speed, pressure and metals, all in one place.

``derive`` gives the quantities that the rules read; ``installation`` gives the same results with their words, limits and
sources for pages. What cannot be computed from what is known is not there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analyzer.base.flags import Flag, InputError, raise_flag
from analyzer.house import flow, metals
from analyzer.house.tables import Tube, read_tube
from analyzer.house.water import WaterIndex, WaterTest, water_indices

_COLD = ("cold",)
_HOT = ("hot", "recirculated")
_TYPE_BY_PRINT = {"green": "K", "blue": "L", "red": "M"}  # copper tube to ASTM B88, as tabulated by suppliers
# the names in the facts -> the fields of a water test
_WATER = {
    "water_ph": "ph",
    "water_temperature_c": "temperature_c",
    "water_calcium_mg_per_l_caco3": "calcium_mg_per_l_as_caco3",
    "water_alkalinity_mg_per_l_caco3": "alkalinity_mg_per_l_as_caco3",
    "water_tds_mg_per_l": "total_dissolved_solids_mg_per_l",
    "water_conductivity_us_per_cm": "conductivity_us_per_cm",
    "water_chloride_mg_per_l": "chloride_mg_per_l",
    "water_sulfate_mg_per_l": "sulfate_mg_per_l",
}
_INDEX_QUANTITIES = (
    "ph_of_saturation",
    "langelier_index",
    "ryznar_index",
    "puckorius_index",
    "larson_skold_index",
    "chloride_to_sulfate_ratio",
    "dic_mg_per_l",
)


@dataclass(frozen=True, kw_only=True)
class Speed:
    """Speed of the water by flow and bore; a range where the type of the tube, and so its bore, is not known."""

    low_m_per_s: float
    high_m_per_s: float
    flow_l_per_min: float
    over_limit: bool | None
    limits: tuple[flow.VelocityLimit, ...]  # of every practice, for this service and temperature
    friction_kpa_per_m: float | None  # of drawn copper at 15 C; None for other pipe, an unknown bore or undefined flow
    hammer_kpa: float | None  # if stopped at once; an upper bound
    note: str


@dataclass(frozen=True, kw_only=True)
class Installation:
    water: tuple[WaterIndex, ...]
    speed: Speed | None
    pressure: flow.PressureReading | None  # the higher of day and night
    couples: tuple[metals.Couple, ...]  # the touching metal, else the metals joined in the line
    flags: tuple[Flag, ...]


def derive(quantities: Mapping[str, Any]) -> tuple[dict[str, float | str | bool], tuple[Flag, ...]]:
    """The derived quantities that are known, by the ids of the vocabulary, and the flags of their formulas.

    Worked values: half-inch type M (bore 14.45 mm) at 12 L/min runs at 1.22 m/s, under the cold limit of 2.44 m/s (CDA
    handbook); 620 kPa is over the code's 80 psi (UPC 608.2); galvanised steel on copper is a gap of 0.85 V, copper the
    cathode (anodic index).
    """
    known = installation(quantities)
    out: dict[str, float | str | bool] = {i.id: i.value for i in known.water if i.id in _INDEX_QUANTITIES}
    out.update(_anion_ratios(quantities))
    if known.speed is not None:
        if known.speed.low_m_per_s == known.speed.high_m_per_s:
            out["velocity_m_per_s"] = known.speed.low_m_per_s
        if known.speed.over_limit is not None:
            out["velocity_over_limit"] = known.speed.over_limit
    in_fitting = _over_limit_in_the_fitting(quantities)
    if in_fitting is not None:
        out["velocity_in_fitting_over_limit"] = in_fitting
    if known.pressure is not None:
        out["static_pressure_over_code"] = known.pressure.over_code
        out["static_pressure_over_working_range"] = known.pressure.over_working_range
    gaps = [pair.gap_v for pair in known.couples if pair.gap_v is not None]
    if gaps:
        out["anodic_gap_v"] = max(gaps)
    roles = {pair.copper_is_cathode for pair in known.couples if pair.copper_is_cathode is not None}
    if len(roles) == 1:  # one metal eats copper and another guards it: then it is not known
        out["contact_copper_is_cathode"] = roles.pop()
    return out, known.flags


BICARBONATE_PER_CACO3 = 2 * 61.0168 / 100.0869  # mg/L HCO3 for 1 mg/L CaCO3 of alkalinity, by molar masses


def _anion_ratios(quantities: Mapping[str, Any]) -> dict[str, float | str | bool]:
    """Bicarbonate against sulfate by mass, and the quotient S1 of EN 12502-3 (from memory), by amount of charge.

    Alkalinity is taken for bicarbonate up to pH 8.3, the end point of the titration of carbonate; above it nothing is given.
    Worked value: alkalinity 82.02 mg/L CaCO3 is 100 mg/L bicarbonate; with 50 mg/L sulfate the ratio is 2.0.
    """
    out: dict[str, float | str | bool] = {}
    alkalinity, ph = quantities.get("water_alkalinity_mg_per_l_caco3"), quantities.get("water_ph")
    if not alkalinity or (ph is not None and ph > 8.3):
        return out
    bicarbonate = alkalinity * BICARBONATE_PER_CACO3
    sulfate = quantities.get("water_sulfate_mg_per_l")
    if sulfate:
        out["bicarbonate_to_sulfate_ratio"] = bicarbonate / sulfate
    chloride, nitrate = quantities.get("water_chloride_mg_per_l"), quantities.get("water_nitrate_mg_per_l")
    if chloride is not None and sulfate is not None and nitrate is not None:
        charge = chloride / 35.453 + nitrate / 62.0049 + 2 * sulfate / 96.0626
        out["chloride_sulfate_nitrate_to_bicarbonate"] = charge / (bicarbonate / 61.0168)
    return out


def installation(quantities: Mapping[str, Any]) -> Installation:
    """The same, with words, limits and sources."""
    test = WaterTest(**{field: quantities[name] for name, field in _WATER.items() if quantities.get(name) is not None})
    indices, water_flags = water_indices(test)
    speed, speed_flags = _speed(quantities)
    pressures = [quantities[n] for n in ("static_pressure_kpa", "static_pressure_night_kpa") if n in quantities]
    return Installation(
        water=indices,
        speed=speed,
        pressure=flow.static_pressure(max(pressures)) if pressures else None,
        couples=_couples(quantities),
        flags=(*water_flags, *speed_flags),
    )


def _rate(quantities: Mapping[str, Any]) -> tuple[float | None, str]:
    """Litres a minute and whether they were told or are the fixture's."""
    if quantities.get("flow_l_per_min") is None and "fixture" in quantities:
        return flow.fixture_flow_l_per_min(str(quantities["fixture"])), "fixture"
    return quantities.get("flow_l_per_min"), "told"


def _over_limit_in_the_fitting(quantities: Mapping[str, Any]) -> bool | None:
    """Whether the water leaves the fitting upstream faster than copper behind it bears; None where it is not known.

    The same flow through another section. Worked value: 12 L/min through 9 mm run at 3.14 m/s, over the cold limit of 2.44.
    """
    rate, bore = _rate(quantities)[0], quantities.get("fitting_bore_mm")
    if rate is None or bore is None or quantities.get("material") != "copper":
        return None
    speed = flow.velocity_m_per_s(rate, bore)
    return flow.velocity_over_limit(speed, _service(quantities), quantities.get("service_temperature_c"))


def _speed(quantities: Mapping[str, Any]) -> tuple[Speed | None, tuple[Flag, ...]]:
    rate, source = _rate(quantities)
    if rate is None:
        return None, ()
    tube, flags = _tube(quantities)
    if tube is None:
        return None, flags
    walls = [tube.wall_mm] if tube.wall_mm is not None else list(tube.wall_range_mm or ())
    if not walls:
        return None, flags
    bores = [tube.outside_diameter_mm - 2.0 * wall for wall in walls]
    speeds = sorted(flow.velocity_m_per_s(rate, bore) for bore in bores)
    service, temperature = _service(quantities), quantities.get("service_temperature_c")
    verdicts = {flow.velocity_over_limit(speed, service, temperature) for speed in speeds}
    copper, one = tube.material == "copper", len(walls) == 1
    if source == "fixture":
        flags = (*flags, raise_flag("flow_from_fixture", f"{quantities['fixture']}: {rate:.1f} L/min"))
    return (
        Speed(
            low_m_per_s=speeds[0],
            high_m_per_s=speeds[-1],
            flow_l_per_min=rate,
            over_limit=verdicts.pop() if copper and len(verdicts) == 1 else None,
            limits=flow.velocity_limits(service, temperature) if copper and service else (),
            friction_kpa_per_m=flow.friction_kpa_per_m(rate, bores[0]) if copper and one else None,
            hammer_kpa=flow.hammer_kpa(speeds[0], bores[0], walls[0]) if copper and one else None,
            note=flow.velocity_note(),
        ),
        flags,
    )


def _tube(quantities: Mapping[str, Any]) -> tuple[Tube | None, tuple[Flag, ...]]:
    size = quantities.get("tube_size")
    if not size:
        return None, ()
    text = str(size)
    kind = quantities.get("tube_type") or _TYPE_BY_PRINT.get(str(quantities.get("print_colour")))
    material = quantities.get("material", "copper")
    if material == "galvanised_steel" and "galv" not in text.lower():
        text += " galvanised"
    elif material == "copper" and kind in ("K", "L", "M") and not text.strip().upper().endswith(("K", "L", "M")):
        text += f" {kind}"
    try:
        tube = read_tube(text)
    except InputError as error:
        return None, (raise_flag("tube_not_read", str(error)),)
    if material not in ("copper", "galvanised_steel") and tube.material == "copper":
        return None, ()  # a size of copper tube says nothing about the bore of another metal
    return tube, ()


def _service(quantities: Mapping[str, Any]) -> str | None:
    service = quantities.get("service")
    return "cold" if service in _COLD else "hot" if service in _HOT else None


def _couples(quantities: Mapping[str, Any]) -> tuple[metals.Couple, ...]:
    own = quantities.get("material")
    if own is None or (own not in metals.INDEX_ROWS):
        return ()
    touching = quantities.get("contact_metal")
    joined = quantities.get("joined_metals", ())
    others = [touching] if touching else list(joined if isinstance(joined, (list, tuple)) else [joined])
    others = ["copper" if metal == "copper_upstream" else metal for metal in others]
    known = [
        m for m in dict.fromkeys(others) if m != own and (m in metals.INDEX_ROWS or m in metals.NOBLER_THAN_COPPER)
    ]
    return tuple(metals.couple(own, metal) for metal in known)
