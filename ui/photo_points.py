"""Pointing on a photo: pits as outlines, a tap gives image pixels back. Touch, mouse and keyboard."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import streamlit as st

_FOLDER = Path(__file__).parent / "photo_points"
_HTML = (
    '<div class="frame" tabindex="0" role="application"><div class="sheet"><img alt=""><svg aria-hidden="true"></svg></div></div>'
    '<div class="below"><button type="button" class="smaller" aria-label="Shrink the picture">−</button>'
    '<button type="button" class="larger" aria-label="Enlarge the picture">+</button>'
    '<button type="button" class="back" hidden>Take the last point back</button>'
    '<button type="button" class="close" hidden>Close the area</button><div class="legend"></div>'
    '<p class="hint" role="status" aria-live="polite"></p></div>'
)


@st.cache_resource(show_spinner=False)
def _component() -> Any:
    return st.components.v2.component(
        "cutpipe_photo_points",
        html=_HTML,
        css=(_FOLDER / "style.css").read_text(encoding="utf-8"),
        js=(_FOLDER / "points.js").read_text(encoding="utf-8"),
    )


def photo_points(
    *,
    jpeg: bytes,
    picture_key: str,
    width_px: int,
    height_px: int,
    shapes: Sequence[dict[str, Any]],
    legend: Sequence[tuple[str, str]],
    mode: str,
    key: str,
    label: str,
) -> dict[str, Any] | None:
    """Show the picture and give the last event: {"mode", "points", "pit"} in the picture's own pixels, or None.

    ``shapes``: {"points": [[x, y], ...], "kind": classes of style.css, "id": number of a pit or mound}. ``legend``: (class, words) of what
    is drawn. ``mode``: "look", "pit" (tap a pit),
    "place" (one point), "mouth" or "length" (two points) or "outline" (three or more; Enter or a tap on the first closes it).
    """
    result = _component()(
        key=key,
        data={
            # bytes inside the mapping would arrive as their printed form, so the picture goes as text
            "src": "data:image/jpeg;base64," + base64.b64encode(jpeg).decode(),
            "picture": picture_key,
            "width": width_px,
            "height": height_px,
            "shapes": list(shapes),
            "legend": [list(row) for row in legend],
            "mode": mode,
            "label": label,
        },
        on_event_change=lambda: None,
    )
    return result.event
