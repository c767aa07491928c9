"""Fit the calibration tables of a pit likelihood on pictures with truth.

    python -m analyzer.training.pit_calibration TRUTH_FOLDER [--fit d0,e0,...] [--judge c0,h01,...] [--keep FOLDER] [--write]

TRUTH_FOLDER as for ``analyzer.training.pit_likelihood``. Every picture goes through the program's own scale, surface and
likelihood; the candidates are matched with the true mouths (centre within the mouth or 0.35 mm of it, one to one), and from
them are fitted

- the confidence: a logistic regression on features of the candidate (``analyzer.marks.candidates.features``), and the confidence from
  which pits are listed: where F1 is best on the pictures of ``--fit``;
- the opening: a robust regression of ln(true opening area / measured), and of the scatter that is left, on the pictures of
  ``--judge``, cross-fitted for the figures: an opening is drawn tighter on pictures that the weights have learned from;
- the number of pits: the share of true pits that any candidate matches, by obliquity and pixels across, on metal seen at up to
  60 degrees, with the covariance of its coefficients over scenes as clusters, and the scatter of ln N from scene to scene.

Confidence and number are fitted on the pictures of ``--fit`` (training scenes) and judged on those of ``--judge``, from which
nothing but the opening's tables learns. ``--write`` puts the tables into ``analyzer/models/pit-likelihood.toml`` in place of the
old ones; what stands above the first table there (version, data, figures) is kept. ``--keep FOLDER`` holds each picture's
candidates, by the weights' own hash, so that fitting again takes seconds and new weights are looked at anew.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import multiprocessing
import pickle
import tomllib
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
from scipy import sparse
from scipy.optimize import linear_sum_assignment, linprog, minimize
from scipy.spatial import cKDTree

from analyzer.base.flags import CutpipeError
from analyzer.base.measured import COVERAGE_95, Measure
from analyzer.base.measured import ratio as density
from analyzer.house.tables import read_tube
from analyzer.marks import calibrated, candidates, likelihood
from analyzer.marks.largest import predicted_largest
from analyzer.marks.number import FALLS_TO_DEG, SQUARELY_DEG, marks_by_learning, number_of_pits, seen_share
from analyzer.photo.reading import read_photo
from analyzer.piece.find import find_surface
from analyzer.scale.calibration import Marker, find_scale

MODELS = Path(likelihood.__file__).parents[1] / "models"
MATCH_MM = 0.35
SMALLEST_MM, LEAST_VISIBLE = 0.30, 0.25
FOLDS = 10
FIT = "d0,d1,d2,d3,d4,d50,e0"
JUDGE = "c0,c1,c2,c3,c4,h01,h03,h05,h07,h09,h11,h13,h15,h17,h19,h21,h23,h25"
# Without the picture's resolution: fitted on eighteen pictures it says more of them than of others, and reaches beyond them.
CONFIDENCE = "summit mean_logit core ln_diameter sure_near at_edge".split()
OPENING = "ln_diameter ln_step wider_below narrower_above summit oblique mean_logit".split()
SPREAD = "ln_diameter summit ln_step oblique".split()
# Scatter of ln N from scene to scene: pictures that the weights learned from show less of it than others do. A judgement, made
# before it was tried on pictures that nothing learned from.
LEAST_SCATTER = 0.25
CONSTANT = 1.0  # pits, see analyzer.marks.number
EDGES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)


@dataclass(frozen=True, kw_only=True)
class Picture:
    """One picture's candidates and truth."""

    name: str
    values: Mapping[str, np.ndarray]  # of the candidates, as analyzer.marks.candidates.measure gives them
    distance: np.ndarray  # (candidates, true pits) mm from a candidate's centre to a mouth, 0 inside
    to_ignored: np.ndarray  # (candidates,) mm to the nearest mouth that is not counted
    true_area: np.ndarray  # (true pits,) mm2 on the metal
    true_diameter: np.ndarray
    true_obliquity: np.ndarray  # (true pits,) degrees, by the program's surface at the nearest seen metal
    view: str
    marker: str
    step_mm: float  # mm a pixel of the photo
    squarely_mm2: float  # metal up to SQUARELY_DEG oblique, by the program
    seen_mm2: float  # all metal seen, by the program
    relative_area: float  # relative standard uncertainty that the program states for it
    true_seen_mm2: float  # all metal seen, in truth


