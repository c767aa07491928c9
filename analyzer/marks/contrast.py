"""Pits where the learned evidence that needs a scale cannot serve: on close-ups without a scale, or without its weights."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from scipy import ndimage as ndi

from analyzer.base.colour import cielab_of_srgb
from analyzer.base.measured import Measure
from analyzer.marks import closeup, closeup_learned
from analyzer.marks.catalogue import SMALLEST_MM, Pit, PitCatalogue, flags_of
from analyzer.marks.number import Marks
from analyzer.photo.reading import Photo
from analyzer.piece.surface import Surface

# Share of the marks found by contrast that were pits, whatever their strength: without a scale 115 of 141 on 186 windows of real
# pitted steel with drawn masks (BSData; on 152 whole frames, where pits are a few pixels wide, 92 of 159), with a scale 76 of 93 on
# twelve rendered copper pieces; of the pits of the latter only 22 % were found, of those of the windows 72 %. The sizes
# that pictures are looked at were chosen on every other of the windows and frames.
CONTRAST_CONFIDENCE = {"px": 0.82, "mm": 0.82}
# Pits that go unseen beside each one that is seen, the scatter of ln N from picture to picture and the constant of ``number``: so
# that the intervals hold on the same pictures; without weights on a rendered piece most pits go unseen, and the range is wide.
CONTRAST_NUMBER = {"px": (0.4, 0.5, 2.0), "mm": (3.5, 0.7, 5.0)}

EDGE = 0.15  # relative standard uncertainty of a diameter: outlines by contrast were not calibrated


def by_contrast(photo: Photo, surface: Surface, fewest_px: float) -> PitCatalogue:
    """Pits from the picture's own contrast: no weights, no scale needed."""
    step = surface.mm_per_px.value if surface.mm_per_px is not None else None
    parts, score = closeup.pit_regions(_window(photo, surface), surface.metal, pixel_mm=step)
    sure = np.full(score.size, CONTRAST_CONFIDENCE[surface.unit])
    return _catalogue(
        photo, surface, fewest_px, parts, sure, CONTRAST_NUMBER[surface.unit], ("contrast", closeup.SETTINGS_VERSION)
    )


def by_close_up(photo: Photo, surface: Surface, fewest_px: float) -> PitCatalogue:
    """Pits by the network that needs no scale (``closeup_learned``)."""
    parts, score = closeup_learned.pit_regions(_window(photo, surface), surface.metal)
    sure, number = closeup_learned.confidence(score), closeup_learned.number()
    return _catalogue(photo, surface, fewest_px, parts, sure, number, ("close-up", closeup_learned.version()))


def _window(photo: Photo, surface: Surface) -> np.ndarray:
    left, top = surface.origin_px
    height, width = surface.metal.shape
    return np.ascontiguousarray(photo.rgb[top : top + height, left : left + width])


