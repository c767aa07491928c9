"""The measures with their uncertainty and what they rest on."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from analyzer.base.measured import MM_PER_INCH
from analyzer.result.examination import Examination
from analyzer.show import drawing, report
from ui import blocks, state
from ui.sections import second


def show(examination: Examination) -> None:
    blocks.headline(examination)
    for name in ("measures", "pits", "corrections"):
        blocks.section(report.section(examination, name, units=state.units()))
    surface = examination.standing_surface
    if surface.view != "end" and examination.pits.count is not None:
        second.offer(examination)
    if surface.view != "end":
        st.subheader("Laid flat")
        flat = drawing.unrolled_map(
            examination.photo,
            surface,
            examination.standing_pits,
            examination.standing_bands,
            units=state.units(),
            longest_px=1600,
        )
        blocks.picture(
            drawing.jpeg(flat),
            "The metal laid flat, true to size along and round the pipe. Yellow: pits. Hatched: marks and lines.",
            f"The metal laid flat with {len(examination.standing_pits.pits)} pits outlined; the tables above list them.",
        )
    sizes = [pit.equivalent_diameter_mm.value for pit in examination.standing_pits.pits if pit.equivalent_diameter_mm]
    if len(sizes) >= 5:
        st.subheader("Sizes of the openings")
        factor = 1.0 if state.units() == "metric" else 1 / MM_PER_INCH
        counts, edges = drawing.size_classes(sizes)
        unit = "mm" if state.units() == "metric" else "in"
        decimals = 1 if unit == "mm" else 3
        names = [f"{low * factor:.{decimals}f} to {high * factor:.{decimals}f}" for low, high in zip(edges, edges[1:])]
        frame = pd.DataFrame({f"opening, {unit}": names, "pits": counts})
        st.bar_chart(frame, x=f"opening, {unit}", y="pits", sort=False, color="#0b8f88")
