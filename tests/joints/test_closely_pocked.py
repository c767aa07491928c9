"""Closely pocked metal reaches the file, the words, the report, the rules, the summary of many photos and the marked photo alike.

The piece and its figures are those of the test, no result of the program: 62 % pocked (43 to 81), roughness 15 %.
"""

from dataclasses import replace

import numpy as np
import pytest

from analyzer import check_facts, conclude
from analyzer.base.measured import Measure
from analyzer.batch.one import row_of
from analyzer.marks.catalogue import attack_flags
from analyzer.marks.general_attack import GeneralAttack
from analyzer.marks.pattern import read_pattern
from analyzer.result import record
from analyzer.show import drawing, paper, phrases, report, webpage
from tests.joints.test_files_tell_the_result import FACTS, _look, page_text, pdf_text

ATTACK = GeneralAttack(
    share=Measure(value=0.62, budget={"where attacked metal ends": 0.096}, interval=(0.43, 0.81)),
    roughness=Measure(value=0.15, budget={"light": 0.03}, positive=True),
    mouths_share=0.21,
    attacked=np.ones((3, 6), bool),
    judged=np.ones((3, 6), bool),
    mouths=np.full((3, 6), 0.21, np.float32),
    change=np.full((3, 6), 0.0225, np.float32),
    pixels=34.0,
    scaled=True,
)


def concluded(attack=ATTACK, told=FACTS, **pits):
    seen = _look()
    found = replace(seen.pits, attack=attack, flags=attack_flags(attack), **pits)
    pattern = read_pattern(seen.surface, found, seen.bands)
    return conclude(replace(seen, pits=found, pattern=pattern, flags=found.flags), facts=check_facts(told))


@pytest.fixture(scope="module")
def pocked():
    return concluded()


def test_the_file_holds_it_and_its_schema_knows_it(pocked):
    told = record.as_dict(pocked)
    assert told["general_attack"]["present"] is True
    assert told["general_attack"]["share_of_examined"]["value"] == 0.62
    assert told["general_attack"]["share_of_examined"]["interval_95"] == [0.43, 0.81]
    assert told["general_attack"]["roughness"]["value"] == 0.15
    assert told["quantities"]["general_attack_seen"] is True and told["quantities"]["general_attack_share"] == 0.62
    assert "GeneralAttackRecord" in record.schema()["$defs"]
    assert row_of(told)["general_attack_share"] == 0.62 and row_of(told)["general_attack_share_high_95"] == 0.81
    assert record.as_dict(conclude(_look(), facts=check_facts(FACTS)))["general_attack"] is None  # not known is null


def test_words_page_and_paper_say_it(pocked):
    sections = report.sections(pocked)
    for text in (
        phrases.spoken_summary(pocked),
        page_text(webpage.html(pocked, sections=sections)),
        pdf_text(paper.pdf(pocked, sections=sections)),
    ):
        assert "Metal pocked or scabbed" in text and "62 %" in text and "43 to 81" in text
        assert "Roughness to the eye there" in text and "15 %" in text
        assert "those that stand apart" in text  # what the number of pits stands for
        assert "pocked closely over 62 %" in text


def test_a_small_share_is_told_among_the_measures_and_is_no_outcome():
    little = concluded(replace(ATTACK, share=Measure(value=0.08, budget={"x": 0.096}, interval=(0.0, 0.27))))
    assert "Metal pocked" not in phrases.spoken_summary(little)
    assert "8 %" in str(report.section(little, "measures"))
    assert little.quantities["general_attack_seen"] is False
    assert not any(flag.id == "general_attack" for flag in little.flags)


def test_by_contrast_there_is_no_number_and_it_is_said_why():
    by_contrast = concluded(evidence="contrast", count=None)
    told = record.as_dict(by_contrast)
    assert told["density"]["pit_count"] is None and "run into each other" in told["density"]["not_counted_because"]
    assert "not countable in this picture (the metal is pocked so closely" in phrases.spoken_summary(by_contrast)
    assert by_contrast.quantities["general_attack_seen"] is True and "pit_count" not in by_contrast.quantities


def test_it_is_drawn_and_named_in_the_legend(pocked):
    look, plain = pocked.look, conclude(_look(), facts=check_facts(FACTS))

    def drawn(pits):
        return drawing.marked_photo(look.photo, look.surface, pits, look.bands, longest_px=900)

    same = (drawn(pocked.pits) == np.array(drawing.ATTACKED)).all(axis=-1).sum()
    assert same > 50 and not (drawn(plain.pits) == np.array(drawing.ATTACKED)).all(axis=-1).any()
    assert "closely pocked metal (dashed)" in dict(drawing.foot_of(pocked, "metric").legend)
    assert "closely pocked metal (dashed)" not in dict(drawing.foot_of(plain, "metric").legend)


def test_pits_that_stand_side_by_side_bear_no_numbers_on_the_photo(pocked):
    """Of two drawings that differ in nothing else, with and without numbers asked for, both are the same; the table says so."""
    look = pocked.look
    numbered, bare = (
        drawing.marked_photo(look.photo, look.surface, pocked.pits, look.bands, numbers=asked, longest_px=900)
        for asked in (True, False)
    )
    assert np.array_equal(numbered, bare)
    assert "too close to each other" in str(report.section(pocked, "pits"))
    assert "Numbers as on the marked photo" in str(report.section(conclude(_look(), facts=check_facts(FACTS)), "pits"))


def test_what_a_person_says_of_it_goes_before_the_photo():
    """Told no, the rules hear no; told yes where the photo cannot say, they hear yes."""
    denied = concluded(told={**FACTS, "general_attack_seen": False})
    assert denied.quantities["general_attack_seen"] is False
    silent = conclude(_look(), facts=check_facts({**FACTS, "general_attack_seen": True}))
    assert silent.quantities["general_attack_seen"] is True

    def against(examination, cause):
        found = next(finding for finding in examination.judgement.findings if finding.cause == cause)
        return any(reason.quantity == "general_attack_seen" for reason in found.facts_against)

    assert against(silent, "freeze_burst") and not against(denied, "freeze_burst")


def test_a_place_that_may_be_seen_through_is_asked_in_file_and_table():
    asked = concluded(None, asked_through=(2,))
    told = {pit["id"]: pit for pit in record.as_dict(asked)["pits"]}
    assert [told[number]["may_go_through"] for number in (1, 2, 3)] == [False, True, False]
    assert told[2]["through"] is None  # a question, no finding
    assert "may_go_through" in record.pits_csv(asked).splitlines()[0]
