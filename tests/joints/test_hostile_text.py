"""Whatever signs a person or a file brings, no file, log or name shows one that hides or turns round what stands beside it.

The signs: Unicode Standard Annex 9, table 4 (direction of writing), C0 and C1 controls, line and paragraph separators.
"""

import json
from dataclasses import replace

import pytest

from analyzer import Settings, check_facts, conclude
from analyzer.base.flags import InputError
from analyzer.case.store import CaseStore
from analyzer.photo.reading import read_photo
from analyzer.result.corrections import make_correction
from analyzer.show import output
from analyzer.show.edition import CaseData, Edition
from analyzer.wall.readings import readings_from_rows
from tests.conftest import ROOT
from tests.joints.test_files_tell_the_result import _look, page_text, pdf_text

SIGNS = "\u202e\u2066\u200f\x1b\x07\x85\u2028\u2029"
WHEN = "2026-11-20T10:00:00+00:00"


def hostile(word: str) -> str:
    return f"{word}{SIGNS}gpj.exe"


def clean(text: str) -> bool:
    return not set(SIGNS) & set(text)


@pytest.fixture(scope="module")
def made():
    seen = _look()
    photo = replace(seen.photos[0], name=read_photo((ROOT / "demo_images/cut-ring.jpg"), name=hostile("IMG")).name)
    row = {"kind": "remove_pit", "pit": 3, "who": hostile("Field"), "when": hostile("today"), "why": hostile("solder")}
    result = conclude(
        replace(seen, photos=(photo, *seen.photos[1:])),
        facts=check_facts({"material": "copper", "tube_marks": hostile("B88")}),
        readings=readings_from_rows([{"kind": "pit", "id": 1, "depth": 0.3, "method": hostile("needle")}]),
        corrections=[make_correction(row)],
    )
    case = CaseData(name=hostile("Alder Row"), place=hostile("bath"), who=hostile("R. Field"), claim=hostile("A-17"))
    files, faults = output.make(result, Edition(case=case))
    assert not faults
    return files


def test_no_file_shows_them_and_each_word_is_there(made):
    texts = {name: data.decode() for name, data in made.items() if name.endswith((".json", ".csv", ".html"))}
    texts |= {name: pdf_text(data) for name, data in made.items() if name.endswith(".pdf")}
    for name, text in texts.items():
        assert clean(text), name
        assert "\\u202e" not in text and "\\u001b" not in text, name  # not as JSON's own spelling either
    for word in ("Field", "solder", "B88", "needle", "IMG"):
        assert word in texts["examination.json"], word
        assert word.lower() in page_text(texts["report.html"]).lower(), word
    assert "IMG" in json.loads(texts["pits-coco.json"])["images"][0]["file_name"]
    for word in ("Alder Row", "bath", "A-17"):
        assert word in page_text(texts["report.html"]) and word in texts["report.pdf"], word


def test_the_log_of_a_case_keeps_none_and_its_chain_holds(tmp_path):
    store = CaseStore.begin(tmp_path / "case", when=WHEN, who=hostile("R. Field"), name=hostile("Alder Row"))
    photo = (ROOT / "demo_images/cut-ring.jpg").read_bytes()
    store.add_photo(photo, file_name=hostile("ring"), purpose="main", when=WHEN, who=hostile("S. Field"))
    store.add("facts", {"answers": {"tube_marks": hostile("B88")}}, when=WHEN)
    store.add("note", {"text": hostile("strap")}, private={"to": hostile("lab")}, when=WHEN)
    store.add("handed_over", {"what": hostile("halves")}, private={"to": hostile("laboratory")}, when=WHEN)
    row = {"kind": "remove_pit", "pit": 1, "why": hostile("solder")}
    store.add("correction", {"correction": row}, private={"who": hostile("T. Field")}, when=WHEN)
    lines = "\n".join(json.dumps(entry.as_json(), ensure_ascii=False) for entry in store.entries())
    assert clean(lines) and store.faults() == ()
    for word in ("R. Field", "S. Field", "T. Field", "Alder Row", "ring", "B88", "strap", "lab", "halves", "solder"):
        assert word in lines, word


def test_what_is_far_too_long_is_refused_with_one_sentence(tmp_path):
    store = CaseStore.begin(tmp_path / "case", when=WHEN)
    for tell in (
        lambda: make_correction({"kind": "remove_pit", "pit": 1, "why": "x" * 4001}),
        lambda: make_correction({"kind": "remove_pit", "pit": 1, "who": "x" * 301}),
        lambda: check_facts({"tube_marks": "x" * 501}),
        lambda: readings_from_rows([{"kind": "pit", "id": 1, "depth": 0.3, "method": "x" * 301}]),
        lambda: store.add("described", {}, private={"name": "x" * 301}, when=WHEN),
        lambda: store.add("handed_over", {"what": "a half"}, private={"to": "x" * 301}, when=WHEN),
    ):
        with pytest.raises(InputError, match=r"is longer than [\d,]+ letters; shorten it\.$") as told:
            tell()
        assert len(str(told.value)) < 200
    assert len(store.entries()) == 1


def test_two_sections_never_share_a_file_s_name(tmp_path):
    store = CaseStore.begin(tmp_path / "case", when=WHEN)
    for section in ("bath left", "bath/left", "Küche", "", "..", "x" * 51):
        with pytest.raises(InputError, match="name a section with letters, digits, - and _"):
            store.add("note", {"section": section, "text": "strap"}, when=WHEN)
    store.add("note", {"section": "bath-left", "text": "strap"}, when=WHEN)


def test_what_is_said_of_the_photo_is_one_line():
    assert Settings(tube="3/4\n M\u202e").tube == "3/4 M"
    with pytest.raises(InputError, match=r"The view is one of .*, not in side\.$"):
        Settings(view="in\u202eside")
