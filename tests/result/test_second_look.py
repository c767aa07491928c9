"""A second look at the unmarked photo: matching against all permutations, measures against published figures and scipy's own."""

import itertools
import json
import math

import numpy as np
import pytest
from scipy.stats import binomtest

from analyzer import cli
from analyzer.base.flags import InputError
from analyzer.case.store import CaseStore
from analyzer.marks.catalogue import Pit
from analyzer.result import record
from analyzer.result.corrections import make_correction
from analyzer.result.examination import conclude
from analyzer.result.second_look import (
    TEMPLATE,
    SecondLook,
    expected_in_all,
    make_second_look,
    pairs,
    read_second_look,
    specific_agreement,
)
from analyzer.show import phrases, report
from tests.conftest import ROOT


def test_specific_agreement_is_that_of_the_published_tables():
    """Cicchetti and Feinstein 1990, J Clin Epidemiol 43: 551: both tables agree on 85 of 100, the second on 91 of 100 positives
    (figures from memory)."""
    assert specific_agreement(40, 9, 6)[0] == pytest.approx(0.842, abs=5e-4)
    assert specific_agreement(80, 10, 5)[0] == pytest.approx(0.914, abs=5e-4)


def test_it_is_where_kappa_goes_when_agreement_on_nothing_has_no_bound():
    """Hripcsak and Rothschild 2005, J Am Med Inform Assoc 12: 296."""
    a, b, c, d = 17, 4, 6, 10**9
    n = a + b + c + d
    by_chance = ((a + b) * (a + c) + (c + d) * (b + d)) / n**2
    kappa = ((a + d) / n - by_chance) / (1 - by_chance)
    assert specific_agreement(a, b, c)[0] == pytest.approx(kappa, abs=1e-6)


@pytest.mark.parametrize("counts", [(17, 4, 6), (3, 0, 0), (0, 2, 5), (250, 31, 18)])
def test_its_interval_is_the_exact_one_of_scipy(counts):
    low, high = specific_agreement(*counts)[1]
    exact = binomtest(counts[0], sum(counts)).proportion_ci(method="exact")  # Clopper and Pearson 1934
    assert (low, high) == pytest.approx([2 * v / (1 + v) for v in (exact.low, exact.high)], abs=1e-9)
    assert specific_agreement(0, 0, 0) == (None, None)


def test_number_in_all_by_the_worked_example():
    """Chapman's estimator, the example of turtles in the encyclopaedia's "Mark and recapture": 10 marked, 15 caught, 5 of them
    marked: 28."""
    assert math.floor(expected_in_all(10, 15, 5)) == 28


def _pit(number, x, y, width):
    return Pit(
        id=number,
        x_px=x,
        y_px=y,
        opening_area_px=math.pi * width**2 / 4,
        equivalent_diameter_px=width,
        confidence=0.9,
        through=None,
        obliquity_deg=0.0,
        contrast=10.0,
    )


def test_marks_go_with_as_many_pits_as_can_be_and_the_nearest():
    """Against every way of pairing, tried one by one."""
    rng = np.random.default_rng(3)
    for _ in range(30):
        marks = [(*rng.uniform(0, 40, 2), rng.uniform(4, 16)) for _ in range(5)]
        pits = [_pit(k, *rng.uniform(0, 40, 2), rng.uniform(4, 16)) for k in range(1, 6)]
        found = pairs(marks, pits, pointing_px=1.0)

        def near(i, j, marks=marks, pits=pits):
            apart = math.dist(marks[i][:2], (pits[j].x_px, pits[j].y_px))
            return apart if apart <= max(marks[i][2], pits[j].equivalent_diameter_px) / 2 + 1.0 else None

        best = max(
            (sum(d is not None for d in way), -sum(d or 0.0 for d in way))
            for order in itertools.permutations(range(5))
            for way in [[near(i, j) for i, j in enumerate(order)]]
        )
        mine = [near(i, pits.index(pit)) for i, pit in found.items()]
        assert None not in mine and (len(mine), -sum(mine)) == (best[0], pytest.approx(best[1]))


def _marks(pits):
    return [(pit.x_px + 1.0, pit.y_px - 1.0, pit.equivalent_diameter_px) for pit in pits]