def read_picture(root: Path, name: str, resolution_mm: float) -> Picture:
    truth = json.loads((root / "truth" / name / "truth.json").read_text())
    photo = read_photo(root / truth["image"])
    kind = {"aruco_card": "card", "ruler": "ruler"}.get(truth["marker"]["kind"], "disc")
    marker = Marker(kind=kind, diameter_mm=truth["marker"].get("diameter_mm") if kind == "disc" else None)
    surface = find_surface(
        photo, find_scale(photo, marker), view=truth["view"], tube=read_tube(truth["pipe"]["size_in"])
    )
    found = candidates.candidates(photo.rgb, surface, resolution_mm)
    x, y = found.values["x_px"], found.values["y_px"]
    mouths = cv2.imread(str(root / "truth" / name / "pits.png"), cv2.IMREAD_UNCHANGED)
    columns, ignored, areas, diameters, oblique = [], np.full(x.size, np.inf), [], [], []
    metal_rows, metal_columns = np.nonzero(surface.metal)
    where = cKDTree(np.stack([metal_columns + surface.origin_px[0], metal_rows + surface.origin_px[1]], -1))
    for pit in truth["pits"]:
        if not pit["mask_px"]:
            continue
        left, top, right, bottom = pit["bbox_px"]
        own = np.argwhere(mouths[top:bottom, left:right] == pit["id"]) + (top, left)
        outline = cv2.convexHull(own[:, ::-1].astype(np.float32))
        mm = math.sqrt(pit["projected_area_mm2"] / pit["mask_px"])
        to = np.array([max(0.0, -cv2.pointPolygonTest(outline, (float(a), float(b)), True)) * mm for a, b in zip(x, y)])
        if pit["equivalent_diameter_mm"] >= SMALLEST_MM and pit["visible_fraction"] >= LEAST_VISIBLE:
            columns.append(to)
            areas.append(pit["opening_area_mm2"])
            diameters.append(pit["equivalent_diameter_mm"])
            nearest = int(where.query(pit["centroid_px"])[1])
            oblique.append(float(surface.obliquity_deg[metal_rows[nearest], metal_columns[nearest]]))
        elif x.size:
            ignored = np.minimum(ignored, to)
    return Picture(
        name=name,
        values=dict(found.values),
        distance=np.stack(columns, 1) if columns else np.zeros((x.size, 0)),
        to_ignored=ignored,
        true_area=np.array(areas),
        true_diameter=np.array(diameters),
        true_obliquity=np.array(oblique),
        view=truth["view"],
        marker=kind,
        step_mm=float(surface.mm_per_px.value) if surface.mm_per_px is not None else math.nan,
        squarely_mm2=float(surface.area_per_px[surface.metal & (surface.obliquity_deg <= SQUARELY_DEG)].sum()),
        seen_mm2=surface.seen_area.value,
        relative_area=surface.seen_area.standard_uncertainty / surface.seen_area.value,
        true_seen_mm2=truth["visible_area_mm2"],
    )


def _kept(task: tuple[Path, str, Path, float]) -> Path | None:
    """Read one picture into the folder of kept candidates, unless it lies there."""
    root, name, folder, resolution_mm = task
    path = folder / f"{name}.pickle"
    if not path.exists():
        try:
            picture = read_picture(root, name, resolution_mm)
        except CutpipeError as error:
            print(f"{name} left out: {error}", flush=True)
            return None
        part = path.with_suffix(".part")
        part.write_bytes(pickle.dumps(vars(picture)))
        part.replace(path)
    return path


def read_pictures(root: Path, names: Sequence[str], keep: Path, jobs: int) -> list[Picture]:
    """The candidates of all pictures whose names begin with one of ``names``, from ``keep`` where these weights left them there."""
    record = likelihood.model_record()
    assert record is not None, "the weights and their record stand in analyzer/models"
    weights = (MODELS / f"{likelihood.MODEL}.onnx").read_bytes()
    folder = keep / hashlib.sha256(weights).hexdigest()[:12]
    folder.mkdir(parents=True, exist_ok=True)
    tasks = []
    for truth in sorted((root / "truth").iterdir()):
        if truth.name.startswith(tuple(names)) and json.loads((truth / "truth.json").read_text())["view"] != "end":
            tasks.append((root, truth.name, folder, float(record["mm_per_px"])))
    with ProcessPoolExecutor(jobs, mp_context=multiprocessing.get_context("spawn")) as pool:
        paths = [path for path in pool.map(_kept, tasks) if path is not None]
    return [Picture(**pickle.loads(path.read_bytes())) for path in paths]


