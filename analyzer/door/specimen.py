"""Where the piece is in the picture: class by class, by a small learned network, or by colour where its file is missing."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any

import cv2
import numpy as np

from analyzer.base.network import network, weights

SIDE = 256  # pixels of the network's square picture; analyzer/training/specimen.py holds the same figure
CLASSES = ("table", "metal", "rim", "other_side", "marker", "covered")
VIEWS = ("inside", "outside", "flat", "end")
TABLE, METAL, RIM, OTHER_SIDE, MARKER, COVERED = range(6)
MODEL = "specimen"
# Both: judgement while the room was built; which pictures served was not recorded.
SMALLEST_SCENE_PX = 700  # a picture with a shorter side is a close-up
SMALLEST_SHARE = 0.0008  # of the window's pixels: a piece smaller than this cannot be measured


@dataclass(frozen=True, kw_only=True)
class Answer:
    """The network's likeliest answer to one question about the picture, and its share of all, 0..1, after the temperature that the
    weights' card states: as often right as it says on the pictures named there, which were all rendered."""

    name: str
    share: float
    shares: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Specimen:
    """Class shares over a window of the photo.

    ``shares`` is (6, h, w) float32, by ``CLASSES``, adding to 1. A window pixel (column, row) lies at
    ``origin + step * (column, row)`` of the photo, in photo pixels. ``view_shares`` is (4,), by ``VIEWS``; None without
    the learned network. ``source`` is "learned" or "colour", ``version`` the weights' fingerprint or the way's name.
    """

    shares: np.ndarray
    origin: tuple[float, float]
    step: float
    view_shares: np.ndarray | None
    source: str
    version: str
    far: np.ndarray | None = None  # (6, SIDE, SIDE) shares of the look at the whole photo, a square centred on it
    answers: Mapping[str, Answer] = field(default_factory=dict)  # "metal", "framing": of weights that tell them
    joined: bool = False  # whether every part of ``pipe`` is the piece, as a person said, and not only the largest

    @property
    def classes(self) -> np.ndarray:
        """(h, w) uint8: the likeliest class."""
        return np.argmax(self.shares, axis=0).astype(np.uint8)

    @property
    def face(self) -> np.ndarray:
        """(h, w) float32: share of the examined face, tape and solder on it included."""
        return self.shares[METAL] + self.shares[COVERED]

    @property
    def pipe(self) -> np.ndarray:
        """(h, w) float32: share of anything that is the piece."""
        return self.shares[METAL] + self.shares[RIM] + self.shares[OTHER_SIDE] + self.shares[COVERED]

    def to_photo(self, points: np.ndarray) -> np.ndarray:
        """Window points (N, 2) to photo pixels."""
        return np.asarray(points, float) * self.step + np.asarray(self.origin)

    def at(self, plane: np.ndarray, pixels: np.ndarray, fill: float = 0.0) -> np.ndarray:
        """A window plane (h, w) read at photo pixels (N, 2), linearly; ``fill`` outside the window."""
        places = ((pixels - np.asarray(self.origin)) / self.step).astype(np.float32)
        values = np.empty(len(places), np.float32)
        for begin in range(0, len(places), 30000):  # cv2.remap takes no side beyond 32767
            part = places[begin : begin + 30000]
            values[begin : begin + 30000] = cv2.remap(
                plane.astype(np.float32),
                part[None, :, 0],
                part[None, :, 1],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=fill,
            )[0]
        return values


@cache
def _version() -> str | None:
    """The weights' fingerprint; None where their file is missing."""
    data = weights(MODEL)
    return None if data is None else hashlib.sha256(data).hexdigest()[:12]


@cache
def card() -> Mapping[str, Any]:
    """What the file beside the weights says of them; empty where it is missing."""
    file = resources.files("analyzer").joinpath(f"models/{MODEL}.toml")
    return tomllib.loads(file.read_text(encoding="utf-8")) if file.is_file() else {}


def questions() -> tuple[str, ...]:
    """What the weights tell beside the classes."""
    return tuple(name for name in card().get("outputs", ("classes", "view")) if name != "classes")


