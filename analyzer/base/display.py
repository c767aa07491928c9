"""Numbers as people read them: units, rounding to what the uncertainty carries, and words for what is not known."""

from __future__ import annotations

import math
import re

from analyzer.base.measured import KPA_PER_BAR, KPA_PER_PSI, MM_PER_INCH, Measure

UNITS = ("metric", "us")
UNKNOWN = "not known"

# kind -> units -> (name, factor from the inner unit, most decimals worth printing)
_KINDS: dict[str, dict[str, tuple[str, float, int]]] = {
    "length_mm": {"metric": ("mm", 1.0, 3), "us": ("in", 1 / MM_PER_INCH, 4)},
    "area_mm2": {"metric": ("mm²", 1.0, 3), "us": ("in²", 1 / MM_PER_INCH**2, 5)},
    "metal_mm2": {"metric": ("cm²", 0.01, 2), "us": ("in²", 1 / MM_PER_INCH**2, 2)},
    "per_cm2": {"metric": ("per cm²", 1.0, 2), "us": ("per in²", MM_PER_INCH**2 / 100, 1)},
    "pressure_kpa": {"metric": ("kPa", 1.0, 0), "us": ("psi", 1 / KPA_PER_PSI, 0)},
    "pressure_bar": {"metric": ("bar", 1 / KPA_PER_BAR, 1), "us": ("psi", 1 / KPA_PER_PSI, 0)},
    "velocity_m_per_s": {"metric": ("m/s", 1.0, 2), "us": ("ft/s", 1000 / (12 * MM_PER_INCH), 1)},
    "temperature_c": {"metric": ("°C", 1.0, 0), "us": ("°F", 1.8, 0)},
    "count": {"metric": ("", 1.0, 0), "us": ("", 1.0, 0)},
    "share": {"metric": ("%", 100.0, 0), "us": ("%", 100.0, 0)},
    "rate_um_per_year": {"metric": ("µm a year", 1.0, 0), "us": ("thousandths of an inch a year", 1 / MM_PER_INCH, 2)},
}


def decimals_for(uncertainty: float, most: int) -> int:
    """Decimals that show the uncertainty, and no more than ``most``.

    At most two digits of it (GUM 7.2.6), and only one where it begins with 355 to 949: the rule of the Particle Data Group, Review of
    Particle Physics, introduction 5.3 (from memory).

    >>> decimals_for(0.827, 3), decimals_for(0.119, 3), decimals_for(0.967, 3)
    (1, 2, 1)
    """
    if not uncertainty > 0:
        return most
    place = math.floor(math.log10(uncertainty))
    first_digits = uncertainty / 10.0**place
    if first_digits >= 9.5:  # rounds up to 10
        place += 1
    digits = 1 if 3.55 <= first_digits < 9.5 else 2
    return int(min(most, max(0, digits - 1 - place)))


def number(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.replace("-", "−") if float(text) != 0 else text.lstrip("-")


def value(measure: Measure | None, kind: str, units: str = "metric") -> str:
    """ "0.84 mm", without its interval."""
    if measure is None:
        return UNKNOWN
    name, factor, most = _KINDS[kind][units]
    shown = measure.times(factor)
    low, high = shown.interval_95
    decimals = decimals_for(max(high - low, 0) / 4, most)
    offset = 32.0 if name == "°F" else 0.0
    return f"{number(shown.value + offset, decimals)} {name}".strip()


def is_interval(text: str) -> bool:
    """Whether what stands beside a figure is its interval; else it is a remark, as figures without one have."""
    return re.match(r"[-−]?\d[^ ]*( [^ ]+)? to [-−]?\d", text) is not None


def interval(measure: Measure | None, kind: str, units: str = "metric") -> str:
    """ "0.78 to 0.90", the 95 % interval without its unit; empty where nothing is known."""
    if measure is None:
        return ""
    name, factor, most = _KINDS[kind][units]
    low, high = measure.times(factor).interval_95
    if high <= low:
        return ""
    decimals = decimals_for((high - low) / 4, most)
    offset = 32.0 if name == "°F" else 0.0
    # Areas, lengths and counts cannot be below zero, whatever a symmetric interval says.
    return f"{number(max(low + offset, 0.0) if not offset else low + offset, decimals)} to {number(high + offset, decimals)}"


def full(measure: Measure | None, kind: str, units: str = "metric") -> str:
    """ "0.84 mm (95 %: 0.78 to 0.90)"."""
    span = interval(measure, kind, units)
    return value(measure, kind, units) + (f" (95 %: {span})" if span else "")


def plain(amount: float | None, kind: str, units: str = "metric") -> str:
    """A bare figure that has no uncertainty of its own (a place along the pipe, an entered value)."""
    if amount is None:
        return UNKNOWN
    name, factor, most = _KINDS[kind][units]
    offset = 32.0 if name == "°F" else 0.0
    decimals = min(most, {"metric": 1, "us": 3}[units] if kind == "length_mm" else most)
    return f"{number(amount * factor + offset, decimals)} {name}".strip()


def unit(kind: str, units: str) -> str:
    return _KINDS[kind][units][0]


_AREA = re.compile(r"(\d+(?:\.\d+)?) cm[2²]")
_MILLIMETRES = re.compile(r"(\d+(?:\.\d+)?)(?: to (\d+(?:\.\d+)?))? mm\b(?! a pixel)")


def sentence(text: str, units: str = "metric") -> str:
    """A ready sentence with its millimetres and square centimetres in the units asked for: "0.84 mm" becomes "0.0331 in".

    >>> sentence("on this piece (32 cm2)", "us")
    'on this piece (5.0 in²)'
    >>> sentence("0.0 to 1.6 mm may be left over 20 mm.", "us")
    '0.000 to 0.063 in may be left over 0.79 in.'
    """
    if units == "metric":
        return text

    def inches(found: re.Match[str]) -> str:
        parts = [part for part in found.groups() if part is not None]
        return (
            " to ".join(f"{float(part) / MM_PER_INCH:.{min(4, len(part.partition('.')[2]) + 2)}f}" for part in parts)
            + " in"
        )

    def square_inches(found: re.Match[str]) -> str:
        return f"{float(found[1]) * 100 / MM_PER_INCH**2:.1f} in²"

    return _AREA.sub(square_inches, _MILLIMETRES.sub(inches, text))


METHOD_WORDS = {
    "card": "scale card",
    "ruler": "ruler",
    "disc": "disc of known diameter",
    "length": "length marked by hand",
    "known length": "length marked by hand on the metal",
    "tube": "the tube's own diameter",
    "none": "no scale",
}
BAND_WORDS = {
    "contact_mark": "contact mark",
    "water_line": "water line",
    "overall_stain": "stain all over",
    "other": "other band",
}
COLOUR_WORDS = {
    "bright_metal": "bright metal",
    "red_brown_oxide": "red-brown oxide",
    "black_oxide": "black oxide",
    "green_product": "green product",
    "blue_green_product": "blue-green product",
    "white_scale": "white scale",
    "rust_stain": "rust stain",
}
EVIDENCE_WORDS = {
    "learned": "learned pit likelihood",
    "close-up": "pits learned at any size, without a scale",
    "contrast": "contrast with the surroundings",
}
