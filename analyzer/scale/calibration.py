"""From a marker to the camera's pose and to millimetres: scale card, ruler, disc, a marked length, or nothing.

The marker lies on the table, the metal above it. This module knows the marker's plane; ``surface`` carries the scale
to the metal.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import cv2
import numpy as np

from analyzer.base.datafile import data_text
from analyzer.base.flags import Flag, ScaleError, raise_flag
from analyzer.base.measured import COVERAGE_95, Measure
from analyzer.photo.reading import Photo
from analyzer.scale.find_card import CARD_CENTRES_MM, FoundCard, find_card
from analyzer.scale.find_disc import RIM_SHARE, THICKNESS_MM, find_disc
from analyzer.scale.find_ruler import FoundRuler, find_ruler
from analyzer.scale.plane_pose import CameraPrior, PlaneFit, camera_priors


@dataclass(frozen=True, kw_only=True)
class Marker:
    """What the person says lies beside the piece.

    ``kind``: "auto", "card", "ruler", "disc", "length", "tube" or "none". ``diameter_mm`` for a disc; ``points_px`` (two points
    in the upright photo) and ``length_mm`` for a marked length.
    """

    kind: str = "auto"
    diameter_mm: float | None = None
    points_px: tuple[tuple[float, float], tuple[float, float]] | None = None
    length_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class CrossCheck:
    """An independent look at the scale: what it says, by how much it differs, whether that is within both uncertainties."""

    name: str
    difference_percent: float
    standard_uncertainty_percent: float
    agrees: bool
    sentence: str


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """The camera and the marker's plane.

    The camera frame is OpenCV's: x right, y down, z along the optical axis, millimetres. A point of the marker's plane
    (z = 0 there, its z axis pointing up to the camera) maps by ``rotation @ p + translation_mm``.

    ``method`` is "card", "ruler", "disc", "length" or "none"; with "none" the camera matrix is still given (from the photo's
    own record, or assumed) and pose and scale are None.
    """

    method: str
    camera_matrix: np.ndarray  # (3, 3), pixels
    distortion: np.ndarray  # (5,), OpenCV's order
    focal_source: str  # "exif", "marker" or "assumed"
    rotation: np.ndarray | None  # (3, 3) marker plane to camera
    translation_mm: np.ndarray | None  # (3,)
    marker_plane_height_mm: float  # the marker's face above the table (card 0.3, ruler 2-3, disc its thickness), mm
    mm_per_px_marker: Measure | None  # at the marker's own place
    # Relative standard uncertainties (fractions) by source that the surface carries on, for example
    # {"marker corners": 0.001, "printed size": 0.002, "focal length": 0.01}
    relative_uncertainty: Mapping[str, float] = field(default_factory=dict)
    marker_outlines_px: tuple[np.ndarray, ...] = ()  # (N, 2) polygons in the upright photo, to be left out of the metal
    white_gain: np.ndarray | None = None  # (3,) factors on linear RGB that make the card's paper neutral
    cross_checks: tuple[CrossCheck, ...] = ()
    flags: tuple[Flag, ...] = ()
    height_uncertainty_mm: float = 0.0  # standard uncertainty of ``marker_plane_height_mm``
    focal_relative_uncertainty: float = 0.0  # standard uncertainty of the focal length, a fraction
    normal_uncertainty_deg: float | None = None  # standard uncertainty of the plane's normal, both directions together
    # A second pose (rotation, translation_mm) that fits nearly as well; a disc seen from afar has two.
    other_pose: tuple[np.ndarray, np.ndarray] | None = None
    other_pose_chance: float = 0.5  # that the second pose is the right one, by the marker alone; at most 0.5
    # How the scale's error spreads over the picture: by source the covariance (3, 3) of the relative error at
    # ``error_centre_px`` and its change by pixel in x and y.
    error_covariances: Mapping[str, np.ndarray] = field(default_factory=dict)
    error_centre_px: tuple[float, float] = (0.0, 0.0)

    @property
    def camera_tilt_deg(self) -> float | None:
        """Angle between the line of sight and the marker's plane normal; None without a pose, or where a length is taken as square on."""
        if self.rotation is None or self.method == "length":
            return None
        return math.degrees(math.acos(min(1.0, abs(float(self.rotation[2, 2])))))

    def relative_uncertainty_at(self, x_px: float, y_px: float) -> dict[str, float]:
        """Relative standard uncertainty of mm by px on the marker's plane at a place in the photo, by source.

        It grows away from the marker, where a tilt that is not known exactly weighs more.
        """
        lever = np.array([1.0, x_px - self.error_centre_px[0], y_px - self.error_centre_px[1]])
        return {
            source: math.sqrt(max(float(lever @ matrix @ lever), 0.0))
            for source, matrix in self.error_covariances.items()
        }


