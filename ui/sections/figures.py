"""The measures with their uncertainty and what they rest on."""

from __future__ import annotations

from analyzer.result.examination import Examination
from analyzer.show import report
from ui import blocks, state
from ui.sections import second


def show(examination: Examination) -> None:
    """In plain words the few figures that matter and their pictures; else every figure; for the record how sure such figures are, too."""
    reading = state.reading()
    if reading == "plain":
        blocks.headline(examination)
        blocks.section(blocks.only_pictures(report.section(examination, "measures", units=state.units())), title=False)
        return
    for name in ("measures", "pits", "corrections"):
        blocks.section(report.section(examination, name, units=state.units()))
    if examination.standing_surface.view != "end" and examination.pits.count is not None:
        second.offer(examination)
    if reading == "record":
        for name in ("uncertainty", "record"):
            blocks.section(report.section(examination, name, units=state.units()))
