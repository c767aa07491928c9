"""The logo of an examiner's firm: read once, small, on white, as it stands at the head of the reports."""

from __future__ import annotations

import io

from PIL import Image

from analyzer.base.flags import InputError

# Judgements, no source: enough for print at the size of a letterhead, and no more than a page can carry.
LARGEST_BYTES, LARGEST_PX, LEAST_PX = 5_000_000, (600, 200), 8


def as_logo(data: bytes) -> Image.Image:
    """The logo as a small picture on white. Raises InputError, one sentence, where it is none that can be printed."""
    if len(data) > LARGEST_BYTES:
        raise InputError("The logo is larger than 5 MB; choose a smaller picture of it.")
    try:
        with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as opened:
            if opened.width * opened.height > 40_000_000:
                raise InputError("The logo has too many pixels; choose a smaller picture of it.")
            clear = opened.convert("RGBA")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        raise InputError("The logo is no PNG or JPEG picture that can be read; choose another file.") from None
    if min(clear.size) < LEAST_PX:
        raise InputError("The logo is too small to be seen; choose a larger picture of it.")
    on_white = Image.new("RGBA", clear.size, "white")
    on_white.alpha_composite(clear)
    small = on_white.convert("RGB")
    small.thumbnail(LARGEST_PX)
    return small


def as_png(data: bytes) -> bytes:
    made = io.BytesIO()
    as_logo(data).save(made, "PNG", optimize=False)
    return made.getvalue()
