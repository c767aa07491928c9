"""The door: what a picture shows, with how sure it is, before anything is measured. Every later stage takes its ``Shown``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from analyzer.base.flags import Flag, InputError, raise_flag
from analyzer.door import specimen as look
from analyzer.door.colours import NAMES, UNLIKELY_SHARE, MetalColours, looks_of, metal_colours
from analyzer.door.mend import Tap, mended
from analyzer.door.outline_check import LEAST_ON_EDGES, share_on_edges
from analyzer.door.sharpness import Sharpness, measure_sharpness, why_not_countable
from analyzer.door.specimen import MARKER, SIDE, Answer, Specimen, find_specimen
from analyzer.photo.reading import Photo
from analyzer.scale.calibration import Calibration
from analyzer.scale.find_disc import round_things

FRAMINGS = ("apart", "cut_off", "fills", "unclear")
# A piece stands out where the network is of one mind and the colours inside and outside differ. Chosen while looking at some 30 c,
# 26 h and samples of the open real close-ups: of the pictures with a piece on a table all had a contrast of at least 1.5 and all
# but one (.30) an unsureness under .27; real close-ups, where an outline was made up, mostly a contrast under 1.0.
MOST_UNSURE = 0.27
MOST_UNSURE_WITH_MARKER = 0.40
# The network also tells how the piece stands in the picture; where it is sure and its own outline says something else, one is wrong.
SURE_FRAMING = 0.9
FILLED = 0.97  # of the picture: no table is left that could be told from metal
LEAST_FILLED = 0.6  # of the picture, where it says that metal takes 85 % or more of it
# Told to be flat and held to be filled with metal by the look at the whole picture in less than this: it may show anything. Chosen on
# 27 pictures of other things (.02 at most) and 31 whole frames of real metal (.10 at least, mostly .9), none of those learned from.
LEAST_FILLS_SHARE = 0.05
LEAST_CONTRAST = 1.0
LEAST_MARKER, MOST_PIECE = 0.2, 0.6  # mean shares within a marker's outline
COIN_MARKER = 0.6  # mean share of marker within something round: coins in pictures with truth have .9
BORDER = 0.05  # of the shorter side: the picture's rim
FILLS_BORDER = 0.25  # of the rim: little else is left to differ in colour from the piece
TOUCHES_BORDER = 0.02  # of the rim that shows the piece
EVEN_LEVELS = 5.0  # spread of the picture reduced to 64 x 64
FURTHER_PARTS = 0.12  # size of further parts, against the part examined
DOUBTS = (
    "data_damaged",
    "rows_empty",
    "not_countable",
    "piece_not_told_apart",
    "outline_doubtful",
    "marker_in_metal",
    "colours_not_metal",
)
MENDED_BY_TAPS = ("piece_not_told_apart", "outline_doubtful")


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What one photo shows. Shares are 0..1."""

    framing: str  # "apart" (table all round), "cut_off" (runs out of the picture), "fills" (metal all over), "unclear"
    framing_source: str  # "told", "seen" or "assumed"
    piece_share: float  # of the picture, as the network sees it; 1 where metal is taken to fill it
    unsure_share: float  # network's unsure pixels against the piece's; 0 is of one mind
    contrast: float  # colour inside against outside the piece, in standard deviations
    further_share: float  # further parts of the same metal, against the part examined
    view_shares: tuple[float, ...] | None  # by specimen.VIEWS; None without the network
    sharpness: Sharpness
    colours: MetalColours | None
    metal: Answer | None  # which metal by the network's look; None where no piece is seen or the weights do not tell
    specimen: Specimen | None  # where the network sees the piece; None where it sees none
    not_countable: str  # why no pit may be counted, words that end a sentence; "" where they may
    round_px: tuple[float, float, float] | None = None  # x, y, radius of what may be a coin that was not named
    on_edges_share: float | None = None  # of the outline; None where too little of it is in the picture
    marker_in_metal: bool = False  # what was taken for a marker lies within what the network takes for the piece
    flags: tuple[Flag, ...] = ()

    @property
    def looks(self) -> str | None:
        """Key of ``colours.NAMES`` where colours or the network's look do not fit copper; None where both do or nothing is seen."""
        return looks_of(self.colours, self.metal)

    @property
    def countable(self) -> bool:
        return not self.not_countable

    @property
    def sure(self) -> bool:
        """Whether findings may rest on the picture: it is whole, sharp, and shows a piece that stands out or was told."""
        return self.countable and not any(flag.id in DOUBTS for flag in self.flags)


