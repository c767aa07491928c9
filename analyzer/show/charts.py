"""Plots for the report and the pages, drawn by matplotlib to RGB arrays. They show results and compute nothing new."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from analyzer.base.measured import MM_PER_INCH
from analyzer.causes.repair import CostComparison, RepairOrReplace
from analyzer.causes.verdict import Finding
from analyzer.marks.catalogue import Pit
from analyzer.relief.lights import Heights
from analyzer.show.drawing import size_classes
from analyzer.wall.extremes import DeepestToExpect, probability_plot, reduced_variate
from analyzer.wall.remaining import PitDepth, Wall

INK, MAIN, SECOND, SHADE = "#1c2024", "#0b6e69", "#b3540b", "#9ad0cb"


def _drawn(draw: Callable[[Axes], None], *, width: float = 8.0, height: float = 4.2) -> np.ndarray:
    """(h, w, 3) uint8 of one pair of axes at 160 dots an inch."""
    figure = Figure(figsize=(width, height), dpi=160, layout="constrained")
    canvas = FigureCanvasAgg(figure)
    axes = figure.subplots()
    axes.tick_params(colors=INK)
    axes.grid(True, color="#dfe3e6", linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    draw(axes)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[:, :, :3].copy()


def _length(units: str) -> tuple[str, float]:
    return ("mm", 1.0) if units == "metric" else ("in", 1 / MM_PER_INCH)


def ring_profile(wall: Wall, *, units: str = "metric") -> np.ndarray | None:
    """Wall thickness round the ring; None where no ring was measured."""
    if wall.profile is None:
        return None
    unit, factor = _length(units)
    angle, thickness = (np.asarray(part, float) for part in wall.profile)
    order = np.argsort(angle)

    def draw(axes: Axes) -> None:
        axes.plot(angle[order], thickness[order] * factor, color=MAIN, linewidth=1.6, label="measured")
        if wall.nominal_mm is not None:
            low, high = (bound * factor for bound in wall.nominal_mm.interval_95)
            axes.axhspan(low, high, color=SHADE, alpha=0.45, label="nominal, with what a new tube may differ")
        if wall.minimum_mm is not None and wall.minimum_image_angle_deg is not None:
            place = (wall.minimum_image_angle_deg - angle.min()) % 360 + angle.min()
            axes.plot([place], [wall.minimum_mm.value * factor], "v", color=SECOND, markersize=9, label="thinnest")
        axes.set_ylim(bottom=0)
        axes.set_xlabel("angle in the photo, degrees counter-clockwise from the right")
        axes.set_ylabel(f"wall, {unit}")
        _legend_above(axes, 3)  # beside the curve it could hide the thinnest place

    return _drawn(draw)


def _legend_above(axes: Axes, columns: int) -> None:
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=columns, frameon=False, fontsize=8)


def ring_round(wall: Wall, *, units: str = "metric") -> np.ndarray | None:
    """The wall round the ring as a ring: its thickness from the middle outwards, the thinnest place marked; None without a ring."""
    if wall.profile is None or wall.minimum_mm is None or wall.minimum_image_angle_deg is None:
        return None
    unit, factor = _length(units)
    angle, thickness = (np.asarray(part, float) for part in wall.profile)
    figure = Figure(figsize=(4.6, 4.6), dpi=160, layout="constrained")
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_subplot(projection="polar")
    order = np.argsort(angle)
    closed = np.r_[order, order[:1]]
    axes.plot(np.radians(angle[closed]), thickness[closed] * factor, color=MAIN, linewidth=1.6)
    if wall.nominal_mm is not None:
        axes.plot(
            np.radians(np.arange(361)), np.full(361, wall.nominal_mm.value * factor), "--", color=INK, linewidth=0.9
        )
    place = np.radians(wall.minimum_image_angle_deg)
    axes.plot([place], [wall.minimum_mm.value * factor], "o", color=SECOND, markersize=8)
    decimals = 2 if unit == "mm" else 3
    axes.set_title(
        f"thinnest {wall.minimum_mm.value * factor:.{decimals}f} {unit}, at {wall.minimum_image_angle_deg:.0f}°",
        fontsize=9,
        color=SECOND,
    )
    nominal = wall.nominal_mm.value if wall.nominal_mm is not None else 0.0
    axes.set_ylim(0, 1.1 * max(float(np.nanmax(thickness)), nominal) * factor)  # the dashed circle lies within
    axes.tick_params(colors=INK, labelsize=8)
    axes.set_xlabel(
        f"wall, {unit}; degrees as in the photo" + ("; dashed: nominal" if wall.nominal_mm is not None else "")
    )
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[:, :, :3].copy()


def pit_map(
    pits: Sequence[Pit], depths: Mapping[int, PitDepth], radius_mm: float | None, *, units: str = "metric"
) -> np.ndarray | None:
    """Where the pits lie: along the pipe and round it, by hours where the tube's radius is known; None without places on the metal.

    The photo does not tell where the crown was: hours count from the middle of the metal seen, 1 hour is 30 degrees.
    """
    placed = [pit for pit in pits if pit.axial_mm is not None and pit.around_mm is not None]
    if not placed:
        return None
    unit, factor = _length(units)
    along = np.array([pit.axial_mm for pit in placed], float) * factor
    round_ = np.array([pit.around_mm for pit in placed], float)
    hours = radius_mm is not None
    round_ = np.degrees(round_ / radius_mm) / 30 if radius_mm is not None else round_ * factor
    sizes = np.array([pit.equivalent_diameter_mm.value if pit.equivalent_diameter_mm else 0.3 for pit in placed])
    measured = [_measured(depths.get(pit.id)) for pit in placed]

    def draw(axes: Axes) -> None:
        area = 14 + 60 * sizes**2
        known = np.array([depth is not None for depth in measured])
        axes.scatter(
            along[~known], round_[~known], area[~known], facecolors="none", edgecolors=MAIN, label="depth not measured"
        )
        if known.any():
            told = np.array([depth for depth in measured if depth is not None]) * factor
            shown = axes.scatter(along[known], round_[known], area[known], c=told, cmap="GnBu", edgecolors=INK, vmin=0)
            axes.figure.colorbar(shown, ax=axes, label=f"depth, {unit}", shrink=0.9)
        for pit, x, y in zip(placed, along, round_, strict=True):
            if len(placed) <= 60:
                axes.annotate(str(pit.id), (x, y), xytext=(4, 3), textcoords="offset points", fontsize=7, color=INK)
        axes.set_xlabel(f"along the pipe, {unit}")
        axes.set_ylabel("round the pipe, hours from the middle" if hours else f"round the pipe, {unit}")
        axes.invert_yaxis()  # as on the photo: down is down
        axes.margins(0.08)

    return _drawn(draw, height=3.2)


def pit_sizes(pits: Sequence[Pit], depths: Mapping[int, PitDepth], *, units: str = "metric") -> np.ndarray | None:
    """How many pits of which opening and, where depths were measured, each depth against its opening; None for fewer than five."""
    sized = [pit for pit in pits if pit.equivalent_diameter_mm is not None]
    if len(sized) < 5:
        return None
    unit, factor = _length(units)
    diameters = [pit.equivalent_diameter_mm.value for pit in sized if pit.equivalent_diameter_mm is not None]
    counts, edges = size_classes(diameters)
    measured = [(pit, depth) for pit in sized if (depth := _measured(depths.get(pit.id))) is not None]

    def draw(axes: Axes) -> None:
        axes.bar(edges[:-1] * factor, counts, np.diff(edges) * factor, align="edge", color=SHADE, edgecolor=MAIN)
        axes.set_xlabel(f"opening, {unit}")
        axes.set_ylabel("pits")
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))
        if measured:
            other = axes.twinx()
            for pit, depth in measured:
                told = depths[pit.id].depth_mm
                assert told is not None and pit.equivalent_diameter_mm is not None
                low, high = (bound * factor for bound in told.interval_95)
                x = pit.equivalent_diameter_mm.value * factor
                other.plot([x, x], [max(low, 0), high], color=SECOND, linewidth=1)
                other.plot([x], [depth * factor], "o", color=SECOND, markersize=4)
            other.set_ylim(bottom=0)
            other.set_ylabel(f"depth with its 95 % interval, {unit}", color=SECOND)

    return _drawn(draw, height=2.8)


def _measured(depth: PitDepth | None) -> float | None:
    if depth is None or depth.indicative or depth.depth_mm is None:
        return None
    return depth.depth_mm.value


def for_and_against(findings: Sequence[Finding], *, most: int = 6) -> np.ndarray | None:
    """Each leading cause with the facts for it to the right and against it to the left, longer for weightier ones.

    The length is the rule's own weight, no probability: nothing here was calibrated to be one.
    """
    shown = [finding for finding in findings if finding.facts_for or finding.facts_against][:most]
    if not shown:
        return None
    length = {"weak": 1, "moderate": 2, "strong": 3, "decisive": 4}

    def draw(axes: Axes) -> None:
        for row, finding in enumerate(shown):
            for reasons, sign, colour in ((finding.facts_for, 1, MAIN), (finding.facts_against, -1, SECOND)):
                start = 0.0
                for reason in sorted(reasons, key=lambda reason: -length.get(reason.weight, 1)):
                    wide = sign * length.get(reason.weight, 1)
                    axes.barh(row, wide, left=start, height=0.6, color=colour, edgecolor="white", linewidth=1.5)
                    start += wide
        axes.axvline(0, color=INK, linewidth=1)
        axes.set_yticks(range(len(shown)), [f"{_wrapped(f.name)}\n({f.standing})" for f in shown], fontsize=8)
        axes.invert_yaxis()
        axes.grid(False)
        axes.xaxis.set_major_formatter(lambda value, place: f"{abs(value):g}")
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_xlabel(
            "against  |  for: weak 1, moderate 2, strong 3, decisive 4; a rank of evidence, no probability", fontsize=8
        )

    return _drawn(draw, height=0.8 + 0.5 * len(shown))


def _wrapped(name: str) -> str:
    return "\n".join(textwrap.wrap(name, 44))


def depth_map(heights: Heights, *, units: str = "metric") -> np.ndarray:
    """Depth of the pits on the metal laid flat, from the torches; metal that is not seen is grey."""
    unit, factor = _length(units)
    every = max(1, max(heights.mm.shape) // 1200)
    depth = -heights.mm[::every, ::every] * factor
    along = heights.axial_mm * factor, (heights.axial_mm + heights.mm.shape[1] * heights.step_mm) * factor
    round_ = (heights.around_mm + heights.mm.shape[0] * heights.step_mm) * factor, heights.around_mm * factor
    share = heights.mm.shape[0] / heights.mm.shape[1]

    def draw(axes: Axes) -> None:
        axes.grid(False)
        axes.set_facecolor("#d5d9dc")
        shown = axes.imshow(
            depth, extent=(*along, *round_), cmap="GnBu", vmin=0, interpolation="nearest", aspect="equal"
        )
        axes.set_xlabel(f"along the pipe, {unit}")
        axes.set_ylabel(f"round the pipe, {unit}")
        axes.figure.colorbar(shown, ax=axes, label=f"depth, {unit}", shrink=0.9)

    return _drawn(draw, height=float(np.clip(6.6 * share + 1.0, 2.0, 9.0)))


def probability_paper(deepest: DeepestToExpect, *, units: str = "metric") -> np.ndarray | None:
    """The deepest pits of the blocks on Gumbel paper with the fitted line; None where nothing was estimated."""
    if not deepest.estimates:
        return None
    unit, factor = _length(units)
    reduced, depths = probability_plot(deepest.maxima_mm)

    def draw(axes: Axes) -> None:
        reach = np.array([min(reduced) - 0.3, max(reduced_variate(deepest.area_ratio), max(reduced)) + 0.3])
        for estimate, colour, dash in zip(
            deepest.estimates, (MAIN, SECOND, "#5a3d8a", "#7a7f00"), ("-", "--", "-.", ":"), strict=False
        ):
            line = estimate.fit.location + estimate.fit.scale * reach
            axes.plot(reach, line * factor, dash, color=colour, linewidth=1.3, label=estimate.method)
        axes.plot(reduced, np.asarray(depths) * factor, "o", color=INK, markersize=5, label="deepest pit of each block")
        axes.axvline(reduced_variate(deepest.area_ratio), color="#8a9299", linewidth=1)
        axes.annotate(
            "whole run",
            (reduced_variate(deepest.area_ratio), 0),
            xytext=(-4, 6),
            textcoords="offset points",
            ha="right",
            fontsize=8,
        )
        axes.set_ylim(bottom=0)
        axes.set_xlabel("reduced variate, −ln(−ln F)")
        axes.set_ylabel(f"depth, {unit}")
        axes.legend(loc="upper left", frameon=False, fontsize=8)

    return _drawn(draw)


def leaks_to_come(house: RepairOrReplace) -> np.ndarray | None:
    """Leaks so far and to expect, with the 95 % band; None where the record is too thin for a forecast, or its limits are worthless."""
    forecast = house.history.forecast
    if forecast is None or house.history.worthless_ahead:
        return None
    now, so_far = house.history.record.end, house.observed[-1][1] if house.observed else 0

    def draw(axes: Axes) -> None:
        if house.observed:
            ages, numbers = zip(*house.observed, strict=True)
            axes.step((*ages, now), (*numbers, so_far), where="post", color=INK, linewidth=1.4, label="leaks so far")
        ahead = np.asarray(forecast.years, float) + now
        axes.fill_between(
            ahead,
            so_far + np.asarray(forecast.low),
            so_far + np.asarray(forecast.high),
            color=SHADE,
            alpha=0.6,
            label="95 % of the expected number",
        )
        axes.plot(ahead, so_far + np.asarray(forecast.expected), color=MAIN, linewidth=1.8, label="expected")
        axes.plot(
            ahead,
            so_far + np.asarray(forecast.number_high),
            ":",
            color=SECOND,
            linewidth=1.2,
            label="95 % of the count itself",
        )
        axes.plot(ahead, so_far + np.asarray(forecast.number_low), ":", color=SECOND, linewidth=1.2)
        axes.set_ylim(bottom=0)
        axes.set_xlabel("age of the pipe, years")
        axes.set_ylabel("leaks in all")
        axes.legend(loc="upper left", frameon=False, fontsize=8)

    return _drawn(draw)


def costs(comparison: CostComparison) -> np.ndarray:
    """What each way has cost by each year, at today's value, with its 95 % band."""

    def draw(axes: Axes) -> None:
        for option, colour, dash in zip(comparison.options, (SECOND, MAIN, "#5a3d8a"), ("-", "--", "-."), strict=False):
            years = np.arange(len(option.by_year))
            axes.fill_between(years, option.low_by_year, option.high_by_year, color=colour, alpha=0.15)
            axes.plot(years, option.by_year, dash, color=colour, linewidth=1.8, label=option.name)
        axes.set_ylim(bottom=0)
        axes.set_xlabel("years from now")
        axes.set_ylabel("paid so far, at today's value")
        axes.legend(loc="upper left", frameon=False, fontsize=8)

    return _drawn(draw)
