"""General attack: metal so closely pocked, scabbed or pitted that there is hardly sound ground between, as an outcome of its own.

Two things are asked of windows of the metal: how much of each the weights hold to be pits' mouths, and whether the brightness changes
in every direction at the size of pocks (a smaller eigenvalue of the structure tensor that is large: Shi and Tomasi 1994; as in
scikit-image) rather than in broad patches of colour. A window is attacked where a logistic line of the three says so; single windows
are dropped by an opening (Soille, Morphological Image Analysis, ch. 4). With a scale the windows are 3.8 mm wide; without one the
picture is looked at in halves of its size, and the size at which most is attacked is taken.

The line was fitted on 100 rendered pieces (30 of them pocked over a part, 70 not), windows weighed so that each piece counts alike;
``e``, the even ``h`` and pieces rendered for it. Of those none without general attack reaches LEAST_SHARE. DEVELOPERS.md tells
what became of pieces kept back. Metal that is roughened without pocks is not told from sound metal by it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import ndimage as ndi

from analyzer.base.measured import COVERAGE_95, Measure
from analyzer.marks import likelihood
from analyzer.marks.candidates import Candidates
from analyzer.photo.reading import Photo
from analyzer.piece.surface import Surface

SETTINGS_VERSION = "pocks-1"

PIXEL_MM = 0.08  # of the working picture: pocks of 0.4 to 0.8 mm are 5 to 10 pixels wide
WINDOW_PX, STEP_PX = 48, 16  # of the working picture
WINDOW_METAL = 0.5  # least share of metal in a window that is judged
# Score of a window: intercept; ln of the change in every direction, ln of broad change, ln of the share that is mouths.
LINE = (9.067, 5.559, -3.317, 3.318)
LEAST_MOUTHS = 0.001  # share of mouths below which it makes no difference
ATTACKED_FROM = 1.5  # score; without a scale one of several sizes is chosen, so more is asked
ATTACKED_FROM_WITHOUT_SCALE = 2.5
LEAST_SHARE = 0.25  # of the examined metal: less is called a local patch of pits
# Of the share, on the 30 pocked pieces of the fit: 0.030 too large, scattered by 0.091; without a scale 0.055 and 0.107.
SHARE_UNCERTAINTY, SHARE_UNCERTAINTY_WITHOUT_SCALE = 0.096, 0.120
# Of the roughness, in logarithms: twelve rendered pieces (dm, em), each under five torches and in the room's light.
LIGHT_UNCERTAINTY = 0.20
LARGEST_SIDE_PX, SMALLEST_SIDE_PX = 1000, 230  # without a scale: shorter sides that the metal is looked at
MOUTHS_BY_WORKING = 1.6  # pixels of the weights for one of the working picture, as with a scale


@dataclass(frozen=True, kw_only=True)
class GeneralAttack:
    """What share of the metal is attacked closely, and how rough it looks there. Arrays (rows, columns) over windows."""

    share: Measure  # of the examined metal, 0..1
    roughness: Measure | None  # see ``_roughness``; None where nothing is attacked or without a scale
    mouths_share: (
        float | None
    )  # of the attacked metal, what the weights hold to be mouths; None where nothing is attacked
    attacked: np.ndarray  # bool
    judged: np.ndarray  # bool: enough metal in the window
    mouths: np.ndarray  # float32, share of each window
    change: np.ndarray  # float32, mean square of the change of ln brightness at the size of pocks
    pixels: float  # photo pixels from one window to the next
    scaled: bool

    @property
    def present(self) -> bool:
        """Whether so much is attacked that the metal is called generally attacked."""
        return self.share.value >= LEAST_SHARE

    def places(self, shape: tuple[int, int]) -> np.ndarray:
        """(h, w) bool over the surface's window: what is attacked."""
        height, width = shape
        rows = np.minimum((np.arange(height) / self.pixels).astype(int), self.attacked.shape[0] - 1)
        columns = np.minimum((np.arange(width) / self.pixels).astype(int), self.attacked.shape[1] - 1)
        return self.attacked[np.ix_(rows, columns)]

    def restricted(self, surface: Surface) -> GeneralAttack:
        """The same of the metal that is left; ``surface`` is what is left of the one looked at."""
        return _measured(self, surface)