@dataclass(frozen=True, kw_only=True)
class Coin:
    """A coin's published size; ``status`` tells what was checked against the source and what is from memory."""

    name: str
    country: str
    diameter_mm: float
    thickness_mm: float
    source: str
    status: str


@cache
def common_coins() -> tuple[Coin, ...]:
    """Round coins that people have at hand, by their mints' published sizes (``data/coins.csv``)."""
    text = data_text("coins.csv")
    return tuple(
        Coin(
            name=row["coin"],
            country=row["country"],
            diameter_mm=float(row["diameter_mm"]),
            thickness_mm=float(row["thickness_mm"]),
            source=row["source"],
            status=row["status"],
        )
        for row in csv.DictReader(io.StringIO(text))
    )


def coin_of(diameter_mm: float) -> Coin | None:
    """The coin of that diameter where just one is that size to 0.005 mm, else None."""
    same = [coin for coin in common_coins() if abs(coin.diameter_mm - diameter_mm) <= 0.005]
    return same[0] if len(same) == 1 else None


# The marker's face above the table, mm: (value, standard uncertainty).
# Thickness of rulers by material: from memory.
RULER_HEIGHT_MM = {"steel": (0.8, 0.25), "plastic": (2.0, 0.45), "wood": (2.1, 0.45)}
CARD_HEIGHT_MM = (0.3, 0.1)  # one or two sheets or thin card that lies flat: common practice, no source
# What is not seen in the photo, as relative standard uncertainties.
PRINTED_SIZE = 0.0015  # 100 mm check length read with a ruler to a quarter of a millimetre
# A judgement, no source; the scale's intervals hold on truth pictures (DEVELOPERS.md).
EDGE_LEVEL_PX = 0.1  # exposure and sharpening shift all edges of a marker outwards or inwards alike
RULER_GRADUATION = (
    0.0015  # 0.3 mm + 0.2 mm a metre allowed, class II of Directive 2014/32/EU annex X, taken over some 100 mm
)
DISC_RANGE_MM = (5.0, 120.0)  # diameters that are taken: coins, washers and lids
DISC_DIAMETER_MM = 0.05  # coins wear and mints allow a few hundredths: from memory
DISC_EDGE = 0.006  # a rounded, lit edge is read too wide or too narrow all round: seen on pictures with truth
# The two: judgement while the room was built; which pictures served was not recorded.
DISC_SIDE_SURE = 0.5  # under this the tilt's side is a guess
DISC_RIVAL = 0.6  # something else in the picture is nearly as round
# A judgement, no source.
MARKED_POINT_PX = 1.5  # a point set by hand, each
MOST_TILT_DEG = 40.0  # then a quarter of the pixels is lost across (1 - cos), and depth of field runs out; common practice, no source
UNKNOWN_TILT_RELATIVE = 0.025  # foreshortening of a marked length by a tilt of 13 degrees that nobody knows
ASK_FOR_MARKER = "lay it flat beside the piece, wholly in the picture and in good light, and take the photo again"


def find_scale(photo: Photo, marker: Marker = Marker()) -> Calibration:
    """Find the marker and the camera's pose.

    With ``kind`` "auto" the card is looked for, then a ruler; a disc only where its diameter is told. Where "auto" finds
    nothing, and for "none" and "tube", the method is "none" (for "auto" and "none" with the flag ``no_scale``).
    Raises ScaleError, one sentence that says what to do, where the marker that was named is not found or cannot be right.
    """
    calibration = _marker_found(photo, marker)
    tilt = calibration.camera_tilt_deg
    if tilt is not None and tilt > MOST_TILT_DEG:
        flag = raise_flag("camera_tilted", f"{tilt:.0f}")
        return replace(calibration, flags=(*calibration.flags, flag))
    return calibration


