"""Fit the weights by which ``analyzer/marks/closeup.py`` sorts its candidates; prints them.

    python -m analyzer.training.closeup_weights TRUTH_FOLDER

Two sets. Without a scale: on drawn pictures (``drawn``: five kinds of metal, with soft shadows, ridges, reflections and
scratches that are not pits) and on windows of the rendered pictures in TRUTH_FOLDER, each kind with the same weight. With a
scale: on the rendered pictures whole, with their true outline and scale. Names that begin with ``h`` are never read, nor is any
photograph: both are for judging. Takes some ten minutes on one core.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Iterator
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageOps
from scipy import ndimage as ndi
from scipy.optimize import minimize

from analyzer.marks import closeup

KINDS = ("ground", "polished", "worn", "grainy", "rolled")
PICTURES = 100  # of each kind
WINDOWS = 3  # of each rendered picture
SAME, OTHER = 0.4, 0.1  # overlap with a true mouth: a pit from SAME, none below OTHER; between the two nobody can say
PENALTY = 0.01  # on the squared weights of standardised features


def drawn(kind: str, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A drawn close-up of metal and its pits: (rgb (h, w, 3) uint8, labels (h, w) int32). A quarter has no pit."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    h, w = (int(v) for v in rng.integers(200, 420, 2))
    lay = np.pi / 2 if kind == "ground" else rng.uniform(0, np.pi)
    noise = rng.normal(size=(h, w)).astype(np.float32)
    # shade of the metal, pits at most, smallest and largest diameter, weakest and strongest contrast, raggedness, blur of the rim
    shade, most, sizes, contrasts, ragged, blur = {
        "ground": (-0.8 + 0.12 * _grain(rng, h, w, 0.9, 30, lay) + 0.1 * _grain(rng, h, w, 2) + 0.03 * noise, 3, (6, 30), (0.3, 1), 0.1, 1),
        "polished": (-0.5 + 0.1 * _grain(rng, h, w, 2.2) + 0.02 * noise, 8, (8, 80), (0.3, 1.5), 0.15, 1),
        "worn": (-0.9 + 0.25 * _grain(rng, h, w, 1.4, 15, lay) + 0.05 * noise, 2, (20, 110), (0.3, 0.8), 0.3, 1),
        "grainy": (-0.9 + 0.2 * _grain(rng, h, w, 1) + 0.05 * noise, 5, (10, 80), (0.5, 1.2), 0.2, 1),
        "rolled": (
            -0.9 + 0.07 * _grain(rng, h, w, 0.8) + 0.15 * _grain(rng, h, w, 2.5) + 0.03 * noise, 4, (30, 120), (0.25, 0.6), 0.3, 3,
        ),
    }[kind]  # fmt: skip
    labels = np.zeros((h, w), np.int32)
    for _ in range(0 if rng.random() < 0.25 else int(rng.integers(1, most + 1))):
        mouth = _patch(rng, h, w, min(rng.uniform(*sizes), 0.35 * min(h, w)), ragged, rng.uniform(1, 1.6))
        if not mouth.any() or labels[cv2.dilate(mouth.astype(np.uint8), np.ones((9, 9))) > 0].any():
            continue
        depth = rng.uniform(*contrasts)
        shade = shade - _soft(mouth, blur) * (depth + rng.choice([0.0, 0.15, 0.35]) * _grain(rng, h, w, 1))
        if kind == "grainy" or rng.random() < 0.3:  # a rim that catches the light
            shade = shade + np.maximum(_soft(mouth, 2.5) - _soft(mouth, 1), 0) * depth * 1.5 * rng.random()
        labels[mouth] = labels.max() + 1
    shade = shade + _not_pits(rng, h, w, lay if kind in ("ground", "worn") else None)
    y, x = np.mgrid[:h, :w]
    shade = shade + rng.uniform(-0.4, 0.4) * (x / w - 0.5) + rng.uniform(-0.4, 0.4) * (y / h - 0.5)
    tint = np.array([1, rng.uniform(0.85, 1), rng.uniform(0.6, 1)])
    picture = np.clip(np.exp(shade)[..., None] * 255 * tint, 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 85])[1], cv2.IMREAD_COLOR), labels


def _grain(rng: np.random.Generator, h: int, w: int, power: float, stretch: float = 1, lay: float = 0) -> np.ndarray:
    """Random texture of spread 1 whose spectrum falls with frequency to ``power``, drawn out along ``lay``."""
    fy, fx = np.fft.fftfreq(h)[:, None], np.fft.rfftfreq(w)[None]
    along, across = np.cos(lay) * fx + np.sin(lay) * fy, np.cos(lay) * fy - np.sin(lay) * fx
    frequency = np.maximum(np.hypot(along * stretch, across), 1 / max(h, w))
    texture = np.fft.irfft2(np.fft.rfft2(rng.normal(size=(h, w))) / frequency**power, (h, w))
    return ((texture - texture.mean()) / texture.std()).astype(np.float32)


def _patch(rng: np.random.Generator, h: int, w: int, diameter: float, ragged: float, longer: float) -> np.ndarray:
    """A ragged round or oval patch somewhere in the picture, without holes."""
    cy, cx, turn = rng.uniform(0.1, 0.9) * h, rng.uniform(0.1, 0.9) * w, rng.uniform(0, np.pi)
    y, x = np.mgrid[:h, :w].astype(np.float32)
    along, across = np.cos(turn) * (x - cx) + np.sin(turn) * (y - cy), np.cos(turn) * (y - cy) - np.sin(turn) * (x - cx)
    uneven = ndi.gaussian_filter(rng.normal(size=(h, w)), max(1, diameter / 10))
    radius = (
        np.hypot(along / np.sqrt(longer), across * np.sqrt(longer)) / (diameter / 2) + ragged * uneven / uneven.std()
    )
    parts, _ = ndi.label(radius < 1)
    size = np.bincount(parts.ravel())
    size[0] = 0
    return ndi.binary_fill_holes(parts == size.argmax()) if size.any() else np.zeros((h, w), bool)


def _soft(mask: np.ndarray, blur: float) -> np.ndarray:
    return cv2.GaussianBlur(mask.astype(np.float32), (0, 0), blur)


def _not_pits(rng: np.random.Generator, h: int, w: int, lay: float | None) -> np.ndarray:
    """Shade of what is dark and no pit."""
    y, x = np.mgrid[:h, :w].astype(np.float32)
    shade = np.zeros((h, w), np.float32)
    for _ in range(rng.integers(0, 4)):  # soft shadows
        size = rng.uniform(20, 200)
        shade -= _soft(_patch(rng, h, w, size, 0.2, rng.uniform(1, 3)), rng.uniform(0.08, 0.3) * size) * rng.uniform(
            0.2, 0.9
        )
    for _ in range(rng.integers(0, 3)):  # ridges right across, one side sharp and the other soft
        turn = rng.uniform(0, np.pi) if lay is None else lay
        across = np.cos(turn) * (y - h / 2) - np.sin(turn) * (x - w / 2) - rng.uniform(-0.5, 0.5) * min(h, w)
        fall = np.exp(-np.maximum(across, 0) / rng.uniform(8, 60))
        shade -= rng.uniform(0.1, 0.7) * fall * _step(across / rng.uniform(0.6, 2))
    for _ in range(
        rng.integers(0, 3)
    ):  # reflections and stains on a land: sharp along the lay, soft ends, the lay runs on in them
        turn = rng.uniform(0, np.pi) if lay is None else lay
        along = np.cos(turn) * (x - w / 2) + np.sin(turn) * (y - h / 2) - rng.uniform(-0.5, 0.5) * w
        across = np.cos(turn) * (y - h / 2) - np.sin(turn) * (x - w / 2) - rng.uniform(-0.4, 0.4) * h
        length, width, edge = rng.uniform(15, 120), rng.uniform(8, 50), rng.uniform(0.7, 3)
        end = length * rng.uniform(0.04, 0.25)
        shade -= (
            rng.uniform(0.2, 0.9)
            * (_step((length / 2 + along) / end) * _step((length / 2 - along) / end))
            * (_step((width / 2 + across) / edge) * _step((width / 2 - across) / edge))
        )
    for _ in range(rng.integers(0, 4)):  # scratches, dark or bright
        line = np.zeros((h, w), np.float32)
        ends = (rng.uniform(0, 1, 4) * [w, h, w, h]).astype(int).tolist()
        cv2.line(line, ends[:2], ends[2:], 1.0, 1, cv2.LINE_AA)
        shade += cv2.GaussianBlur(line, (0, 0), 0.7) * rng.uniform(-0.5, 0.5)
    return shade


def _step(x: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-np.clip(x, -30, 30)))


def rendered(folder: Path) -> Iterator[tuple[str, np.ndarray, np.ndarray, np.ndarray, dict]]:
    """Name, picture, pitted surface, pits and truth of each rendered picture that may be learned from and is no cut ring."""
    for where in sorted((folder / "truth").iterdir()):
        truth = json.loads((where / "truth.json").read_text(encoding="utf-8"))
        file = folder / "images" / f"{where.name}.jpg"
        if where.name.startswith("h") or truth["view"] == "end" or not file.exists():
            continue
        with Image.open(file) as picture:
            rgb = np.asarray(ImageOps.exif_transpose(picture).convert("RGB"))
        metal = cv2.imread(str(where / "class.png"), cv2.IMREAD_UNCHANGED) == 1
        pits = cv2.imread(str(where / "pits.png"), cv2.IMREAD_UNCHANGED).astype(np.int32)
        yield where.name, rgb, metal, pits, truth


def _windows(
    name: str, rgb: np.ndarray, metal: np.ndarray, pits: np.ndarray
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Square windows with nothing but metal in them."""
    rng = np.random.default_rng(list(name.encode()))
    sums = cv2.integral(metal.astype(np.uint8))
    for _ in range(WINDOWS):
        for _ in range(200):
            side = int(rng.uniform(160, 420))
            y, x = int(rng.integers(0, metal.shape[0] - side)), int(rng.integers(0, metal.shape[1] - side))
            seen = sums[y + side, x + side] - sums[y, x + side] - sums[y + side, x] + sums[y, x]
            if seen >= 0.999 * side * side:
                yield np.ascontiguousarray(rgb[y : y + side, x : x + side]), pits[y : y + side, x : x + side]
                break


