"""Mounds of corrosion product, measured on the metal."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from scipy import ndimage as ndi

from analyzer.base.colour import cielab, linear
from analyzer.base.measured import Measure
from analyzer.marks.candidates import SMALLEST_MOUND_MM, Candidates
from analyzer.marks.catalogue import Mound
from analyzer.marks.colours import COLOUR_CLASSES, classify
from analyzer.photo.reading import Photo
from analyzer.piece.surface import Surface
from analyzer.scale.calibration import Calibration


def mounds_of(
    found: Candidates, photo: Photo, calibration: Calibration, surface: Surface, shares: Mapping[str, float]
) -> tuple[Mound, ...]:
    """Mounds of corrosion product, largest first, with the colour of their top under the card's white."""
    mounds: list[Mound] = []
    left, top = surface.origin_px
    for k, box in enumerate(ndi.find_objects(found.mounds), start=1):
        rows, cols = np.nonzero(found.mounds[box] == k)
        rows, cols = rows + box[0].start, cols + box[1].start
        area = float(found.area[rows, cols].sum())
        if area < math.pi / 4 * SMALLEST_MOUND_MM**2:
            continue
        x, y = found.raster.to_photo(float(cols.mean()), float(rows.mean()))
        px, py = (np.rint(v).astype(int) for v in found.raster.to_photo(cols, rows))
        px, py = np.clip(px, 0, photo.rgb.shape[1] - 1), np.clip(py, 0, photo.rgb.shape[0] - 1)
        light = linear(photo.rgb[py, px])  # where the card's white applies
        if calibration.white_gain is not None:
            light = light * np.asarray(calibration.white_gain, np.float32)
        colour = int(classify(cielab(np.median(light, axis=0)[None]))[0])
        row = min(max(round(y) - top, 0), surface.metal.shape[0] - 1)
        column = min(max(round(x) - left, 0), surface.metal.shape[1] - 1)
        on = bool(surface.metal[row, column])
        edge = 0.10  # of the area: the edge of a mound runs out into the stain round it
        mounds.append(
            Mound(
                id=0,
                x_px=float(x),
                y_px=float(y),
                area_px=float(rows.size) * found.raster.photo_pixels,
                colour_class=COLOUR_CLASSES[colour],
                axial_mm=float(surface.axial[row, column]) if on else None,
                around_mm=float(surface.around[row, column]) if on else None,
                area_mm2=Measure.by_shares(area, shares, {"outline of the mound": edge / 2}, power=2, positive=True),
            )
        )
    mounds.sort(key=lambda mound: -mound.area_px)
    return tuple(replace(mound, id=number) for number, mound in enumerate(mounds, start=1))