def what_is_shown(
    photo: Photo,
    calibration: Calibration,
    *,
    view: str | None = None,
    tube_told: bool = False,
    taps: Sequence[Tap] = (),
    disc_unnamed: bool = False,
) -> Shown:
    """Look at the whole picture. ``view`` as told, None where not; ``tube_told``: its diameter may serve as the scale; ``taps`` by hand
    mend the outline, which is then taken as told; ``disc_unnamed``: a coin may lie there of which nothing was said. Raises InputError where the taps cannot be right."""
    found = find_specimen(photo.rgb, calibration.marker_outlines_px)
    scale = calibration.rotation is not None
    flags: list[Flag] = []
    unsure, contrast, border, further = _outline_evidence(photo.rgb, found)
    stands_out = found is not None and unsure <= MOST_UNSURE and contrast >= LEAST_CONTRAST
    if found is not None and found.source == "colour":
        stands_out = contrast >= LEAST_CONTRAST
    framing, source = ("cut_off" if border > TOUCHES_BORDER else "apart"), "seen"
    if not scale and not tube_told:
        if view == "flat":
            stands_out = look.lies_apart(photo.rgb)
            framing = "apart" if stands_out else "fills"
            source = "seen" if stands_out else "told"
            fills = 1.0 if stands_out else look.fills_share(photo.rgb)
            if fills is not None and fills < LEAST_FILLS_SHARE:
                flags.append(raise_flag("piece_not_told_apart", "what was examined may be no pipe at all"))
        elif view == "end":
            framing = framing if stands_out else "unclear"
        elif found is None and _is_even(photo.rgb):
            framing = "unclear"  # an empty table: nothing to take for metal
        elif not stands_out:
            framing, source = "fills", "assumed"
            if view is None:
                flags.append(raise_flag("piece_not_told_apart", "metal was taken to fill the whole picture"))
            else:
                flags.append(raise_flag("outline_doubtful", "metal was taken to fill the whole picture"))
        elif view is None and border > FILLS_BORDER:  # a made-up outline likes the rim
            flags.append(raise_flag("outline_doubtful", "it runs along much of the picture's rim"))
    elif found is not None and (
        unsure > MOST_UNSURE_WITH_MARKER or (contrast < LEAST_CONTRAST and border < FILLS_BORDER)
    ):
        framing = "unclear"
        flags.append(raise_flag("outline_doubtful", _in_words(unsure, contrast)))
    seen_as = None if found is None else found.answers.get("framing")
    if found is not None and seen_as is not None and seen_as.share >= SURE_FRAMING and framing in ("apart", "cut_off"):
        share = float(_rough_metal(photo, found).mean())
        assert found.view_shares is not None  # whoever answers on the framing answers on the view
        flat = view == "flat" or (view is None and look.VIEWS[int(np.argmax(found.view_shares))] == "flat")
        if seen_as.name == "fills" and share >= FILLED and flat and not scale and not tube_told:
            framing, source = "fills", "seen"  # an outline a few pixels off the picture's edge would only lose metal
        elif seen_as.name == "none" and not scale:
            flags.append(raise_flag("piece_not_told_apart", "what was examined may be no pipe at all"))
        elif seen_as.name == "fills" and share < LEAST_FILLED:
            flags.append(
                raise_flag(
                    "outline_doubtful", f"metal seems to fill the picture, the outline holds {100 * share:.0f} % of it"
                )
            )
    on_edges = None
    if found is not None and framing in ("apart", "cut_off"):
        on_edges = share_on_edges(photo.rgb, _rough_metal(photo, found))
        if on_edges is not None and on_edges < LEAST_ON_EDGES and not taps:
            words = f"over {100 * (1 - on_edges):.0f} % of it colour and brightness go on across it"
            if not any(flag.id == "outline_doubtful" for flag in flags):
                flags.append(raise_flag("outline_doubtful", words))
    coin = _coin_beside(photo, found) if disc_unnamed and not scale else None
    if coin is not None:
        flags.append(
            raise_flag("coin_asked", f"at {coin[0]:.0f}, {coin[1]:.0f} of the photo, {2 * coin[2]:.0f} pixels across")
        )
    in_metal = _lies_in_metal(photo, found, calibration)
    if in_metal:
        flags.append(raise_flag("marker_in_metal"))
    if taps:
        if view == "end" or (view is None and found is not None and _is_a_ring(found)):
            raise InputError(
                "The outline of a cut ring is not mended by taps; take back what was said of metal and what is none."
            )
        so_far = np.ones(photo.rgb.shape[:2], bool)
        if framing != "fills":
            so_far = _rough_metal(photo, found) if found is not None else ~so_far
        found = mended(photo, so_far, found, taps)
        _, _, border, _ = _outline_evidence(photo.rgb, found)
        framing, source, further = ("cut_off" if border > TOUCHES_BORDER else "apart"), "told", 0.0
        flags = [flag for flag in flags if flag.id not in MENDED_BY_TAPS]
        flags.append(raise_flag("outline_by_hand", f"{len(taps)} place{'s' if len(taps) > 1 else ''}"))
    whole = framing == "fills"
    metal = np.ones(photo.rgb.shape[:2], bool) if whole or found is None else _rough_metal(photo, found)
    mm_per_px = calibration.mm_per_px_marker.value if calibration.mm_per_px_marker is not None else None
    sharpness = measure_sharpness(photo, metal, calibration.marker_outlines_px, mm_per_px)
    why = why_not_countable(sharpness, photo)
    if photo.complaints or photo.even_share:
        why = "the file is damaged" if photo.complaints else "a part of it is missing"
    elif why:
        flags.append(raise_flag("not_countable", why))
    if not whole and further > FURTHER_PARTS:
        flags.append(raise_flag("further_parts", f"{100 * further:.0f} %"))
    step = max(1, min(metal.shape) // 400)
    colours = metal_colours(photo.rgb[::step, ::step], metal[::step, ::step]) if metal[::step, ::step].any() else None
    if colours is not None and colours.unlikely_share > UNLIKELY_SHARE:
        flags.append(raise_flag("colours_not_metal", f"{100 * colours.unlikely_share:.0f} %"))
    return Shown(
        framing=framing,
        framing_source=source,
        piece_share=1.0 if whole else float(metal.mean()) if found is not None else 0.0,
        unsure_share=unsure,
        contrast=contrast,
        on_edges_share=on_edges,
        further_share=0.0 if whole else further,
        view_shares=None if found is None or found.view_shares is None else tuple(map(float, found.view_shares)),
        sharpness=sharpness,
        colours=colours,
        metal=None if found is None else found.answers.get("metal"),
        round_px=coin,
        marker_in_metal=in_metal,
        specimen=found,
        not_countable=why,
        flags=tuple(flags),
    )


def looks_like(shown: Shown) -> str | None:
    """The metal in words where its looks do not fit copper; None where they do or nothing can be said."""
    return None if shown.looks is None else NAMES[shown.looks]


def _lies_in_metal(photo: Photo, found: Specimen | None, calibration: Calibration) -> bool:
    """Whether the outline of the marker holds the piece and no marker, as where scratches in a row were read as a ruler."""
    shares = _shares_within(photo, found, calibration.marker_outlines_px)
    return shares is not None and shares[0] < LEAST_MARKER and shares[1] > MOST_PIECE


def _coin_beside(photo: Photo, found: Specimen | None) -> tuple[float, float, float] | None:
    """x, y, radius of a round thing that the network takes for a marker: two looks that know nothing of each other agree."""
    if found is None or found.far is None or float(found.far[MARKER].max()) < COIN_MARKER:
        return None
    for thing in round_things(photo.rgb):
        shares = _shares_within(photo, found, (thing.outline_px,))
        if shares is not None and shares[0] > COIN_MARKER:
            return (*thing.centre_px, thing.radius_px)
    return None


def _shares_within(
    photo: Photo, found: Specimen | None, outlines_px: Sequence[np.ndarray]
) -> tuple[float, float] | None:
    """Mean shares of marker and of piece within outlines, on the look at the whole photo; None where there is no such look."""
    if found is None or found.far is None or not len(outlines_px) or found.source != "learned":
        return None
    span = float(max(photo.width_px, photo.height_px))
    step = span / SIDE
    corner = (np.array([photo.width_px, photo.height_px]) - span) / 2 + 0.5 * step - 0.5
    inside = np.zeros((SIDE, SIDE), np.uint8)
    for outline in outlines_px:
        cv2.fillPoly(inside, [np.round((np.asarray(outline, float) - corner) / step).astype(np.int32)], 1)
    if not inside.any():
        return None
    marker = float(found.far[MARKER][inside > 0].mean())
    return marker, float((1 - found.far[look.TABLE] - found.far[MARKER])[inside > 0].mean())


def _is_a_ring(found: Specimen) -> bool:
    return found.view_shares is not None and look.VIEWS[int(np.argmax(found.view_shares))] == "end"


def _is_even(rgb: np.ndarray) -> bool:
    """Whether the picture shows one tone but for noise."""
    small = cv2.resize(rgb, (64, 64), interpolation=cv2.INTER_AREA)
    return float(small.std(axis=(0, 1)).max()) < EVEN_LEVELS


def _in_words(unsure: float, contrast: float) -> str:
    if contrast < LEAST_CONTRAST:
        return "colour and brightness go on across it"
    return "the outline finder is unsure along much of it"


def _rough_metal(photo: Photo, found: Specimen) -> np.ndarray:
    """(H, W) bool: the piece as the network sees it, on the photo."""
    matrix = np.array(
        [[1 / found.step, 0, -found.origin[0] / found.step], [0, 1 / found.step, -found.origin[1] / found.step]]
    )
    part = look.largest(found.pipe > 0.5)
    plane = (found.pipe > 0.5 if part is None else part).astype(np.uint8)
    return cv2.warpAffine(
        plane,
        matrix,
        (photo.width_px, photo.height_px),
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
    ) > 0  # fmt: skip


def _outline_evidence(rgb: np.ndarray, found: Specimen | None) -> tuple[float, float, float, float]:
    """(unsure pixels against the piece's, colour contrast in standard deviations, share of the picture's rim that is piece,
    further parts against the largest), on the look at the whole photo."""
    if found is None or found.far is None:
        return 1.0, 0.0, 0.0, 0.0
    height, width = rgb.shape[:2]
    span = float(max(height, width))
    square, origin, step = look.window_of(rgb, (width - span) / 2, (height - span) / 2, span)
    rows, columns = np.mgrid[:SIDE, :SIDE]
    x, y = origin[0] + step * columns, origin[1] + step * rows
    inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
    rim = BORDER * min(width, height)
    border = inside & ((x < rim) | (x > width - rim) | (y < rim) | (y > height - rim))
    shares = found.far
    pipe = 1 - shares[look.TABLE] - shares[MARKER]
    every = (pipe > 0.5) & inside & (shares[MARKER] < 0.3)
    part = look.largest(every)
    if part is None:
        return 1.0, 0.0, 0.0, 0.0
    unsure = float(((pipe > 0.1) & (pipe < 0.9) & inside).sum() / part.sum())
    rest = inside & ~part & (shares[MARKER] < 0.5)
    if rest.sum() < 50:
        return unsure, 9.0, 1.0, 0.0
    lab = cv2.cvtColor(square, cv2.COLOR_RGB2LAB).astype(np.float64)
    spread = (np.cov(lab[part].T) + np.cov(lab[rest].T)) / 2 + np.eye(3) / 2
    apart = lab[part].mean(0) - lab[rest].mean(0)
    contrast = float(np.sqrt(apart @ np.linalg.solve(spread, apart)))
    sure = (pipe > 0.8) & inside & ~(cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)
    count, _, stats, _ = cv2.connectedComponentsWithStats(sure.astype(np.uint8), connectivity=8)
    parts = [s for s in stats[1:, cv2.CC_STAT_AREA] if s > 0.04 * part.sum()] if count > 1 else []
    return unsure, contrast, float(pipe[border].mean()), float(sum(parts) / part.sum())