def match(picture: Picture, reported: np.ndarray) -> dict[int, int]:
    """Candidate -> true pit, one to one, most matches first, then nearest."""
    rows = np.flatnonzero(reported)
    if not rows.size or not picture.true_area.size:
        return {}
    near = picture.distance[rows]
    cost = np.where(near <= MATCH_MM, near, 1e4)
    pairs = zip(*linear_sum_assignment(cost), strict=True)
    return {int(rows[i]): int(j) for i, j in pairs if cost[i, j] < 1e4}


@dataclass(frozen=True, kw_only=True)
class Rows:
    """All candidates of all pictures, one behind the other."""

    features: Mapping[str, np.ndarray]
    picture: np.ndarray  # place in the list of pictures
    kind: np.ndarray  # first letter of the picture's name
    true: np.ndarray  # 1 where it is a pit
    judged: np.ndarray  # 0 where it lies on a mouth that is not counted
    ln_area: np.ndarray  # ln(true opening area / measured), NaN where it is no pit


def rows_of(pictures: Sequence[Picture]) -> Rows:
    columns, place, true, judged, ln_area = [], [], [], [], []
    for k, picture in enumerate(pictures):
        n = picture.values["x_px"].size
        columns.append(candidates.features(SimpleNamespace(values=picture.values)))  # type: ignore[arg-type]
        pairs = match(picture, np.ones(n, bool))
        for i in range(n):
            place.append(k)
            true.append(float(i in pairs))
            judged.append(float(i in pairs or picture.to_ignored[i] > MATCH_MM))
            area = max(picture.values["area"][i], 0.01)
            ln_area.append(math.log(picture.true_area[pairs[i]] / area) if i in pairs else math.nan)
    features = {name: np.concatenate([c[name] for c in columns]) for name in columns[0]}
    return Rows(
        features=features,
        picture=np.array(place),
        kind=np.array([pictures[k].name[0] for k in place]),
        true=np.array(true),
        judged=np.array(judged),
        ln_area=np.array(ln_area),
    )


def _logistic(x: np.ndarray, y: np.ndarray, weight: np.ndarray, ridge: float = 3.0) -> tuple[float, np.ndarray]:
    middle, spread = x.mean(0), x.std(0) + 1e-9
    z = (x - middle) / spread

    def loss(b: np.ndarray) -> tuple[float, np.ndarray]:
        t = z @ b[1:] + b[0]
        miss = weight * (1 / (1 + np.exp(-t)) - y)
        value = (weight * (np.logaddexp(0, t) - y * t)).sum() + ridge / 2 * (b[1:] ** 2).sum()
        return value, np.r_[miss.sum(), z.T @ miss + ridge * b[1:]]

    b = minimize(loss, np.zeros(x.shape[1] + 1), jac=True, method="L-BFGS-B").x
    slope = b[1:] / spread
    return float(b[0] - slope @ middle), slope


def _robust(x: np.ndarray, y: np.ndarray, bend: float, ridge: float = 2.0) -> tuple[float, np.ndarray]:
    """Linear regression by Huber's weights (Huber 1964), ridge on the slopes."""
    middle, spread = x.mean(0), x.std(0) + 1e-9
    z = np.c_[np.ones(len(x)), (x - middle) / spread]
    b = np.r_[np.median(y), np.zeros(x.shape[1])]
    penalty = ridge * np.diag(np.r_[0, np.ones(x.shape[1])])
    for _ in range(60):
        weight = np.minimum(1, bend / np.maximum(np.abs(y - z @ b), 1e-9))
        b = np.linalg.solve(z.T @ (weight[:, None] * z) + penalty, z.T @ (weight * y))
    slope = b[1:] / spread
    return float(b[0] - slope @ middle), slope


def _quantile(x: np.ndarray, y: np.ndarray, share: float) -> tuple[float, np.ndarray]:
    """Linear regression of the quantile ``share`` of y (Koenker and Bassett 1978, Econometrica 46, 33), as a linear programme."""
    n, k = x.shape[0], x.shape[1] + 1
    middle, spread = x.mean(0), x.std(0) + 1e-9
    z = sparse.csr_matrix(np.c_[np.ones(n), (x - middle) / spread])
    cost = np.r_[np.zeros(2 * k), np.full(n, share), np.full(n, 1 - share)]
    equal = sparse.hstack([z, -z, sparse.eye(n), -sparse.eye(n)])
    solved = linprog(cost, A_eq=equal, b_eq=y, bounds=(0, None), method="highs").x
    b = solved[:k] - solved[k : 2 * k]
    slope = b[1:] / spread
    return float(b[0] - slope @ middle), slope