Bank = tuple[np.ndarray, np.ndarray]  # features (n, FEATURES), overlap with the truth (n,)


def bank(pictures: Iterable[tuple[np.ndarray, np.ndarray, np.ndarray, float | None]]) -> Bank:
    """Candidates of pictures (rgb, metal, true labels, pixel_mm), with their overlap (intersection over union) with a true mouth."""
    features, overlap = [], []
    for rgb, metal, labels, pixel_mm in pictures:
        area = np.bincount(labels.ravel())
        for candidate in closeup.candidates(rgb, metal, pixel_mm=pixel_mm):
            shared = np.bincount(labels[candidate.window][candidate.mask])
            shared[0] = 0
            best = shared / (candidate.mask.sum() + area[: shared.size] - shared)
            features.append(candidate.features)
            overlap.append(float(best.max()))
    return np.array(features), np.array(overlap)


def fit(banks: list[Bank]) -> np.ndarray:
    """Logistic weights, intercept first; every bank counts the same, and in it pits as much as the rest."""
    features, pit, weight = [], [], []
    for values, overlap in banks:
        sure = (overlap >= SAME) | (overlap < OTHER)
        own = overlap[sure] >= SAME
        features.append(values[sure])
        pit.append(own)
        weight.append(np.where(own, 0.5 / own.sum(), 0.5 / (~own).sum()) / len(banks))
    x, y, w = np.concatenate(features), np.concatenate(pit).astype(float), np.concatenate(weight)
    middle, spread = x.mean(0), x.std(0)
    z = (x - middle) / spread

    def loss(p: np.ndarray) -> tuple[float, np.ndarray]:
        v = z @ p[1:] + p[0]
        slope = w * (1 / (1 + np.exp(-v)) - y)
        value = (w * (np.logaddexp(0, v) - v * y)).sum() + PENALTY * (p[1:] ** 2).sum()
        return float(value), np.r_[slope.sum(), z.T @ slope + 2 * PENALTY * p[1:]]

    p = minimize(loss, np.zeros(x.shape[1] + 1), jac=True).x
    return np.r_[p[0] - (p[1:] / spread * middle).sum(), p[1:] / spread]


