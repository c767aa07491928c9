"""Train the small net that tells contact marks, the water line and tape on the unrolled metal; writes OUT.pt and OUT.onnx.

    python -m analyzer.training.bands TRUTH_FOLDER MINUTES OUT [--names d,h] [--leave-out h01,h03] [--from WEIGHTS.pt] [--cells FOLDER]

TRUTH_FOLDER holds ``images/`` and ``truth/NAME/{truth.json,bands.png,class.png}`` (rendered pictures with exact masks). ``--names``
are beginnings of the names that are learned from; ``--leave-out`` are names among them, and ``--judge`` beginnings of others, that
are only judged. Needs torch 2.13 (CPU is enough: an hour on one core with bfloat16) and onnx for the export; neither the package
nor its tests need this file.

Every piece is laid out by the package's own way (``find_scale``, ``find_surface``, ``lay_out``), so the net learns from what it
will see; the layout is kept in ``--cells`` for the next run. There are only some forty true bands to learn from, so most bands
are painted or taken from another piece: contact marks and water lines of known extent in the colours of products or in the texture
of another piece, with wavering, patchy, dark-rimmed edges. So are things that are no band: patches, highlights and shadow edges
along the pipe, tarnish that fades from an end, lettering, strips of tape. Then the piece is mirrored, stretched, bent, re-lit and
re-coloured.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from scipy import ndimage
from torch import nn

from analyzer.base.flags import CutpipeError
from analyzer.house.tables import read_tube
from analyzer.marks.band_likelihood import features
from analyzer.marks.layout import CELL_AROUND_MM, CELL_AXIAL_MM, COLUMNS, ROWS, lay_out
from analyzer.photo.reading import read_photo
from analyzer.piece.find import find_surface
from analyzer.scale.calibration import Marker, find_scale

LEAST_OVERLAP = 0.8  # of the metal found with the true metal, or the bands would lie elsewhere on the map
CROP_ROWS = 128  # of the map are trained on at a time
BATCH = 8
WIDTHS = (12, 20, 32, 48, 64)
TONES = {  # linear RGB at full light
    "green": (0.16, 0.30, 0.24),
    "blue green": (0.20, 0.36, 0.36),
    "bright": (0.62, 0.40, 0.28),
    "brown": (0.16, 0.10, 0.07),
    "dark": (0.06, 0.055, 0.05),
    "white": (0.55, 0.55, 0.52),
    "red": (0.30, 0.13, 0.08),
    "rust": (0.40, 0.22, 0.08),
    "grey": (0.30, 0.29, 0.27),
}
TAPES = (  # linear RGB
    (0.55, 0.50, 0.36),
    (0.45, 0.36, 0.22),
    (0.05, 0.05, 0.05),
    (0.12, 0.12, 0.12),
    (0.30, 0.30, 0.30),
    (0.60, 0.60, 0.58),
    (0.08, 0.12, 0.30),
    (0.30, 0.06, 0.05),
)


@dataclass
class Piece:
    """One laid-out piece: ``linear`` (h, w, 3), ``spread`` (h, w), ``share`` (h, w, 3) of mark, line and tape, ``seen`` (h, w)."""

    name: str
    linear: np.ndarray
    spread: np.ndarray
    share: np.ndarray
    seen: np.ndarray

    @property
    def has_mark(self) -> bool:
        return bool(self.share[..., 0].sum() > 50)

    @property
    def has_line(self) -> bool:
        return bool(self.share[..., 1].sum() > 20)


# --- pieces ---


def read_piece(root: Path, name: str, kept: Path | None) -> Piece | None:
    """Lay out one picture with its true bands; None where the piece is not found, or not where it is, or is a cut ring."""
    if kept is not None and (kept / f"{name}.npz").exists():
        held = np.load(kept / f"{name}.npz")
        return Piece(name=name, **{field: held[field] for field in ("linear", "spread", "share", "seen")})
    truth = json.loads((root / "truth" / name / "truth.json").read_text(encoding="utf-8"))
    if truth["view"] == "end":
        return None
    kind = truth["marker"]["kind"]
    marker = Marker(kind={"aruco_card": "card"}.get(kind, kind), diameter_mm=truth["marker"].get("diameter_mm"))
    photo = read_photo(root / truth["image"])
    try:
        calibration = find_scale(photo, marker)
        surface = find_surface(photo, calibration, view=truth["view"], tube=read_tube(truth["pipe"]["size_in"]))
    except CutpipeError as error:
        print(f"{name} left out: {error}")
        return None
    if surface.unit != "mm":
        return None
    left, top = surface.origin_px
    height, width = surface.metal.shape
    window = np.s_[top : top + height, left : left + width]
    cells = lay_out(photo.rgb[window], surface)
    true = cv2.imread(str(root / "truth" / name / "bands.png"), cv2.IMREAD_GRAYSCALE)[window]
    h, w = cells.seen.shape
    i, j = np.rint(cells.row).astype(int), np.rint(cells.column).astype(int)
    inside = surface.metal & (i >= 0) & (i < h) & (j >= 0) & (j < w)
    cell = (i * w + j)[inside]
    count = np.maximum(np.bincount(cell, minlength=h * w), 1)
    seen_class = cv2.imread(str(root / "truth" / name / "class.png"), cv2.IMREAD_GRAYSCALE)
    both = float((surface.metal & (seen_class[window] == 1)).sum())
    if both < LEAST_OVERLAP * ((seen_class == 1).sum() + surface.metal.sum() - both):
        print(f"{name} left out: its metal was not found where it is")
        return None
    taped = seen_class[window] == 7
    share = np.stack([np.bincount(cell, what[inside], h * w) / count for what in (true == 1, true == 2, taped)], -1)
    piece = Piece(
        name=name,
        linear=cells.linear,
        spread=cells.spread,
        share=share.reshape(h, w, 3).astype(np.float32),
        seen=cells.seen,
    )
    if kept is not None:
        kept.mkdir(parents=True, exist_ok=True)
        np.savez_compressed(
            kept / f"{name}.npz", linear=piece.linear, spread=piece.spread, share=piece.share, seen=piece.seen
        )
    return piece


def read_pieces(root: Path, beginnings: tuple[str, ...], kept: Path | None) -> list[Piece]:
    names = sorted(path.name for path in (root / "truth").iterdir() if path.name.startswith(beginnings))
    return [piece for name in names if (piece := read_piece(root, name, kept)) is not None]


# --- painting ---


class Painter:
    """Makes training samples; all chance comes from one generator."""

    def __init__(self, pieces: list[Piece], seed: int) -> None:
        self.pieces = pieces
        self.draw = np.random.default_rng(seed)
        weight = np.array([1.8 if piece.has_mark or piece.has_line else 1.0 for piece in pieces])
        self.weight = weight / weight.sum()
        self.marked = [piece for piece in pieces if piece.has_mark]
        self.lined = [piece for piece in pieces if piece.has_line]

    def sample(self) -> tuple[np.ndarray, np.ndarray]:
        """(11, CROP_ROWS, COLUMNS) features and (4, ...) target: mark, line, tape, seen."""
        draw = self.draw
        piece = self.pieces[draw.choice(len(self.pieces), p=self.weight)]
        linear, spread, share, seen = self._bent(piece)
        good = np.flatnonzero(seen.mean(1) > 0.3)
        rows = (int(good.min()), int(good.max()) + 1) if len(good) else (0, seen.shape[0])
        if draw.random() < 0.25 and not (piece.has_mark or piece.has_line):
            linear = self._covered(linear, self._patchy(seen.shape, draw.uniform(0.3, 1)) * draw.uniform(0.2, 0.9))
        linear = self._no_bands(linear, rows)
        if draw.random() < 0.15:
            linear = self._written(linear, rows)
        for kind in draw.permutation(2):
            if kind == 0 and not piece.has_mark and draw.random() < 0.4:
                linear, mark = self._mark(linear)
                share = np.stack([np.maximum(share[..., 0], mark), share[..., 1], share[..., 2]], -1)
            if kind == 1 and not piece.has_line and draw.random() < 0.5:
                linear, line = self._line(linear, rows)
                share = np.stack([share[..., 0], np.maximum(share[..., 1], line), share[..., 2]], -1)
        share = np.stack([share[..., 0] * (1 - share[..., 1]), share[..., 1], share[..., 2]], -1)
        if draw.random() < 0.2:
            linear, spread, share = self._taped(linear, spread, share)
        linear = self._camera(linear)
        if draw.random() < 0.1:  # a strip of tape that was seen to be none of the metal
            at = draw.integers(0, seen.shape[1])
            seen[:, at : at + draw.integers(4, 20)] = False
        if seen.sum() < 500:
            return self.sample()
        stack = features(linear.astype(np.float32), spread, seen)
        height, width = seen.shape
        used = min(CROP_ROWS, height)
        row = int(draw.integers(0, height - used + 1))
        y, x = int(draw.integers(0, CROP_ROWS - used + 1)), int(draw.integers(0, COLUMNS - width + 1))
        read = np.zeros((11, CROP_ROWS, COLUMNS), np.float32)
        target = np.zeros((4, CROP_ROWS, COLUMNS), np.float32)
        read[:, y : y + used, x : x + width] = stack[:, row : row + used]
        target[:3, y : y + used, x : x + width] = share[row : row + used].transpose(2, 0, 1)
        target[3, y : y + used, x : x + width] = seen[row : row + used]
        return read, target

    # chance

    def _wave(self, length: int, grain_mm: float) -> np.ndarray:
        """Smooth noise of unit variance along the pipe."""
        noise = self.draw.standard_normal(length).astype(np.float32)
        noise = cv2.GaussianBlur(noise[None], (0, 0), sigmaX=max(grain_mm / CELL_AXIAL_MM, 0.3), sigmaY=0.1)[0]
        return (noise - noise.mean()) / (noise.std() + 1e-6)

    def _clouds(self, shape: tuple[int, int], grain_mm: float) -> np.ndarray:
        """Smooth noise of unit variance over the metal."""
        coarse = max(1, int(grain_mm / CELL_AXIAL_MM / 2)) if grain_mm > 2 else 1
        noise = self.draw.standard_normal((shape[0] // coarse + 2, shape[1] // coarse + 2)).astype(np.float32)
        noise = cv2.GaussianBlur(
            noise,
            (0, 0),
            sigmaX=max(grain_mm / CELL_AXIAL_MM / coarse, 0.3),
            sigmaY=max(grain_mm / CELL_AROUND_MM / coarse, 0.3),
        )
        if coarse > 1:
            noise = cv2.resize(noise, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
        noise = noise[: shape[0], : shape[1]]
        return (noise - noise.mean()) / (noise.std() + 1e-6)

    def _patchy(self, shape: tuple[int, int], cover: float) -> np.ndarray:
        """0..1, near 1 over that share of the metal, in patches."""
        noise = self._clouds(shape, self.draw.uniform(0.4, 1.2)) * self.draw.uniform(0.3, 1)
        noise = noise + self._clouds(shape, self.draw.uniform(1.5, 5))
        noise /= noise.std() + 1e-6
        border = np.quantile(noise, 1 - cover) if cover < 1 else noise.min() - 1
        return 1 / (1 + np.exp(-np.clip((noise - border) / self.draw.uniform(0.05, 0.4), -30, 30)))

    # the piece

    def _bent(self, piece: Piece) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Stretched, slanted, wavering, mirrored."""
        draw = self.draw
        height, width = piece.seen.shape
        along, across = np.exp(draw.normal(0, 0.12, 2))
        w, h = int(np.clip(width * along, 60, COLUMNS)), max(60, int(height * across))
        x = (np.arange(w) + 0.5) / along - 0.5 + draw.uniform(0, max(0, width - w / along))
        y = (np.arange(h) + 0.5) / across - 0.5
        shift_y = draw.normal(0, 1.0) * np.linspace(-0.5, 0.5, w) + self._wave(w, draw.uniform(5, 20)) * draw.uniform(
            0, 0.3
        )
        shift_x = draw.normal(0, 1.0) * np.linspace(-0.5, 0.5, h) + self._wave(h, draw.uniform(5, 20)) * draw.uniform(
            0, 0.3
        )
        grid_y = (y[:, None] + shift_y[None] / CELL_AROUND_MM * draw.choice([0, 1], p=[0.3, 0.7])).astype(np.float32)
        grid_x = (x[None] + shift_x[:, None] / CELL_AXIAL_MM).astype(np.float32)

        def bent(array: np.ndarray, border: int) -> np.ndarray:
            return cv2.remap(array, grid_x, grid_y, cv2.INTER_LINEAR, borderMode=border)

        out = [bent(a, cv2.BORDER_REPLICATE) for a in (piece.linear, piece.spread, piece.share)]
        out.append(bent(piece.seen.astype(np.float32), cv2.BORDER_CONSTANT) > 0.5)
        if draw.random() < 0.5:
            out = [a[::-1] for a in out]
        if draw.random() < 0.5:
            out = [a[:, ::-1] for a in out]
        return tuple(np.ascontiguousarray(a) for a in out)

    def _light(self, linear: np.ndarray, grain_mm: float) -> np.ndarray:
        return (
            cv2.GaussianBlur(
                linear.mean(-1), (0, 0), sigmaX=grain_mm / CELL_AXIAL_MM, sigmaY=grain_mm / CELL_AROUND_MM / 2
            )
            + 1e-3
        )

    def _other_piece(self, shape: tuple[int, int]) -> np.ndarray:
        """The texture of another piece, without its light, large enough by mirroring."""
        draw = self.draw
        linear = self.pieces[draw.integers(len(self.pieces))].linear
        texture = linear / self._light(linear, 5)[..., None]
        turned = [(texture, texture[::-1]), (texture[:, ::-1], texture[::-1, ::-1])][draw.integers(2)]
        down = [turned[k % 2] for k in range(-(-shape[0] // texture.shape[0]) + 1)]
        texture = np.concatenate(down, 0)
        right = [texture if k % 2 == 0 else texture[:, ::-1] for k in range(-(-shape[1] // texture.shape[1]) + 1)]
        texture = np.concatenate(right, 1)
        y, x = draw.integers(0, texture.shape[0] - shape[0] + 1), draw.integers(0, texture.shape[1] - shape[1] + 1)
        return texture[y : y + shape[0], x : x + shape[1]]

    def _layer(self, linear: np.ndarray, light: np.ndarray, tone: str | None = None, other: float = 0.4) -> np.ndarray:
        """A product lying on the metal: a tone with its grain, or another piece's texture, in this piece's light."""
        draw = self.draw
        shape = linear.shape[:2]
        if draw.random() < other:
            return self._other_piece(shape) * light[..., None] * np.exp(draw.normal(0, 0.3))
        colour = np.array(TONES[tone or draw.choice(list(TONES))]) * np.exp(draw.normal(0, 0.12, 3))
        grain = self._clouds(shape, draw.uniform(0.3, 1.5)) * draw.uniform(0.03, 0.25)
        grain = np.exp(grain + self._clouds(shape, draw.uniform(2, 6)) * draw.uniform(0, 0.25))
        below = linear.mean(-1) / light
        below = (below / np.median(below)) ** draw.uniform(0, 0.7)
        return colour * (grain * below * light / 0.25 * draw.uniform(0.7, 1.3))[..., None]

    def _covered(self, linear: np.ndarray, alpha: np.ndarray, tone: str | None = None) -> np.ndarray:
        layer = self._layer(linear, self._light(linear, 6), tone)
        return linear * (1 - alpha[..., None]) + layer * alpha[..., None]

    # what lies on the metal and is no band

    def _taped(
        self, linear: np.ndarray, spread: np.ndarray, share: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """A strip of tape round the pipe that passed for metal: one even colour, straight edges, no grain of the metal."""
        draw = self.draw
        h, w = linear.shape[:2]
        x, slant = np.arange(w)[None], draw.normal(0, 0.6) / CELL_AXIAL_MM * np.linspace(-1, 1, h)[:, None]
        half, centre = draw.uniform(4, 20) / 2 / CELL_AXIAL_MM, draw.uniform(0, w)
        inside = np.clip(half - np.abs(x - centre - slant) + 0.5, 0, 1).astype(np.float32)
        colour = np.array(TAPES[draw.integers(len(TAPES))]) * np.exp(draw.normal(0, 0.15, 3) + draw.normal(0, 0.3))
        light = self._light(linear, 12)
        light = (light / np.median(light)) ** draw.uniform(0.3, 1)
        tape = colour * (light * np.percentile(linear.mean(-1), 70) / 0.25)[..., None]
        tape = tape * np.exp(self._clouds((h, w), 0.4) * draw.uniform(0, 0.04))[..., None]
        out = linear * (1 - inside[..., None]) + tape * inside[..., None]
        share = np.stack([share[..., 0] * (1 - inside), share[..., 1], np.maximum(share[..., 2], inside)], -1)
        return np.maximum(out, 0), spread * (1 - inside * draw.uniform(0.4, 0.9)), share

    def _written(self, linear: np.ndarray, rows: tuple[int, int]) -> np.ndarray:
        """Lettering along the pipe, or strokes of a pen."""
        draw = self.draw
        h, w = linear.shape[:2]
        page = np.zeros(
            (h, round(w * CELL_AXIAL_MM / CELL_AROUND_MM)), np.uint8
        )  # in steps of CELL_AROUND_MM both ways
        row = int(draw.integers(rows[0] + 4, max(rows[0] + 5, rows[1] - 4)))
        if draw.random() < 0.6:
            text = "".join(draw.choice(list("ABCDEFHKLMNOPRSTX0123456789 -/"), draw.integers(4, 24)))
            place = (int(draw.integers(-20, page.shape[1] - 20)), row)
            cv2.putText(
                page,
                text,
                place,
                cv2.FONT_HERSHEY_SIMPLEX,
                draw.uniform(0.25, 0.8),
                255,
                int(draw.integers(1, 3)),
                cv2.LINE_AA,
            )
        else:
            for _ in range(draw.integers(1, 4)):
                at = draw.integers(0, page.shape[1]) + np.cumsum(draw.normal(0, 8, 6))
                down = row + np.cumsum(draw.normal(0, 5, 6))
                cv2.polylines(
                    page, [np.stack([at, down], -1).astype(np.int32)], False, 255, int(draw.integers(1, 9)), cv2.LINE_AA
                )
        ink = cv2.resize(page, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255 * draw.uniform(0.2, 0.9)
        colour = np.array(
            [(0.02, 0.02, 0.02), (0.03, 0.05, 0.35), (0.35, 0.03, 0.03), (0.02, 0.2, 0.05)][draw.integers(4)]
        )
        if draw.random() < 0.5:
            return linear * (1 - ink[..., None])
        return linear * (1 - ink[..., None]) + colour * (ink * self._light(linear, 6) / 0.25)[..., None]

    # bands of other pieces

    def _other_mark(self, linear: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
        """The contact mark of another piece, with its rims, set into this piece's light."""
        draw = self.draw
        h, w = linear.shape[:2]
        other = self.marked[draw.integers(len(self.marked))]
        share = other.share[..., 0]
        columns = np.flatnonzero(share.any(0))
        beside = np.ones(share.shape[1], bool)
        first, last = max(0, columns[0] - 5), min(share.shape[1], columns[-1] + 6)
        beside[max(0, columns[0] - 3) : columns[-1] + 4] = False
        if beside.sum() < 20:
            return None
        ordinary = np.median(other.linear[:, beside], 1)  # (rows, 3): the other piece's film and light round the pipe
        ordinary = (
            cv2.GaussianBlur(ordinary.astype(np.float32)[None], (0, 0), sigmaX=2 / CELL_AROUND_MM, sigmaY=0.1)[0] + 1e-3
        )
        width = int(np.clip((last - first) * np.exp(draw.normal(0, 0.25)), 12, min(60, w - 4)))
        at = int(draw.integers(-width // 3, w - 2 * width // 3))

        def laid(array: np.ndarray) -> np.ndarray:
            strip = cv2.resize(np.ascontiguousarray(array[:, first:last]), (width, h), interpolation=cv2.INTER_LINEAR)
            strip = strip[flip]
            out = np.zeros((h, w, *strip.shape[2:]), np.float32)
            low, high = max(0, at), min(w, at + width)
            out[:, low:high] = strip[:, low - at : high - at]
            return out

        flip = np.s_[:: draw.choice([-1, 1]), :: draw.choice([-1, 1])]
        mask = laid(share)
        if mask.sum() < 0.06 * h * w:
            return None
        near = cv2.dilate(mask, np.ones((9, 5), np.uint8))
        alpha = cv2.GaussianBlur(near, (0, 0), sigmaX=1.0, sigmaY=2.0) * (near > 0) * draw.uniform(0.6, 1)
        light = self._light(linear, draw.uniform(3, 9))
        if draw.random() < 0.6:  # its own film
            layer = laid(other.linear / ordinary.mean(-1)[:, None, None]) * light[..., None]
        else:  # what it does to the film beside it, on this film
            layer = linear * np.clip(
                laid(cv2.GaussianBlur(other.linear / ordinary[:, None], (0, 0), sigmaX=0.7, sigmaY=1.4)), 0.05, 4
            )
        out = linear * (1 - alpha[..., None]) + layer * alpha[..., None]
        return np.maximum(out, 0), mask

    def _other_line(self, w: int) -> tuple[np.ndarray, np.ndarray] | None:
        """The water line of another piece, straightened: (rows, w, 3) by its own light, (rows, w) its share; the line in the middle."""
        draw = self.draw
        other = self.lined[draw.integers(len(self.lined))]
        share = other.share[..., 1]
        columns = np.flatnonzero(share.sum(0) > 0.5)
        if len(columns) < 40:
            return None
        middle = (share * np.arange(len(share))[:, None]).sum(0)[columns] / share.sum(0)[columns]
        middle = ndimage.gaussian_filter1d(np.interp(np.arange(columns[0], columns[-1] + 1), columns, middle), 4)
        reach, stretch = 24, np.exp(draw.normal(0, 0.25))
        if draw.random() < 0.5:
            x = np.linspace(0, len(middle) - 1, w)
        else:  # there and back
            around = np.arange(w) % (2 * len(middle))
            x = np.minimum(around, 2 * len(middle) - 1 - around)
        grid_x = np.repeat((x + columns[0])[None], 2 * reach + 1, 0).astype(np.float32)
        grid_y = (
            np.interp(x, np.arange(len(middle)), middle)[None] + np.arange(-reach, reach + 1)[:, None] / stretch
        ).astype(np.float32)
        own = other.linear / self._light(other.linear, 6)[..., None]
        out = [
            cv2.remap(np.ascontiguousarray(a), grid_x, grid_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for a in (own, share)
        ]
        flip = np.s_[:: draw.choice([-1, 1]), :: draw.choice([-1, 1])]
        return out[0][flip], out[1][flip]

    # painted bands

    def _mark(self, linear: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        draw = self.draw
        h, w = linear.shape[:2]
        if self.marked and draw.random() < 0.35 and (taken := self._other_mark(linear)) is not None:
            return taken
        light = self._light(linear, draw.uniform(3, 9))
        half, centre = draw.uniform(5, 24) / 2 / CELL_AXIAL_MM, draw.uniform(0.05, 0.95) * w
        edges = [
            centre
            + side * half
            + (
                self._wave(h * 2, draw.uniform(1, 5))[:h] * draw.uniform(0.1, 0.9)
                + draw.normal(0, 1) * np.linspace(-0.5, 0.5, h)
            )
            / CELL_AXIAL_MM
            for side in (-1, 1)
        ]
        x = np.arange(w)[None]
        depth_mm = np.minimum(x - edges[0][:, None], edges[1][:, None] - x) * CELL_AXIAL_MM
        share = np.clip(depth_mm / CELL_AXIAL_MM + 0.5, 0, 1)
        ragged = depth_mm + self._clouds((h, w), draw.uniform(0.2, 0.8)) * draw.uniform(0, 0.5)
        inside = 1 / (1 + np.exp(-np.clip(2 * ragged / draw.uniform(0.05, 0.5), -30, 30)))
        if draw.random() < 0.2:  # the clamp kept the metal as it was, all else took a film
            alpha = (
                (1 - inside)
                * draw.uniform(0.4, 1)
                * (1 - draw.uniform(0, 0.8) * (1 - self._patchy((h, w), draw.uniform(0.4, 0.95))))
            )
            out = linear * (1 - alpha[..., None]) + self._layer(linear, light, None, 0.5) * alpha[..., None]
            return self._rimmed(out, ragged), share
        style = draw.choice(["green", "bright", "brown", "dark", "other"], p=[0.36, 0.14, 0.2, 0.2, 0.1])
        strength = draw.uniform({"green": 0.4, "bright": 0.4, "brown": 0.25, "dark": 0.3, "other": 0.5}[style], 1)
        if style == "brown" and draw.random() < 0.5:
            layer = linear * np.array([0.55, 0.5, 0.48]) * draw.uniform(0.8, 1.4)
        elif style == "dark" and draw.random() < 0.4:
            layer = linear * draw.uniform(0.3, 0.75)
        elif style == "other":
            layer = self._layer(linear, light)
        else:
            tone = draw.choice(["green", "blue green"]) if style == "green" else style
            layer = self._layer(linear, light, tone, 0.0 if style == "dark" else 0.1)
        alpha = inside * strength * (1 - draw.uniform(0, 0.8) * (1 - self._patchy((h, w), draw.uniform(0.5, 0.95))))
        out = linear * (1 - alpha[..., None]) + layer * alpha[..., None]
        return self._rimmed(out, ragged), share

    def _rimmed(self, linear: np.ndarray, ragged: np.ndarray) -> np.ndarray:
        """Mostly with a dark rim, ``ragged`` mm inside."""
        draw = self.draw
        if draw.random() < 0.7:
            rim = np.exp(-0.5 * ((ragged - draw.uniform(-0.3, 0.6)) / draw.uniform(0.3, 1.2)) ** 2)
            rim = rim * draw.uniform(0.1, 0.75) * (0.4 + 0.6 * self._patchy(ragged.shape, 0.6))
            linear = linear * (1 - rim[..., None] * np.array([0.9, 0.945, 0.972]))
        return np.maximum(linear, 0)

    def _line(self, linear: np.ndarray, rows: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
        draw = self.draw
        h, w = linear.shape[:2]
        light = self._light(linear, draw.uniform(3, 9))
        margin = 3 / CELL_AROUND_MM
        width = (draw.uniform(0.7, 2.5) if draw.random() < 0.6 else draw.uniform(0.65, 1.3)) / CELL_AROUND_MM
        width = width * np.clip(1 + self._wave(w, draw.uniform(1.2, 3)) * draw.uniform(0.02, 0.22), 0.4, 1.8)[None]
        middle = draw.uniform(rows[0] + margin, max(rows[0] + margin + 1, rows[1] - margin))
        middle = (
            middle
            + (
                self._wave(w, draw.uniform(2, 8)) * draw.uniform(0.05, 0.4)
                + draw.normal(0, 0.7) * np.linspace(-0.5, 0.5, w)
            )
            / CELL_AROUND_MM
        )
        off = np.arange(h)[:, None] - middle[None]
        share = np.clip(width / 2 - np.abs(off) + 0.5, 0, 1)
        out = linear
        two_sides = draw.random() < 0.7
        whole = draw.random() < 0.45  # each side has its own film throughout
        if two_sides and whole and draw.random() < 0.5:
            out = self._layer(linear, light, None, 0.7)
        if two_sides:  # what stood under water has another film
            side = draw.choice([-1, 1])
            ragged = off + self._clouds((h, w), draw.uniform(0.2, 1)) * draw.uniform(0, 0.4) / CELL_AROUND_MM
            below = 1 / (
                1
                + np.exp(
                    -np.clip(side * ragged / (draw.uniform(0.1, 0.4 if whole else 0.8) / CELL_AROUND_MM) * 2, -30, 30)
                )
            )
            if draw.random() < 0.3:
                below = below * np.exp(-np.abs(ragged) * CELL_AROUND_MM / draw.uniform(3, 15))
            if draw.random() < 0.35 and not whole:
                layer = linear * np.exp(draw.normal(0, 0.2, 3) + draw.normal(0, 0.35))
            else:
                layer = self._layer(linear, light, None, 0.5)
            if not whole:
                below = below * draw.uniform(0.25, 1)
                below = below * (1 - draw.uniform(0, 0.8) * (1 - self._patchy((h, w), draw.uniform(0.4, 0.95))))
            out = out * (1 - below[..., None]) + layer * below[..., None]
        if self.lined and draw.random() < 0.35 and (taken := self._other_line(w)) is not None:
            reach = len(taken[1]) // 2
            grid_x = np.repeat(np.arange(w, dtype=np.float32)[None], h, 0)
            grid_y = (off + reach).astype(np.float32)
            strip, share = (
                cv2.remap(np.ascontiguousarray(a), grid_x, grid_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
                for a in taken
            )
            near = cv2.dilate(share, np.ones((5, 3), np.uint8))
            alpha = (
                cv2.GaussianBlur(near, (0, 0), sigmaX=0.7, sigmaY=1.4)
                * (np.abs(off) < reach - 2)
                * draw.uniform(0.6, 1)
            )
            out = out * (1 - alpha[..., None]) + strip * (light * draw.uniform(0.8, 1.25))[..., None] * alpha[..., None]
            return np.maximum(out, 0), share
        if draw.random() < 0.65:
            profile = np.exp(-0.5 * (off / (width / 2 * draw.uniform(0.9, 1.1))) ** 2)
        else:
            rough = np.abs(off + self._clouds((h, w), draw.uniform(0.2, 0.6)) * draw.uniform(0, 0.25) / CELL_AROUND_MM)
            profile = 1 / (1 + np.exp(-np.clip((width / 2 - rough) / (width * draw.uniform(0.08, 0.25)), -30, 30)))
        profile = profile * (1 - draw.uniform(0, 0.8) * (1 - self._patchy((h, w), draw.uniform(0.5, 0.95))))
        if not two_sides or draw.random() < 0.85:
            strength = draw.uniform(0.3 if two_sides else 0.5, 1)
        else:
            strength = 0.0
        if draw.random() < 0.55:
            layer = self._layer(linear, light, draw.choice(["white", "white", "green", "blue green", "grey"]), 0.0)
        elif draw.random() < 0.5:
            layer = linear * draw.uniform(0.15, 0.6)
        else:
            layer = self._layer(linear, light, "dark", 0.0)
        alpha = (profile * strength)[..., None]
        return np.maximum(out * (1 - alpha) + layer * alpha, 0), share

    def _no_bands(self, linear: np.ndarray, rows: tuple[int, int]) -> np.ndarray:
        """What may be mistaken for a band: patches, highlights and shadows along and across, tarnish from one end."""
        draw = self.draw
        h, w = linear.shape[:2]
        y, x = np.arange(h)[:, None], np.arange(w)[None]
        if draw.random() < 0.35:
            for _ in range(draw.integers(1, 4)):
                far = np.hypot(
                    (y - draw.uniform(*rows)) * CELL_AROUND_MM / draw.uniform(1, 7),
                    (x - draw.uniform(0, w)) * CELL_AXIAL_MM / draw.uniform(1, 7),
                )
                inside = 1 - far + self._clouds((h, w), 1.5) * 0.15
                linear = self._covered(
                    linear, 1 / (1 + np.exp(-np.clip(inside / 0.1, -30, 30))) * draw.uniform(0.2, 0.9)
                )
        if draw.random() < 0.5:
            streak = np.exp(-0.5 * ((y - draw.uniform(*rows)) * CELL_AROUND_MM / draw.uniform(0.4, 4)) ** 2)
            streak = streak * (1 + 0.3 * self._wave(w, 10)[None])
            if draw.random() < 0.7:
                linear = linear * np.clip(1 + streak * draw.uniform(-0.5, 1.2), 0.3, None)[..., None]
            else:
                linear = linear + (streak * draw.uniform(0, 0.3) * np.percentile(linear, 80))[..., None]
        if draw.random() < 0.45:
            slant = draw.normal(0, draw.choice([0.1, 2])) / CELL_AROUND_MM * np.linspace(-1, 1, w)[None]
            steep = (y - draw.uniform(*rows) - slant) * CELL_AROUND_MM / draw.choice([0.1, 0.3, 1, 3])
            linear = linear * (1 - draw.uniform(0.1, 0.6) / (1 + np.exp(-np.clip(steep, -30, 30))))[..., None]
        if draw.random() < 0.35:
            at = np.linspace(-1, 1, w)
            linear = linear * np.exp(draw.normal(0, 0.35) * at + draw.normal(0, 0.35) * at * at)[None, :, None]
        if draw.random() < 0.15:
            steep = draw.choice([-1, 1]) * (x - draw.uniform(0, w)) * CELL_AXIAL_MM / draw.uniform(2, 12)
            linear = linear * (1 - draw.uniform(0.1, 0.6) / (1 + np.exp(-np.clip(steep, -30, 30))))[..., None]
        if draw.random() < 0.2:
            from_end = x * CELL_AXIAL_MM if draw.random() < 0.5 else (w - 1 - x) * CELL_AXIAL_MM
            fading = np.exp(-from_end / draw.uniform(4, 30)) * self._patchy((h, w), draw.uniform(0.4, 0.9))
            linear = self._covered(linear, fading * draw.uniform(0.3, 0.9))
        return np.maximum(linear, 0)

    def _camera(self, linear: np.ndarray) -> np.ndarray:
        """White, exposure, contrast, saturation, noise, blur."""
        draw = self.draw
        linear = linear * np.exp(draw.normal(0, 0.08, 3) + draw.normal(0, 0.3))
        linear = np.maximum(linear, 0) ** np.exp(draw.normal(0, 0.12))
        if draw.random() < 0.5:
            grey = linear.mean(-1, keepdims=True)
            linear = np.maximum(grey + (linear - grey) * np.exp(draw.normal(0, 0.2)), 0)
        if draw.random() < 0.5:
            noise = draw.standard_normal(linear.shape) * draw.uniform(0, 0.02) * np.percentile(linear, 80)
            linear = np.maximum(linear + noise, 0)
        if draw.random() < 0.3:
            linear = cv2.GaussianBlur(
                linear, (0, 0), sigmaX=0.01 + draw.uniform(0, 0.5), sigmaY=0.01 + draw.uniform(0, 1.0)
            )
        return linear


# --- the net ---


def _block(inward: int, outward: int) -> nn.Sequential:
    layers: list[nn.Module] = []
    for i, o in ((inward, outward), (outward, outward)):
        layers += [nn.Conv2d(i, o, 3, padding=1, bias=False), nn.BatchNorm2d(o), nn.ReLU(True)]
    return nn.Sequential(*layers)


class Branch(nn.Module):
    """A U-Net on the map shortened fourfold along the band that it looks for: a band is long that way and needs no finer step.

    ``shortening`` and ``pools`` are (rows, columns).
    """

    def __init__(self, shortening: tuple[int, int], pools: tuple[tuple[int, int], ...], answers: int) -> None:
        super().__init__()
        self.shortening, self.pools = shortening, pools
        size = tuple(s if s > 1 else 3 for s in shortening)
        self.stem = nn.Sequential(
            nn.Conv2d(
                11, WIDTHS[0], size, stride=shortening, padding=tuple(0 if s > 1 else 1 for s in shortening), bias=False
            ),
            nn.BatchNorm2d(WIDTHS[0]),
            nn.ReLU(True),
        )
        inward = WIDTHS[0]
        self.down = nn.ModuleList()
        for outward in WIDTHS:
            self.down.append(_block(inward, outward))
            inward = outward
        self.up = nn.ModuleList(
            [_block(WIDTHS[k] + WIDTHS[k - 1], WIDTHS[k - 1]) for k in range(len(WIDTHS) - 1, 0, -1)]
        )
        self.head = nn.Conv2d(WIDTHS[0], answers, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = self.stem(x)
        skipped = []
        for level, block in enumerate(self.down):
            x = block(x)
            if level < len(self.down) - 1:
                skipped.append(x)
                x = F.max_pool2d(x, self.pools[level])
        for block, before, pool in zip(self.up, reversed(skipped), reversed(self.pools), strict=True):
            x = block(torch.cat([F.interpolate(x, scale_factor=tuple(map(float, pool)), mode="nearest"), before], 1))
        return F.interpolate(
            self.head(x), scale_factor=tuple(map(float, self.shortening)), mode="bilinear", align_corners=False
        )


class BandNet(nn.Module):
    """Two branches, for what goes across the pipe and for what goes along it: features in, logits of mark, line and tape out."""

    def __init__(self) -> None:
        super().__init__()
        self.across = Branch((4, 1), ((2, 2), (2, 2), (1, 2), (1, 2)), 2)
        self.along = Branch((1, 4), ((2, 2), (2, 2), (2, 1), (2, 1)), 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        across = self.across(x)
        return torch.cat([across[:, :1], self.along(x), across[:, 1:]], 1)


def loss_of(answer: torch.Tensor, target: torch.Tensor) -> torch.Tensor:
    """Cross-entropy over the seen cells, the thin line's fourfold, and the overlap (Dice) of each band."""
    seen, true = target[:, 3:], target[:, :3]
    entropy = F.binary_cross_entropy_with_logits(answer, true, reduction="none") * seen
    entropy = entropy.mean((0, 2, 3)) @ torch.tensor([1.0, 4.0, 0.5])
    chance, true = torch.sigmoid(answer) * seen, true * seen
    both, either = (chance * true).sum((2, 3)), (chance + true).sum((2, 3))
    there = (true.sum((2, 3)) > 10).float()
    return entropy + 0.6 * ((1 - (2 * both + 5) / (either + 5)) * (0.3 + 0.7 * there)).mean()


def judge(net: nn.Module, pieces: list[Piece]) -> str:
    """Overlap with the truth, cell by cell at one half; a band that is not there counts 0."""
    net.eval()
    scores: list[tuple[str, int, float]] = []
    with torch.no_grad():
        for piece in pieces:
            h, w = piece.seen.shape
            read = np.zeros((1, 11, ROWS, COLUMNS), np.float32)
            read[0, :, :h, :w] = features(piece.linear, piece.spread, piece.seen)
            answer = net(torch.from_numpy(read))[0, :, :h, :w].numpy() > 0
            for kind in (0, 1):
                true, found = (piece.share[..., kind] > 0.5) & piece.seen, answer[kind] & piece.seen
                if true.sum() > 20 or found.sum() > 100:
                    scores.append((piece.name, kind, float((true & found).sum() / max(1, (true | found).sum()))))
    net.train()
    mean = [np.mean([s for _, k, s in scores if k == kind] or [np.nan]) for kind in (0, 1)]
    return f"marks {mean[0]:.3f}, lines {mean[1]:.3f}"


def export(net: nn.Module, path: Path) -> None:
    """For maps of any height that divides by 16, as the package reads it."""
    net.eval()
    torch.onnx.export(
        net,
        (torch.zeros(1, 11, ROWS, COLUMNS),),
        str(path),
        input_names=["cells"],
        output_names=["logit"],
        dynamic_axes={"cells": {2: "rows"}, "logit": {2: "rows"}},
        opset_version=17,
        dynamo=False,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("truth", type=Path)
    parser.add_argument("minutes", type=float)
    parser.add_argument("out", type=Path, help="without suffix")
    parser.add_argument("--names", default="d,h", help="comma-separated beginnings")
    parser.add_argument("--judge", default="-", help="comma-separated beginnings of others")
    parser.add_argument(
        "--leave-out", default="", help="comma-separated names that are judged too, and not learned from"
    )
    parser.add_argument("--from", dest="start", type=Path)
    parser.add_argument("--cells", type=Path, help="keep laid-out pieces here")
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    torch.manual_seed(asked.seed)
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    left_out = set(asked.leave_out.split(","))
    pieces = read_pieces(asked.truth, tuple(asked.names.split(",")), asked.cells)
    judged = [piece for piece in pieces if piece.name in left_out] + read_pieces(
        asked.truth, tuple(asked.judge.split(",")), asked.cells
    )
    painter = Painter([piece for piece in pieces if piece.name not in left_out], asked.seed)
    net = BandNet().to(memory_format=torch.channels_last)
    if asked.start is not None:
        net.load_state_dict(torch.load(asked.start, weights_only=True))
    optimiser = torch.optim.AdamW(net.parameters(), lr=asked.rate, weight_decay=1e-3)
    mean = {name: value.clone() for name, value in net.state_dict().items()}
    began = told = time.time()
    step = 0
    losses: list[float] = []
    while (share := (time.time() - began) / (asked.minutes * 60)) < 1:
        rate = asked.rate * min(1, (step + 1) / 100) * (0.02 + 0.49 * (1 + np.cos(np.pi * share)))
        for group in optimiser.param_groups:
            group["lr"] = rate
        samples = [painter.sample() for _ in range(BATCH)]
        read = torch.from_numpy(np.stack([s[0] for s in samples])).to(memory_format=torch.channels_last)
        target = torch.from_numpy(np.stack([s[1] for s in samples]))
        with torch.autocast("cpu", torch.bfloat16):
            answer = net(read)
        loss = loss_of(answer.float(), target)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        step += 1
        losses.append(loss.item())
        keep = min(0.998, (step + 1) / (step + 10))
        for name, value in net.state_dict().items():
            mean[name] = mean[name] * keep + value * (1 - keep) if value.dtype.is_floating_point else value.clone()
        if time.time() - told > 600:
            told = time.time()
            torch.save(mean, asked.out.with_suffix(".pt"))
            average = BandNet()
            average.load_state_dict(mean)
            print(
                f"{step} steps, {share:.2f} of the time, loss {np.mean(losses[-200:]):.3f}, judged: {judge(average, judged)}",
                flush=True,
            )
    torch.save(mean, asked.out.with_suffix(".pt"))
    average = BandNet()
    average.load_state_dict(mean)
    export(average, asked.out.with_suffix(".onnx"))
    print(f"{step} steps; judged: {judge(average, judged)}")


if __name__ == "__main__":
    main()
