"""Is this photo good enough: one line, and the one thing that would do most for the next one."""

from __future__ import annotations

from dataclasses import dataclass

from analyzer.base import display
from analyzer.result.examination import Examination
from analyzer.show import phrases

# What spoils most comes first; flags of the same weight stand in the order in which they were raised.
_WEIGHT = {"serious": 0, "warning": 1}
_OF_THE_PHOTO = {"scale", "area", "pits", "bands"}


# What a person can do something about when taking the photo: name, what is good, the flags that say otherwise, and the pair of
# drawings in ``sketches.GOOD_AND_BAD`` that shows the difference.
_POINTS: tuple[tuple[str, str, tuple[str, ...], str], ...] = (
    ("Sharp", "edges are sharp", ("blurred", "not_countable"), ""),
    ("Bright", "neither glare nor shadow hides metal", ("glare", "too_dark"), "light"),
    (
        "Big enough",
        "the smallest pits that count can be seen",
        ("too_few_pixels", "small_pits_not_counted", "small_picture"),
        "whole",
    ),
    (
        "Marker",
        "",
        ("no_scale", "coin_asked", "marker_in_metal", "marker_not_used", "scale_from_tube"),
        "whole",
    ),
    (
        "Height",
        "how high the metal lies above the marker is known",
        ("scale_wide", "tube_disagrees", "disc_tilt_undecided", "ring_height_assumed", "no_scale"),
        "height",
    ),
    ("From above", "the phone was straight above", ("camera_tilted",), "above"),
    (
        "Whole piece",
        "the piece stands out whole",
        ("piece_leaves_picture", "further_parts", "piece_not_told_apart", "outline_doubtful", "outline_poor"),
        "whole",
    ),
)


@dataclass(frozen=True, kw_only=True)
class Point:
    """One thing that makes a photo good. ``verdict``: "good", "fair", "poor" or "unknown"; ``sketch``: a pair of drawings or ""."""

    name: str
    verdict: str
    sentence: str
    sketch: str


@dataclass(frozen=True, kw_only=True)
class PhotoLine:
    """``verdict`` is "good", "fair" or "poor"; ``sentence`` and ``better`` are sentences, ``better`` empty where nothing need be done."""

    verdict: str
    sentence: str
    better: str
    points: tuple[Point, ...] = ()
    sketch: str = ""  # of what would do most for the next photo
    flag: str = ""  # id of the flag that ``sentence`` tells


def photo_line(examination: Examination, units: str = "metric") -> PhotoLine:
    """What the photo is good for, before any figure is read."""
    doubts = sorted(
        (flag for flag in examination.flags if flag.severity in _WEIGHT and _OF_THE_PHOTO & set(flag.suffers)),
        key=lambda flag: _WEIGHT[flag.severity],
    )
    if not doubts:
        return PhotoLine(
            verdict="good",
            sentence=f"This photo is good enough. {phrases.scale_in_short(examination)}.",
            better="",
            points=points(examination, units),
        )
    worst = doubts[0]
    poor = worst.severity == "serious" or not examination.shown.countable
    more = len(doubts) - 1
    also = f" ({more} more below)" if more else ""
    begin = "This photo is not good enough" if poor else "This photo will do, with a limit"
    told = points(examination, units)
    sketch = next((drawn for _, _, ids, drawn in _POINTS if worst.id in ids), "")
    return PhotoLine(
        points=told,
        sketch=sketch,
        flag=worst.id,
        verdict="poor" if poor else "fair",
        sentence=display.sentence(f"{begin}{also}: {worst.message}", units),
        better=display.sentence(worst.remedy, units),
    )


def points(examination: Examination, units: str = "metric") -> tuple[Point, ...]:
    """Each thing that makes a photo good, and how this one does there."""
    raised = {flag.id: flag for flag in examination.flags}
    told = []
    for name, good, ids, sketch in _POINTS:
        flag = next((raised[one] for one in ids if one in raised), None)
        if flag is not None:
            verdict = {"serious": "poor", "warning": "fair"}.get(flag.severity, "good")
            sentence = display.sentence(flag.message, units)
        elif name == "Marker":
            verdict, sentence = "good", f"{phrases.scale_source(examination)} found"
        elif name == "Sharp" and examination.shown.sharpness.blur_px is None:
            verdict, sentence = "unknown", "no edge was found to measure sharpness by"
        else:
            verdict, sentence = "good", good
        told.append(Point(name=name, verdict=verdict, sentence=sentence, sketch=sketch))
    return tuple(told)