def banks_without_scale(folder: Path) -> list[Bank]:
    whole = lambda rgb, labels: (rgb, np.ones(labels.shape, bool), labels, None)
    out = [bank(whole(*drawn(kind, seed)) for seed in range(PICTURES)) for kind in KINDS]
    views = (
        whole(*view) for name, rgb, metal, pits, _ in rendered(folder) for view in _windows(name, rgb, metal, pits)
    )
    return [*out, bank(views)]


def banks_with_scale(folder: Path) -> list[Bank]:
    def pictures() -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray, float]]:
        for _, rgb, metal, pits, truth in rendered(folder):
            if not metal.any():
                continue
            ys, xs = np.flatnonzero(metal.any(1)), np.flatnonzero(metal.any(0))
            box = slice(ys[0], ys[-1] + 1), slice(xs[0], xs[-1] + 1)
            pixel_mm = truth["mm_per_px_surface"]
            small, on, factor = closeup.working_picture(np.ascontiguousarray(rgb[box]), metal[box], pixel_mm)
            labels = cv2.resize(pits[box].astype(np.float32), on.shape[::-1], interpolation=cv2.INTER_NEAREST)
            yield small, on, labels.astype(np.int32), pixel_mm / factor

    return [bank(pictures())]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="rendered pictures with truth")
    folder = parser.parse_args().folder
    for title, banks in (("without a scale", banks_without_scale(folder)), ("with a scale", banks_with_scale(folder))):
        print(title)
        for name, value in zip(("intercept", *closeup.FEATURES), fit(banks), strict=True):
            print(f'    "{name}": {value:.3f},')


if __name__ == "__main__":
    main()
