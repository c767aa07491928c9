"""Pits: seeds, outlines, splitting and the catalogue, from a likelihood of pit at each pixel."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import cv2
import numpy as np
from scipy import ndimage as ndi
from skimage.measure import label
from skimage.morphology import local_maxima, reconstruction
from skimage.segmentation import watershed

from analyzer.base.flags import Flag, raise_flag
from analyzer.base.measured import COVERAGE_95, Measure
from analyzer.door.sharpness import FEWEST_PX
from analyzer.door.shown import Shown
from analyzer.marks import closeup, likelihood
from analyzer.marks.bands import COLOUR_CLASSES, cielab, classify
from analyzer.marks.likelihood import Raster
from analyzer.photo.reading import Photo
from analyzer.piece.restrict import Kept
from analyzer.piece.surface import Surface
from analyzer.scale.calibration import Calibration

SQUARELY_DEG = (
    60.0  # metal up to this oblique is what the number of pits is estimated on; beyond it hardly half are found
)
SMALLEST_MM = 0.30  # equivalent diameter of the smallest pit that is counted
CONTEXT_PX = 40  # photo pixels round the metal that the likelihood sees too
LOW_LOGIT = -6.0  # a candidate reaches down to here
SEED_LOGIT = -5.0  # and has a summit above this
FAINTEST_EDGE = -1.5  # a clear candidate's part ends here
DOWN_FROM_SUMMIT = 2.5  # a faint candidate reaches down by this from its summit
SADDLE_LOGIT = 1.5  # two summits parted by a saddle this much lower than the lesser one are two pits
LEVELS = (-1.0, 0.0, 1.0, 2.0)  # levels at which openings are measured
FAINT_MOUTH = 1.5  # the mouth of a candidate that hardly reaches the middle level: this far below its summit
SURE = 0.5  # a picture is taken to show pits when one of them is at least this sure
SMALLEST_MOUND_MM = 0.5  # equivalent diameter
MOUND_LOGIT = -2.0  # of the weights' mound plane, smoothed
MOUND_GREENER = 8.0  # CIELAB a below that of the ring round it
SURE_MOUTH_LOGIT = 6.0  # a place that the weights are as sure as this to be a mouth is none
RING_MM = (0.10, 0.40)  # the metal round a mouth that it is compared with


@dataclass(frozen=True, kw_only=True)
class Pit:
    """One pit's mouth. Lengths in millimetres on the metal are None where the photo has no scale; pixel figures always stand."""

    id: int  # its label in ``PitCatalogue.labels``
    x_px: float  # centre of the mouth in the upright photo, pixel centres at integers
    y_px: float
    opening_area_px: float
    equivalent_diameter_px: float
    confidence: (
        float  # share of candidates like this one that were true pits on pictures with truth; see training notes
    )
    through: bool | None  # light or background seen through it; None where one photo cannot say
    obliquity_deg: float
    contrast: float  # CIELAB distance between the mouth and the ring round it
    axial_mm: float | None = None
    around_mm: float | None = None
    opening_area_mm2: Measure | None = None
    equivalent_diameter_mm: Measure | None = None
    length_mm: Measure | None = None
    width_mm: Measure | None = None
    orientation_deg: float | None = None  # of the long axis on the metal, from +axial towards +around, -90..90
    by_hand: bool = False  # a person added or confirmed it; ``confidence`` is then 1 and no share of anything


@dataclass(frozen=True, kw_only=True)
class Mound:
    """A mound of corrosion product (tubercle): not a pit, but it may hide one."""

    id: int
    x_px: float
    y_px: float
    area_px: float
    colour_class: str
    axial_mm: float | None = None
    around_mm: float | None = None
    area_mm2: Measure | None = None


