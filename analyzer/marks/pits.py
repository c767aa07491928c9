"""Pits of one photo: the learned way where there is a scale, else by contrast."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from scipy import ndimage as ndi

from analyzer.base.flags import Flag, raise_flag
from analyzer.base.measured import Measure
from analyzer.door.sharpness import FEWEST_PX
from analyzer.door.shown import Shown
from analyzer.door.specimen import METAL, OTHER_SIDE, RIM, TABLE, laid_on_photo
from analyzer.marks import closeup_learned, likelihood
from analyzer.marks.calibrated import confidence, opening, reported
from analyzer.marks.candidates import Candidates, candidates
from analyzer.marks.catalogue import SMALLEST_MM, Pit, PitCatalogue, flags_of, metal_per_pixel, with_attack
from analyzer.marks.contrast import by_close_up, by_contrast
from analyzer.marks.general_attack import find_general_attack
from analyzer.marks.mounds import mounds_of
from analyzer.marks.number import marks_by_learning
from analyzer.marks.see_through import may_be_seen_through
from analyzer.photo.reading import Photo
from analyzer.piece.surface import Surface
from analyzer.scale.calibration import Calibration

SURELY = 0.9  # share of the network's look from which a place is table or piece without doubt


def find_pits(
    photo: Photo,
    calibration: Calibration,
    surface: Surface,
    *,
    shown: Shown | None = None,
    others: Sequence[np.ndarray] = (),
) -> PitCatalogue:
    """Find the pits on the seen metal.

    With a scale and the weights at hand the evidence is learned (``likelihood``); without a scale it is learned from metal of any
    size in the picture (``closeup_learned``); without weights it is the picture's own contrast (``closeup``). The catalogue says so. Metal that is attacked all over is an outcome of its own (``general_attack``). On a cut end pits are not sought (flag ``end_view_no_pits``), nor in a picture that
    ``shown`` holds unfit for it: the count is then None, which is not 0. Where it is soft the smallest counted size grows.

    ``others`` are photos of the same pose in other light, (H, W, 3) uint8, laid on ``photo`` pixel by pixel (``relief.lights.align``):
    the learned evidence is then what all of them say together, judged by tables of its own (``models/pit-lights.toml``; weights that
    these do not belong to look at the one photo).
    """
    found = _found(photo, calibration, surface, shown, others)
    asked = _asked_through(photo, found, shown)
    if not asked:
        return found
    words = ", ".join(map(str, asked))
    return replace(found, asked_through=asked, flags=(*found.flags, raise_flag("through_asked", words)))


def _asked_through(photo: Photo, found: PitCatalogue, shown: Shown | None) -> tuple[int, ...]:
    """Pits in which the table may be seen; none where no table is seen beside the piece."""
    look = None if shown is None else shown.specimen
    if look is None or look.far is None or shown is None or shown.framing not in ("apart", "cut_off") or not found.pits:
        return ()
    sure = [
        laid_on_photo(look.far[list(classes)].sum(0), photo.rgb.shape[:2]) > SURELY
        for classes in ((TABLE,), (METAL, RIM, OTHER_SIDE))
    ]
    return may_be_seen_through(photo.rgb, found.labels, [pit.id for pit in found.pits], *sure)


def _found(
    photo: Photo, calibration: Calibration, surface: Surface, shown: Shown | None, others: Sequence[np.ndarray]
) -> PitCatalogue:
    if surface.view == "end":
        return _none_sought(photo, (raise_flag("end_view_no_pits"),))
    if shown is not None and not shown.countable:
        return _none_sought(photo, ())
    fewest_px = FEWEST_PX if shown is None else shown.sharpness.smallest_seen_px or FEWEST_PX
    record = likelihood.model_record()
    if surface.unit == "mm" and surface.mm_per_px is not None and record is not None:
        together = likelihood.lights_record(1 + len(others)) if others else None
        if together is None:
            return _by_learning(photo, calibration, surface, record, fewest_px, ())
        found = _by_learning(photo, calibration, surface, {**record, **together}, fewest_px, others)
        return replace(found, flags=(*found.flags, raise_flag("pits_by_lights", str(1 + len(others)))))
    without = by_close_up if surface.unit == "px" and closeup_learned.available() else by_contrast
    return with_attack(without(photo, surface, fewest_px), find_general_attack(photo, surface, None))


def _none_sought(photo: Photo, flags: tuple[Flag, ...]) -> PitCatalogue:
    return PitCatalogue(
        pits=(),
        mounds=(),
        labels=np.zeros(photo.rgb.shape[:2], np.uint16),
        count=None,
        smallest_counted_mm=None,
        evidence="none",
        evidence_version="none",
        flags=flags,
    )


def _by_learning(
    photo: Photo,
    calibration: Calibration,
    surface: Surface,
    record: Mapping[str, Any],
    fewest_px: float,
    others: Sequence[np.ndarray],
) -> PitCatalogue:
    assert surface.mm_per_px is not None
    step = surface.mm_per_px.value
    smallest = max(SMALLEST_MM, fewest_px * step)
    found = candidates(photo.rgb, surface, float(record["mm_per_px"]), others=others)
    sure = confidence(found, record)
    area, spread = opening(found, record)
    diameter = np.sqrt(4 * area / math.pi)
    kept = np.flatnonzero(reported(sure, diameter, record))
    kept = kept[np.lexsort((found.values["around"][kept].round(3), found.values["axial"][kept].round(3)))]
    labels = np.zeros(photo.rgb.shape[:2], np.uint16)
    _draw(labels, found, kept, area, surface)
    shares = surface.mm_per_px.shares
    values = found.values
    pits = []
    for number, k in enumerate(kept, start=1):

        def mm(value: float, power: int = 1, edge: float = float(spread[k])) -> Measure:
            return Measure.by_shares(value, shares, {"outline of the mouth": edge}, power=power, positive=True)

        stretch = math.sqrt(area[k] / max(math.pi / 4 * values["length"][k] * values["width"][k], 1e-6))
        local = metal_per_pixel(surface, float(values["x_px"][k]), float(values["y_px"][k]))
        pits.append(
            Pit(
                id=number,
                x_px=float(values["x_px"][k]),
                y_px=float(values["y_px"][k]),
                opening_area_px=float(area[k] / local),
                equivalent_diameter_px=math.sqrt(4 * area[k] / local / math.pi),
                confidence=float(sure[k]),
                through=None,
                obliquity_deg=float(values["obliquity_deg"][k]),
                contrast=float(values["contrast"][k]),
                axial_mm=float(values["axial"][k]),
                around_mm=float(values["around"][k]),
                opening_area_mm2=mm(float(area[k]), 2),
                equivalent_diameter_mm=mm(float(diameter[k])),
                length_mm=mm(float(values["length"][k] * stretch)),
                width_mm=mm(float(values["width"][k] * stretch)),
                orientation_deg=float(values["orientation_deg"][k]),
                carried_by=tuple(int(look) for look in np.flatnonzero(found.alone[:, k] >= 0)),
            )
        )
    # Confidence is of pits from SMALLEST_MM on, so every mark counts; where the picture shows only larger ones, the larger marks.
    large = (diameter >= smallest) | (smallest <= SMALLEST_MM)
    listed = np.zeros(len(found), int)
    listed[kept] = np.arange(1, kept.size + 1)
    marks = marks_by_learning(
        record["number"],
        x_px=values["x_px"][large],
        y_px=values["y_px"][large],
        confidence=sure[large],
        pit=listed[large],
        oblique_deg=values["obliquity_deg"][large],
        pixels=diameter[large] / step,
        spread=spread[large],
    )
    catalogue = PitCatalogue(
        pits=tuple(pits),
        mounds=mounds_of(found, photo, calibration, surface, shares),
        labels=labels,
        count=None,
        smallest_counted_mm=smallest,
        evidence="learned",
        evidence_version=str(record["version"]),
        flags=flags_of(pits, smallest, "learned"),
        marks=marks,
    )
    return with_attack(catalogue, find_general_attack(photo, surface, found))


def _draw(labels: np.ndarray, found: Candidates, kept: np.ndarray, area: np.ndarray, surface: Surface) -> None:
    """Write the mouths into ``labels`` (photo): each at the level of its likelihood that encloses its area."""
    raster = found.raster
    rows, columns = found.labels.shape
    boxes = ndi.find_objects(found.labels)
    for number, k in enumerate(kept, start=1):
        box = boxes[k]
        y0, y1 = max(box[0].start - 2, 0), min(box[0].stop + 2, rows)
        x0, x1 = max(box[1].start - 2, 0), min(box[1].stop + 2, columns)
        own = found.labels[y0:y1, x0:x1] == k + 1
        lo = np.where(own, found.logit[y0:y1, x0:x1], -30.0).astype(np.float32)
        left, top = raster.to_photo(x0 - 0.5, y0 - 0.5)
        right, bottom = raster.to_photo(x1 - 0.5, y1 - 0.5)
        px0, py0 = max(math.floor(left), 0), max(math.floor(top), 0)
        px1, py1 = min(math.ceil(right) + 1, labels.shape[1]), min(math.ceil(bottom) + 1, labels.shape[0])
        gx, gy = raster.from_photo(np.arange(px0, px1, dtype=np.float32), np.arange(py0, py1, dtype=np.float32))
        grid = np.meshgrid(np.float32(gx - x0), np.float32(gy - y0))
        fine = cv2.remap(lo, *grid, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-30.0)
        pixels = max(
            1, round(area[k] / metal_per_pixel(surface, *(float(found.values[c][k]) for c in ("x_px", "y_px"))))
        )
        order = np.argsort(-fine, axis=None, kind="stable")[:pixels]
        order = order[fine.ravel()[order] > -20]
        part = labels[py0:py1, px0:px1]
        inside = np.zeros(part.shape, bool)
        inside.ravel()[order] = True
        part[inside & (part == 0)] = number