def fit(rows: Rows, use: np.ndarray) -> dict[str, Any]:
    """The tables, from the rows in ``use``."""

    def columns(names: Sequence[str]) -> tuple[list[str], np.ndarray]:
        known = [name for name in names if name in rows.features]
        return known, np.stack([rows.features[name][use] for name in known], 1)

    tables: dict[str, Any] = {}
    names, x = columns(CONFIDENCE)
    intercept, slope = _logistic(x, rows.true[use], rows.judged[use])
    tables["confidence"] = {"intercept": intercept, "weights": dict(zip(names, map(float, slope), strict=True))}
    sure = 1 / (1 + np.exp(-(intercept + x @ slope)))
    matched = np.isfinite(rows.ln_area[use]) & (sure > 0.25)
    y = np.clip(rows.ln_area[use][matched], -1.5, 1.5)
    names, x = columns(OPENING)
    intercept, slope = _robust(x[matched], y, 0.25)
    # Each kind of picture counts alike (a kind: names that begin alike), however many of it there are.
    left, kind = y - intercept - x[matched] @ slope, rows.kind[use][matched]
    intercept += float(np.mean([np.median(left[kind == k]) for k in np.unique(kind)]))
    tables["opening"] = {"intercept": intercept, "weights": dict(zip(names, map(float, slope), strict=True))}
    error = np.abs(y - intercept - x[matched] @ slope) / 2  # of ln diameter
    names, x = columns(SPREAD)
    # The tails are long, and longer where a mouth is large: 95 % by count and not by variance, at every size.
    intercept, slope = _quantile(x[matched], np.log(np.maximum(error, 0.005)), 0.955)
    intercept -= math.log(COVERAGE_95)
    tables["opening_spread"] = {"intercept": intercept, "weights": dict(zip(names, map(float, slope), strict=True))}
    return tables


def _linear(table: Mapping[str, Any], rows: Rows, use: np.ndarray) -> np.ndarray:
    return table["intercept"] + sum(w * rows.features[name][use] for name, w in table["weights"].items())


@dataclass(frozen=True, kw_only=True)
class Judged:
    """Every candidate judged by tables; ``diameter`` in mm, ``ln_factor`` of the opening area, ``spread`` of ln diameter."""

    sure: np.ndarray
    ln_factor: np.ndarray
    spread: np.ndarray
    diameter: np.ndarray


def judge(rows: Rows, tables: Sequence[tuple[np.ndarray, Mapping[str, Any]]]) -> Judged:
    n = rows.true.size
    sure, factor, spread = np.zeros(n), np.zeros(n), np.zeros(n)
    for use, table in tables:
        sure[use] = 1 / (1 + np.exp(-_linear(table["confidence"], rows, use)))
        factor[use] = np.clip(_linear(table["opening"], rows, use), -1, 1.5)
        spread[use] = np.exp(np.clip(_linear(table["opening_spread"], rows, use), math.log(0.02), math.log(0.6)))
    diameter = np.sqrt(4 / math.pi * np.exp(2 * rows.features["ln_diameter"] + factor))
    return Judged(sure=sure, ln_factor=factor, spread=spread, diameter=diameter)


def counts(pictures: Sequence[Picture], rows: Rows, judged: Judged, threshold: float) -> np.ndarray:
    """For each picture: reported, true ones among them, reported on mouths that are not counted, true pits, expected."""
    out = []
    for k, picture in enumerate(pictures):
        own = rows.picture == k
        record = {"confidence": {"reported_from": threshold}}
        reported = calibrated.reported(judged.sure[own], judged.diameter[own], record)
        pairs = match(picture, reported)
        loose = np.array([i not in pairs for i in range(reported.size)], bool)
        ignored = int((reported & loose & (picture.to_ignored <= MATCH_MM)).sum())
        out.append((int(reported.sum()), len(pairs), ignored, picture.true_area.size, judged.sure[own].sum()))
    return np.array(out, float)


