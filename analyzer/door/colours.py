"""Which metal a piece may be of by its colours and by the network's look. Both ask; neither decides: light and deposits change them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer.base.colour import cielab_of_srgb
from analyzer.door.specimen import Answer

# CIELAB of the metal's middle pixel. Over the truth pictures 95 of 100 copper pieces have a chroma above 8 and a hue below 73
# degrees (green deposits beyond); grey metals lie under 7, brass and loose rust from 66 degrees on.
GREY_CHROMA = 6.5
YELLOW_HUE_DEG = (66.0, 100.0)
YELLOW_CHROMA = 11.0
# The next four: judgement while the room was built; which pictures served was not recorded.
BLACK_LIGHTNESS = 12.0
UNLIKELY_CHROMA = 42.0  # strong colours off the range from red over yellow to blue-green deposits
UNLIKELY_SHARE = 0.25
RUST_SHARE = 0.4  # of the metal in the rust colour class

# The network learned its metals from rendered pipes and asks only from this share on, where it was right in 9 of 10 of the pictures
# that its card names.
ASKS_FROM = 0.8
BY_LOOK = {"brass": "yellow", "steel_black": "black", "steel_rusty": "rust", "galvanised": "grey"}

NAMES = {
    "grey": "grey metal (steel, galvanised or stainless)",
    "black": "bare steel",
    "yellow": "brass or rusty steel",
    "rust": "rusty steel",
}
FITTING = {  # what may be told without a question
    "grey": {"carbon_steel", "steel", "galvanised_steel", "steel_zinc_outside_only", "stainless_steel", "cast_iron", "lead", "plastic"},
    "black": {"carbon_steel", "steel", "galvanised_steel", "steel_zinc_outside_only", "cast_iron"},
    "yellow": {"brass", "copper_alloy", "copper_with_brass_filler", "copper_and_steel", "carbon_steel", "steel", "galvanised_steel",
               "steel_zinc_outside_only", "cast_iron"},
    "rust": {"carbon_steel", "steel", "galvanised_steel", "steel_zinc_outside_only", "cast_iron", "copper_and_steel"},
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class MetalColours:
    lightness: float  # CIELAB, middle pixel of the metal
    chroma: float
    looks: str | None  # key of NAMES; None where the colours fit copper, its deposits, or nothing for sure
    unlikely_share: float  # of the metal in colours that neither pipe metal nor its deposits have


def metal_colours(rgb: np.ndarray, metal: np.ndarray) -> MetalColours:
    """``rgb`` (h, w, 3) uint8, ``metal`` (h, w) bool with at least one pixel."""
    pixels = cielab_of_srgb(rgb[metal][None])[0]
    light, a, b = (float(v) for v in np.median(pixels, axis=0))
    chroma, hue = float(np.hypot(a, b)), float(np.degrees(np.arctan2(b, a)))
    looks = None
    if light > BLACK_LIGHTNESS:
        if chroma < GREY_CHROMA:
            looks = "grey"
        elif chroma >= YELLOW_CHROMA and YELLOW_HUE_DEG[0] <= hue <= YELLOW_HUE_DEG[1]:
            looks = "yellow"
    every_hue = np.degrees(np.arctan2(pixels[:, 2], pixels[:, 1]))
    strong = np.hypot(pixels[:, 1], pixels[:, 2]) > UNLIKELY_CHROMA
    unlikely = strong & ((every_hue < 20) & (every_hue > -170) | (every_hue > 100) & (every_hue < 150))
    return MetalColours(
        lightness=light, chroma=chroma, looks=looks, unlikely_share=float(unlikely.mean())
    )  # fmt: skip


def looks_of(colours: MetalColours | None, metal: Answer | None) -> str | None:
    """Key of NAMES where colours or the network's look ask for the metal; None where neither does. The network's word goes first,
    as it knows more kinds; where it is unsure or says copper the colours may still ask."""
    if metal is not None and metal.share >= ASKS_FROM and metal.name in BY_LOOK:
        return BY_LOOK[metal.name]
    return None if colours is None else colours.looks
