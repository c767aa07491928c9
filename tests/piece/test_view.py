"""Which view: the looks decide where they are sure, the fit where they are not; a marker that contradicts the outline is said."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from analyzer.base.flags import SurfaceError
from analyzer.photo.reading import read_photo
from analyzer.piece import cast, view
from analyzer.piece.find import find_surface
from analyzer.scale.calibration import Marker, find_scale
from tests.conftest import ROOT


@pytest.mark.parametrize(
    "looks, edge_costs, expected",
    [
        (
            (0.99, 0.005, 0.005, 0.0),
            (40.0, 60.0, 10.0),
            ("inside", False),
        ),  # sure looks against a fit: looks, with a doubt
        ((0.99, 0.005, 0.005, 0.0), (10.0, 60.0, 60.0), ("inside", True)),
        ((0.5, 0.1, 0.4, 0.0), (40.0, 60.0, 10.0), ("flat", True)),  # unsure looks: the fit
        ((0.5, 0.1, 0.4, 0.0), (12.0, 60.0, 10.0), ("flat", False)),
        (None, (40.0, 60.0, 10.0), ("flat", True)),
    ],
)
def test_sure_looks_go_before_the_fit(monkeypatch, looks, edge_costs, expected):
    fits = iter(SimpleNamespace(edge_cost=cost, cost=100.0) for cost in edge_costs)
    monkeypatch.setattr(view, "best_fit", lambda *rest: next(fits))
    for name in ("face_mask", "edge_target", "outline_points", "camera_of"):
        monkeypatch.setattr(view, name, lambda *rest: "drawn")
    found = SimpleNamespace(view_shares=None if looks is None else np.array(looks), step=1.0)
    assert (
        view.view_by_fit(SimpleNamespace(rgb=None), SimpleNamespace(marker_plane_height_mm=0.0), found, None)
        == expected
    )


def test_a_marker_that_contradicts_the_outline_is_said_in_words(monkeypatch):
    """No cell of the fitted piece is seen: a sentence that says what to do, not a division by zero."""
    photo = read_photo(ROOT / "demo_images/bore-contact-mark.jpg")
    cells = cast._seen_cells
    monkeypatch.setattr(
        cast, "_seen_cells", lambda *rest: tuple(0 * part for part in cells(*rest)[:1]) + cells(*rest)[1:]
    )
    with pytest.raises(SurfaceError, match="do not fit together"):
        find_surface(photo, find_scale(photo, Marker()), view="inside")
