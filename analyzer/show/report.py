"""The report's sections in order, each built on its own by its id."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping

from analyzer.result.examination import Examination
from analyzer.show.blocks import Caution, Section
from analyzer.show.edition import Edition
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
    series,
    step_sources,
    steps,
    uncertainty,
    wall,
)

NOT_MADE = (
    "This part could not be made: this is a fault of the program, please report it. The other parts do not hang on it."
)
# In the order of the report: page one, plain page, evidence, figures, causes, steps; then the annex.
SECTIONS: Mapping[str, Callable[[Examination, Edition], Section | None]] = {
    "answer": answer.build,
    "homeowner": homeowner.build,
    "pictures": pictures.build,
    "measures": measures.build,
    "wall": wall.build,
    "causes": causes.build,
    "steps": steps.build,
    "house": house.build,
    "uncertainty": uncertainty.build,
    "series": series.build,
    "corrections": corrections.build,
    "pits": pits.build,
    "installation": installation.build,
    "facts": facts.build,
    "step_sources": step_sources.build,
    "record": record.build,
}


def section(
    examination: Examination, name: str, *, units: str = "metric", edition: Edition | None = None
) -> Section | None:
    """One section by its id, of ``SECTIONS``; None where this case has nothing to tell there."""
    return SECTIONS[name](examination, edition or Edition(units=units))


def sections(examination: Examination, *, units: str = "metric", edition: Edition | None = None) -> tuple[Section, ...]:
    """All sections that this case has, in the report's order. One that cannot be made says so in its place: the others do not hang on it."""
    edition = edition or Edition(units=units)
    built = []
    for name, build in SECTIONS.items():
        try:
            built.append(build(examination, edition))
        except Exception:  # whatever it is: a fault of the program, whose details the terminal gets
            traceback.print_exc()
            built.append(Section(id=name, title=name.replace("_", " ").capitalize(), blocks=(Caution(text=NOT_MADE),)))
    return tuple(part for part in built if part is not None)
