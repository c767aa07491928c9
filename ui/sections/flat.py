"""The metal laid flat beside the photo: the pit that is chosen on one is marked on the other."""

from __future__ import annotations

import math
from typing import Any

import streamlit as st

from analyzer.result.examination import Examination
from analyzer.show import drawing
from ui import looking, state
from ui.photo_points import photo_points

LONGEST_PX = 1600
CORNERS = 20  # of the circle that stands for a mouth
LEAST_RADIUS_PX = 7.0
KEPT = 6
# The metal alone: no correction changes it but one of the outline.
_MAPS: dict[tuple[str, str, float], tuple[bytes, int, int]] = {}
looking.FORGETS.append(_MAPS.clear)


def show(examination: Examination) -> None:
    surface = examination.standing_surface
    jpeg, width, height = _metal(examination)
    places = drawing.map_places(surface, examination.standing_pits, longest_px=LONGEST_PX).circles_px
    doubtful = {pit.id for pit in examination.standing_pits.pits if pit.confidence < drawing.SURE_FROM}
    drawn: list[dict[str, Any]] = [
        {"kind": "pit unsure" if number in doubtful else "pit", "id": number, "points": _circle(*place)}
        for number, place in places.items()
    ]
    st.markdown(
        "**The metal laid flat**"
        + (", true to size along and round the pipe" if surface.unit == "mm" else ", without a scale")
    )
    event = photo_points(
        jpeg=jpeg,
        picture_key=f"{examination.photo.sha256}-flat-{state.units()}-{width}",
        width_px=width,
        height_px=height,
        shapes=drawn,
        legend=[],
        mode="look",
        key="flat_map",
        label=f"The metal laid flat with {len(drawn)} pits",
        chosen=state.chosen_pit(),
    )
    if event and event.get("pit") != state.chosen_pit():
        state.choose_pit(event.get("pit"))
        st.rerun()


def _metal(examination: Examination) -> tuple[bytes, int, int]:
    surface = examination.standing_surface
    key = (examination.photo.sha256, state.units(), float(surface.examined.sum()))
    if key not in _MAPS:
        rgb = drawing.unrolled_map(
            examination.photo,
            surface,
            examination.standing_pits,
            examination.standing_bands,
            units=state.units(),
            longest_px=LONGEST_PX,
            marks=False,
        )
        _MAPS[key] = (drawing.jpeg(rgb), rgb.shape[1], rgb.shape[0])
        while len(_MAPS) > KEPT:
            _MAPS.pop(next(iter(_MAPS)), None)
    return _MAPS[key]


def _circle(x: float, y: float, radius: float) -> list[list[float]]:
    radius = max(radius, LEAST_RADIUS_PX)
    angles = [2 * math.pi * k / CORNERS for k in range(CORNERS)]
    return [[round(x + radius * math.cos(a), 1), round(y + radius * math.sin(a), 1)] for a in angles]
