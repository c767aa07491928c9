"""Did the whole picture arrive? What a second, talkative decoder says of the file, and stretches of the picture without any content."""

from __future__ import annotations

import os
import sys
import tempfile
import threading

import cv2
import numpy as np

# Messages of libjpeg (jerror.h) that mean lost or displaced picture data; others speak of metadata and do no harm.
LOST_DATA = ("Corrupt JPEG data", "Premature end of JPEG", "Unsupported marker", "Bogus", "Corrupt")
EVEN_LEVELS = (
    1.0  # a row whose samples spread by less than this many levels shows nothing: real sensors have more noise
)
EVEN_SHARE = 0.01  # of the picture's rows or columns: below that a frame line or a hairline, above it missing picture

BLOCK_PX = 8  # JPEG's blocks (ITU-T T.81)
TORN_SHARE = (
    0.25  # of a row of block edges; whole photographs and real close-ups have under 0.06, torn ones 0.4 and more
)
TORN_STEP = 6.0  # levels, over three times the steps right beside the block edge

_ONE_AT_A_TIME = threading.Lock()


def decoder_complaints(data: bytes) -> tuple[str, ...]:
    """What the JPEG decoder says of lost or displaced data, one sentence each; empty for a whole file and for other formats.

    Pillow keeps libjpeg's warnings to itself and returns what it could decode, so the file is decoded a second time by OpenCV,
    whose libjpeg writes its warnings to the process's error stream; that stream is held back meanwhile.
    """
    if not data.startswith(b"\xff\xd8"):
        return ()
    with _ONE_AT_A_TIME, tempfile.TemporaryFile() as kept:
        sys.stderr.flush() if sys.stderr is not None else None
        try:
            stream = os.dup(2)
        except OSError:  # started without an error stream: nothing to read the warnings from
            return ()
        try:
            os.dup2(kept.fileno(), 2)
            cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_8)
        except cv2.error:
            return ("the second decoder could not read it",)
        finally:
            os.dup2(stream, 2)
            os.close(stream)
        kept.seek(0)
        lines = kept.read().decode("ascii", "replace").splitlines()
    return tuple(dict.fromkeys(line.strip() for line in lines if line.strip().startswith(LOST_DATA)))


def even_share(rgb: np.ndarray) -> float:
    """Share of the picture's rows, or of its columns if more, that hold one even tone from end to end: 0..1.

    Where a copy broke off, decoders fill the rest with one grey; a sensor's own picture is never that even over a whole row.
    """
    red, green, blue = cv2.split(rgb)
    brightest = cv2.max(cv2.max(red, green), blue)
    share = 0.0
    for across in (1, 0):  # each row to one value, then each column
        most, least = (cv2.reduce(brightest, across, way) for way in (cv2.REDUCE_MAX, cv2.REDUCE_MIN))
        share = max(share, float(np.mean(most - least <= EVEN_LEVELS)))
    return share if share >= EVEN_SHARE else 0.0


def torn_share(rgb: np.ndarray) -> float:
    """Largest share of one row or column of block edges along which brightness jumps as nowhere beside it: 0..1.

    After a lost stretch of data that no decoder notices, every later block is off in place or brightness, and the picture is torn
    along a row of blocks, from edge to edge in the worst case.
    """
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    worst = 0.0
    for plane in (grey, np.ascontiguousarray(grey.T)):
        edges = np.arange(BLOCK_PX - 1, plane.shape[0] - 2, BLOCK_PX)
        before, at, after, beyond = (plane[edges + k].astype(np.int16) for k in (-1, 0, 1, 2))
        beside = np.maximum(np.abs(at - before), np.abs(beyond - after))
        torn = np.abs(after - at) > 3 * beside + TORN_STEP
        worst = max(worst, float(torn.mean(axis=1).max()) if len(edges) else 0.0)
    return worst