def f1(counted: np.ndarray) -> float:
    """Of the rows of ``counts``, all pictures together."""
    reported, right, ignored, true = counted[:, :4].sum(0)
    return float(2 * right / max(reported - ignored + true, 1))


def best_threshold(pictures: Sequence[Picture], rows: Rows, judged: Judged) -> float:
    """Confidence from which the list has the best F1."""
    return float(max(np.arange(0.10, 0.80, 0.02), key=lambda t: f1(counts(pictures, rows, judged, t))))


def number_table(pictures: Sequence[Picture]) -> dict[str, Any]:
    """The share of true pits on metal seen squarely that any candidate matches: coefficients, covariance by scenes."""
    oblique, pixels, hit, scene = [], [], [], []
    for k, picture in enumerate(pictures):
        matched = set(match(picture, np.ones(picture.values["x_px"].size, bool)).values())
        for j in np.flatnonzero(picture.true_obliquity <= SQUARELY_DEG):
            oblique.append(picture.true_obliquity[j])
            pixels.append(picture.true_diameter[j] / picture.step_mm)
            hit.append(float(j in matched))
            scene.append(k)
    table = {"intercept": 0.0, "oblique": 0.0, "ln_pixels": 0.0}
    _, design = seen_share(table, np.array(oblique), np.array(pixels))
    y, of = np.array(hit), np.array(scene)
    ridge = np.diag([0.0, 0.5, 0.05])

    def loss(b: np.ndarray) -> tuple[float, np.ndarray]:
        line = design @ b
        value = (np.logaddexp(0, line) - y * line).sum() + b @ ridge @ b / 2
        return value, design.T @ (1 / (1 + np.exp(-line)) - y) + ridge @ b

    b = minimize(loss, np.zeros(3), jac=True, method="BFGS").x
    seen = 1 / (1 + np.exp(-(design @ b)))
    inverse = np.linalg.inv((design * (seen * (1 - seen))[:, None]).T @ design + ridge)
    meat = np.zeros((3, 3))
    for k in np.unique(of):  # sandwich with scenes as clusters (Liang and Zeger 1986, Biometrika 73, 13)
        score = design[of == k].T @ (y - seen)[of == k]
        meat += np.outer(score, score)
    covariance = inverse @ meat @ inverse
    names = ("intercept", "oblique", "ln_pixels")
    return {**dict(zip(names, map(float, b), strict=True)), "covariance": covariance.tolist(), "constant": CONSTANT}


def numbers(pictures: Sequence[Picture], rows: Rows, judged: Judged, table: Mapping[str, Any]) -> np.ndarray:
    """For each picture: the true number on metal seen squarely, the estimate, its interval's ends, its standard uncertainty."""
    out = []
    for k, picture in enumerate(pictures):
        own = rows.picture == k
        n = int(own.sum())
        marks = marks_by_learning(
            table,
            x_px=np.zeros(n),
            y_px=np.zeros(n),
            confidence=judged.sure[own],
            pit=np.zeros(n, int),
            oblique_deg=picture.values["obliquity_deg"],
            pixels=judged.diameter[own] / picture.step_mm,
            spread=judged.spread[own],
        )
        made = number_of_pits(marks, {}, (), 0)
        true = int((picture.true_obliquity <= SQUARELY_DEG).sum())
        out.append((true, made.value, *made.interval_95, made.standard_uncertainty))
    return np.array(out, float)


def scatter(pictures: Sequence[Picture], rows: Rows, judged: Judged, table: Mapping[str, Any]) -> float:
    """Standard deviation of ln N from scene to scene: the least from LEAST_SCATTER on with which 95 % of the scenes are held.

    By count of scenes and not by their variance, for which one picture whose pits the evidence hardly sees would speak alone.
    """
    for tried in np.arange(LEAST_SCATTER, 1.0, 0.01):
        true, _, low, high, _ = numbers(pictures, rows, judged, {**table, "scatter": float(tried)}).T
        if np.mean((low <= true) & (true <= high)) >= 0.95:
            return float(tried)
    return 1.0