def find_general_attack(photo: Photo, surface: Surface, found: Candidates | None) -> GeneralAttack | None:
    """Look for general attack on the seen metal. ``found``: the pits' candidates where there is a scale.

    None where it cannot be said: a cut end, missing weights, metal too small for a window.
    """
    if surface.view == "end" or likelihood.model_record() is None:
        return None
    left, top = surface.origin_px
    height, width = surface.metal.shape
    window = np.ascontiguousarray(photo.rgb[top : top + height, left : left + width])
    if found is not None and surface.mm_per_px is not None:
        return _at(window, surface, min(surface.mm_per_px.value / PIXEL_MM, 1.0), _mouths_of(found, surface), True)
    best: GeneralAttack | None = None
    zoom = min(LARGEST_SIDE_PX / min(height, width), 1.0)
    while best is None or min(height, width) * zoom >= SMALLEST_SIDE_PX:
        raster = likelihood.raster_over((0, 0), (height, width), zoom)
        metal = likelihood.resample(surface.metal.astype(np.float32), raster) > 0.5
        logit = likelihood.learned_logits(likelihood.resample(window, raster), metal)[0]
        there = _at(window, surface, zoom / MOUTHS_BY_WORKING, _likely(logit), False)
        if there is None:
            return best
        if best is None or there.share.value > best.share.value:
            best = there
        zoom /= 2
    return best


def _likely(logit: np.ndarray) -> np.ndarray:
    return (1 / (1 + np.exp(-np.clip(logit, -20, 20)))).astype(np.float32)


def _mouths_of(found: Candidates, surface: Surface) -> np.ndarray:
    """The likelihood of a mouth over the surface's window, on the raster's resolution."""
    rows, columns = found.raster.shape
    left, top = surface.origin_px
    height, width = surface.metal.shape
    x0, y0 = found.raster.from_photo(float(left), float(top))
    x1, y1 = found.raster.from_photo(float(left + width), float(top + height))
    x0, y0 = max(round(x0), 0), max(round(y0), 0)
    return _likely(found.logit[y0 : min(round(y1), rows), x0 : min(round(x1), columns)])


