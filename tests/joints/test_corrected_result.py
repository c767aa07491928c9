"""Corrections by hand as they reach the files, the report and the pages: figures stated here, one pit after another by hand.

The demo photo's look is taken with six of its pits, so that the numbers below do not hang on how well pits are found.
"""

import csv
import io
from dataclasses import replace

import cv2
import numpy as np
import pytest

from analyzer import conclude
from analyzer.base.flags import InputError
from analyzer.result import examination, record
from analyzer.result.corrections import make_correction
from analyzer.scale.calibration import Marker
from analyzer.show import output, phrases, report, webpage
from analyzer.wall.readings import Reading, Readings
from tests.marks_of import marks_of


def entry(**row):
    return make_correction({"who": "R. Field", "when": "2026-11-20T10:15:00", **row})


@pytest.fixture(scope="module")
def six(demo_examination):
    """The demo's look with its six largest pits, each 0.9 sure and a fifth more unseen: 6 * 0.9 * 1.2 = 6.5 of them."""
    seen = demo_examination.look
    square = [pit for pit in seen.pits.pits if pit.obliquity_deg < 50]  # well within the metal that is examined
    chosen = sorted(square, key=lambda pit: -pit.equivalent_diameter_mm.value)[:6]
    labels = np.zeros_like(seen.pits.labels)
    for number, pit in enumerate(chosen, 1):
        labels[seen.pits.labels == pit.id] = number
    chosen = [replace(pit, id=number, confidence=0.9) for number, pit in enumerate(chosen, 1)]
    pits = replace(seen.pits, pits=tuple(chosen), labels=labels, marks=marks_of(chosen, scatter=0.1), mounds=())
    pits = replace(pits, count=pits.estimated())
    pattern = examination._pattern_of(seen.surface, pits, seen.bands, seen.tube, seen.relief)
    others = tuple(flag for flag in seen.flags if flag not in (*seen.pits.flags, *seen.pattern.flags))
    return replace(seen, pits=pits, pattern=pattern, flags=(*others, *pits.flags, *pattern.flags))