def told_numbers(pictures: Sequence[Picture], n: np.ndarray) -> str:
    """How often the interval of the number of pits, and with the area's own of the density, holds the truth, by view."""
    lines = []
    views = np.array([picture.view for picture in pictures])
    for view in ("all", *sorted(set(views))):
        own = np.ones(len(views), bool) if view == "all" else views == view
        true, value, low, high, _ = n[own].T
        held = (low <= true) & (true <= high)
        ratio = np.where(low > 0, high / np.maximum(low, 1), np.inf)
        dense = []
        for picture, row in zip([p for p, o in zip(pictures, own, strict=True) if o], n[own], strict=True):
            true_area = picture.true_seen_mm2 * picture.squarely_mm2 / picture.seen_mm2
            estimate = Measure(value=row[1], interval=(row[2], row[3]))
            area = Measure(
                value=picture.squarely_mm2, budget={"area": picture.relative_area * picture.squarely_mm2}, positive=True
            )
            ends = density(estimate, area).interval_95
            dense.append(ends[0] <= row[0] / true_area <= ends[1])
        lines.append(
            f"{view}: {own.sum()} pictures, number held {100 * held.mean():.0f} % (below {100 * (true < low).mean():.0f}, above "
            f"{100 * (true > high).mean():.0f}), density held {100 * np.mean(dense):.0f} %, high over low {np.median(ratio):.1f} (median), "
            f"sum of estimates {100 * (value.sum() / max(true.sum(), 1) - 1):+.0f} %"
        )
    return "\n".join(lines)


SIZES_MM = ((0.3, 0.8), (0.8, 1.5), (1.5, 99.0))


def told_sizes(rows: Rows, judged: Judged, threshold: float) -> str:
    """How often the interval of a listed pit's diameter holds the truth, by its true size."""
    kept = (rows.true > 0) & (judged.sure >= threshold) & (judged.diameter >= SMALLEST_MM)
    error = judged.ln_factor[kept] - rows.ln_area[kept]
    held = np.abs(error) / 2 <= COVERAGE_95 * judged.spread[kept]
    true = judged.diameter[kept] * np.exp(-error / 2)
    said = []
    for least, most in SIZES_MM:
        own = (true >= least) & (true < most)
        said.append(
            f"from {least:g} mm {100 * held[own].mean():.0f} % of {own.sum()}" if own.any() else f"from {least:g} mm -"
        )
    return f"diameters held, by true size: {', '.join(said)}"


def told_largest(
    pictures: Sequence[Picture], rows: Rows, judged: Judged, threshold: float, table: Mapping[str, Any]
) -> str:
    """How often the largest pit lies where it is predicted, and where the largest listed one by itself would have it."""
    held: list[bool] = []
    alone: list[bool] = []
    wide: list[float] = []
    for k, picture in enumerate(pictures):
        own = rows.picture == k
        sure, diameter, spread = judged.sure[own], judged.diameter[own], judged.spread[own]
        listed = calibrated.reported(sure, diameter, {"confidence": {"reported_from": threshold}})
        if not listed.any() or not picture.true_diameter.size:
            continue
        oblique = np.minimum(picture.values["obliquity_deg"], FALLS_TO_DEG)
        seen, _ = seen_share(table, oblique, diameter / picture.step_mm)
        low, high = predicted_largest(sure, diameter, spread, 1 / seen - 1)
        top = np.flatnonzero(listed)[diameter[listed].argmax()]
        low, high = min(low, diameter[top]), max(high, diameter[top])
        true = picture.true_diameter.max()
        held.append(low <= true <= high)
        alone.append(abs(math.log(true / diameter[top])) <= COVERAGE_95 * spread[top])
        wide.append(high / max(low, 1e-9))
    return (
        f"largest pit held {100 * np.mean(held):.0f} % of {len(held)}, high over low {np.median(wide):.2f} (median); by the largest "
        f"listed alone {100 * np.mean(alone):.0f} %"
    )


def report(pictures: Sequence[Picture], rows: Rows, judged: Judged, threshold: float) -> str:
    c = counts(pictures, rows, judged, threshold)
    reported, right, ignored, true = c[:, :4].sum(0)
    precision, recall = right / max(reported - ignored, 1), right / max(true, 1)
    kept = (rows.true > 0) & (judged.sure >= threshold) & (judged.diameter >= SMALLEST_MM)
    error = np.exp(judged.ln_factor[kept] - rows.ln_area[kept]) - 1
    held = np.abs(np.log1p(error)) / 2 <= COVERAGE_95 * judged.spread[kept]
    some = c[:, 3] > 0
    density = np.median(np.abs(c[some, 0] / c[some, 3] - 1))
    return (
        f"from {threshold:.2f}: P {precision:.3f} R {recall:.3f} F1 {2 * right / (reported - ignored + true):.3f} "
        f"count bias {100 * ((reported - ignored) / true - 1):+.1f} % count error (median) {100 * density:.0f} % "
        f"area error {100 * np.median(np.abs(error)):.1f} % bias {100 * np.median(error):+.1f} % diameters held {100 * held.mean():.0f} %"
    )