def _marker_found(photo: Photo, marker: Marker) -> Calibration:
    cameras = camera_priors(photo)
    prior = cameras[0]
    if marker.kind == "card":
        found = find_card(photo.rgb, cameras)
        if found is None:
            raise ScaleError(f"No scale card is seen in {photo.name}; {ASK_FOR_MARKER}, or choose another marker.")
        return _card_calibration(photo, prior, found)
    if marker.kind == "ruler":
        ruler = find_ruler(photo.rgb, cameras)
        if ruler is None:
            raise ScaleError(
                f"No ruler with readable graduation marks is seen in {photo.name}; {ASK_FOR_MARKER}, or choose another marker."
            )
        return _ruler_calibration(prior, ruler)
    if marker.kind == "disc":
        return _disc_calibration(photo, cameras, marker)
    if marker.kind == "length":
        return _length_calibration(photo, prior, marker)
    if marker.kind == "auto":
        card = find_card(photo.rgb, cameras)
        if card is not None:
            return _card_calibration(photo, prior, card)
        ruler = find_ruler(photo.rgb, cameras)
        if ruler is not None:
            return _ruler_calibration(prior, ruler)
        if marker.diameter_mm is not None:
            return _disc_calibration(photo, cameras, marker)
        return _no_scale(photo, prior, (raise_flag("no_scale"),))
    if marker.kind == "tube":
        return _no_scale(photo, prior, ())
    if marker.kind == "none":
        return _no_scale(photo, prior, (raise_flag("no_scale"),))
    raise ScaleError(
        f"There is no marker called {marker.kind!r}; use auto, card, ruler, disc:DIAMETER_MM, length:X1,Y1,X2,Y2,MM or none."
    )


def compare_scales(name: str, measured: Measure, expected: Measure, what: str) -> CrossCheck:
    """A cross-check of one length against another that was found independently: is their ratio 1 within both uncertainties?

    ``what`` names the length in a sentence ("the tube's outside diameter"). A card not printed at 100 % or the wrong tube
    size shows as a difference beyond the two uncertainties.
    """
    ratio = measured.value / expected.value
    uncertainty = abs(ratio) * math.hypot(
        measured.standard_uncertainty / measured.value, expected.standard_uncertainty / expected.value
    )
    difference, agrees = ratio - 1.0, abs(ratio - 1.0) <= COVERAGE_95 * uncertainty
    verdict = "agrees" if agrees else "does not agree"
    return CrossCheck(
        name=name,
        difference_percent=100 * difference,
        standard_uncertainty_percent=100 * uncertainty,
        agrees=agrees,
        sentence=(
            f"{what[:1].upper()}{what[1:]} measures {measured.value:.2f} mm where {expected.value:.2f} mm is expected "
            f"({100 * difference:+.1f} %, standard uncertainty {100 * uncertainty:.1f} %): it {verdict}."
        ),
    )


def _no_scale(photo: Photo, prior: CameraPrior, flags: tuple[Flag, ...]) -> Calibration:
    return Calibration(
        method="none",
        camera_matrix=prior.matrix,
        distortion=np.zeros(5),
        focal_source=prior.focal_source,
        rotation=None,
        translation_mm=None,
        marker_plane_height_mm=0.0,
        mm_per_px_marker=None,
        focal_relative_uncertainty=prior.focal_relative,
        flags=flags,
    )


def _calibration(
    method: str,
    prior: CameraPrior,
    fit: PlaneFit,
    places_px: np.ndarray,
    size_uncertainties: Mapping[str, float],
    height_mm: tuple[float, float],
) -> Calibration:
    """What all markers share: scale at the marker's own place (the middle of ``places_px``), budgets, camera.

    ``size_uncertainties``: by source, relative, of the marker's true size; they scale everything alike.
    """
    centre = places_px.mean(axis=0)
    value = float(np.exp(fit.log_scale(fit.parameters, centre[None])[0]))
    span = 100.0
    around = np.array([[0, 0], [span, 0], [-span, 0], [0, span], [0, -span]]) + centre
    rows = fit.scale_sensitivity(around)
    sensitivity = np.stack([rows[0], (rows[1] - rows[2]) / (2 * span), (rows[3] - rows[4]) / (2 * span)])
    covariances = {name: sensitivity @ matrix @ sensitivity.T for name, matrix in fit.covariances.items()}
    relative = {name: math.sqrt(max(float(matrix[0, 0]), 0.0)) for name, matrix in covariances.items()}
    for name, size in size_uncertainties.items():
        covariances[name] = np.diag([size**2, 0.0, 0.0])
        relative[name] = size
    focal_variance = sum(matrix[0, 0] for matrix in fit.covariances.values())
    focal_relative = math.sqrt(focal_variance)
    if prior.focal_source == "exif":
        focal_source = "exif"
    else:  # the marker says more than the assumption once it halves the uncertainty of an assumed camera
        focal_source = "marker" if focal_relative < prior.focal_relative / 2 else "assumed"
    return Calibration(
        method=method,
        camera_matrix=fit.camera_matrix,
        distortion=fit.distortion,
        focal_source=focal_source,
        rotation=fit.rotation,
        translation_mm=fit.translation_mm,
        marker_plane_height_mm=height_mm[0],
        height_uncertainty_mm=height_mm[1],
        mm_per_px_marker=Measure.by_shares(value, relative),
        relative_uncertainty=relative,
        focal_relative_uncertainty=focal_relative,
        normal_uncertainty_deg=fit.normal_uncertainty_deg(),
        error_covariances=covariances,
        error_centre_px=(float(centre[0]), float(centre[1])),
    )


