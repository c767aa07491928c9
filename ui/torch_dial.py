"""Where the torch was for each photo: a tap on the mark of the card's edge from whose side it shone."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import streamlit as st

from analyzer.scale.printed_card import TORCH_MARKS_DEG

_FOLDER = Path(__file__).parent / "torch_dial"


@st.cache_resource(show_spinner=False)
def _component() -> Any:
    return st.components.v2.component(
        "cutpipe_torch_dial",
        html='<div class="dials"></div>',
        css=(_FOLDER / "style.css").read_text(encoding="utf-8"),
        js=(_FOLDER / "dial.js").read_text(encoding="utf-8"),
    )


def torch_dial(photos: Sequence[tuple[str, bytes]], *, key: str) -> list[float | None]:
    """Show a dial for each (name, small JPEG); each photo's mark in degrees counter-clockwise from the card's right edge, or None."""
    result = _component()(
        key=key,
        data={
            "marks": list(TORCH_MARKS_DEG),
            "photos": [
                {
                    "name": name,
                    "key": hashlib.sha256(jpeg).hexdigest(),
                    "src": "data:image/jpeg;base64," + base64.b64encode(jpeg).decode(),
                }
                for name, jpeg in photos
            ],
        },
        default={"places": []},
        on_places_change=lambda: None,
    )
    told = list(result.places or [])
    return [*told, *([None] * len(photos))][: len(photos)]
