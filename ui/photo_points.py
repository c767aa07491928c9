"""Pointing on a photo: pits as outlines, a tap gives image pixels back. Touch, mouse and keyboard."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit import runtime

_FOLDER = Path(__file__).parent / "photo_points"
_HTML = (
    '<div><div class="stage"><div class="frame" tabindex="0" role="application"><div class="sheet"><img alt="">'
    '<svg aria-hidden="true"></svg></div></div><div class="overview" aria-hidden="true" hidden><img alt=""><i></i></div></div>'
    '<div class="below"><button type="button" class="smaller" aria-label="Shrink the picture">−</button>'
    '<button type="button" class="larger" aria-label="Enlarge the picture">+</button>'
    '<button type="button" class="whole">All of it</button><button type="button" class="fill">Fill the screen</button>'
    '<button type="button" class="back" hidden>Take the last point back</button>'
    '<button type="button" class="close" hidden>Close the area</button>'
    '<div class="legend" role="group" aria-label="Show or hide what is drawn"></div>'
    '<p class="hint" role="status" aria-live="polite"></p></div>'
    '<div class="strip" role="group" aria-label="The pits, widest first" hidden></div></div>'
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
    chosen: int | None = None,
    rows: Sequence[tuple[int, str]] = (),
    missed: str = "",
) -> dict[str, Any] | None:
    """Show the picture and give the last event: {"mode", "points", "pit"} in the picture's own pixels, or None.

    ``shapes``: {"points": [[x, y], ...], "kind": classes of style.css, "id": number of a pit or mound}. ``legend``: (class, words) of what
    is drawn; a tap there shows or hides it. ``rows``: the pits as a list under the picture, number and words; ``chosen`` is marked in
    both. ``missed``: said where no pit is tapped. ``mode``: "look" (tap a pit, or beside all of them to let go), "place" (one point), "mouth" or "length" (two points) or "outline" (three or more; Enter or a tap on the first closes it).
    """
    result = _component()(
        key=key,
        data={
            "src": _address(jpeg, key),
            "picture": picture_key,
            "width": width_px,
            "height": height_px,
            "shapes": list(shapes),
            "legend": [list(row) for row in legend],
            "mode": mode,
            "label": label,
            "chosen": chosen,
            "rows": [list(row) for row in rows],
            "missed": missed,
        },
        on_event_change=lambda: None,
    )
    return result.event


def _address(jpeg: bytes, key: str) -> str:
    """Where the browser finds the picture: with the server, which it asks once; in the message itself where no server runs."""
    if runtime.exists():
        return str(runtime.get_instance().media_file_mgr.add(jpeg, "image/jpeg", f"photo_points_{key}"))
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode()  # bytes would arrive as their printed form
