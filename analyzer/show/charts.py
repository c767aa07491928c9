"""Plots for the report and the pages, drawn by matplotlib to RGB arrays. They show results and compute nothing new."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from analyzer.base.measured import MM_PER_INCH
from analyzer.causes.repair import CostComparison, RepairOrReplace
from analyzer.relief.lights import Heights
from analyzer.wall.extremes import DeepestToExpect, probability_plot, reduced_variate
from analyzer.wall.remaining import Wall

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
        axes.legend(loc="lower left", frameon=False, fontsize=8)

    return _drawn(draw)


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
