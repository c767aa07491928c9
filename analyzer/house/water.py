"""Figures of a water test: saturation with calcium carbonate, carbon, and the ratios that people quote.

For copper all of these are context. What each one says, and what it does not say, stands with its range and source
in ``data/water.toml``; ``water_indices`` brings both together. Hardness words: calcium and alkalinity are in mg/L as
CaCO3 throughout, chloride and sulfate in mg/L of the ion, temperature in degrees Celsius.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from pydantic import Field

from analyzer.base.datafile import data_table
from analyzer.base.datarecord import DataRecord
from analyzer.base.flags import Flag, raise_flag

# Molar masses by IUPAC's standard atomic weights (rounded).
MG_CACO3_PER_MOL = 100_086.9  # molar mass of CaCO3
MG_CACO3_PER_EQUIVALENT = MG_CACO3_PER_MOL / 2
MG_CARBON_PER_MOL = 12_011.0
MG_CHLORIDE_PER_EQUIVALENT = 35_453.0
MG_SULFATE_PER_EQUIVALENT = 96_060.0 / 2
ZERO_CELSIUS_K = 273.15


# ---------------------------------------------------------------- the route with activities


@dataclass(frozen=True, kw_only=True)
class Equilibria:
    """Negative logarithms of the thermodynamic constants at one temperature, and of the activity coefficient."""

    pk1: float
    pk2: float
    pks_calcite: float
    pkw: float
    pfm: float  # of a singly charged ion; one of charge z has z^2 times that


def ionic_strength_mol_per_l(
    *, total_dissolved_solids_mg_per_l: float | None = None, conductivity_us_per_cm: float | None = None
) -> float | None:
    """TDS / 40000, or 1.6e-5 times conductivity at 25 C (Standard Methods 2330 B); None where neither is known.

    Worked value: 400 mg/L give 0.01 mol/L.
    """
    if total_dissolved_solids_mg_per_l is not None:
        return total_dissolved_solids_mg_per_l / 40_000.0
    if conductivity_us_per_cm is not None:
        return 1.6e-5 * conductivity_us_per_cm
    return None


def equilibria(temperature_c: float, ionic_strength: float) -> Equilibria:
    """Carbonate, calcite and water constants (Plummer and Busenberg 1982) and the Davies coefficient.

    ``ionic_strength`` in mol/L, below 0.5; temperature 0 to 90 C. Worked values at 25 C: pK1 6.352, pK2 10.329, pKs 8.480,
    pKw 13.995.
    """
    t = temperature_c + ZERO_CELSIUS_K
    log_t = math.log10(t)
    dielectric = 60_954.0 / (t + 116.0) - 68.937
    debye = 1.82e6 * (dielectric * t) ** -1.5
    root = math.sqrt(ionic_strength)
    return Equilibria(
        pk1=356.3094 + 0.06091964 * t - 21_834.37 / t - 126.8339 * log_t + 1_684_915.0 / t**2,
        pk2=107.8871 + 0.03252849 * t - 5_151.79 / t - 38.92561 * log_t + 563_713.9 / t**2,
        pks_calcite=171.9065 + 0.077993 * t - 2_839.319 / t - 71.595 * log_t,
        pkw=4_471.0 / t + 0.01706 * t - 6.0875,
        pfm=debye * (root / (1.0 + root) - 0.3 * ionic_strength),
    )


def ph_of_saturation(
    *,
    ph: float,
    temperature_c: float,
    calcium_mg_per_l_as_caco3: float,
    alkalinity_mg_per_l_as_caco3: float,
    ionic_strength: float,
) -> float:
    """pHs = pK2 - pKs + p[Ca] + p[HCO3] + 5 pfm (Standard Methods 2330 B), bicarbonate from alkalinity at this pH.

    Worked value: pH 7.5, 25 C, Ca 150, alkalinity 34, TDS 320 give pHs 8.046, index -0.546 (PHREEQC: -0.538).
    """
    k = equilibria(temperature_c, ionic_strength)
    calcium = calcium_mg_per_l_as_caco3 / MG_CACO3_PER_MOL
    alkalinity = alkalinity_mg_per_l_as_caco3 / MG_CACO3_PER_EQUIVALENT
    bicarbonate = (alkalinity + 10 ** (k.pfm - ph) - 10 ** (ph + k.pfm - k.pkw)) / (
        1.0 + 2.0 * 10 ** (ph + 3.0 * k.pfm - k.pk2)
    )
    if bicarbonate <= 0.0:
        raise ValueError("the alkalinity is smaller than this pH needs for hydroxide alone")
    return k.pk2 - k.pks_calcite - math.log10(calcium) - math.log10(bicarbonate) + 5.0 * k.pfm


def dic_mg_per_l(
    *, ph: float, temperature_c: float, alkalinity_mg_per_l_as_caco3: float, ionic_strength: float
) -> float:
    """Dissolved inorganic carbon, mg C/L, from pH and alkalinity (carbonate equilibria with activities).

    Worked value: pH 8.0, alkalinity 100, 25 C give 24.37 (PHREEQC: 24.3667).
    """
    alkalinity = alkalinity_mg_per_l_as_caco3 / MG_CACO3_PER_EQUIVALENT
    k = equilibria(temperature_c, ionic_strength)
    # Concentration constants: the charges of the products make 2, 4 and 2 times pfm; H is a concentration too.
    k1, k2 = 10 ** (2 * k.pfm - k.pk1), 10 ** (4 * k.pfm - k.pk2)
    kw, h = 10 ** (2 * k.pfm - k.pkw), 10 ** (k.pfm - ph)
    alpha1 = 1.0 / (h / k1 + 1.0 + k2 / h)
    alpha2 = 1.0 / (h * h / (k1 * k2) + h / k2 + 1.0)
    return MG_CARBON_PER_MOL * (alkalinity - kw / h + h) / (alpha1 + 2.0 * alpha2)


# ---------------------------------------------------------------- indices and ratios


def langelier_index(ph: float, ph_of_saturation: float) -> float:
    """pH - pHs. Worked value: 8.2 and 6.77 give +1.43 (UFC 3-240-13FN)."""
    return ph - ph_of_saturation


def ryznar_index(ph: float, ph_of_saturation: float) -> float:
    """2 pHs - pH. Worked value: 8.2 and 6.77 give 5.34 (UFC 3-240-13FN)."""
    return 2.0 * ph_of_saturation - ph


def equilibrium_ph(alkalinity_mg_per_l_as_caco3: float) -> float:
    """1.465 log10(alkalinity) + 4.54. Worked value: 100 gives 7.47; the 1.485 that one text prints would give 7.51."""
    return 1.465 * math.log10(alkalinity_mg_per_l_as_caco3) + 4.54


def puckorius_index(alkalinity_mg_per_l_as_caco3: float, ph_of_saturation: float) -> float:
    """2 pHs - pHeq. Worked value: alkalinity 100 and pHs 6.77 give 6.07 (UFC 3-240-13FN)."""
    return 2.0 * ph_of_saturation - equilibrium_ph(alkalinity_mg_per_l_as_caco3)


def larson_skold_index(chloride_mg_per_l: float, sulfate_mg_per_l: float, alkalinity_mg_per_l_as_caco3: float) -> float:
    """(Cl + SO4) / alkalinity in equivalents, for mild steel. Worked value: 20, 50, HCO3 150 mg/L give 0.65294."""
    anions = chloride_mg_per_l / MG_CHLORIDE_PER_EQUIVALENT + sulfate_mg_per_l / MG_SULFATE_PER_EQUIVALENT
    return anions * MG_CACO3_PER_EQUIVALENT / alkalinity_mg_per_l_as_caco3


def chloride_to_sulfate_ratio(chloride_mg_per_l: float, sulfate_mg_per_l: float) -> float:
    """Mass ratio. Worked value: 35 and 30 give 1.1667."""
    return chloride_mg_per_l / sulfate_mg_per_l


def aggressive_index(ph: float, calcium_mg_per_l_as_caco3: float, alkalinity_mg_per_l_as_caco3: float) -> float:
    """pH + log10(calcium x alkalinity), for asbestos cement. Worked value: pH 8, 100 and 100 give 12."""
    return ph + math.log10(calcium_mg_per_l_as_caco3 * alkalinity_mg_per_l_as_caco3)


# ---------------------------------------------------------------- all that a water test gives


@dataclass(frozen=True, kw_only=True)
class WaterTest:
    """A water test as told; what was not tested is None."""

    ph: float | None = None
    temperature_c: float | None = None
    calcium_mg_per_l_as_caco3: float | None = None
    alkalinity_mg_per_l_as_caco3: float | None = None
    total_dissolved_solids_mg_per_l: float | None = None
    conductivity_us_per_cm: float | None = None
    chloride_mg_per_l: float | None = None
    sulfate_mg_per_l: float | None = None


@dataclass(frozen=True, kw_only=True)
class WaterIndex:
    """One figure with its words."""

    id: str
    name: str
    value: float
    unit: str
    class_text: str  # what the classes call it; empty where there are none
    formula: str
    says: str
    does_not_say: str
    source: str


class _Class(DataRecord):
    text: str
    below: float = math.inf


class _IndexRecord(DataRecord):
    id: str
    name: str
    unit: str
    formula: str
    source: str
    status: str
    says: str
    does_not_say: str
    range: dict[str, tuple[float, float]]
    classes: tuple[_Class, ...] = ()


class _Book(DataRecord):
    schema_version: int = Field(alias="schema")
    copper_warning: str
    index: tuple[_IndexRecord, ...]


@cache
def _book() -> _Book:
    return _Book.model_validate(data_table("water"))


def copper_warning() -> str:
    """The sentence that goes above any index shown for a copper pipe."""
    return _book().copper_warning


def water_indices(test: WaterTest) -> tuple[tuple[WaterIndex, ...], tuple[Flag, ...]]:
    """Every figure that the test allows, in the order of the data, and a flag for each that is out of its range.

    A figure whose inputs are not all known is left out: a missing calcium or temperature is not guessed, and total
    hardness is not calcium.
    """
    values = _values(test)
    inputs = {name: getattr(test, name) for name in WaterTest.__dataclass_fields__}
    if inputs["total_dissolved_solids_mg_per_l"] is None and test.conductivity_us_per_cm is not None:
        # the range is stated for dissolved solids; the same ionic strength by conductivity
        inputs["total_dissolved_solids_mg_per_l"] = 40_000.0 * 1.6e-5 * test.conductivity_us_per_cm
    found, flags = [], []
    for record in _book().index:
        value = values.get(record.id)
        if value is None:
            continue
        found.append(
            WaterIndex(
                id=record.id,
                name=record.name,
                value=value,
                unit=record.unit,
                class_text=next((c.text for c in record.classes if value < c.below), ""),
                formula=record.formula,
                says=record.says,
                does_not_say=record.does_not_say,
                source=record.source,
            )
        )
        outside = [
            f"{name} {inputs[name]:g} is outside {low:g} to {high:g}"
            for name, (low, high) in record.range.items()
            if inputs[name] is not None and not low <= inputs[name] <= high
        ]
        if outside:
            flags.append(raise_flag("water_index_out_of_range", f"{record.name}: {'; '.join(outside)}"))
    return tuple(found), tuple(flags)


def _values(test: WaterTest) -> Mapping[str, float]:
    """The figures that are known, by id."""
    values: dict[str, float] = {}
    ph, t = test.ph, test.temperature_c
    # "none found" has no logarithm and no ratio: such a figure is left out, as if it were not known
    alk = test.alkalinity_mg_per_l_as_caco3 or None
    ca = test.calcium_mg_per_l_as_caco3 or None
    strength = ionic_strength_mol_per_l(
        total_dissolved_solids_mg_per_l=test.total_dissolved_solids_mg_per_l,
        conductivity_us_per_cm=test.conductivity_us_per_cm,
    )
    if strength is not None:
        values["ionic_strength_mol_per_l"] = strength
    if ph is not None and t is not None and alk is not None and strength is not None:
        carbon = dic_mg_per_l(ph=ph, temperature_c=t, alkalinity_mg_per_l_as_caco3=alk, ionic_strength=strength)
        if carbon > 0:
            values["dic_mg_per_l"] = carbon
        if ca is not None and carbon > 0:
            saturation = ph_of_saturation(
                ph=ph,
                temperature_c=t,
                calcium_mg_per_l_as_caco3=ca,
                alkalinity_mg_per_l_as_caco3=alk,
                ionic_strength=strength,
            )
            values["ph_of_saturation"] = saturation
            values["langelier_index"] = langelier_index(ph, saturation)
            values["ryznar_index"] = ryznar_index(ph, saturation)
            values["puckorius_index"] = puckorius_index(alk, saturation)
    if ph is not None and ca is not None and alk is not None:
        values["aggressive_index"] = aggressive_index(ph, ca, alk)
    chloride, sulfate = test.chloride_mg_per_l, test.sulfate_mg_per_l
    if chloride is not None and sulfate is not None and alk is not None:
        values["larson_skold_index"] = larson_skold_index(chloride, sulfate, alk)
    if chloride is not None and sulfate is not None and sulfate > 0:
        values["chloride_to_sulfate_ratio"] = chloride_to_sulfate_ratio(chloride, sulfate)
    return values