def write_tables(tables: Mapping[str, Any], path: Path) -> None:
    head = path.read_text(encoding="utf-8").split("\n[", 1)[0].rstrip() + "\n"
    lines = [head]
    for name, table in tables.items():
        lines.append(f"[{name}]")
        lines += [f"{key} = {value:.6g}" for key, value in table.items() if isinstance(value, float)]
        for key, value in table.items():  # lists belong to the table itself, so they stand before its sub-tables
            if isinstance(value, list):
                lines += [f"{key} = [", *(f"  [{', '.join(f'{v:.4g}' for v in row)}]," for row in value), "]"]
        for key, value in table.items():
            if isinstance(value, Mapping):
                lines += [f"[{name}.{key}]", *(f"{inner} = {number:.6g}" for inner, number in value.items())]
        lines.append("")
    text = "\n".join(lines)
    tomllib.loads(text)
    path.write_text(text, encoding="utf-8")


def cross_fitted(rows: Rows, number: int) -> Judged:
    """Every candidate judged by tables that were fitted without its picture's tenth."""
    order = np.random.default_rng(0).permutation(number)
    folds = [np.isin(rows.picture, order[k::FOLDS]) for k in range(FOLDS)]
    return judge(rows, [(held, fit(rows, ~held)) for held in folds if held.any()])


def reliability(rows: Rows, judged: Judged) -> list[list[float]]:
    table = []
    for low, high in zip(EDGES[:-1], EDGES[1:], strict=True):
        own = (judged.sure >= low) & (judged.sure < high) & (rows.judged > 0)
        if own.any():
            table.append([low, high, float(own.sum()), float(judged.sure[own].mean()), float(rows.true[own].mean())])
            print("confidence {:.2f}-{:.2f}: {:.0f} candidates, stated {:.2f}, true {:.2f}".format(*table[-1]))
    return table


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("truth", type=Path)
    parser.add_argument("--fit", default=FIT, help="beginnings of the names that confidence and number are fitted on")
    parser.add_argument("--judge", default=JUDGE, help="of those that they are judged on, and the opening fitted")
    parser.add_argument("--keep", type=Path, default=Path("candidates"), help="folder of the candidates")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    learned, apart = (
        read_pictures(asked.truth, names.split(","), asked.keep, asked.jobs) for names in (asked.fit, asked.judge)
    )
    rows, rows_apart = rows_of(learned), rows_of(apart)
    tables = fit(rows, np.ones(rows.true.size, bool))
    everything = np.ones(rows_apart.true.size, bool)
    openings = {name: table for name, table in fit(rows_apart, everything).items() if name != "confidence"}
    within = cross_fitted(rows, len(learned))
    threshold = best_threshold(learned, rows, within)
    number = number_table(learned)
    number["scatter"] = scatter(learned, rows, within, number)
    print("on the pictures fitted on, cross-fitted:", report(learned, rows, within, threshold))
    print(told_sizes(rows, within, threshold))
    print(told_largest(learned, rows, within, threshold, number))
    print(told_numbers(learned, numbers(learned, rows, within, number)))
    judged = judge(rows_apart, [(everything, tables)])
    crossed = cross_fitted(rows_apart, len(apart))  # its openings are those of tables fitted on other pictures
    judged = replace(judged, ln_factor=crossed.ln_factor, spread=crossed.spread, diameter=crossed.diameter)
    print("on the others:")
    for t in sorted({0.3, 0.4, 0.5, 0.6, threshold}):
        print(report(apart, rows_apart, judged, t))
    print(told_sizes(rows_apart, judged, threshold))
    print(told_largest(apart, rows_apart, judged, threshold, number))
    print(told_numbers(apart, numbers(apart, rows_apart, judged, number)))
    table = reliability(rows_apart, judged)
    if asked.write:
        confidence = {"reported_from": threshold, "reliability": table, **tables["confidence"]}
        path = MODELS / "pit-likelihood.toml"
        write_tables({"confidence": confidence, **openings, "number": number}, path)


if __name__ == "__main__":
    main()
