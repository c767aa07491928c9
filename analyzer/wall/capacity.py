"""What a wall can bear and how long it may last: the tube handbook's formula, soldered joints, growth of pits.

None of this is a permission to keep a pipe in service; ``CAUTION`` goes with every figure.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analyzer.base.flags import InputError
from analyzer.base.measured import FREEZING_F, KELVIN_PER_FAHRENHEIT, KPA_PER_PSI, MM_PER_INCH, Measure
from analyzer.house import tables
from analyzer.house.tables import Tube

CAUTION = (
    "These are handbook figures for sound tube of even thickness. They are not a permission to keep a pipe in service: a thin spot, "
    "a pit, a crack or a joint can fail far below them, and local codes and a licensed plumber decide."
)
SOURCE = "Copper Tube Handbook, rated internal working pressure by ASME B31 (key CDA_3c)"
TEMPERS = ("annealed", "drawn")


def fahrenheit(celsius: float) -> float:
    return celsius * 1.8 + 32.0


def allowable_stress_psi(temper: str, temperature_f: float) -> float:
    """Allowable stress of copper tube, psi, between the handbook's temperatures by a straight line.

    Valid to 400 F (204 C); below 100 F the value at 100 F. Source: Copper Tube Handbook, Table 3c (key CDA_3c); the straight line
    between its temperatures is common practice, no source. InputError above 400 F and for an unknown temper.

    >>> allowable_stress_psi("annealed", 100), allowable_stress_psi("drawn", 300), allowable_stress_psi("annealed", 125)
    (6000.0, 10000.0, 5550.0)
    """
    if temper not in TEMPERS:
        raise InputError(f'The temper is "annealed" or "drawn", not {temper!r}.')
    if not math.isfinite(temperature_f):
        raise InputError("The temperature is not a number; give the water's temperature in use.")
    table = sorted(
        (float(row["temp_F"]), float(row["S_psi"]))
        for row in tables.select("copper_tube_pressure", quantity="allowable stress S", temper=temper)
    )
    if temperature_f > table[-1][0]:
        raise InputError(
            f"The handbook gives no stress for copper above {table[-1][0]:.0f} F (204 C); check the temperature and its unit."
        )
    if temperature_f <= table[0][0]:
        return table[0][1]
    for (cool, high), (warm, low) in zip(table, table[1:], strict=False):
        if temperature_f <= warm:
            return high + (low - high) * (temperature_f - cool) / (warm - cool)
    raise AssertionError("unreachable")


def rated_pressure_psi(wall_in: float, diameter_in: float, stress_psi: float) -> float:
    """P = 2 S t / (D - 0.8 t), psi: t wall (for a rating the MINIMUM one), D outside diameter (for a rating the LARGEST one), inches.

    For even thickness and t below D / 5 or so; a single pit or thin spot bears more than the formula says of its floor, a crack
    less. Source: ASME B31 as the Copper Tube Handbook uses it, corrosion allowance zero (keys CDA_3c, CDA_BURST).
    1/2 M annealed at 100 F, t 0.025, D 0.6275, S 6000, printed 494:

    >>> round(rated_pressure_psi(0.025, 0.6275, 6000), 1)
    493.8
    """
    if not (wall_in >= 0 and diameter_in > 0.8 * wall_in and stress_psi > 0):
        raise ValueError("wall, diameter and stress must be positive and the wall thinner than the tube")
    return 2.0 * stress_psi * wall_in / (diameter_in - 0.8 * wall_in)


def required_wall_in(pressure_psi: float, diameter_in: float, stress_psi: float) -> float:
    """t = P D / (2 S + 0.8 P), inches: the inverse of ``rated_pressure_psi``, same range and source.

    80 psi on annealed 1/2 in tube asks for about 0.0042 in (0.1 mm):

    >>> round(required_wall_in(80, 0.6275, 6000), 4)
    0.0042
    """
    if not (pressure_psi >= 0 and diameter_in > 0 and stress_psi > 0):
        raise ValueError("pressure, diameter and stress must be positive")
    return pressure_psi * diameter_in / (2.0 * stress_psi + 0.8 * pressure_psi)


def handbook_pressure_psi(size: str, type: str, temper: str, temperature_f: float) -> float:
    """The rated pressure of a new tube: minimum wall and largest outside diameter by the tolerances of ASTM B88 for that temper.

    3/4 K annealed at 150 F, printed 724:

    >>> round(handbook_pressure_psi("3/4", "K", "annealed", 150))
    724
    """
    tube = tables.b88(size, type)
    diameter = tube.outside_diameter_mm + tables.outside_diameter_tolerance_mm(size, type, temper)
    assert tube.wall_mm is not None and tube.wall_tolerance_mm is not None  # every tube of the standard has both
    wall = tube.wall_mm - tube.wall_tolerance_mm
    return rated_pressure_psi(wall / MM_PER_INCH, diameter / MM_PER_INCH, allowable_stress_psi(temper, temperature_f))


def _inches(size: str) -> float:
    """A trade size as a number: "1-1/4" is 1.25."""
    return sum(
        (float(a) / float(b) if b else float(a)) for a, b in re.findall(r"(\d+)(?:/(\d+))?", size.replace("-", " "))
    )


@dataclass(frozen=True, kw_only=True)
class JointLimit:
    joint: str
    pressure_kpa: float
    temperature_f: float  # the table's temperature, at or above the one asked for
    source: str


def joint_limits(size: str, temperature_f: float) -> tuple[JointLimit, ...]:
    """Highest working pressures of soldered joints in that size at the table's next higher temperature (100 to 250 F).

    Source: Copper Tube Handbook's joint table (key COPZONE_F). 50-50 solder in 1/2 at 100 F bears 200 psi, 95-5 bears 500:

    >>> [round(j.pressure_kpa / 6.894757) for j in joint_limits("1/2", 70)]
    [200, 500]
    """
    wanted = _inches(size)
    found = []
    for joint in dict.fromkeys(row["joint"] for row in tables.rows("joint_pressure") if "solder" in row["joint"]):
        fitting = []
        for row in tables.select("joint_pressure", joint=joint):
            ends = re.fullmatch(r"(\d+(?:-\d+/\d+|/\d+)?)-(\d+(?:-\d+/\d+|/\d+)?)", row["nominal_size_range_in"])
            if not ends or not row["temp_F"] or float(row["temp_F"]) < temperature_f:
                continue
            if _inches(ends.group(1)) <= wanted <= _inches(ends.group(2)):
                fitting.append((float(row["temp_F"]), float(row["max_pressure_psi"]), row["source"]))
        if fitting:
            temperature, psi, source = min(fitting)
            found.append(
                JointLimit(joint=joint, pressure_kpa=psi * KPA_PER_PSI, temperature_f=temperature, source=source)
            )
    return tuple(found)


@dataclass(frozen=True, kw_only=True)
class Capacity:
    """Pressures in kPa, lengths in mm. ``even_kpa`` is the formula on the remaining wall as if the whole tube were that thin."""

    case: str  # "even thinning", "local thin spot" or "through-hole"
    temper: str
    temper_source: str  # "told" or "taken: the weaker one, as a brazed or soldered tube"
    temperature_c: float
    temperature_source: str
    stress_kpa: float
    new_tube_kpa: float | None  # the rating of a new tube of that size and type
    even_kpa: Measure | None
    static_pressure_kpa: float | None
    required_wall_mm: float | None  # for the entered static pressure
    required_share: float | None  # of the nominal wall, of the thinnest one where the type is not known
    type_known: bool
    joints: tuple[JointLimit, ...]
    sentences: tuple[str, ...]
    caution: str = CAUTION
    source: str = SOURCE

    def as_json(self) -> dict[str, object]:
        return {
            "case": self.case,
            "temper": self.temper,
            "temper_source": self.temper_source,
            "temperature_c": self.temperature_c,
            "temperature_source": self.temperature_source,
            "allowable_stress_kpa": self.stress_kpa,
            "new_tube_kpa": self.new_tube_kpa,
            "even_kpa": None if self.even_kpa is None else self.even_kpa.as_json(),
            "static_pressure_kpa": self.static_pressure_kpa,
            "required_wall_mm": self.required_wall_mm,
            "required_share_of_nominal": self.required_share,
            "joints": [
                {"joint": j.joint, "pressure_kpa": j.pressure_kpa, "temperature_f": j.temperature_f}
                for j in self.joints
            ],
            "sentences": list(self.sentences),
            "caution": self.caution,
            "source": self.source,
        }


_TEMPER = {"hard": "drawn", "half_hard": "annealed", "annealed": "annealed", "drawn": "drawn"}
_ORDINARY_C = {"hot": 60.0, "recirculated": 60.0, "hot_and_cold": 60.0, "heating": 82.0}  # common practice, no source


def capacity(
    tube: Tube,
    remaining_mm: Measure | None,
    *,
    indicative: bool,
    local: bool,
    perforated: bool,
    facts: Mapping[str, Any],
) -> Capacity | None:
    """What the remaining wall bears by the handbook's formula; None for other metals than copper.

    An indicative wall (from the openings alone) carries no statement on strength: ``even_kpa`` stays None. ``local``: the
    remaining wall is that of a pit or thin spot, not of the whole circumference.
    """
    if tube.material != "copper":
        return None
    told = facts.get("temper")
    temper = _TEMPER.get(str(told), "annealed")
    temper_source = "told" if told in _TEMPER else "taken: annealed, the weaker one, as brazing or soldering leaves it"
    temperature = facts.get("service_temperature_c")
    if temperature is not None:
        temperature_c, temperature_source = float(temperature), "told"
    elif str(facts.get("service")) in _ORDINARY_C:
        temperature_c, temperature_source = _ORDINARY_C[str(facts["service"])], "usual for the service told"
    else:
        temperature_c, temperature_source = (
            (100.0 - FREEZING_F) * KELVIN_PER_FAHRENHEIT,
            "taken: the handbook's lowest column, 100 F",
        )
    stress = allowable_stress_psi(temper, fahrenheit(temperature_c))
    diameter_in = (tube.outside_diameter_mm + (tube.outside_diameter_tolerance_mm or 0.0)) / MM_PER_INCH
    new_tube = (
        handbook_pressure_psi(tube.size, tube.type, temper, fahrenheit(temperature_c)) * KPA_PER_PSI
        if tube.type in tables.TYPES and tube.size
        else None
    )
    case = "through-hole" if perforated else "local thin spot" if local else "even thinning"
    even = None
    if remaining_mm is not None and not indicative and not perforated:

        def at(wall_mm: float) -> float:
            wall = min(max(wall_mm, 0.0), 0.4 * tube.outside_diameter_mm)
            return rated_pressure_psi(wall / MM_PER_INCH, diameter_in, stress) * KPA_PER_PSI

        even = remaining_mm.through(at, step=0.005)
    static = facts.get("static_pressure_night_kpa", facts.get("static_pressure_kpa"))
    if static is not None and facts.get("static_pressure_kpa") is not None:
        static = max(float(static), float(facts["static_pressure_kpa"]))
    required = share = None
    if static is not None:
        static = float(static)
        required = required_wall_in(static / KPA_PER_PSI, diameter_in, stress) * MM_PER_INCH
        nominal = tube.wall_mm if tube.wall_mm is not None else min(tube.wall_range_mm) if tube.wall_range_mm else None
        share = None if nominal is None else required / nominal
    joints = joint_limits(tube.size, fahrenheit(temperature_c)) if tube.size else ()
    return Capacity(
        case=case,
        temper=temper,
        temper_source=temper_source,
        temperature_c=temperature_c,
        temperature_source=temperature_source,
        stress_kpa=stress * KPA_PER_PSI,
        new_tube_kpa=new_tube,
        even_kpa=even,
        static_pressure_kpa=static,
        required_wall_mm=required,
        required_share=share,
        type_known=tube.wall_mm is not None,
        joints=joints,
        sentences=_sentences(case, even, indicative, required, remaining_mm),
    )


def _sentences(
    case: str, even: Measure | None, indicative: bool, required: float | None, remaining: Measure | None
) -> tuple[str, ...]:
    said = []
    if case == "through-hole":
        said.append(
            "The wall is through: the piece holds no pressure at that place, whatever the rest of the wall could bear."
        )
    elif indicative or remaining is None:
        said.append("No measured depth: nothing is said about the strength of the remaining wall.")
    elif case == "local thin spot":
        said.append(
            "The formula is for even thinning. A single pit or thin spot weakens the tube less than that, so it leaks by a weep "
            "when it breaks through rather than bursts; that does not make it safe."
        )
    if required is not None:
        said.append(
            "Against the static pressure alone the formula asks for very little wall; surges, joints, cracks and further growth "
            "are not in it."
        )
        if even is not None and remaining is not None and remaining.interval_95[0] < required:
            said.append("The remaining wall may be thinner than the static pressure asks for even without any pit.")
    said.append("Soldered joints often bear less than the tube; their limits follow.")
    return tuple(said)


# ---------------------------------------------------------------- time


@dataclass(frozen=True, kw_only=True)
class Growth:
    """Growth of the deepest pit under one law: depth = k * age ** exponent. Ranges, never dates."""

    law: str  # "linear" or "power law"
    exponent: tuple[float, float]
    rate_mm_per_year: tuple[float, float]  # at the present age
    years_to_perforation: (
        tuple[float, float | None] | None
    )  # from the day it was taken out; upper end None: no end in sight
    sentence: str

    def as_json(self) -> dict[str, object]:
        return {
            "law": self.law,
            "exponent": list(self.exponent),
            "rate_mm_per_year": list(self.rate_mm_per_year),
            "years_to_perforation": None if self.years_to_perforation is None else list(self.years_to_perforation),
            "sentence": self.sentence,
        }


def years_to_depth(depth_mm: float, age_years: float, target_mm: float, exponent: float) -> float:
    """Age at which d = k t^n reaches ``target_mm``: t = age * (target / depth)^(1/n).

    Source: power law of pit depth (keys ASM_SOIL, ALU_CUBE). With n = 1/3 twice the depth takes eight times as long; with n = 1
    0.7 mm of wall at 2.5 micrometres a year last 280 years (key LIQ_CWP):

    >>> round(years_to_depth(0.5, 10.0, 1.0, 1 / 3), 6), round(years_to_depth(0.0025, 1.0, 0.7, 1.0), 6)
    (80.0, 280.0)
    """
    if not (depth_mm > 0 and age_years > 0 and target_mm > 0 and exponent > 0):
        raise ValueError("depth, age, target and exponent must be positive")
    return age_years * (target_mm / depth_mm) ** (1.0 / exponent)


_DIFFUSION = tables.select(
    "pit_depth_by_age", item="exponent n", condition="copper pits in potable water, diffusion limited"
)[0]
POWER_EXPONENTS = float(_DIFFUSION["low"]), float(_DIFFUSION["high"])  # from memory, as the row says


def growth(depth_mm: Measure, remaining_mm: Measure, age_years: float) -> tuple[Growth, ...]:
    """Rate and time to perforation of the deepest pit from one age and one depth, linear and by power law, as ranges.

    One depth at one age cannot tell the law, nor when the pit began; each law is said by its name. A range takes in the
    interval of the depth and of the remaining wall, and for the power law the range of its exponent.
    """
    if not (math.isfinite(age_years) and age_years > 0):
        raise InputError("The age must be above 0 years for a rate; give the years from installation to the failure.")
    low, high = (max(bound, 1e-3) for bound in depth_mm.interval_95)
    left_low, left_high = (max(bound, 0.0) for bound in remaining_mm.interval_95)
    made = []
    for law, exponents in (("linear", (1.0, 1.0)), ("power law", POWER_EXPONENTS)):
        rates = (exponents[0] * low / age_years, exponents[1] * high / age_years)
        soonest = min(years_to_depth(high, age_years, high + left_low, n) for n in exponents) - age_years
        latest = max(years_to_depth(low, age_years, low + left_high, n) for n in exponents) - age_years
        end = None if latest > 200.0 else latest
        span = f"{_years(soonest)} or more years" if end is None else f"{_years(soonest)} to {_years(latest)} years"
        sentence = (
            f"If it had gone on by {'a steady rate (linear law)' if law == 'linear' else 'a slowing rate (power law)'}, the deepest place "
            f"would have been through {span} after the piece was taken out; pits can also start late and run fast, so this is no date."
        )
        made.append(
            Growth(
                law=law,
                exponent=exponents,
                rate_mm_per_year=rates,
                years_to_perforation=(soonest, end),
                sentence=sentence,
            )
        )
    return tuple(made)


def _years(value: float) -> str:
    return "0" if value < 0.05 else f"{value:.1f}" if value < 3 else f"{value:.0f}"