def _card_calibration(photo: Photo, prior: CameraPrior, card: FoundCard) -> Calibration:
    corners = np.concatenate(list(card.corners_px.values()))
    side_px = float(
        np.mean([np.linalg.norm(np.roll(q, -1, axis=0) - q, axis=1).mean() for q in card.corners_px.values()])
    )
    calibration = _calibration(
        "card",
        prior,
        card.fit,
        corners,
        {"printed size": PRINTED_SIZE, "edge level": 2 * EDGE_LEVEL_PX / side_px},
        CARD_HEIGHT_MM,
    )
    rotation, translation = _centred(card)
    outlines = tuple(_widened(quad, 1.15) for quad in card.corners_px.values())
    gain = None if card.paper_linear is None else card.paper_linear.mean() / card.paper_linear
    return replace(
        calibration,
        rotation=rotation,
        translation_mm=translation,
        marker_outlines_px=outlines,
        white_gain=gain,
        cross_checks=_layout_checks(card),
    )


def _layout_checks(card: FoundCard) -> tuple[CrossCheck, ...]:
    """Where the markers stand as on the project's own card: do their distances agree with their sides?"""
    ids = list(card.centres_mm)
    pairs = [(a, b) for place, a in enumerate(ids) for b in ids[place + 1 :]]
    if not pairs:
        return ()
    seen = np.array([np.linalg.norm(card.centres_mm[a] - card.centres_mm[b]) for a, b in pairs])
    known = np.array([math.dist(CARD_CENTRES_MM[a], CARD_CENTRES_MM[b]) for a, b in pairs])
    if np.any(np.abs(seen / known - 1) > 0.03):  # a card of another layout
        return ()
    side_px = float(
        np.mean([np.linalg.norm(np.roll(q, -1, axis=0) - q, axis=1).mean() for q in card.corners_px.values()])
    )
    measured = Measure(
        value=float(seen.mean()), budget={"edge level": float(seen.mean()) * 2 * EDGE_LEVEL_PX / side_px}
    )
    expected = Measure.by_shares(float(known.mean()), {"printed size": 0.0007})
    return (compare_scales("card layout", measured, expected, "the mean distance of the card's markers"),)


def _ruler_calibration(prior: CameraPrior, ruler: FoundRuler) -> Calibration:
    flags = () if ruler.pattern_seen else (raise_flag("ruler_step_assumed"),)
    calibration = _calibration(
        "ruler",
        prior,
        ruler.fit,
        ruler.marks_px,
        {"ruler graduation": RULER_GRADUATION},
        RULER_HEIGHT_MM[ruler.material],
    )
    return replace(calibration, marker_outlines_px=(ruler.outline_px,), flags=flags)


