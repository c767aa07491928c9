"""The report as one web page that stands alone."""

from __future__ import annotations

import base64
from collections.abc import Sequence

import jinja2

from analyzer.base.datafile import data_text
from analyzer.result.examination import Examination
from analyzer.show import report
from analyzer.show.blocks import Section
from analyzer.show.edition import Edition
from analyzer.show.logo import as_png


def html(
    examination: Examination,
    *,
    units: str = "metric",
    edition: Edition | None = None,
    sections: Sequence[Section] | None = None,
) -> str:
    """One page that stands alone: no file beside it, nothing fetched."""
    edition = edition or Edition(units=units)
    template = data_text("report.html.jinja")
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    environment.filters["base64"] = lambda data: base64.b64encode(data).decode()
    environment.tests["kind"] = lambda block, name: type(block).__name__ == name
    return environment.from_string(template).render(
        title=" · ".join(part for part in (f"Examination of {examination.photo.name}", edition.case.short) if part),
        case=[(heading, words) for heading, words in (*edition.case.rows, ("Case number", edition.case.id)) if words],
        logo=as_png(edition.case.logo) if edition.case.logo else b"",
        firm=edition.case.firm or "the examiner",
        sections=report.sections(examination, edition=edition) if sections is None else sections,
    )