def _run(square: np.ndarray) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """(SIDE, SIDE, 3) uint8 to class shares (6, SIDE, SIDE) and, for each question, the logarithm of each answer's share."""
    side = SIDE
    x = (square.astype(np.float32) / 255 - 0.45) / 0.25
    # planes: colour, then row and column within the block of 2 x 2
    blocks = x.reshape(side // 2, 2, side // 2, 2, 3).transpose(4, 1, 3, 0, 2).reshape(1, 12, side // 2, side // 2)
    logits, *answers = network(MODEL, ("classes", *questions()))(blocks)
    logits = logits.reshape(len(CLASSES), 2, 2, side // 2, side // 2).transpose(0, 3, 1, 4, 2).reshape(-1, side, side)
    logits = np.exp(logits - logits.max(0))
    logs = {name: _log_shares(answer.ravel()) for name, answer in zip(questions(), answers, strict=True)}
    return (logits / logits.sum(0)).astype(np.float32), logs


def _log_shares(logits: np.ndarray) -> np.ndarray:
    return logits - np.logaddexp.reduce(logits.astype(np.float64))


def _look(square: np.ndarray) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Class shares and answers of a square, as the geometric mean over the square turned and mirrored: errors that come of
    one way to see it fall out."""
    logs: np.ndarray = np.zeros(1, np.float32)
    answers: dict[str, np.ndarray] = dict.fromkeys(questions(), np.zeros(1))
    for turn in (lambda a: a, lambda a: a[:, ::-1], lambda a: a[::-1], lambda a: a[::-1, ::-1]):
        shares, told = _run(np.ascontiguousarray(turn(square)))
        logs = logs + np.stack([turn(plane) for plane in np.log(shares + 1e-6)])
        answers = {name: answers[name] + told[name] / 4 for name in answers}
    shares = np.exp(logs / 4)
    return (shares / shares.sum(0)).astype(np.float32), {name: _log_shares(log) for name, log in answers.items()}


def _answer(question: str, logs: np.ndarray) -> Answer:
    names = card()[f"{question}s"]
    shares = np.exp(_log_shares(logs / card().get(question, {}).get("temperature", 1.0)))
    best = int(np.argmax(shares))
    return Answer(name=names[best], share=float(shares[best]), shares=dict(zip(names, map(float, shares), strict=True)))


def window_of(
    rgb: np.ndarray, left: float, top: float, span: float, side: int = SIDE
) -> tuple[np.ndarray, tuple[float, float], float]:
    """A square of the photo resampled to ``side`` pixels, black beyond the border: (square, origin, step)."""
    height, width = rgb.shape[:2]
    step = span / side
    x0, y0 = max(0, int(np.floor(left))), max(0, int(np.floor(top)))
    x1, y1 = min(width, int(np.ceil(left + span))), min(height, int(np.ceil(top + span)))
    part = rgb[y0:y1, x0:x1]
    if step > 1:  # reduced by areas first, then placed exactly
        # ``placed``: photo pixels per pixel of the reduced part, by axis
        size = (max(1, round(part.shape[1] / step)), max(1, round(part.shape[0] / step)))
        reduced = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    else:
        reduced = part
    per = np.array([part.shape[1] / reduced.shape[1], part.shape[0] / reduced.shape[0]])
    # window pixel c sits at photo left + (c + 0.5) * step - 0.5; reduced pixel r sits at x0 + (r + 0.5) * per - 0.5
    scale = step / per
    shift = (np.array([left - x0, top - y0]) + 0.5 * step) / per - 0.5
    matrix = np.array([[scale[0], 0, shift[0]], [0, scale[1], shift[1]]])
    square = cv2.warpAffine(
        reduced, matrix, (side, side), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_CONSTANT
    )
    return square, (left + 0.5 * step - 0.5, top + 0.5 * step - 0.5), step


def laid_on_photo(plane: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """A plane (SIDE, SIDE) of the look at the whole photo on the photo's own pixels, ``shape`` rows and columns."""
    height, width = shape
    span = float(max(height, width))
    step = span / SIDE
    across, down = ((length - span) / 2 + 0.5 * step - 0.5 for length in (width, height))
    matrix = np.array([[1 / step, 0, -across / step], [0, 1 / step, -down / step]])
    return cv2.warpAffine(
        plane.astype(np.float32),
        matrix,
        (width, height),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


def largest(mask: np.ndarray) -> np.ndarray | None:
    """The largest connected part of a bool mask, or None where there is none."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    if count < 2:
        return None
    return labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))


def _free(shape: tuple[int, int], origin: tuple[float, float], step: float, taken: Sequence[np.ndarray]) -> np.ndarray:
    """(h, w) bool: window pixels that no polygon of ``taken`` (photo pixels) covers."""
    mask = np.zeros(shape, np.uint8)
    for polygon in taken:
        cv2.fillPoly(mask, [np.round((np.asarray(polygon, float) - np.asarray(origin)) / step).astype(np.int32)], 1)
    return mask == 0


def resampled(
    plane: np.ndarray, origin: tuple[float, float], step: float, new_origin: tuple[float, float], new_step: float
) -> np.ndarray:
    """A plane of one window laid on another window."""
    scale = new_step / step
    shift = (np.array(new_origin) - np.array(origin)) / step
    matrix = np.array([[scale, 0, shift[0]], [0, scale, shift[1]]])
    return cv2.warpAffine(
        plane, matrix, (SIDE, SIDE), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )


def find_specimen(rgb: np.ndarray, taken: Sequence[np.ndarray] = ()) -> Specimen | None:
    """Look at the whole photo, then closer at the piece. None where no piece is seen.

    ``rgb`` is (H, W, 3) uint8, upright. ``taken``: polygons (N, 2) in photo pixels that are known to be something else
    (markers); the piece is not looked for there.
    """
    height, width = rgb.shape[:2]
    span = float(max(height, width))
    version = _version()
    if version is None:
        return _by_colour(rgb)
    square, origin, step = window_of(rgb, (width - span) / 2, (height - span) / 2, span)
    far, told = _look(square)
    seen = far[[METAL, RIM, OTHER_SIDE, COVERED]].sum(0) > 0.5
    pipe = largest(seen & _free(seen.shape, origin, step, taken))
    if pipe is None or pipe.mean() < SMALLEST_SHARE:
        return None
    far_origin, far_step, closer = origin, step, told
    for _ in range(2):  # the second closer look is centred by the first
        rows, columns = np.nonzero(pipe)
        x0, x1 = columns.min() * step + origin[0], columns.max() * step + origin[0]
        y0, y1 = rows.min() * step + origin[1], rows.max() * step + origin[1]
        side = max(1.16 * max(x1 - x0, y1 - y0), 32.0)
        square, origin, step = window_of(rgb, (x0 + x1 - side) / 2, (y0 + y1 - side) / 2, side)
        near, closer = _look(square)
        # the far look knows the surroundings, the near one the edges: where one is unsure the other decides
        again = np.stack([resampled(plane, far_origin, far_step, origin, step) for plane in far])
        shares = (near + 0.03) * (again + 0.02)
        shares /= shares.sum(0)
        seen = shares[[METAL, RIM, OTHER_SIDE, COVERED]].sum(0) > 0.5
        pipe = largest(seen & _free(seen.shape, origin, step, taken))
        if pipe is None:
            return None
        edge = pipe[0].any() or pipe[-1].any() or pipe[:, 0].any() or pipe[:, -1].any()
        if not edge:
            break
    free = _free(shares.shape[1:], origin, step, taken)
    if not free.all():
        gone = np.zeros(len(CLASSES), np.float32)
        gone[MARKER] = 1
        shares = np.where(free, shares, gone[:, None, None])
    answers = {}
    if "metal" in told:  # judged on the whole photo and on the window together, as the card's figures are
        answers["metal"] = _answer("metal", (told["metal"] + closer["metal"]) / 2)
    if "framing" in told:
        answers["framing"] = _answer("framing", told["framing"])
    return Specimen(
        shares=shares, origin=origin, step=step, view_shares=np.exp(told["view"]), source="learned", version=version,
        far=far, answers=answers,
    )  # fmt: skip


def fills_share(rgb: np.ndarray) -> float | None:
    """How much the look at the whole photo holds it to be filled with metal, 0..1; None where the weights do not tell."""
    if _version() is None or "framing" not in questions():
        return None
    height, width = rgb.shape[:2]
    span = float(max(height, width))
    square, _, _ = window_of(rgb, (width - span) / 2, (height - span) / 2, span)
    return _answer("framing", _look(square)[1]["framing"]).shares["fills"]


def lies_apart(rgb: np.ndarray) -> bool:
    """Whether a piece clearly lies on a table, with table all round it; False for a close-up filled with metal.

    Careful on purpose: a close-up taken for a piece on a table would lose metal.
    """
    height, width = rgb.shape[:2]
    if _version() is None or min(height, width) < SMALLEST_SCENE_PX:
        return False
    span = float(max(height, width))
    square, origin, step = window_of(rgb, (width - span) / 2, (height - span) / 2, span)
    shares, _ = _look(square)
    rows, columns = np.mgrid[:SIDE, :SIDE]
    x, y = origin[0] + step * columns, origin[1] + step * rows
    inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
    rim = 0.05 * min(width, height)
    border = inside & ((x < rim) | (x > width - rim) | (y < rim) | (y > height - rim))
    pipe = shares[[METAL, RIM, OTHER_SIDE, COVERED]].sum(0)
    part = largest((pipe > 0.5) & inside)
    if part is None or not 0.03 < part.sum() / inside.sum() < 0.7:
        return False
    (_, _), (long, short), _ = cv2.minAreaRect(np.argwhere(part)[:, ::-1].astype(np.float32))
    squarely = part.sum() / max((long + 1) * (short + 1), 1.0)
    rest = pipe[inside & (cv2.dilate(part.astype(np.uint8), np.ones((9, 9), np.uint8)) == 0)]
    return bool(pipe[border].mean() < 0.03 and rest.mean() < 0.03 and pipe[part].mean() > 0.93 and squarely > 0.88)


def graph_cut(rgb: np.ndarray, marks: np.ndarray, rounds: int) -> np.ndarray:
    """bool: the piece as GrabCut parts it by colour, begun from ``marks`` (uint8, OpenCV's GC_ values), always alike."""
    cv2.setRNGSeed(1)
    unread = (0, 0, 1, 1)  # begun from marks, its rectangle is not read
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cut = marks.copy()
    cv2.grabCut(rgb[..., ::-1].copy(), cut, unread, *models, rounds, cv2.GC_INIT_WITH_MASK)
    return (cut == cv2.GC_FGD) | (cut == cv2.GC_PR_FGD)


def _by_colour(rgb: np.ndarray) -> Specimen | None:
    """Without the network: what differs from the picture's rim in colour, cut out by GrabCut. Metal and table only."""
    height, width = rgb.shape[:2]
    span = float(max(height, width))
    square, origin, step = window_of(rgb, (width - span) / 2, (height - span) / 2, span)
    lab = cv2.cvtColor(square, cv2.COLOR_RGB2LAB).astype(np.float32)
    rows, columns = np.mgrid[:SIDE, :SIDE]
    x, y = origin[0] + step * columns, origin[1] + step * rows
    inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
    border = inside & ((x < 0.06 * width) | (x > 0.94 * width) | (y < 0.06 * height) | (y > 0.94 * height))
    table = np.median(lab[border], axis=0)
    # copper and its products differ from a table in hue more than in lightness; white paper is no metal
    hue = np.hypot(lab[..., 1] - table[1], lab[..., 2] - table[2])
    differs = np.where(inside, hue + 0.25 * np.abs(lab[..., 0] - table[0]), 0)
    if np.percentile(differs[inside], 99.5) < 8:
        return None
    level, _ = cv2.threshold(np.clip(differs, 0, 255).astype(np.uint8), 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    seed = cv2.morphologyEx((differs > level).astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)) > 0
    piece = largest(seed & ~border)
    if piece is None or piece.mean() < SMALLEST_SHARE:
        return None
    marks = np.full((SIDE, SIDE), cv2.GC_BGD, np.uint8)
    near = cv2.dilate(piece.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    marks[near & inside] = cv2.GC_PR_BGD
    marks[piece] = cv2.GC_PR_FGD
    piece = largest(graph_cut(square, marks, 4))
    if piece is None or piece.mean() < SMALLEST_SHARE:
        return None
    contours, _ = cv2.findContours(piece.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = cv2.drawContours(np.zeros((SIDE, SIDE), np.uint8), contours, -1, 1, -1).astype(np.float32)
    shares = np.zeros((len(CLASSES), SIDE, SIDE), np.float32)
    shares[METAL] = cv2.GaussianBlur(filled, (0, 0), 0.7)
    shares[TABLE] = 1 - shares[METAL]
    return Specimen(
        shares=shares, origin=origin, step=step, view_shares=None, source="colour", version="grabcut-1", far=shares
    )
