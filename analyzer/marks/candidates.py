"""From the likelihood of a pit at each pixel to places that may be pits: seeds, outlines, splitting, what is measured of each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import ndimage as ndi
from skimage.measure import label
from skimage.morphology import local_maxima, reconstruction
from skimage.segmentation import watershed

from analyzer.base.colour import cielab_of_srgb
from analyzer.marks import likelihood
from analyzer.marks.likelihood import Raster
from analyzer.piece.surface import Surface

# All here but the smallest mound (the report's least size of interest): judgement while the room was built; which pictures served was not recorded. What a candidate
# is worth is told by the tables in models/pit-likelihood.toml, which were fitted on `c` and odd `h`.
CONTEXT_PX = 40  # photo pixels round the metal that the likelihood sees too
LOW_LOGIT = -6.0  # a candidate reaches down to here
SEED_LOGIT = -5.0  # and has a summit above this
FAINTEST_EDGE = -1.5  # a clear candidate's part ends here
DOWN_FROM_SUMMIT = 2.5  # a faint candidate reaches down by this from its summit
SADDLE_LOGIT = 1.5  # two summits parted by a saddle this much lower than the lesser one are two pits
LEVELS = (-1.0, 0.0, 1.0, 2.0)  # levels at which openings are measured
FAINT_MOUTH = 1.5  # the mouth of a candidate that hardly reaches the middle level: this far below its summit
SMALLEST_MOUND_MM = 0.5  # equivalent diameter
MOUND_LOGIT = -2.0  # of the weights' mound plane, smoothed
MOUND_GREENER = 8.0  # CIELAB a below that of the ring round it
SURE_MOUTH_LOGIT = 6.0  # a place that the weights are as sure as this to be a mouth is none
RING_MM = (0.10, 0.40)  # the metal round a mouth that it is compared with


@dataclass(frozen=True, kw_only=True)
class Candidates:
    """What may be pits, on the raster: ``labels`` 1..n, and by name one value for each (arrays of n)."""

    raster: Raster
    labels: np.ndarray  # int32 (rows, columns)
    logit: np.ndarray  # float32 (rows, columns), of a pit's mouth
    mounds: np.ndarray  # int32 (rows, columns): mounds 1..m, where the weights know mounds
    area: np.ndarray  # float32 (rows, columns): metal area of a raster pixel
    values: Mapping[str, np.ndarray]
    # (looks, n): the highest logit of a mouth that each of the photos looked at together has there by itself; the main photo is first.
    alone: np.ndarray

    def __len__(self) -> int:
        return int(self.values["x_px"].size)


def candidates(
    rgb: np.ndarray, surface: Surface, resolution_mm: float, *, others: Sequence[np.ndarray] = ()
) -> Candidates:
    """All places that may be pits, with what is measured of each; the ranking is left to ``confidence``.

    ``rgb`` is the upright photo, ``resolution_mm`` the weights' millimetres a pixel. ``others`` are photos of the same pose in other
    light, laid on the upright photo pixel by pixel: what the weights say is then the mean over all of them. A shadow or a glare
    changes with the light and a pit does not: on 24 pieces F1 grew from .73 on one photo to .79 on two and .81 on four; the highest
    of four instead of their mean gave .77. Values: ``x_px, y_px`` (photo), ``axial,
    around, obliquity_deg``, ``area`` and ``area_LEVEL`` (mm2 on the metal within the mouth's level and at each of LEVELS), ``length, width`` (mm),
    ``orientation_deg``, ``contrast`` and the features that ``features`` lists.
    """
    raster, picture, metal, columns = _on_raster(rgb, surface, resolution_mm)
    logits = likelihood.learned_logits(picture, metal)
    mouths = [logits[0]]
    if others:
        logits = logits.copy()  # the mouth of the first photo alone is told beside the mean
        for other in others:
            if other.shape != rgb.shape:
                raise ValueError(f"photos of one pose have one shape, not {rgb.shape} and {other.shape}")
            own = likelihood.learned_logits(_picture_on(other, raster, surface), metal)
            mouths.append(own[0].copy())
            logits += own
        logits /= len(mouths)
    found = measure(picture, metal, logits, columns, raster, surface)
    alone = np.full((len(mouths), len(found)), -30.0, np.float32)
    where = found.labels > 0
    for summit, mouth in zip(alone, mouths, strict=True):
        np.maximum.at(summit, found.labels[where] - 1, mouth[where])
    return replace(found, alone=alone)


def _window(shape: tuple[int, ...], surface: Surface) -> tuple[int, int, int, int]:
    """First and last column and row (x0, y0, x1, y1) of the photo's part with the metal and some context round it."""
    height, width = surface.metal.shape
    left, top = surface.origin_px
    x0, y0 = max(0, left - CONTEXT_PX), max(0, top - CONTEXT_PX)
    return x0, y0, min(shape[1], left + width + CONTEXT_PX), min(shape[0], top + height + CONTEXT_PX)


def _picture_on(rgb: np.ndarray, raster: Raster, surface: Surface) -> np.ndarray:
    x0, y0, x1, y1 = _window(rgb.shape, surface)
    return likelihood.resample(np.ascontiguousarray(rgb[y0:y1, x0:x1]), raster)


def _on_raster(
    rgb: np.ndarray, surface: Surface, resolution_mm: float
) -> tuple[Raster, np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """The picture, the metal and the surface's maps on a raster of the weights' resolution, with some context round the metal."""
    assert surface.mm_per_px is not None
    height, width = surface.metal.shape
    left, top = surface.origin_px
    x0, y0, x1, y1 = _window(rgb.shape, surface)
    raster = likelihood.raster_over((x0, y0), (y1 - y0, x1 - x0), surface.mm_per_px.value / resolution_mm)
    picture = _picture_on(rgb, raster, surface)

    def laid(array: np.ndarray) -> np.ndarray:
        return cv2.copyMakeBorder(
            array, top - y0, y1 - top - height, left - x0, x1 - left - width, cv2.BORDER_CONSTANT, value=0
        )

    weight = likelihood.resample(laid(surface.metal.astype(np.float32)), raster)
    metal = weight > 0.5
    columns = {}
    safe = np.maximum(weight, 0.05)
    for name in ("axial", "around", "obliquity_deg", "area_per_px"):
        values = np.where(surface.metal, np.nan_to_num(getattr(surface, name)), 0).astype(np.float32)
        columns[name] = np.where(metal, likelihood.resample(laid(values), raster) / safe, 0).astype(np.float32)
    columns["area"] = columns.pop("area_per_px") * raster.photo_pixels
    return raster, picture, metal, columns


def split(logit: np.ndarray, metal: np.ndarray) -> np.ndarray:
    """Label the parts above LOW_LOGIT, touching pits parted along the saddle between their summits: int32, 0 is none.

    Watershed by flooding (Meyer 1994, as in scikit-image) from the summits that survive a reconstruction by SADDLE_LOGIT
    (h-maxima: Soille, Morphological Image Analysis, ch. 6), run where a connected part has more than one summit. A faint part
    reaches down by DOWN_FROM_SUMMIT from its summit.
    """
    height = np.clip(cv2.GaussianBlur(logit, (0, 0), 1.0), LOW_LOGIT - 2, 8.0).astype(np.float32)
    mask = (height > LOW_LOGIT) & metal
    count, parts, boxes, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4, ltype=cv2.CV_32S)
    peaks = (cv2.dilate(height, np.ones((3, 3), np.uint8)) <= height) & mask
    _, peak_labels = cv2.connectedComponents(peaks.astype(np.uint8), connectivity=8, ltype=cv2.CV_32S)
    fresh = count
    for k in _with_two_summits(parts[peaks], peak_labels[peaks], height[peaks], count):
        x, y, w, h = boxes[k, :4]
        box = np.s_[y : y + h, x : x + w]
        own = parts[box] == k
        local = np.where(own, height[box], LOW_LOGIT - 2).astype(np.float32)
        local = np.pad(local, 1, constant_values=LOW_LOGIT - 2)
        lowered = reconstruction(local - SADDLE_LOGIT, local).astype(np.float32)
        seeds = label(local_maxima(lowered) & np.pad(own, 1))
        flooded = watershed(-local, seeds, mask=np.pad(own, 1))[1:-1, 1:-1]
        more = (flooded > 1) & own
        parts[box][more] = flooded[more] + fresh - 2
        fresh += max(int(flooded.max()) - 1, 0)
    summits = np.full(fresh, -np.inf, np.float32)
    np.maximum.at(summits, parts[mask], height[mask])
    keep = summits > SEED_LOGIT
    keep[0] = False
    floor = np.minimum(summits - DOWN_FROM_SUMMIT, FAINTEST_EDGE)
    numbers = np.where(keep, np.cumsum(keep), 0).astype(np.int32)
    result = np.zeros(parts.shape, np.int32)
    inside = np.nonzero(mask)
    of = parts[inside]
    result[inside] = np.where(height[inside] >= floor[of], numbers[of], 0)
    return result


def _with_two_summits(parts: np.ndarray, peaks: np.ndarray, heights: np.ndarray, count: int) -> np.ndarray:
    """Which of ``count`` connected parts may hold two pits: indices, ascending.

    Arrays (N,) over the peaks' pixels: the part, the peak (1..) and the height. A saddle within a part lies above LOW_LOGIT, so the
    second highest peak must stand SADDLE_LOGIT above that.
    """
    summit = np.full(int(peaks.max(initial=0)) + 1, -np.inf)
    np.maximum.at(summit, peaks, heights)
    part, peak = np.unique(np.stack([parts, peaks]), axis=1)
    high = summit[peak] > LOW_LOGIT + SADDLE_LOGIT
    return np.flatnonzero(np.bincount(part[high], minlength=count) > 1)


def _slope(logit: np.ndarray) -> np.ndarray:
    """Change of the logit across a pixel square, corner to corner along the steepest way; never 0."""
    dy, dx = np.gradient(logit)
    return np.maximum(np.abs(dx) + np.abs(dy), 0.05).astype(np.float32)


def measure(
    picture: np.ndarray,
    metal: np.ndarray,
    logits: np.ndarray,
    columns: Mapping[str, np.ndarray],
    raster: Raster,
    surface: Surface,
) -> Candidates:
    """Part the likelihood into candidates and measure each of them on the metal.

    ``logits`` is (channels, rows, columns): of a pit's mouth; where the weights give them also of a mound and of a pit's core.
    """
    assert surface.mm_per_px is not None
    logit = logits[0]
    parts = split(logit, metal)
    n = int(parts.max())
    step = surface.mm_per_px.value * math.sqrt(raster.photo_pixels)  # mm a raster pixel
    rows, cols = np.nonzero(parts)
    of = parts[rows, cols] - 1

    def summed(values: np.ndarray) -> np.ndarray:
        return np.bincount(of, values, minlength=n)

    at = (rows, cols)
    area = columns["area"][at]
    values: dict[str, np.ndarray] = {}
    lo, slope, on_metal = logit[at], _slope(logit)[at], metal[at]
    for level in LEVELS:
        # the share of each pixel that lies above the level, taking the logit as plane within the pixel
        share = np.clip(0.5 + (lo - level) / slope, 0, 1).astype(np.float32) * on_metal
        values[f"area_{level:g}"] = summed(share * area)
    # The mouth: within the middle level, or within a level below its summit where it hardly reaches the middle one.
    summit = np.full(n, -30.0)
    np.maximum.at(summit, of, lo)
    level_of = np.minimum(summit - FAINT_MOUTH, 0.0)
    share = np.clip(0.5 + (lo - level_of[of]) / slope, 0, 1) * on_metal
    flat = share * area
    values["area"] = summed(flat)
    mass, mass_px = np.maximum(summed(flat), 1e-9), np.maximum(summed(share), 1e-9)
    x, y = summed(share * cols) / mass_px, summed(share * rows) / mass_px
    values["x_raster"], values["y_raster"] = x, y
    values["x_px"], values["y_px"] = raster.to_photo(x, y)
    axial, around = columns["axial"][at], columns["around"][at]
    values["axial"], values["around"] = summed(flat * axial) / mass, summed(flat * around) / mass
    values["obliquity_deg"] = summed(flat * columns["obliquity_deg"][at]) / mass
    a, b = axial - values["axial"][of], around - values["around"][of]
    # A pixel is an extended square: its own second moment (side squared by 12) adds to that of the centres.
    own = area / 12
    saa, sbb, sab = (
        summed(flat * (a * a + own)) / mass,
        summed(flat * (b * b + own)) / mass,
        summed(flat * a * b) / mass,
    )
    mean, half = (saa + sbb) / 2, np.hypot((saa - sbb) / 2, sab)
    values["length"] = 4 * np.sqrt(np.maximum(mean + half, 1e-9))
    values["width"] = 4 * np.sqrt(np.maximum(mean - half, 1e-9))
    values["orientation_deg"] = np.degrees(np.arctan2(2 * sab, saa - sbb)) / 2
    values["summit"] = summit if n else np.zeros(0)
    if len(logits) > 2:
        values["mound"] = summed(share * np.clip(logits[1][at], -8, 8)) / mass_px
        values["core"] = np.full(n, -30.0)
        np.maximum.at(values["core"], of, logits[2][at])
    _appearance(values, picture, metal, logit, parts, of, at, share, step)
    values["step_mm"] = np.full(n, surface.mm_per_px.value)
    mounds = _mound_regions(picture, metal, logits, step) if len(logits) > 1 else np.zeros(parts.shape, np.int32)
    return Candidates(
        raster=raster,
        labels=parts,
        logit=logit,
        mounds=mounds,
        area=columns["area"],
        values=values,
        alone=values["summit"][None].astype(np.float32),
    )


def _appearance(
    values: dict[str, np.ndarray],
    picture: np.ndarray,
    metal: np.ndarray,
    logit: np.ndarray,
    parts: np.ndarray,
    of: np.ndarray,
    at: tuple[np.ndarray, np.ndarray],
    share: np.ndarray,
    step: float,
) -> None:
    """Add to ``values`` how each candidate looks against the ring round it, and how restless that ring is."""
    n = values["x_raster"].size
    lab = cielab_of_srgb(cv2.GaussianBlur(picture, (0, 0), 0.7))
    near = max(1.0, RING_MM[0] / step)
    ring, ring_of = _ring(parts, metal, round(near), RING_MM[1] / step)
    ring_size = np.bincount(ring_of, minlength=n)
    values["ring_share"] = np.minimum(ring_size * step**2, 4.0)
    inside: list[np.ndarray] = []
    around: list[np.ndarray] = []
    spread_in = spread_out = np.zeros(n)  # of the lightness
    mass = np.maximum(np.bincount(of, share, minlength=n), 1e-9)
    for k in range(3):
        v, r = lab[..., k][at], lab[..., k][ring]
        m = np.bincount(of, share * v, minlength=n) / mass
        o = np.bincount(ring_of, r, minlength=n) / np.maximum(ring_size, 1)
        inside.append(m)
        around.append(o)
        if k == 0:
            spread_in = np.sqrt(np.maximum(np.bincount(of, share * v * v, minlength=n) / mass - m * m, 0))
            spread_out = np.sqrt(
                np.maximum(np.bincount(ring_of, r * r, minlength=n) / np.maximum(ring_size, 1) - o * o, 0)
            )
    known = ring_size >= 8
    difference = [np.where(known, i - o, 0.0) for i, o in zip(inside, around, strict=True)]
    values["contrast"] = np.sqrt(sum(d * d for d in difference))
    values["darker"], values["redder"], values["yellower"] = difference
    values["light_in"], values["a_in"], values["b_in"] = inside
    values["spread_in"], values["spread_out"] = np.asarray(spread_in), np.asarray(spread_out)
    lo = np.clip(logit, -8, 8)[ring]
    values["ring_logit"] = np.where(known, np.bincount(ring_of, lo, minlength=n) / np.maximum(ring_size, 1), -4.0)
    distance = cv2.distanceTransform(np.pad(metal, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1] * step
    rows = np.clip(np.rint(values["y_raster"]).astype(int), 0, metal.shape[0] - 1)
    cols = np.clip(np.rint(values["x_raster"]).astype(int), 0, metal.shape[1] - 1)
    values["edge_mm"] = distance[rows, cols]
    inner = np.clip(logit, -8, 8)[at]
    values["mean_logit"] = np.bincount(of, share * inner, minlength=n) / mass
    # The company a candidate keeps: pits come in fields, chance marks come with many doubtful others.
    probability = 1 / (1 + np.exp(-values["summit"]))
    apart = np.hypot(values["axial"][:, None] - values["axial"], values["around"][:, None] - values["around"])
    close_by = np.exp(-((apart / 4.0) ** 2)) - np.eye(n)
    values["sure_near"] = close_by @ (probability > 0.8)
    values["doubtful_near"] = close_by @ (probability <= 0.8)
    metal_cm2 = max(1e-3, float(metal.sum()) * step**2 / 100)
    values["sure_per_cm2"] = np.full(n, float((probability > 0.8).sum()) / metal_cm2)
    values["doubtful_per_cm2"] = np.full(n, float((probability <= 0.8).sum()) / metal_cm2)


def _ring(
    parts: np.ndarray, metal: np.ndarray, near: int, far: float
) -> tuple[tuple[np.ndarray, np.ndarray], np.ndarray]:
    """The metal round each part, from ``near`` pixels to ``far``: (rows, columns) and the nearest part's place, 0..n - 1."""
    taken = (parts > 0).astype(np.uint8)
    within = cv2.dilate(taken, np.ones((2 * math.ceil(far) + 1,) * 2, np.uint8)) > 0
    close = cv2.dilate(taken, np.ones((2 * near + 1,) * 2, np.uint8)) > 0
    rows, cols = np.nonzero(within & ~close & metal)
    if not taken.any():
        return (rows, cols), rows
    nearest = ndi.distance_transform_edt(taken == 0, return_distances=False, return_indices=True)[:, rows, cols]
    reached = np.hypot(nearest[0] - rows, nearest[1] - cols) <= far
    rows, cols = rows[reached], cols[reached]
    return (rows, cols), parts[*nearest[:, reached]] - 1


def features(found: Candidates) -> dict[str, np.ndarray]:
    """What the calibration tables may use of each candidate, by name; all finite."""
    values = found.values

    def ln(array: np.ndarray, floor: float = 0.01) -> np.ndarray:
        return np.log(np.maximum(array, floor))

    area = values["area"]
    result = {
        "summit": np.clip(values["summit"], -8, 8),
        "mean_logit": values["mean_logit"],
        "ring_logit": values["ring_logit"],
        "ln_diameter": ln(area) / 2,
        "ln_pixels": ln(area) / 2 - np.log(values["step_mm"]),  # of the photo, across the opening
        "ln_step": np.log(values["step_mm"]),
        "wider_below": ln(values["area_-1"], 0.005) - ln(area),  # how softly the opening's edge falls off
        "narrower_above": np.minimum(ln(area) - ln(values["area_1"]), 1.5),
        "ln_elongation": ln(values["length"]) - ln(values["width"]),
        "ln_contrast": ln(values["contrast"], 0.5),
        "darker": values["darker"] / 10,
        "oblique": values["obliquity_deg"] / 90,
        "edge_mm": np.minimum(values["edge_mm"], 2.0),
        "at_edge": np.maximum(1 - values["edge_mm"] / 0.6, 0.0),  # burrs and the rim's own shade lie there
        "restless_ring": ln(values["spread_out"], 0.3),
        "sure_near": np.minimum(values["sure_near"], 6.0),
        "doubtful_near": np.minimum(values["doubtful_near"], 6.0),
        "sure_per_cm2": np.minimum(values["sure_per_cm2"], 6.0),
        "doubtful_per_cm2": np.minimum(values["doubtful_per_cm2"], 12.0),
    }
    if "mound" in values:
        result["mound"] = np.clip(values["mound"], -8, 8)
        result["core"] = np.clip(values["core"], -8, 8)
    return {name: np.nan_to_num(np.asarray(array, float)) for name, array in result.items()}


def _mound_regions(picture: np.ndarray, metal: np.ndarray, logits: np.ndarray, step: float) -> np.ndarray:
    """Mounds 1..m on the raster, int32: where the weights see product, clearly greener than the metal round it, and no pit.

    On ten pictures that the weights did not learn from (one of them earlier weights had), 25 of 39 marks taken were mounds, and 25
    of 69 mounds were taken; the levels were chosen there. Mounds of other colours are missed.
    """
    raised = (cv2.GaussianBlur(logits[1], (0, 0), 1.5) > MOUND_LOGIT) & metal
    raised_px = cv2.morphologyEx(raised.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, parts, boxes, _ = cv2.connectedComponentsWithStats(raised_px, ltype=cv2.CV_32S)
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
    margin = round(0.4 / step)
    keep = np.zeros(count, np.int32)
    for k in range(1, count):
        if boxes[k, cv2.CC_STAT_AREA] * step**2 < math.pi / 4 * SMALLEST_MOUND_MM**2:
            continue
        x, y, w, h = boxes[k, :4]
        box = np.s_[max(y - margin, 0) : y + h + margin, max(x - margin, 0) : x + w + margin]
        own = parts[box] == k
        grown = cv2.dilate(own.astype(np.uint8), np.ones((2 * margin + 1,) * 2, np.uint8)) > 0
        ring = grown & (cv2.dilate(own.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0) & metal[box]
        if ring.sum() < 20:
            continue
        green = cielab_of_srgb(smooth[box])[..., 1]
        if (
            green[own].mean() - np.median(green[ring]) <= -MOUND_GREENER
            and logits[0][box][own].max() < SURE_MOUTH_LOGIT
        ):
            keep[k] = 1
    return np.where(keep > 0, np.cumsum(keep), 0).astype(np.int32)[parts]
