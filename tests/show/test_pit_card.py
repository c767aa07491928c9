"""A pit's card: its figures are those of the files, its place by the clock follows the circle, its place on the map the drawn outline."""

import csv
import doctest
import io
import math

import numpy as np
import pytest

from analyzer.result import record
from analyzer.show import drawing, pit_card


def test_clock_is_a_circle_of_twelve_hours():
    """A full turn is 2 pi times the radius, and twelve hours: arithmetic, no source."""
    assert doctest.testmod(pit_card).failed == 0
    for quarter in range(1, 4):
        said = pit_card.clock_place(2 * math.pi * 9.0 * quarter / 4, 9.0)
        assert said == f"{3 * quarter} hours below the middle"


def test_card_tells_the_figures_of_the_table(demo_examination):
    rows = {int(row["id"]): row for row in csv.DictReader(io.StringIO(record.pits_csv(demo_examination)))}
    for pit in demo_examination.standing_pits.pits:
        card = pit_card.pit_card(demo_examination, pit.id)
        told = {row.name: row for row in card.rows}
        opening = float(rows[pit.id]["equivalent_diameter_mm"])
        assert float(told["Opening"].value.split()[0]) == pytest.approx(opening, abs=0.06)
        assert f"pixel {pit.x_px:.0f}, {pit.y_px:.0f} of" in told["Place"].rests_on
        assert all(row.rests_on.endswith(".") for row in card.rows)
    assert pit_card.pit_card(demo_examination, 9999) is None


def test_places_on_the_map_lie_where_the_map_draws_the_pits(demo_examination):
    e = demo_examination
    said = {"units": "metric", "longest_px": 1600}
    bare = drawing.unrolled_map(e.photo, e.standing_surface, e.standing_pits, e.standing_bands, marks=False, **said)
    drawn = drawing.unrolled_map(e.photo, e.standing_surface, e.standing_pits, e.standing_bands, **said)
    assert bare.shape == drawn.shape
    yellow = (np.abs(drawn.astype(int) - drawing.PIT).sum(axis=2) < 60) & (bare != drawn).any(axis=2)
    places = drawing.map_places(e.standing_surface, e.standing_pits, longest_px=1600).circles_px
    alone = [
        number
        for number, (x, y, radius) in places.items()
        if radius > 14 and all(math.dist((x, y), other[:2]) > radius + 60 for n, other in places.items() if n != number)
    ]
    assert len(alone) >= 2
    for number in alone:
        x, y, radius = places[number]
        reach = round(1.5 * radius)
        box = yellow[round(y) - reach : round(y) + reach, round(x) - reach : round(x) + reach]
        rows, columns = np.nonzero(box)
        near = np.hypot(rows - reach, columns - reach) < 1.3 * radius  # the outline, not the number beside it
        rows, columns = rows[near], columns[near]
        middle = np.array([rows.min() + rows.max(), columns.min() + columns.max()]) / 2 - reach
        assert np.hypot(*middle) < 0.35 * radius, (number, middle, radius)