def test_each_is_counted_where_it_belongs(demo_examination):
    """The first takes one pit of the program out and adds none; the second misses three, sees one that nobody saw and taps beside
    the piece once."""
    look, pits = demo_examination.look, list(demo_examination.pits.counted)
    gone, missed = pits[0], pits[1:4]
    surface = look.surface
    sound = surface.metal.copy()
    left, top = surface.origin_px
    for pit in look.pits.pits:
        rows, columns = np.ogrid[: sound.shape[0], : sound.shape[1]]
        sound[np.hypot(columns + left - pit.x_px, rows + top - pit.y_px) < 60] = False
    row, column = np.argwhere(sound)[len(np.argwhere(sound)) // 2]
    marks = [*_marks(pits[4:]), (column + left, row + top, 20.0), (5.0, 5.0, 20.0)]
    second = make_second_look(marks, who="S. Hill", when="2026-11-21")
    out = make_correction({"kind": "remove_pit", "pit": gone.id, "who": "R. Field", "when": "2026-11-20"})
    agreed = conclude(look, corrections=[out], second_looks=[second]).agreements[0]
    assert (agreed.both, agreed.only_first, agreed.only_second) == (len(pits) - 4, 3, 1) and len(missed) == 3
    assert (agreed.only_program, agreed.second_and_program, agreed.off_the_metal) == (1, 0, 1)
    assert not agreed.first_is_program
    alone = conclude(look, second_looks=[second]).agreements[0]
    assert alone.first_is_program and (alone.both, alone.only_first, alone.only_program) == (len(pits) - 4, 4, 0)
    with_gone = make_second_look([*marks, *_marks([gone])])
    agreed = conclude(look, corrections=[out], second_looks=[with_gone]).agreements[0]
    assert (agreed.only_second, agreed.second_and_program, agreed.only_program) == (2, 1, 0)


def test_it_changes_no_figure_and_stands_in_file_and_report(demo_examination):
    look = demo_examination.look
    second = make_second_look(_marks(look.pits.counted[2:]), who="S. Hill")
    with_second = conclude(look, facts=demo_examination.facts, second_looks=[second])
    before, after = record.as_dict(demo_examination), record.as_dict(with_second)
    told = after.pop("second_looks"), after.pop("agreements")
    assert before.pop("second_looks") == before.pop("agreements") == [] and before == after
    assert len(told[0][0]["marks_px"]) == len(second.marks_px) and told[1][0]["only_first"] == 2
    words = phrases.agreement_in_words(with_second.agreements[0])
    assert "S. Hill" in words and f"{len(second.marks_px)} seen by both; 2 by the program only" in words
    assert words in str(report.section(with_second, "uncertainty").blocks)
    assert words in phrases.spoken_summary(with_second)
    assert make_second_look([], who="S. \u202eHill").who == "S. Hill"
    assert not conclude(look, second_looks=[SecondLook(marks_px=())]).agreements[0].both


@pytest.mark.parametrize(
    "text, says",
    [
        ('who = "S"\n', "unseen = true"),
        ("unseen = true\npits = 3\n", "take pits out"),
        ("unseen = true\n[[mark]]\npoints_px = [[1, 2]]\n", "Mark 1"),
        ("unseen = true\n[[mark]]\npoints_px = [[1, 2], [1, 2]]\n", "two different points"),
        ("unseen = true\n[[mark]]\npoints_px = [[1, nan]]\ndiameter_px = 4\n", "cannot be right"),
        ("unseen = true\n[[mark]]\npoints_px = [[1, 2]]\ndiameter_px = 0.2\n", "cannot be right"),
        ("unseen = true\n[[mark]]\npoints_px = 7\n", "points_px is"),
        ("unseen = true\nmark = 7\n", r"\[\[mark\]\] table"),
    ],
)
def test_what_cannot_be_right_is_asked_back(tmp_path, text, says):
    (tmp_path / "s.toml").write_text(text)
    with pytest.raises(InputError, match=says) as caught:
        read_second_look(tmp_path / "s.toml")
    assert str(caught.value).endswith(".")


def test_by_command_the_marks_are_kept_and_the_sheet_shows_no_result(tmp_path, capsys):
    folder = tmp_path / "case"
    CaseStore.begin(folder, when="2026-11-20T10:00:00+00:00")
    photo = str(ROOT / "demo_images/bore-contact-mark.jpg")
    assert cli.main(["case", "second", str(folder), "--sheet", str(tmp_path / "sheet")]) != 0
    assert cli.main(["case", "add", str(folder), photo]) == 0
    assert cli.main(["case", "second", str(folder), "--sheet", str(tmp_path / "sheet")]) == 0
    form = tmp_path / "sheet/second.toml"
    assert cli.main(["case", "second", str(folder), "--marks", str(form)]) != 0  # it does not say unseen = true yet
    marked = TEMPLATE.replace("unseen = false", "unseen = true").replace('who = ""', 'who = "S. Hill"')
    form.write_text(marked + "[[mark]]\npoints_px = [[812, 640], [830, 640]]\n")
    assert cli.main(["case", "second", str(folder), "--marks", str(form)]) == 0
    assert "Kept 1 mark of a second examiner" in capsys.readouterr().out
    store = CaseStore.open(folder)
    kept = store.state().piece().second_looks
    assert kept[0].marks_px == ((821.0, 640.0, 18.0),) and kept[0].who == "S. Hill"
    assert "S. Hill" not in json.dumps([entry.without_private().as_json() for entry in store.entries()])
    import cv2

    sheet = cv2.imread(str(tmp_path / "sheet/unmarked.png"))[:, :, ::-1]
    from analyzer.photo.reading import read_photo

    rgb = read_photo(photo).rgb
    margin = (sheet.shape[0] - rgb.shape[0]) // 2
    assert np.array_equal(sheet[margin:-margin, margin:-margin], rgb)  # not a pixel is marked