def _at(window: np.ndarray, surface: Surface, zoom: float, mouths: np.ndarray, scaled: bool) -> GeneralAttack | None:
    """What windows of the working picture, ``zoom`` times the photo, say; ``mouths`` (any size) covers the same window."""
    height, width = surface.metal.shape
    size = max(1, round(width * zoom)), max(1, round(height * zoom))
    if min(size) < WINDOW_PX // 2:
        return None

    def laid(array: np.ndarray) -> np.ndarray:
        return cv2.resize(array, size, interpolation=cv2.INTER_AREA)

    metal = laid(surface.metal.astype(np.float32)) > 0.5
    if not metal.any():
        return None
    from skimage.feature import (
        structure_tensor,
        structure_tensor_eigenvalues,
    )  # loads scipy.stats: only where a photo is examined

    shade = _ln_brightness(laid(window), metal)
    fine = cv2.GaussianBlur(shade, (0, 0), 0.7)
    pocks = fine - cv2.GaussianBlur(fine, (0, 0), 6.0)
    broad = cv2.GaussianBlur(shade, (0, 0), 4.0) - cv2.GaussianBlur(shade, (0, 0), 12.0)
    every_way = structure_tensor_eigenvalues(structure_tensor(fine, sigma=2.5, order="rc"))[1].astype(np.float32)
    on = metal.astype(np.float32)
    share = _windows(on)

    def mean(array: np.ndarray) -> np.ndarray:
        return _windows(array * on) / np.maximum(share, 1e-3)

    likely = mean(laid(mouths))
    score = (
        LINE[0]
        + LINE[1] * 0.5 * np.log(np.maximum(mean(every_way), 1e-9))
        + LINE[2] * 0.5 * np.log(np.maximum(mean(broad * broad), 1e-7))
        + LINE[3] * np.log(likely + LEAST_MOUTHS)
    )
    judged = share > WINDOW_METAL
    attacked = (score > (ATTACKED_FROM if scaled else ATTACKED_FROM_WITHOUT_SCALE)) & judged
    if min(attacked.shape) >= 3:
        attacked = cv2.morphologyEx(attacked.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
    blank = GeneralAttack(
        share=Measure(value=0.0),
        roughness=None,
        mouths_share=None,
        attacked=attacked,
        judged=judged,
        mouths=likely,
        change=mean(pocks * pocks),
        pixels=STEP_PX / zoom,
        scaled=scaled,
    )
    return _measured(blank, surface)


def _ln_brightness(rgb: np.ndarray, metal: np.ndarray) -> np.ndarray:
    """Natural log of brightness, float32; off the metal the nearest metal goes on, so that the piece's edge is no change."""
    grey = rgb.astype(np.float32) @ np.array([0.299, 0.587, 0.114], np.float32)
    shade = np.log((grey + 8) / 263)
    if not metal.all():
        near = ndi.distance_transform_edt(~metal, return_distances=False, return_indices=True)
        shade = shade[tuple(near)]
    return shade


def _windows(array: np.ndarray) -> np.ndarray:
    """Means over windows, nothing beyond the picture: (rows, columns) at every STEP_PX pixels."""
    means = cv2.blur(array.astype(np.float32), (WINDOW_PX, WINDOW_PX), borderType=cv2.BORDER_CONSTANT)
    return means[STEP_PX // 2 :: STEP_PX, STEP_PX // 2 :: STEP_PX]


def _measured(attack: GeneralAttack, surface: Surface) -> GeneralAttack:
    """With share, roughness and share of mouths on the examined metal of ``surface``, windows weighed by the metal in them."""
    area = np.where(surface.examined, np.nan_to_num(surface.area_per_px), 0).astype(np.float64)
    rows, columns = attack.attacked.shape
    row = np.minimum((np.arange(area.shape[0]) / attack.pixels).astype(int), rows - 1)
    column = np.minimum((np.arange(area.shape[1]) / attack.pixels).astype(int), columns - 1)
    along = np.zeros((rows, area.shape[1]))
    np.add.at(along, row, area)
    weight = np.zeros((rows, columns))
    np.add.at(weight.T, column, along.T)
    weight = np.where(attack.judged, weight, 0)
    whole = float(weight.sum())
    hit = np.where(attack.attacked, weight, 0)
    value = float(hit.sum()) / whole if whole else 0.0
    uncertainty = SHARE_UNCERTAINTY if attack.scaled else SHARE_UNCERTAINTY_WITHOUT_SCALE
    half = COVERAGE_95 * uncertainty
    share = Measure(
        value=value,
        budget={"where attacked metal ends": uncertainty},
        interval=(max(0.0, value - half), min(1.0, value + half)),
    )
    if not hit.any():
        return replace(attack, share=share, roughness=None, mouths_share=None)
    mouths = float((hit * attack.mouths).sum() / hit.sum())
    roughness = _roughness(attack, hit) if attack.scaled else None
    return replace(attack, share=share, roughness=roughness, mouths_share=mouths)


def _roughness(attack: GeneralAttack, weight: np.ndarray) -> Measure:
    """Root mean square change of brightness between 0.06 and 0.5 mm on the attacked metal, as a share of the brightness.

    It is what a person sees as roughness, and no height: it hangs on the light (LIGHT_UNCERTAINTY) and on colour. The scatter from
    place to place is that of the mean over windows that do not overlap.
    """
    square = float((weight * attack.change).sum() / weight.sum())
    value = math.sqrt(square)
    used = weight > 0
    apart = max(1.0, used.sum() * (STEP_PX / WINDOW_PX) ** 2)
    spread = float(np.std(np.sqrt(attack.change[used]))) / math.sqrt(apart)
    return Measure(
        value=value, budget={"light": LIGHT_UNCERTAINTY * value, "from place to place": spread}, positive=True
    )
