"""What every report tells of the program's errors is what DEVELOPERS.md says was measured: one figure, two places, never two figures."""

import re
import tomllib
from collections.abc import Iterator

import pytest

from tests.conftest import ROOT

SECTION = "How good the figures are"


def section() -> str:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    return text.partition(f"## {SECTION}\n")[2].partition("\n## ")[0]


def figures(text: str) -> list[float]:
    """The numbers of a cell or sentence, written as people do: .75, −6, 0.15."""
    return [float(number) for number in re.findall(r"(?<![\w.])-?\d*\.?\d+(?!\w)", text.replace("−", "-"))]


def row(start: str) -> tuple[str, list[float]]:
    """A row of the table: what is measured, and the figures found."""
    (cells,) = (line.split("|")[1:] for line in section().splitlines() if line.startswith(f"| {start}"))
    return cells[0], figures(cells[1])


def by_name(start: str) -> dict[str, float]:
    """Of a row that lists several things after its colon, the figure of each by its last word: seen area is area."""
    measure, found = row(start)
    names = [name.split()[-1] for name in measure.rpartition(":")[2].split(",")]
    assert len(found) >= len(names)
    return dict(zip(names, found))


def stated() -> dict[str, object]:
    """What DEVELOPERS.md says, under the names of ``error_rates.toml``."""
    recall = re.search(r"Pits by weights \S+ recall is (\S+) under 4 dE .*?, (\S+) above", section())
    assert recall is not None
    scale = by_name("scale at the metal")
    return {
        "pits_from_mm": figures(row("pits from 0.3 mm: F1")[0])[0],
        "pits_f1": row("pits from 0.3 mm: F1")[1][0],
        "count_bias_percent": row("count bias")[1][0],
        "scale_error_percent": scale,
        "opening_area_error_percent": row("opening area")[1][0],
        "density_error_percent": row("density")[1][0],
        "ring_minimum_error_mm": by_name("cut ring")["minimum"],
        "intervals_hold_percent": by_name("95 % intervals hold"),
        "faint_recall": float(recall[1].rstrip(",;")),
        "clear_recall": float(recall[2].rstrip(",;")),
    }


def pairs(told: dict, said: dict, path: str = "") -> Iterator[tuple[str, object, object]]:
    assert set(told) == set(said), f"{path}: {set(told) ^ set(said)} stands in one place alone"
    for name, value in told.items():
        if isinstance(value, dict):
            yield from pairs(value, said[name], f"{path}{name}.")
        else:
            yield f"{path}{name}", value, said[name]


def told() -> dict:
    return tomllib.loads((ROOT / "analyzer/data/error_rates.toml").read_text(encoding="utf-8"))


def test_the_error_rates_of_the_reports_are_those_that_were_measured():
    rates = {name: value for name, value in told().items() if name not in ("says", "measured")}
    for name, value, measured in pairs(rates, stated()):
        # a whole number tells the measured one rounded; any other is the same figure
        assert value == (round(measured) if isinstance(value, int) else pytest.approx(measured, abs=1e-9)), name


def test_the_error_rates_tell_what_they_were_measured_on():
    photographs = re.search(r"(\d+) rendered photographs that no weights ever learned from \((.*?)\)", section())
    assert photographs is not None
    assert told()["measured"].startswith(f"{photographs[2]}, {photographs[1]} rendered photographs")
    assert "`python -m tests.accuracy" in section()