def _catalogue(
    photo: Photo,
    surface: Surface,
    fewest_px: float,
    parts: np.ndarray,
    sure: np.ndarray,
    number_of: tuple[float, float, float],
    evidence: tuple[str, str],
) -> PitCatalogue:
    """Pits from their outlines ``parts`` (h, w) int, 1..n, each with its confidence in ``sure`` (n,)."""
    left, top = surface.origin_px
    height, width = surface.metal.shape
    window = _window(photo, surface)
    step = surface.mm_per_px.value if surface.mm_per_px is not None else None
    area_of = surface.area_per_px
    shares = {} if surface.mm_per_px is None else surface.mm_per_px.shares
    lab = cielab_of_srgb(window)
    pits: list[Pit] = []
    labels = np.zeros(photo.rgb.shape[:2], np.uint16)
    for k, box in enumerate(ndi.find_objects(parts), start=1):
        if box is None:
            continue
        reach = max(2, (box[0].stop - box[0].start + box[1].stop - box[1].start) // 4)
        y0, y1 = max(box[0].start - reach, 0), min(box[0].stop + reach, height)
        x0, x1 = max(box[1].start - reach, 0), min(box[1].stop + reach, width)
        own = parts[y0:y1, x0:x1] == k
        ring = (parts[y0:y1, x0:x1] == 0) & surface.metal[y0:y1, x0:x1]
        rows, cols = np.nonzero(own)
        pixels = float(rows.size)
        colour = lab[y0:y1, x0:x1]
        contrast = float(np.linalg.norm(colour[own].mean(0) - np.median(colour[ring], 0))) if ring.any() else 0.0
        at = (rows + y0, cols + x0)
        number = len(pits) + 1
        labels[top + at[0], left + at[1]] = number
        metal_figures: dict[str, Any] = {}
        if surface.unit == "mm":
            metal_figures = _on_metal(surface, at, area_of, shares)
            if metal_figures["equivalent_diameter_mm"].value < SMALLEST_MM:
                labels[labels == number] = 0
                continue
        pits.append(
            Pit(
                id=number,
                x_px=float(at[1].mean() + left),
                y_px=float(at[0].mean() + top),
                opening_area_px=pixels,
                equivalent_diameter_px=math.sqrt(4 * pixels / math.pi),
                confidence=float(sure[k - 1]),
                through=None,
                obliquity_deg=float(np.nanmean(surface.obliquity_deg[at])),
                contrast=contrast,
                **metal_figures,
            )
        )
    smallest = None if step is None else max(SMALLEST_MM, fewest_px * step)
    found = PitCatalogue(
        pits=tuple(pits),
        mounds=(),
        labels=labels,
        count=None,
        smallest_counted_mm=smallest,
        evidence=evidence[0],
        evidence_version=evidence[1],
        flags=flags_of(pits, smallest, evidence[0]),
    )
    counted = found.counted
    unseen, scatter, constant = number_of
    found = replace(
        found,
        marks=Marks(
            x_px=np.array([pit.x_px for pit in counted], float),
            y_px=np.array([pit.y_px for pit in counted], float),
            confidence=np.array([pit.confidence for pit in counted], float),
            pit=np.array([pit.id for pit in counted], int),
            # a mouth without a tilt of its own (no scale) is taken as seen squarely
            oblique_deg=np.array(
                [0.0 if math.isnan(pit.obliquity_deg) else pit.obliquity_deg for pit in counted], float
            ),
            pixels=np.array([pit.equivalent_diameter_px for pit in counted], float),
            spread=np.full(len(counted), EDGE),
            unseen=np.full(len(counted), unseen),
            slopes=np.zeros((len(counted), 1)),
            covariance=np.zeros((1, 1)),
            scatter=scatter,
            constant=constant,
        ),
    )
    return replace(found, count=found.estimated())


def _on_metal(
    surface: Surface, at: tuple[np.ndarray, np.ndarray], area_of: np.ndarray, shares: Mapping[str, float]
) -> dict[str, Any]:
    """A region's figures on the metal, from its pixels."""
    area = np.nan_to_num(area_of[at]).astype(float)
    mass = max(float(area.sum()), 1e-9)
    axial, around = np.nan_to_num(surface.axial[at]).astype(float), np.nan_to_num(surface.around[at]).astype(float)
    ca, cb = float((area * axial).sum() / mass), float((area * around).sum() / mass)
    a, b = axial - ca, around - cb
    own = area / 12
    saa, sbb, sab = (float((area * v).sum() / mass) for v in (a * a + own, b * b + own, a * b))
    mean, half = (saa + sbb) / 2, math.hypot((saa - sbb) / 2, sab)

    def mm(value: float, power: int = 1) -> Measure:
        return Measure.by_shares(value, shares, {"outline of the mouth": EDGE}, power=power, positive=True)

    return {
        "axial_mm": ca,
        "around_mm": cb,
        "opening_area_mm2": mm(mass, 2),
        "equivalent_diameter_mm": mm(math.sqrt(4 * mass / math.pi)),
        "length_mm": mm(4 * math.sqrt(max(mean + half, 1e-9))),
        "width_mm": mm(4 * math.sqrt(max(mean - half, 1e-9))),
        "orientation_deg": math.degrees(math.atan2(2 * sab, saa - sbb)) / 2,
    }
