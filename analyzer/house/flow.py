"""Speed, friction, hammer and static pressure of the water.

SI throughout: bore in mm, flow in litres a minute, speed in m/s, pressure in kPa. Limits come from ``data/tube/limits.csv``
and ``data/flow.toml``, each with its practice and source: handbooks of different countries do not agree, so all are told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from pydantic import Field, model_validator
from scipy.constants import foot, gallon, psi
from scipy.optimize import brentq

from analyzer.base.datafile import data_table
from analyzer.base.datarecord import DataRecord
from analyzer.house.tables import Row, select

M_PER_FT = foot
L_PER_GALLON = gallon * 1000.0
KPA_PER_PSI = psi / 1000.0
LAMINAR_BELOW = 2000.0  # Reynolds number; Hydraulic Institute data library
# The same source.
TURBULENT_FROM = 4000.0
BULK_MODULUS_WATER_PA = 2.19e9  # near 20 C; from memory
YOUNG_COPPER_PA = 117e9  # from memory


# ---------------------------------------------------------------- formulas


def velocity_m_per_s(flow_l_per_min: float, bore_mm: float) -> float:
    """Mean speed of ``flow_l_per_min`` in a round bore.

    Worked value: 10 US gallons a minute in a bore of 1.049 in give 3.71 ft/s (Hydraulic Institute data library).
    """
    area_m2 = math.pi / 4.0 * (bore_mm / 1000.0) ** 2
    return flow_l_per_min / 60_000.0 / area_m2


def density_kg_per_m3(temperature_c: float) -> float:
    """Density of water at 1 atm, 0 to 100 C, within 0.1 kg/m3 (Kell 1975; coefficients from memory).

    Worked value: 20 C gives 998.2.
    """
    t = temperature_c
    numerator = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - 280.54253e-12 * t)))
    )
    return numerator / (1.0 + 16.879850e-3 * t)


def kinematic_viscosity_m2_per_s(temperature_c: float) -> float:
    """Kinematic viscosity of water, 0 to 100 C, within 1 % (Kestin, Sokolov and Wakeham 1978; coefficients from memory).

    Worked value: 60 F gives 1.21e-5 ft2/s (Hydraulic Institute data library: 1.216e-5).
    """
    d = 20.0 - temperature_c
    ratio = 10 ** (d / (temperature_c + 96.0) * (1.2364 - 1.37e-3 * d + 5.7e-6 * d * d))
    return 1.002e-3 * ratio / density_kg_per_m3(temperature_c)


def friction_factor(reynolds: float, relative_roughness: float) -> float | None:
    """Darcy factor: 64/Re below 2000, Colebrook from 4000, None between, where none is defined.

    Worked value: Re 100000 with smooth pipe gives 0.0180 (Prandtl's smooth-pipe law; Moody chart).
    """
    if reynolds < LAMINAR_BELOW:
        return 64.0 / reynolds
    if reynolds < TURBULENT_FROM:
        return None

    def colebrook(x: float) -> float:  # x = 1/sqrt(f)
        return x + 2.0 * math.log10(relative_roughness / 3.7 + 2.51 * x / reynolds)

    return float(brentq(colebrook, 1.0, 30.0, xtol=1e-12)) ** -2


def friction_kpa_per_m(
    flow_l_per_min: float, bore_mm: float, *, roughness_mm: float = 0.0015, temperature_c: float = 15.0
) -> float | None:
    """Darcy-Weisbach loss in kPa per metre; None between laminar and turbulent flow, and where nothing flows 0.

    ``roughness_mm`` 0.0015 is drawn copper. Worked value: 1 in schedule 40 steel (0.0457 mm), 10 gpm, 60 F lose 6.86 ft of
    head per 100 ft (Hydraulic Institute data library).
    """
    speed = velocity_m_per_s(flow_l_per_min, bore_mm)
    if speed == 0.0:
        return 0.0
    bore_m = bore_mm / 1000.0
    factor = friction_factor(speed * bore_m / kinematic_viscosity_m2_per_s(temperature_c), roughness_mm / bore_mm)
    if factor is None:
        return None
    return factor / bore_m * density_kg_per_m3(temperature_c) * speed**2 / 2.0 / 1000.0


def wave_speed_m_per_s(bore_mm: float, wall_mm: float, *, young_pa: float = YOUNG_COPPER_PA) -> float:
    """Speed of a pressure wave in a filled tube, sqrt((K/rho) / (1 + K d / (E t))).

    Worked value: half-inch type L copper (13.84 mm bore, 1.016 mm wall) gives 1322 m/s (computed by hand from this formula and the moduli above).
    """
    stiff = BULK_MODULUS_WATER_PA * bore_mm / (young_pa * wall_mm)
    return math.sqrt(BULK_MODULUS_WATER_PA / density_kg_per_m3(20.0) / (1.0 + stiff))


def hammer_kpa(stopped_m_per_s: float, bore_mm: float, wall_mm: float) -> float:
    """Pressure rise where that speed is stopped at once: rho a dv (Joukowsky). An upper bound: a slow valve makes less.

    Worked value: half-inch type L gives 58 psi for each ft/s.
    """
    return density_kg_per_m3(20.0) * wave_speed_m_per_s(bore_mm, wall_mm) * stopped_m_per_s / 1000.0


# ---------------------------------------------------------------- limits of speed


@dataclass(frozen=True, kw_only=True)
class VelocityLimit:
    """What one practice accepts; a band where ``lower_m_per_s`` is not None (keep at or below it, at most the upper)."""

    practice: str
    lower_m_per_s: float | None
    upper_m_per_s: float
    decides: bool  # the practice by which velocity_over_limit is judged
    source: str


class _LimitRecord(DataRecord):
    practice: str
    service: str
    temperature_from_c: float = -math.inf
    temperature_to_c: float = math.inf
    row: str | None = None
    upper_m_per_s: float | None = None
    source: str = ""
    decides: bool = False

    @model_validator(mode="after")
    def _one_source(self) -> _LimitRecord:
        if (self.row is None) == (self.upper_m_per_s is None):
            raise ValueError("a limit stands in a row of the published table or is stated here, one of the two")
        return self

    def resolve(self) -> VelocityLimit:
        """The limit in m/s, from the published table where it stands there."""
        if self.row is None:
            assert self.upper_m_per_s is not None  # as _one_source holds
            return VelocityLimit(
                practice=self.practice,
                lower_m_per_s=None,
                upper_m_per_s=self.upper_m_per_s,
                decides=self.decides,
                source=self.source,
            )
        row = select("limits", topic="velocity", item=self.row)[0]
        factor = {"ft/s": M_PER_FT, "m/s": 1.0}[row["unit"]]
        return VelocityLimit(
            practice=self.practice,
            lower_m_per_s=float(row["lower"]) * factor if row["lower"] else None,
            upper_m_per_s=float(row["upper"]) * factor,
            decides=self.decides,
            source=f"{row['document']} ({row['source']}, {row['status']})",
        )


class _Fixture(DataRecord):
    names: tuple[str, ...]
    flow_gpm: float


class _Note(DataRecord):
    text: str
    source: str


class _Trade(DataRecord):
    lower_psi: float
    upper_psi: float
    source: str


class _Book(DataRecord):
    schema_version: int = Field(alias="schema")
    velocity_limit: tuple[_LimitRecord, ...]
    velocity_note: _Note
    fixture: tuple[_Fixture, ...]
    trade_pressure: _Trade


@cache
def _book() -> _Book:
    return _Book.model_validate(data_table("flow"))


def velocity_limits(service: str, temperature_c: float | None) -> tuple[VelocityLimit, ...]:
    """The limits of every practice for "cold" or "hot" copper; for hot water of unknown temperature none is given."""
    if service == "hot" and temperature_c is None:
        return ()
    at = 0.0 if temperature_c is None else temperature_c
    return tuple(
        record.resolve()
        for record in _book().velocity_limit
        if record.service == service
        and (service == "cold" or record.temperature_from_c < at <= record.temperature_to_c)
    )


def velocity_note() -> str:
    """How far limits of speed are to be trusted, with its source."""
    note = _book().velocity_note
    return f"{note.text} ({note.source})"


def velocity_over_limit(speed_m_per_s: float, service: str | None, temperature_c: float | None) -> bool | None:
    """Whether the speed is above the US copper handbook's limit: 8 ft/s cold, 5 ft/s hot, a band of 2 to 3 ft/s above 60 C.

    None where it hangs on a service or temperature that is not known, or lies inside the band. A speed above the highest
    of the limits that may hold is over whatever the rest, and one at or below the lowest is under.
    """
    if service == "cold":
        limits = velocity_limits("cold", None)
    elif service == "hot":
        limits = velocity_limits("hot", temperature_c) or _all_deciding("hot")
    else:
        limits = _all_deciding("cold", "hot")
    deciding = [entry for entry in limits if entry.decides]
    if speed_m_per_s > max(entry.upper_m_per_s for entry in deciding):
        return True
    if speed_m_per_s <= min(entry.lower_m_per_s or entry.upper_m_per_s for entry in deciding):
        return False
    return None


def _all_deciding(*services: str) -> tuple[VelocityLimit, ...]:
    return tuple(r.resolve() for r in _book().velocity_limit if r.decides and r.service in services)


def fixture_flow_l_per_min(fixture: str) -> float | None:
    """The flow that the code asks for at that one fixture; None where the words name none (IPC 2018, Table 604.3).

    Worked value: "shower" is 2.5 gpm, 9.46 L/min.
    """
    words = " ".join(fixture.lower().replace("_", " ").split())
    for record in _book().fixture:
        if words in record.names:
            return record.flow_gpm * L_PER_GALLON
    return None


# ---------------------------------------------------------------- static pressure


@dataclass(frozen=True, kw_only=True)
class PressureReading:
    """A static pressure beside the code limit and the working ranges."""

    pressure_kpa: float
    code_limit_kpa: float
    working_range_kpa: tuple[float, float]  # published
    trade_range_kpa: tuple[float, float]  # rule of the trade
    over_code: bool
    over_working_range: bool
    under_working_range: bool
    says: str
    sources: tuple[str, ...]


def static_pressure(pressure_kpa: float) -> PressureReading:
    """The pressure read against 80 psi (UPC 608.2), 45 to 60 psi (US EPA WaterSense) and the trade's 40 to 60 psi.

    Worked value: 620 kPa (90 psi) is over the code's 552 kPa.
    """
    code = _pressure_row("static pressure limit, regulator required above")
    working, trade = _pressure_row("recommended service pressure"), _book().trade_pressure
    code_kpa = float(code["upper"]) * KPA_PER_PSI
    low, high = float(working["lower"]) * KPA_PER_PSI, float(working["upper"]) * KPA_PER_PSI
    trade_low = trade.lower_psi * KPA_PER_PSI
    over_code, over_working = pressure_kpa > code_kpa, pressure_kpa > high
    if over_code:
        says = "Above the limit of the plumbing codes: a pressure-reducing valve is required. It loads joints and valves and speeds the water; it eats no copper by itself."
    elif over_working:
        says = "Allowed by code, above the usual working range: it loads joints and speeds the water."
    elif pressure_kpa < trade_low:
        says = "Below the usual working range: look for a throttled valve, a clogged filter or pipe, or an open tap during the reading."
    else:
        says = "In the usual working range. Read it at night too, when mains stand highest."
    return PressureReading(
        pressure_kpa=pressure_kpa,
        code_limit_kpa=code_kpa,
        working_range_kpa=(low, high),
        trade_range_kpa=(trade_low, trade.upper_psi * KPA_PER_PSI),
        over_code=over_code,
        over_working_range=over_working,
        under_working_range=pressure_kpa < trade_low,
        says=says,
        sources=(code["document"], working["document"], f"40 to 60 psi: {trade.source}"),
    )


def _pressure_row(item: str) -> Row:
    """The row of that limit; where several documents state it, the first one that was read."""
    return next(row for row in select("limits", topic="pressure", item=item) if row["status"] == "read")
