"""The report's sections in order, each built on its own by its id."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from analyzer.result.examination import Examination
from analyzer.show.blocks import Section
from analyzer.show.sections import (
    answer,
    causes,
    corrections,
    facts,
    homeowner,
    house,
    installation,
    measures,
    pictures,
    pits,
    record,
    steps,
    wall,
)

# In the order of the report: answer, plain page, pictures, measures, wall, causes, steps, record.
SECTIONS: Mapping[str, Callable[[Examination, str], Section | None]] = {
    "answer": answer.build,
    "homeowner": homeowner.build,
    "pictures": pictures.build,
    "measures": measures.build,
    "pits": pits.build,
    "wall": wall.build,
    "causes": causes.build,
    "steps": steps.build,
    "house": house.build,
    "installation": installation.build,
    "facts": facts.build,
    "corrections": corrections.build,
    "record": record.build,
}


def section(examination: Examination, name: str, *, units: str = "metric") -> Section | None:
    """One section by its id, of ``SECTIONS``; None where this case has nothing to tell there."""
    return SECTIONS[name](examination, units)


def sections(examination: Examination, *, units: str = "metric") -> tuple[Section, ...]:
    """All sections that this case has, in the report's order."""
    built = (build(examination, units) for build in SECTIONS.values())
    return tuple(part for part in built if part is not None)
