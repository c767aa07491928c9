"""The worst pictures of an accuracy run, drawn and explained: what was found, missed and taken by mistake, and how visible it was."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageOps
from scipy.optimize import linear_sum_assignment

from tests import truth_score

FOUND, MISSED, FALSE = (255, 255, 255), (255, 60, 220), (255, 214, 10)
STEPS = ((4, "under 4 dE"), (8, "4 to 8 dE"), (14, "8 to 14 dE"), (np.inf, "14 dE and more"))
LONGEST_PX = 1500


def explain(truth: dict, prediction: dict, folder: Path, to: Path) -> str:
    """Draw one picture's errors into ``to`` (JPEG) and say in a line what they are.

    White outline: true pit that was found; magenta: true pit that was missed; yellow ring: found where no pit is. Pits that are
    too small or too hidden to count are left out, as in the score. ``truth`` carries ``_contrast`` (``truth_score.contrast``).
    """
    with Image.open(folder / truth["image"]) as opened:
        rgb = np.asarray(ImageOps.exif_transpose(opened).convert("RGB")).copy()
    hulls = truth_score.hulls(truth)
    counted = [pit for pit in truth["pits"] if truth_score.valid(pit)]
    others = [pit for pit in truth["pits"] if not truth_score.valid(pit)]
    found = prediction["pits"]
    pairs: dict[int, int] = {}
    if found and counted:
        distance, centre = truth_score.distances(found, counted, hulls)
        cost = np.where(distance <= truth_score.TOL_MM, distance + 0.01 * centre, 1e4)
        pairs = {int(i): int(j) for i, j in zip(*linear_sum_assignment(cost), strict=True) if cost[i, j] < 1e4}
    to_others = truth_score.distances(found, others, hulls)[0].min(1) if found and others else np.full(len(found), np.inf)
    metal = cv2.imread(str(Path(truth["_dir"]) / "class.png"), cv2.IMREAD_GRAYSCALE) == 1
    rows, columns = np.flatnonzero(metal.any(1)), np.flatnonzero(metal.any(0))
    top, left = max(int(rows[0]) - 30, 0), max(int(columns[0]) - 30, 0)
    rgb = rgb[top : rows[-1] + 30, left : columns[-1] + 30]
    zoom = LONGEST_PX / max(rgb.shape[:2])
    picture = cv2.resize(rgb, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC)

    def laid(x: np.ndarray) -> np.ndarray:
        return np.round((x - [left, top] + 0.5) * zoom - 0.5).astype(np.int32)

    hit = set(pairs.values())
    missed: Counter[str] = Counter()
    for j, pit in enumerate(counted):
        if pit["id"] in hulls:
            outline = laid(hulls[pit["id"]].reshape(-1, 2)).reshape(-1, 1, 2)
            cv2.polylines(picture, [outline], True, FOUND if j in hit else MISSED, 1 if j in hit else 2, cv2.LINE_AA)
        if j not in hit:
            faintness = truth["_contrast"].get(pit["id"])
            missed["contrast not known" if faintness is None else next(name for end, name in STEPS if faintness < end)] += 1
    mistaken = 0
    for i, pit in enumerate(found):
        if i in pairs or to_others[i] <= truth_score.TOL_MM:
            continue
        mistaken += 1
        radius = max(5, round(0.5 * pit["equivalent_diameter_mm"] / truth["mm_per_px_surface"] * zoom) + 3)
        cv2.circle(picture, tuple(int(v) for v in laid(np.array([pit["x_px"], pit["y_px"]]))), radius, FALSE, 2, cv2.LINE_AA)
    Image.fromarray(picture).save(to, quality=85)
    order = [name for _, name in STEPS] + ["contrast not known"]
    reasons = ", ".join(f"{missed[name]} of {name}" for name in order if missed[name]) or "none"
    return (
        f"{truth['name']} ({truth['view']}, {truth['mm_per_px_surface']:.3f} mm a pixel): {len(hit)} of {len(counted)} found; "
        f"missed: {reasons}; {mistaken} taken by mistake; {to}"
    )