@dataclass(frozen=True, kw_only=True)
class PitCatalogue:
    """All pits and mounds of one photo. Nothing found is an empty catalogue."""

    pits: tuple[Pit, ...]
    mounds: tuple[Mound, ...]
    labels: np.ndarray  # (H, W) uint16 in the upright photo's frame; 0 is no pit
    # Pits at or above the smallest counted size, with the interval of the count as detected; None on a cut end, where none are sought.
    count: Measure | None
    smallest_counted_mm: float | None  # 0.3 mm where the picture resolves it, else larger; None without a scale
    evidence: str  # "learned", "contrast" or, on a cut end, "none"
    evidence_version: str  # the weights' version, or the settings' name
    flags: tuple[Flag, ...] = ()

    def counts(self, pit: Pit) -> bool:
        """Whether the pit is at or above the smallest counted size; without a scale every pit is."""
        size, smallest = pit.equivalent_diameter_mm, self.smallest_counted_mm
        return size is None or smallest is None or size.value >= smallest

    @property
    def counted(self) -> tuple[Pit, ...]:
        """The pits that ``count`` counts; smaller ones are listed and drawn all the same."""
        return tuple(pit for pit in self.pits if self.counts(pit))

    def restricted(self, kept: Kept) -> PitCatalogue:
        """Pits and mounds whose middle lies on the metal that is left, under their own numbers, and the count there.

        Of the count's doubt a part stays that goes with the square root of the share of the metal: the scatter of independent
        places.
        """
        pits = tuple(pit for pit in self.pits if kept.holds(pit.x_px, pit.y_px))
        labels = self.labels.copy()
        labels[~np.isin(labels, [pit.id for pit in pits])] = 0
        less = self.with_pits(
            pits, mounds=tuple(mound for mound in self.mounds if kept.holds(mound.x_px, mound.y_px)), labels=labels
        )
        if self.count is None:
            return less
        low, high = self.count.interval_95
        value, root = float(len(less.counted)), math.sqrt(kept.share)
        least = min(value, max(0.0, math.floor(value - root * (self.count.value - low) + 1e-9)))
        most = max(value, math.ceil(value + root * (high - self.count.value) - 1e-9))
        left = (most - least) / (high - low) if high > low else 1.0
        budget = {source: part * left for source, part in self.count.budget.items()}
        return replace(less, count=Measure(value=value, budget=budget, interval=(least, most)))

    def with_pits(self, pits: tuple[Pit, ...], **others: Any) -> PitCatalogue:
        """The catalogue with other pits, its flags raised anew for them; the count stays."""
        of_the_list = flags_of(self.pits, self.smallest_counted_mm, self.evidence)
        kept = tuple(flag for flag in self.flags if flag not in of_the_list)
        other = replace(self, pits=pits, **others)
        return replace(other, flags=(*kept, *flags_of(pits, other.smallest_counted_mm, self.evidence)))


@dataclass(frozen=True, kw_only=True)
class Candidates:
    """What may be pits, on the raster: ``labels`` 1..n, and by name one value for each (arrays of n)."""

    raster: Raster
    labels: np.ndarray  # int32 (rows, columns)
    logit: np.ndarray  # float32 (rows, columns), of a pit's mouth
    mounds: np.ndarray  # int32 (rows, columns): mounds 1..m, where the weights know mounds
    area: np.ndarray  # float32 (rows, columns): metal area of a raster pixel
    values: Mapping[str, np.ndarray]

    def __len__(self) -> int:
        return int(self.values["x_px"].size)


def find_pits(photo: Photo, calibration: Calibration, surface: Surface, *, shown: Shown | None = None) -> PitCatalogue:
    """Find the pits on the seen metal.

    With a scale and the weights at hand the evidence is learned (``likelihood``); else it is the picture's own contrast
    (``closeup``), and the catalogue says so. On a cut end pits are not sought (flag ``end_view_no_pits``), nor in a picture that
    ``shown`` holds unfit for it: the count is then None, which is not 0. Where it is soft the smallest counted size grows.
    """
    if surface.view == "end":
        return _none_sought(photo, (raise_flag("end_view_no_pits"),))
    if shown is not None and not shown.countable:
        return _none_sought(photo, ())
    fewest_px = FEWEST_PX if shown is None else shown.sharpness.smallest_seen_px or FEWEST_PX
    record = likelihood.model_record()
    if surface.unit == "mm" and surface.mm_per_px is not None and record is not None:
        return _by_learning(photo, calibration, surface, record, fewest_px)
    return _by_contrast(photo, surface, fewest_px)


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


# ---------------------------------------------------------------------------------------------------------------- learned


