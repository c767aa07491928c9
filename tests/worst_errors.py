"""The worst pictures of an accuracy run, drawn and explained: what was found, missed and taken by mistake, and how visible it was."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageOps
from scipy.optimize import linear_sum_assignment

from tests import truth_score

FOUND, MISSED, FALSE = (255, 255, 255), (255, 60, 220), (255, 214, 10)
STEPS = ((4, "under 4 dE"), (8, "4 to 8 dE"), (14, "8 to 14 dE"), (np.inf, "14 dE and more"))
LONGEST_PX = 1500


@dataclass(frozen=True, kw_only=True)
class Errors:
    """True pits that were found and missed (as in truth.json), and what was found where no pit is (as in the prediction)."""

    found: tuple[dict, ...]
    missed: tuple[dict, ...]
    mistaken: tuple[dict, ...]


def sort_out(truth: dict, prediction: dict) -> Errors:
    """Match as the score does; pits that are too small or too hidden to count are neither missed nor mistaken."""
    hulls = truth_score.hulls(truth)
    counted = [pit for pit in truth["pits"] if truth_score.valid(pit)]
    others = [pit for pit in truth["pits"] if not truth_score.valid(pit)]
    given = prediction["pits"]
    pairs: dict[int, int] = {}
    if given and counted:
        distance, centre = truth_score.distances(given, counted, hulls)
        cost = np.where(distance <= truth_score.TOL_MM, distance + 0.01 * centre, 1e4)
        pairs = {int(i): int(j) for i, j in zip(*linear_sum_assignment(cost), strict=True) if cost[i, j] < 1e4}
    hit = set(pairs.values())
    away = truth_score.distances(given, others, hulls)[0].min(1) if given and others else np.full(len(given), np.inf)
    return Errors(
        found=tuple(pit for j, pit in enumerate(counted) if j in hit),
        missed=tuple(pit for j, pit in enumerate(counted) if j not in hit),
        mistaken=tuple(pit for i, pit in enumerate(given) if i not in pairs and away[i] > truth_score.TOL_MM),
    )


def explain(truth: dict, prediction: dict, folder: Path, to: Path) -> str:
    """Draw one picture's errors into ``to`` (JPEG) and say in a line what they are.

    White outline: true pit that was found; magenta: true pit that was missed; yellow ring: found where no pit is. Pits that are
    too small or too hidden to count are left out, as in the score. ``truth`` carries ``_contrast`` (``truth_score.contrast``).
    """
    with Image.open(folder / truth["image"]) as opened:
        rgb = np.asarray(ImageOps.exif_transpose(opened).convert("RGB")).copy()
    errors = sort_out(truth, prediction)
    metal = cv2.imread(str(Path(truth["_dir"]) / "class.png"), cv2.IMREAD_GRAYSCALE) == 1
    rows, columns = np.flatnonzero(metal.any(1)), np.flatnonzero(metal.any(0))
    top, left = max(int(rows[0]) - 30, 0), max(int(columns[0]) - 30, 0)
    rgb = rgb[top : rows[-1] + 30, left : columns[-1] + 30]
    zoom = LONGEST_PX / max(rgb.shape[:2])
    picture = cv2.resize(rgb, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC)

    def laid(x: np.ndarray) -> np.ndarray:
        return np.round((x - [left, top] + 0.5) * zoom - 0.5).astype(np.int32)

    hulls = truth_score.hulls(truth)
    for pits, colour, thickness in ((errors.found, FOUND, 1), (errors.missed, MISSED, 2)):
        for pit in pits:
            outline = laid(hulls[pit["id"]].reshape(-1, 2)).reshape(-1, 1, 2)
            cv2.polylines(picture, [outline], True, colour, thickness, cv2.LINE_AA)
    missed: Counter[str] = Counter()
    for pit in errors.missed:
        contrast = truth["_contrast"].get(pit["id"])
        missed["contrast not known" if contrast is None else next(name for end, name in STEPS if contrast < end)] += 1
    for pit in errors.mistaken:
        radius = max(5, round(0.5 * pit["equivalent_diameter_mm"] / truth["mm_per_px_surface"] * zoom) + 3)
        cv2.circle(
            picture, tuple(int(v) for v in laid(np.array([pit["x_px"], pit["y_px"]]))), radius, FALSE, 2, cv2.LINE_AA
        )
    Image.fromarray(picture).save(to, quality=85)
    order = [name for _, name in STEPS] + ["contrast not known"]
    reasons = ", ".join(f"{missed[name]} of {name}" for name in order if missed[name]) or "none"
    return (
        f"{truth['name']} ({truth['view']}, {truth['mm_per_px_surface']:.3f} mm a pixel): {len(errors.found)} of {len(errors.found) + len(errors.missed)} found; "
        f"missed: {reasons}; {len(errors.mistaken)} taken by mistake; {to}"
    )
