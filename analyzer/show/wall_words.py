"""What a person reads under the figures of the wall: the weakest link, strength, time, the deepest pit to expect, with cautions."""

from __future__ import annotations

from analyzer.base import display
from analyzer.base.measured import FREEZING_F, KELVIN_PER_FAHRENHEIT, Measure
from analyzer.wall import capacity as strength
from analyzer.wall import extremes
from analyzer.wall.remaining import Wall


def paragraphs(wall: Wall, *, units: str = "metric") -> tuple[str, ...]:
    """What a person reads under the figures: the weakest link, strength, time and the deepest pit to expect, with cautions."""
    said: list[str] = []
    if wall.weakest_link:
        said.append(f"Weakest link: {wall.weakest_link}.")
    if wall.nominal_mm is not None:
        said.append(f"Nominal wall by {wall.nominal_source}.")
    if wall.depth_rating is not None:
        said.append(
            f"Mean measured depth rates {wall.depth_rating} on the chart of ASTM G46 (from memory, nearest on a logarithmic scale)."
        )
    if wall.pitting_factor is not None:
        said.append(f"Pitting factor (deepest by mean loss) {wall.pitting_factor:.1f}.")
    if wall.capacity is not None:
        said += _capacity_words(wall.capacity, units)
    for growth in wall.growth:
        said.append(growth.sentence)
    if wall.deepest is not None:
        said += _deepest_words(wall.deepest, units)
    return tuple(said)


def _capacity_words(made: strength.Capacity, units: str) -> list[str]:
    said = list(made.sentences)
    if made.even_kpa is not None:
        said.append(
            f"If the whole tube were as thin as the thinnest place, the handbook's formula gives {display.value(made.even_kpa, 'pressure_kpa', units)} "
            f"({display.interval(made.even_kpa, 'pressure_kpa', units)}), {made.temper} at {_temperature(made.temperature_c, units)} ({made.temper_source}; "
            f"temperature {made.temperature_source})."
        )
    if made.required_wall_mm is not None and made.static_pressure_kpa is not None:
        of = "the nominal wall" if made.type_known else "the thinnest nominal wall of that size"
        share = "" if made.required_share is None else f", {100 * made.required_share:.0f} % of {of}"
        said.append(
            f"The static pressure of {display.value(Measure(value=made.static_pressure_kpa), 'pressure_kpa', units)} asks for "
            f"{display.value(Measure(value=made.required_wall_mm), 'length_mm', units)} of even, sound wall{share}."
        )
    for joint in made.joints:
        said.append(
            f"A joint soldered with {joint.joint.replace(' solder', '')} bears at most {display.value(Measure(value=joint.pressure_kpa), 'pressure_kpa', units)} "
            f"at {_temperature((joint.temperature_f - FREEZING_F) * KELVIN_PER_FAHRENHEIT, units)}."
        )
    said.append(made.caution)
    return said


def _temperature(celsius: float, units: str) -> str:
    return display.value(Measure(value=celsius), "temperature_c", units)


def _deepest_words(made: extremes.DeepestToExpect, units: str) -> list[str]:
    if made.refusal is not None:
        return [f"The deepest pit to expect in the run is not computed: {made.refusal}"]
    said = []
    for estimate in made.estimates:
        shown = Measure(value=estimate.value, interval=estimate.interval_95)
        said.append(
            f"Deepest pit to expect on the whole run, {made.area_ratio:.0f} times one of the {len(made.maxima_mm)} areas: "
            f"{display.value(shown, 'length_mm', units)}, as likely more as less; 19 times of 20 within "
            f"{display.interval(shown, 'length_mm', units)} {display.unit('length_mm', units)} (Gumbel's law, {estimate.interval_method})."
        )
    return said + list(made.cautions)
