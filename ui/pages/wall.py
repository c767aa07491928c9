"""What is left of the wall, what it rests on, and readings to enter."""

from __future__ import annotations

import streamlit as st

from analyzer import report
from analyzer.examination import Examination
from ui import blocks, state


def show(examination: Examination) -> None:
    for section in report.sections(examination, units=state.units()):
        if section.title == "The wall":
            blocks.section(section)