def candidates(rgb: np.ndarray, surface: Surface, resolution_mm: float) -> Candidates:
    """All places that may be pits, with what is measured of each; the ranking is left to ``confidence``.

    ``rgb`` is the upright photo, ``resolution_mm`` the weights' millimetres a pixel. Values: ``x_px, y_px`` (photo), ``axial,
    around, obliquity_deg``, ``area`` and ``area_LEVEL`` (mm2 on the metal within the mouth's level and at each of LEVELS), ``length, width`` (mm),
    ``orientation_deg``, ``contrast`` and the features that ``features`` lists.
    """
    raster, picture, metal, columns = _on_raster(rgb, surface, resolution_mm)
    logits = likelihood.learned_logits(picture, metal)
    return measure(picture, metal, logits, columns, raster, surface)


def _on_raster(
    rgb: np.ndarray, surface: Surface, resolution_mm: float
) -> tuple[Raster, np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """The picture, the metal and the surface's maps on a raster of the weights' resolution, with some context round the metal."""
    assert surface.mm_per_px is not None
    height, width = surface.metal.shape
    left, top = surface.origin_px
    x0, y0 = max(0, left - CONTEXT_PX), max(0, top - CONTEXT_PX)
    x1, y1 = min(rgb.shape[1], left + width + CONTEXT_PX), min(rgb.shape[0], top + height + CONTEXT_PX)
    raster = likelihood.raster_over((x0, y0), (y1 - y0, x1 - x0), surface.mm_per_px.value / resolution_mm)
    picture = likelihood.resample(np.ascontiguousarray(rgb[y0:y1, x0:x1]), raster)

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
    return Candidates(raster=raster, labels=parts, logit=logit, mounds=mounds, area=columns["area"], values=values)


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
    lab = cv2.cvtColor(cv2.GaussianBlur(picture, (0, 0), 0.7).astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    near = max(1.0, RING_MM[0] / step)
    ring, ring_of = _ring(parts, metal, round(near), RING_MM[1] / step)
    ring_size = np.bincount(ring_of, minlength=n)
    values["ring_share"] = np.minimum(ring_size * step**2, 4.0)
    inside, around, spread_in, spread_out = [], [], [], []
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


def _linear(table: Mapping[str, Any], known: Mapping[str, np.ndarray], n: int) -> np.ndarray:
    """Intercept plus weighted sum of the features that a calibration table names."""
    total = np.full(n, float(table["intercept"]))
    for name, weight in table["weights"].items():
        total += float(weight) * known[name]
    return total


def confidence(found: Candidates, record: Mapping[str, Any]) -> np.ndarray:
    """Share of candidates like each of these that were true pits on pictures with truth (logistic; weights in the record)."""
    logit = _linear(record["confidence"], features(found), len(found))
    return 1 / (1 + np.exp(-np.clip(logit, -30, 30)))


def opening(found: Candidates, record: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Opening area on the metal in mm2, and the relative standard uncertainty of the equivalent diameter from its edge.

    The area within the likelihood's level of the mouth, times a factor that was fitted on pictures with truth (blur widens small
    openings, a soft edge hides the mouth's outermost part); the uncertainty is the scatter left there.
    """
    known, n = features(found), len(found)
    factor = np.exp(np.clip(_linear(record["opening"], known, n), -1.0, 1.5))
    spread = np.exp(np.clip(_linear(record["opening_spread"], known, n), math.log(0.02), math.log(0.6)))
    return np.maximum(found.values["area"], 0.01) * factor, spread


def reported(sure: np.ndarray, diameter_mm: np.ndarray, record: Mapping[str, Any]) -> np.ndarray:
    """Which candidates are reported as pits: bool.

    Those of SMALLEST_MM and more whose confidence reaches the record's level, where on pictures with truth as many are reported
    as there are pits; none at all in a picture whose surest candidate is more likely not a pit than one: doubtful marks lie on
    every clean piece.
    """
    large = diameter_mm >= SMALLEST_MM
    if not (large & (sure >= SURE)).any():
        return np.zeros(sure.shape, bool)
    return large & (sure >= record["confidence"]["reported_from"])


def _by_learning(
    photo: Photo, calibration: Calibration, surface: Surface, record: Mapping[str, Any], fewest_px: float
) -> PitCatalogue:
    assert surface.mm_per_px is not None
    step = surface.mm_per_px.value
    smallest = max(SMALLEST_MM, fewest_px * step)
    found = candidates(photo.rgb, surface, float(record["mm_per_px"]))
    sure = confidence(found, record)
    area, spread = opening(found, record)
    diameter = np.sqrt(4 * area / math.pi)
    kept = np.flatnonzero(reported(sure, diameter, record))
    kept = kept[np.lexsort((found.values["around"][kept].round(3), found.values["axial"][kept].round(3)))]
    labels = np.zeros(photo.rgb.shape[:2], np.uint16)
    _draw(labels, found, kept, area, surface)
    shares = {name: part / step for name, part in surface.mm_per_px.budget.items()}
    values = found.values
    pits = []
    for number, k in enumerate(kept, start=1):

        def mm(value: float, power: int = 1, edge: float = float(spread[k])) -> Measure:
            budget = {name: power * share * value for name, share in shares.items()}
            return Measure(value=value, budget={**budget, "outline of the mouth": power * edge * value})

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
            )
        )
    counted = int((diameter[kept] >= smallest).sum())
    return PitCatalogue(
        pits=tuple(pits),
        mounds=_mounds(found, photo, calibration, surface, shares),
        labels=labels,
        count=count_of(counted, float(sure.sum()), record),
        smallest_counted_mm=smallest,
        evidence="learned",
        evidence_version=str(record["version"]),
        flags=flags_of(pits, smallest, "learned"),
    )


class HasPlace(Protocol):
    """What lies at a place of the photo and has a width."""

    @property
    def id(self) -> int: ...
    @property
    def x_px(self) -> float: ...
    @property
    def y_px(self) -> float: ...
    @property
    def equivalent_diameter_px(self) -> float: ...


POINTED_AT_PX = 8.0  # a smaller pit is pointed at as if it were that wide: a judgement, no source


def pit_at(x_px: float, y_px: float, pits: Iterable[HasPlace]) -> int | None:
    """The number of the pit at a place of the photo: the nearest whose middle lies within its own width."""
    near = [
        (math.hypot(pit.x_px - x_px, pit.y_px - y_px) / max(pit.equivalent_diameter_px, POINTED_AT_PX), pit.id)
        for pit in pits
    ]
    distance, nearest = min(near, default=(math.inf, 0))
    return nearest if distance <= 1.0 else None


def flags_of(pits: Sequence[Pit], smallest_mm: float | None, evidence: str) -> tuple[Flag, ...]:
    """What is to be said of a list of pits: how they were found, the smallest that counts, whether most are doubtful."""
    flags: list[Flag] = []
    if evidence == "contrast":
        flags.append(raise_flag("pits_by_contrast"))
    if smallest_mm is not None and smallest_mm > SMALLEST_MM:
        flags.append(raise_flag("small_pits_not_counted", f"{smallest_mm:.2f}"))
    doubtful = sum(pit.confidence < SURE for pit in pits)
    if doubtful > len(pits) / 2:
        flags.append(raise_flag("pits_unsure", f"{doubtful} of {len(pits)}"))
    return tuple(flags)


def count_of(counted: int, confidences: float, record: Mapping[str, Any]) -> Measure:
    """The count as detected, with the interval that holds the true count of the picture (pits a photo could show).

    Expected true count: the sum of the ``confidences`` of all candidates, times the share that pits without any candidate add.
    Scatter about it as found on pictures with truth: ``variance = constant + per_pit n + (share n)^2`` with n the larger of
    count and expected count; the share differs below and above, for more is missed than taken by mistake.
    """
    table = record["count"]
    expected = confidences * float(table["expected_factor"])
    n = max(float(counted), expected)
    below, above = (
        math.sqrt(table["constant"] + table["per_pit"] * n + (table[share] * n) ** 2)
        for share in ("share_below", "share_above")
    )
    low = min(float(counted), math.floor(max(0.0, expected - COVERAGE_95 * below)))
    high = max(float(counted), math.ceil(expected + COVERAGE_95 * above))
    return Measure(
        value=float(counted), budget={"pits missed or taken by mistake": (below + above) / 2}, interval=(low, high)
    )


def metal_per_pixel(surface: Surface, x_px: float, y_px: float) -> float:
    """Metal area that one pixel of the photo covers near a place (the nearest metal pixel's)."""
    left, top = surface.origin_px
    height, width = surface.metal.shape
    column, row = min(max(round(x_px) - left, 0), width - 1), min(max(round(y_px) - top, 0), height - 1)
    for reach in (0, 2, 8, 32):
        part = np.s_[max(0, row - reach) : row + reach + 1, max(0, column - reach) : column + reach + 1]
        metal = surface.metal[part]
        if metal.any():
            return float(np.median(surface.area_per_px[part][metal]))
    return float(np.median(surface.area_per_px[surface.metal]))


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
        green = cv2.cvtColor(smooth[box].astype(np.float32) / 255, cv2.COLOR_RGB2LAB)[..., 1]
        if (
            green[own].mean() - np.median(green[ring]) <= -MOUND_GREENER
            and logits[0][box][own].max() < SURE_MOUTH_LOGIT
        ):
            keep[k] = 1
    return np.where(keep > 0, np.cumsum(keep), 0).astype(np.int32)[parts]


def _mounds(
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
        lab = cv2.cvtColor(photo.rgb[py, px][None].astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
        linear = cv2.cvtColor(lab, cv2.COLOR_LAB2LRGB)[0]  # linear light, where the card's white applies
        if calibration.white_gain is not None:
            linear = linear * np.asarray(calibration.white_gain, np.float32)
        colour = int(classify(cielab(np.median(linear, axis=0)[None]))[0])
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
                area_mm2=Measure(
                    value=area,
                    budget={
                        **{name: 2 * share * area for name, share in shares.items()},
                        "outline of the mound": edge * area,
                    },
                ),
            )
        )
    mounds.sort(key=lambda mound: -mound.area_px)
    return tuple(replace(mound, id=number) for number, mound in enumerate(mounds, start=1))


# --------------------------------------------------------------------------------------------------------------- contrast

# Share of the marks found by contrast that were pits, whatever their strength: without a scale 117 of 129 on 186 windows of real
# pitted steel with drawn masks (BSData), with a scale 76 of 93 on twelve rendered copper pieces; of the pits of the latter only
# 22 % were found, of those of the former about half. Nothing here was fitted on either set.
CONTRAST_CONFIDENCE = {"px": 0.91, "mm": 0.82}
CONTRAST_COUNT = {
    "px": {"constant": 4.0, "per_pit": 1.0, "share_below": 0.6, "share_above": 0.6, "expected_factor": 1.6},
    "mm": {"constant": 100.0, "per_pit": 1.0, "share_below": 0.6, "share_above": 0.6, "expected_factor": 4.5},
}


def _by_contrast(photo: Photo, surface: Surface, fewest_px: float) -> PitCatalogue:
    """Pits from the picture's own contrast: no weights, no scale needed."""
    left, top = surface.origin_px
    height, width = surface.metal.shape
    window = np.ascontiguousarray(photo.rgb[top : top + height, left : left + width])
    step = surface.mm_per_px.value if surface.mm_per_px is not None else None
    parts, _ = closeup.pit_regions(window, surface.metal, pixel_mm=step)
    area_of = surface.area_per_px
    shares = (
        {}
        if surface.mm_per_px is None
        else {k: c / surface.mm_per_px.value for k, c in surface.mm_per_px.budget.items()}
    )
    lab = cv2.cvtColor(window.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    pits = []
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
                confidence=CONTRAST_CONFIDENCE[surface.unit],
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
        count=Measure(value=0.0),
        smallest_counted_mm=smallest,
        evidence="contrast",
        evidence_version=closeup.SETTINGS_VERSION,
        flags=flags_of(pits, smallest, "contrast"),
    )
    counted = len(found.counted)
    expected = CONTRAST_CONFIDENCE[surface.unit] * counted
    return replace(found, count=count_of(counted, expected, {"count": CONTRAST_COUNT[surface.unit]}))


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
    edge = 0.15  # of the diameter: outlines by contrast were not calibrated

    def mm(value: float, power: int = 1) -> Measure:
        budget = {name: power * share * value for name, share in shares.items()}
        return Measure(value=value, budget={**budget, "outline of the mouth": power * edge * value})

    return {
        "axial_mm": ca,
        "around_mm": cb,
        "opening_area_mm2": mm(mass, 2),
        "equivalent_diameter_mm": mm(math.sqrt(4 * mass / math.pi)),
        "length_mm": mm(4 * math.sqrt(max(mean + half, 1e-9))),
        "width_mm": mm(4 * math.sqrt(max(mean - half, 1e-9))),
        "orientation_deg": math.degrees(math.atan2(2 * sab, saa - sbb)) / 2,
    }