def _disc_calibration(photo: Photo, cameras: tuple[CameraPrior, ...], marker: Marker) -> Calibration:
    diameter_mm = marker.diameter_mm
    if diameter_mm is None:
        raise ScaleError(
            "A disc gives a scale only with its diameter; enter it in millimetres (disc:24.26 for instance)."
        )
    smallest, largest = DISC_RANGE_MM
    if not smallest <= diameter_mm <= largest:  # nan too
        raise ScaleError(
            f"A disc of {diameter_mm:g} mm cannot be right; enter its diameter in millimetres, from {smallest:g} to {largest:g}."
        )
    coin = coin_of(diameter_mm)
    thickness = THICKNESS_MM if coin is None else (coin.thickness_mm, 0.1)
    disc = find_disc(photo.rgb, cameras, diameter_mm, thickness)
    if disc is None:
        raise ScaleError(f"No round disc is seen in {photo.name}; {ASK_FOR_MARKER}, or choose another marker.")
    centre = disc.outline_px.mean(axis=0, keepdims=True)
    calibration = _calibration(
        "disc",
        cameras[0],
        disc.fit,
        centre,
        {"disc diameter": DISC_DIAMETER_MM / diameter_mm, "edge level": DISC_EDGE},
        (thickness[0] * (1 - RIM_SHARE), thickness[1]),
    )
    flags = []
    if disc.side_evidence < DISC_SIDE_SURE:
        flags.append(raise_flag("disc_tilt_ambiguous"))
    if disc.rival > DISC_RIVAL:
        flags.append(raise_flag("disc_uncertain"))
    return replace(
        calibration,
        marker_outlines_px=(_widened(disc.outline_px, 1.03),),
        other_pose=(disc.other.rotation, disc.other.translation_mm),
        other_pose_chance=disc.other_chance,
        flags=tuple(flags),
    )


def _centred(card: FoundCard) -> tuple[np.ndarray, np.ndarray]:
    """The pose with its origin amid the markers and x along their mean direction."""
    centre = np.mean(list(card.centres_mm.values()), axis=0)
    turn = math.atan2(
        float(np.sum(np.sin(list(card.turns_rad.values())))), float(np.sum(np.cos(list(card.turns_rad.values()))))
    )
    about_normal = cv2.Rodrigues(np.array([0.0, 0.0, turn]))[0]
    rotation = card.fit.rotation
    return rotation @ about_normal, card.fit.translation_mm + rotation[:, :2] @ centre


def _widened(polygon: np.ndarray, factor: float) -> np.ndarray:
    centre = polygon.mean(axis=0)
    return centre + factor * (polygon - centre)


def _length_calibration(photo: Photo, prior: CameraPrior, marker: Marker) -> Calibration:
    """A length marked by hand, taken as seen square on: its tilt is not known and is carried as uncertainty."""
    if marker.points_px is None or marker.length_mm is None:
        raise ScaleError("A marked length needs its two ends in the photo and the millimetres between them.")
    ends = np.array(marker.points_px, dtype=np.float64)
    if not (math.isfinite(marker.length_mm) and 0.5 <= marker.length_mm <= 5000):
        raise ScaleError(
            f"A marked length of {marker.length_mm:g} mm cannot be right; give millimetres from 0.5 to 5000."
        )
    size = (photo.width_px, photo.height_px)
    if not np.all(np.isfinite(ends)) or np.any(ends < -0.5) or np.any(ends > np.array(size) - 0.5):
        raise ScaleError(
            f"The marked length leaves the photo ({size[0]} x {size[1]} pixels); mark both ends on the photo."
        )
    length_px = float(np.linalg.norm(ends[1] - ends[0]))
    if length_px < 20:
        raise ScaleError("The two ends of the marked length lie too close together; mark a longer stretch.")
    value = marker.length_mm / length_px
    relative = {
        "marked points": math.sqrt(2) * MARKED_POINT_PX / length_px,
        "camera tilt": UNKNOWN_TILT_RELATIVE,
    }
    middle = ends.mean(axis=0)
    depth = value * prior.focal_px
    ray = np.array([*(middle - prior.centre_px) / prior.focal_px, 1.0])
    return Calibration(
        method="length",
        camera_matrix=prior.matrix,
        distortion=np.zeros(5),
        focal_source=prior.focal_source,
        rotation=np.diag([1.0, -1.0, -1.0]),
        translation_mm=ray * depth,
        marker_plane_height_mm=0.0,
        mm_per_px_marker=Measure.by_shares(value, relative),
        relative_uncertainty=relative,
        focal_relative_uncertainty=prior.focal_relative,
        normal_uncertainty_deg=13.0,
        error_covariances={
            "marked points": np.diag([relative["marked points"] ** 2, 0.0, 0.0]),
            # Away from the marked length the tilt changes the depth by tan(tilt) / focal length a pixel.
            "camera tilt": np.diag(
                [UNKNOWN_TILT_RELATIVE**2, *[(math.tan(math.radians(9.0)) / prior.focal_px) ** 2] * 2]
            ),
        },
        error_centre_px=(float(middle[0]), float(middle[1])),
    )