def between(surface):
    """Two points of the metal far apart along the pipe, and their distance on the metal in mm."""
    rows, columns = np.nonzero(surface.examined)
    row = int(np.median(rows))
    columns = np.sort(columns[rows == row])
    ends = [(int(columns[len(columns) // 10]), row), (int(columns[-len(columns) // 10]), row)]
    places = [(surface.axial[y, x], surface.around[y, x]) for x, y in ends]
    left, top = surface.origin_px
    return [[x + left, y + top] for x, y in ends], float(np.hypot(*np.subtract(*places)))


@pytest.fixture(scope="module")
def corrected(six):
    """Pit 1 is none, pit 2 is one, a pit is added (number 7) at the place of pit 1: six pits, three by hand or taken out."""
    first = six.pits.pits[0]
    added = entry(kind="add_pit", points_px=[[first.x_px, first.y_px]], diameter_mm=1.0)
    return conclude(
        six, corrections=[entry(kind="remove_pit", pit=1, why="solder"), entry(kind="confirm_pit", pit=2), added]
    )


def test_the_record_holds_both_figures(corrected, six):
    less = conclude(six, corrections=[entry(kind="remove_pit", pit=1), entry(kind="call_mound", pit=2)])
    document = record.ExaminationRecord.model_validate(record.as_dict(less))
    assert document.density.pit_count.value == pytest.approx(6.48) and document.corrected.pit_count == 4  # 4.32
    low, high = document.corrected.pit_count_interval_95
    assert low < 4.32 < high < document.density.pit_count.interval_95[1]
    assert document.corrected.removed_pits == [1, 2] and document.corrected.mounds == [2]
    assert [pit.id for pit in document.pits] == [1, 2, 3, 4, 5, 6] and [pit.id for pit in document.corrected.pits] == [
        3,
        4,
        5,
        6,
    ]
    by_hand = record.as_dict(corrected)["corrected"]["pits"]
    assert {pit["id"]: (pit["confidence"], pit["judged_by"]) for pit in by_hand} == {
        2: (None, "by hand"), **dict.fromkeys((3, 4, 5, 6), (0.9, "program")), 7: (None, "by hand")
    }  # fmt: skip


def test_the_table_of_pits_and_their_picture_are_those_that_stand(corrected):
    rows = list(csv.DictReader(io.StringIO(output.FILES["pits.csv"](output.Work(corrected)).decode())))
    assert [row["id"] for row in rows] == ["2", "3", "4", "5", "6", "7"]
    assert [row["judged_by"] for row in rows] == ["by hand", *["program"] * 4, "by hand"]
    assert float(rows[-1]["equivalent_diameter_mm"]) == 1.0 and rows[-1]["counted"] == "yes"
    picture = cv2.imdecode(
        np.frombuffer(output.FILES["pit-labels.png"](output.Work(corrected)), np.uint8), cv2.IMREAD_UNCHANGED
    )
    assert set(np.unique(picture)) == {0, 2, 3, 4, 5, 6, 7}


def test_the_marked_photo_follows_the_corrections(six):
    """Where pit 1 was outlined, and nowhere near another pit, the marked photo changes when it is taken out."""
    first = six.pits.pits[0]
    pictures = []
    for entries in ((), [entry(kind="remove_pit", pit=1)]):
        data = output.FILES["overlay.png"](output.Work(conclude(six, corrections=entries)))
        pictures.append(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR).astype(int))
    changed = np.argwhere(np.abs(pictures[0] - pictures[1]).max(axis=2) > 40)
    enlarge = pictures[0].shape[1] / six.photo.width_px
    away = np.hypot(changed[:, 1] / enlarge - first.x_px, changed[:, 0] / enlarge - first.y_px)
    assert len(changed) > 50 and np.median(away) < 2 * first.equivalent_diameter_px


def test_the_headline_and_the_page_of_corrections_say_what_stands(six):
    less = conclude(six, corrections=[entry(kind="remove_pit", pit=1, why="solder")])
    assert phrases.headline_figures(less)[0] == (
        "Pits estimated",
        "5",
        "3 to 10",
    )  # 5.4; 6.4 * 1.565 - 1 = 9.02, upwards
    assert phrases.headline_figures(conclude(six))[0] == (
        "Pits estimated",
        "6",
        "3 to 11",
    )  # 6.48; 7.48 by 1.530 less 1 is 3.9, times 10.4, outwards
    section = report.section(less, "corrections")
    assert section.blocks[0].rows[0] == ("Pits estimated", "6 (95 %: 3 to 11)", "5 (95 %: 3 to 10)")
    assert section.blocks[1].rows[0] == ("not a pit, number 1", "R. Field", "2026-11-20T10:15:00", "solder")
    assert "Corrected by hand" in webpage.html(less) and "Corrected by hand" not in webpage.html(conclude(six))


def test_a_pit_by_hand_has_no_share_of_like_ones(corrected):
    table = report.section(corrected, "pits").blocks[0]
    assert table.head[-1] == "Of 100 like it, pits"
    assert {row[0]: row[-1] for row in table.rows} == {"2": "by hand", **dict.fromkeys("3456", "90"), "7": "by hand"}


def test_the_list_says_which_pits_are_too_small_to_count(six):
    sizes = sorted(pit.equivalent_diameter_mm.value for pit in six.pits.pits)
    coarse = replace(six, pits=replace(six.pits, smallest_counted_mm=(sizes[1] + sizes[2]) / 2))
    section = report.section(conclude(coarse), "pits")
    assert "2 of the 6 listed are smaller than the smallest that counts" in section.blocks[0].caption
    assert "smaller than the smallest" not in report.section(conclude(six), "pits").blocks[0].caption


def test_a_known_length_is_the_scale_everywhere(six):
    """A tenth more than the ruler says: lengths times 1.1, areas times 1.21, and the ruler is named only beside the corrected figures."""
    ends, length = between(six.surface)
    longer = conclude(six, corrections=[entry(kind="known_length", points_px=ends, length_mm=1.1 * length)])
    for words in (
        phrases.scale_in_words(longer),
        phrases.scale_in_short(longer),
        report.section(longer, "measures").blocks[0].rows[0][3],
    ):
        assert "length marked by hand on the metal" in words and "ruler" not in words
    assert f"{1.1 * six.surface.mm_per_px.value:.5f} mm a pixel" in phrases.scale_in_words(longer)
    assert "cross-check" not in phrases.scale_in_short(longer)
    document = record.as_dict(longer)
    assert document["scale"]["method"] == "ruler" and document["corrected"]["scale_method"] == "known length"
    rows = {row[0]: row[1:] for row in report.section(longer, "corrections").blocks[0].rows}
    assert rows["Scale"][0].startswith(f"{six.surface.mm_per_px.value:.5f} mm a pixel (ruler)")
    assert rows["Scale"][1].startswith(
        f"{1.1 * six.surface.mm_per_px.value:.5f} mm a pixel (length marked by hand on the metal)"
    )
    before, after = (
        {row[0]: row for row in report.section(e, "measures").blocks[0].rows} for e in (conclude(six), longer)
    )
    assert float(after["Metal seen"][1].split()[0]) == pytest.approx(
        1.21 * float(before["Metal seen"][1].split()[0]), rel=0.02
    )
    band = six.bands.bands[0]
    table = list(csv.DictReader(io.StringIO(record.bands_csv(longer))))
    assert float(table[0]["axial_to_mm"]) == pytest.approx(1.1 * band.axial_mm[1], rel=1e-3)
    assert longer.quantities["largest_pit_mm"] == pytest.approx(
        1.1 * six.pits.pits[0].equivalent_diameter_mm.value, rel=1e-3
    )


def test_flags_are_those_of_the_corrected_result(six):
    """Three pits are too few to say how they are arranged; six are not."""
    assert "few_pits_for_pattern" not in {flag.id for flag in conclude(six).flags}
    few = conclude(six, corrections=[entry(kind="remove_pit", pit=n) for n in (1, 2, 3)])
    assert "few_pits_for_pattern" in {flag.id for flag in few.flags}
    doubtful = replace(six, pits=replace(six.pits, pits=tuple(replace(pit, confidence=0.4) for pit in six.pits.pits)))
    sure = conclude(doubtful, corrections=[entry(kind="confirm_pit", pit=n) for n in (1, 2)])
    (flag,) = [flag for flag in sure.flags if flag.id == "pits_unsure"]
    assert "4 of 6" in flag.message


def test_a_reading_of_a_pit_taken_out_says_why(six):
    reading = Readings(
        readings=(Reading(kind="pit", pit=1, depth_mm=0.2, resolution_mm=0.01, method="dial depth gauge"),)
    )
    for kind, words in (("remove_pit", "taken out as no pit"), ("call_mound", "called a mound")):
        with pytest.raises(InputError, match=f"Pit 1 has a depth reading but was {words} by hand"):
            conclude(six, readings=reading, corrections=[entry(kind=kind, pit=1)])
    pit = six.pits.pits[0]
    box = [[pit.x_px + dx, pit.y_px + dy] for dx, dy in ((-20, -20), (20, -20), (20, 20), (-20, 20))]
    with pytest.raises(InputError, match="left outside the metal"):
        conclude(six, readings=reading, corrections=[entry(kind="leave_out", points_px=box)])
    assert conclude(six, readings=reading, corrections=[entry(kind="confirm_pit", pit=1)]).wall.pit_depths[1].depth_mm


def test_without_a_scale_a_known_length_is_looked_at_as_the_marker(six, monkeypatch):
    """The photo is looked at again with the marked length; where that length lies on the metal it also sets the scale there."""
    ends, length = between(six.surface)
    known = entry(kind="known_length", points_px=ends, length_mm=length)
    bare = replace(six, surface=replace(six.surface, mm_per_px=None, unit="px"))
    asked = []

    def look(photos, *, settings, lights, progress):
        asked.append(settings.marker)
        return bare if settings.marker.kind != "length" else replace(six, settings=settings)

    monkeypatch.setattr(examination, "look", look)
    done = examination.examine(six.photo, corrections=[known])
    assert [marker.kind for marker in asked] == ["auto", "length"] and asked[1].length_mm == length
    assert done.length_known and done.corrected.scale_factor == pytest.approx(1.0, rel=1e-3)
    assert done.corrections == (known,)
    asked.clear()
    beside = entry(kind="known_length", points_px=[[2, 2], [500, 2]], length_mm=length)  # on the table
    done = examination.examine(six.photo, corrections=[beside])
    assert asked[1] == Marker(kind="length", points_px=((2, 2), (500, 2)), length_mm=length)
    assert done.corrected is None and done.corrections == (beside,)
