"""The series of photographs and records: what is there, what is missing and why, in command, report and bundle; it blocks nothing."""

import dataclasses
import json
import tomllib
from types import SimpleNamespace

from analyzer import cli
from analyzer.case.contents import PURPOSES
from analyzer.case.series import checklist
from analyzer.case.store import CaseStore
from analyzer.case.work import edition_of
from analyzer.show import report, webpage
from tests.conftest import ROOT

WHEN = "2026-11-20T10:00:00+00:00"
RING = (ROOT / "demo_images/cut-ring.jpg").read_bytes()


def _missing(store, examination=None):
    return {item.id for item in checklist(store.state(), examination) if item.missing}


def test_every_purpose_but_other_is_asked_for_and_each_item_has_its_source():
    rows = tomllib.loads((ROOT / "analyzer/data/series.toml").read_text(encoding="utf-8"))["item"]
    asked = {purpose for row in rows if row["needs"] == "photo" for purpose in row["of"]}
    assert asked == set(PURPOSES) - {"other"}
    assert all(row["why"].endswith(".") and row["source"] for row in rows)
    steps = (ROOT / "analyzer/data/steps.toml").read_text(encoding="utf-8")
    for row in rows:
        if row["needs"] == "step":
            assert all(f'id = "{step}"' in steps for step in row["of"])


def test_an_item_is_missing_until_it_is_there(tmp_path):
    store = CaseStore.begin(tmp_path / "case", when=WHEN)
    empty = _missing(store)
    assert {"in_place", "uncleaned", "torch", "hand_over", "history", "who_where", "label"} <= empty
    assert {item.id for item in checklist(store.state()) if item.missing is None} == {"scale", "white"}

    def added(purpose, data, **where):
        store.add_photo(data, file_name="x.jpg", purpose=purpose, when=WHEN, **where)
        return _missing(store)

    assert "in_place" not in added("in_place", RING)
    for k in range(3):
        assert "torch" in _missing(store)
        added("light", RING + bytes([k]), azimuth_deg=60.0 * k)
    assert "torch" not in _missing(store)
    store.add("handed_over", {"what": "both halves"}, private={"who": "R. Field", "to": "the laboratory"}, when=WHEN)
    store.add("facts", {"answers": {"age_years": 22}}, when=WHEN)
    store.add("described", {}, private={"examiner": "R. Field"}, when=WHEN)
    assert not {"hand_over", "history"} & _missing(store) and "who_where" in _missing(store)
    store.add("described", {}, private={"place": "Alder Row"}, when=WHEN)
    store.add("step", {"step": "keep_and_label"}, when=WHEN)
    assert not {"who_where", "label"} & _missing(store)
    store.undo(when=WHEN)
    assert "label" in _missing(store)


def test_report_tells_it_and_the_hand_overs(tmp_path, demo_examination):
    store = CaseStore.begin(tmp_path / "case", when=WHEN, name="Alder Row")
    store.add(
        "handed_over",
        {"what": "both halves"},
        private={"who": "R. Field", "to": "S. \u202eHill\n(laboratory)"},
        when=WHEN,
    )
    edition = edition_of(store.state(), demo_examination)
    told = str(report.section(demo_examination, "series", edition=edition).blocks)
    assert "Light from behind" in told and "Whether a pit goes through stays open." in told
    assert "S. Hill (laboratory)" in told and "2026-11-20 10:00" in told
    page = webpage.html(demo_examination, edition=edition)
    assert "What was kept of the evidence" in page and "S. Hill (laboratory)" in page
    bare = dataclasses.replace(edition, series=())
    assert report.section(demo_examination, "series", edition=bare) is None
    assert not next(item for item in edition.series if item.id == "scale").missing
    assert next(item for item in edition.series if item.id == "white").missing  # beside a ruler lies no card


def test_by_command_nothing_is_held_up(tmp_path, capsys):
    folder = str(tmp_path / "case")
    assert cli.main(["case", "begin", folder, "--name", "Alder Row"]) == 0
    assert cli.main(["case", "add", folder, str(ROOT / "demo_images/cut-ring.jpg")]) == 0
    assert cli.main(["case", "say", folder, "--view", "end", "--tube", "1", "--handed-to", "the laboratory"]) == 0
    assert cli.main(["case", "say", folder, "--kept-and-labelled"]) == 0
    capsys.readouterr()
    assert cli.main(["case", "show", folder]) == 0
    said = capsys.readouterr().out
    assert (
        "missing: In place, before cutting" in said and "the removed piece, by" in said and "to the laboratory" in said
    )
    assert "missing: Both halves" not in said and "missing: Who had the piece" not in said
    assert cli.main(["seal", folder, "--out", str(tmp_path / "bundle")]) == 0
    told = json.loads((tmp_path / "bundle/data/section-1/series.json").read_text(encoding="utf-8"))
    assert {row["id"]: row["missing"] for row in told["series"]}["in_place"] is True
    assert (
        told["hand_overs"][0]["what"] == "the removed piece" and not told["hand_overs"][0]["to"]
    )  # names stay at home


def test_notes_reach_report_page_and_bundle_with_their_place(tmp_path, demo_examination):
    """What was noted on the piece is read where the piece is read, not in the log alone; a place on a pit has its number."""
    pit = demo_examination.standing_pits.pits[0]
    store = CaseStore.begin(tmp_path / "case", when=WHEN, name="Alder Row")
    on_pit = {"text": "tar in it, \u202ekept", "x_px": pit.x_px + 1, "y_px": pit.y_px}
    store.add("note", on_pit, private={"who": "R. Field"}, when=WHEN)
    store.add("note", {"text": "strap without a sleeve"}, when=WHEN)
    store.add("note", {"text": "table", "x_px": 3.0, "y_px": 4.0}, when=WHEN)
    edition = edition_of(store.state(), demo_examination)
    told = str(report.section(demo_examination, "series", edition=edition).blocks)
    assert f"R. Field: tar in it, kept (on pit {pit.id}, at pixel {pit.x_px + 1:.0f}, {pit.y_px:.0f} of" in told
    assert "strap without a sleeve" in told and "table (at pixel 3, 4 of" in told
    assert "strap without a sleeve" in webpage.html(demo_examination, edition=edition)


def test_by_command_a_case_is_described_noted_and_a_photo_taken_out(tmp_path, capsys):
    folder = str(tmp_path / "case")
    assert cli.main(["case", "begin", folder, "--claim-number", "A-16"]) == 0
    assert cli.main(["case", "add", folder, str(ROOT / "demo_images/cut-ring.jpg"), "--purpose", "ring"]) == 0
    said = [
        "case",
        "say",
        folder,
        "--claim-number",
        "A-17",
        "--place",
        "Alder Row",
        "--note",
        "burr",
        "--at",
        "812,640",
    ]
    assert cli.main(said) == 0
    state = CaseStore.open(folder).state()
    assert state.description == {"claim_number": "A-17", "place": "Alder Row"}
    (note,) = state.piece().notes
    assert (note.text, note.x_px, note.y_px) == ("burr", 812.0, 640.0)
    assert cli.main(["case", "say", folder, "--place", ""]) == 0
    assert CaseStore.open(folder).state().description == {"claim_number": "A-17"}
    for wrong in (["--note", "x", "--at", "812"], ["--note", "x", "--at", "nan,3"], ["--at", "1,2"]):
        assert cli.main(["case", "say", folder, *wrong]) == 1
    assert cli.main(["case", "drop", folder, "bore.jpg"]) == 1
    assert "it holds: cut-ring.jpg" in capsys.readouterr().err
    assert cli.main(["case", "drop", folder, "cut-ring.jpg"]) == 0
    assert not CaseStore.open(folder).state().piece().photos
    assert cli.main(["case", "undo", folder]) == 0
    assert len(CaseStore.open(folder).state().piece().photos) == 1


def test_an_invented_case_is_sealed_to_look_at(tmp_path, capsys):
    place = tmp_path / "bundle"
    assert cli.main(["seal", "--demo", "--out", str(place)]) == 0
    told = json.loads((place / "data/section-1/series.json").read_text(encoding="utf-8"))
    assert told["notes"][0]["text"].startswith("Half of a 3/4 in tube")
    assert cli.main(["check", str(place), "--hashes-only"]) == 0
    assert cli.main(["seal", "--out", str(tmp_path / "none")]) == 1
    assert "--demo" in capsys.readouterr().err and not (tmp_path / "none").exists()


def test_the_firms_logo_stands_on_every_report_and_leaves_only_with_names(tmp_path, demo_examination, capsys):
    import io

    import pypdf
    from PIL import Image

    from analyzer.show import paper

    logo = tmp_path / "logo.png"
    Image.new("RGBA", (300, 120), (10, 90, 160, 128)).save(logo)
    folder = str(tmp_path / "case")
    assert cli.main(["case", "begin", folder, "--firm", "Example Pipe Works"]) == 0
    assert cli.main(["case", "say", folder, "--logo", str(logo)]) == 0
    store = CaseStore.open(folder)
    edition = edition_of(store.state(), demo_examination, logo=store.logo(store.state()))
    bare = dataclasses.replace(edition, case=dataclasses.replace(edition.case, logo=b""))
    for made in (paper.pdf, paper.homeowner_pdf, paper.evidence_pdf):
        first = [
            pypdf.PdfReader(io.BytesIO(made(demo_examination, edition=e))).pages[0].images for e in (bare, edition)
        ]
        assert len(first[1]) == len(first[0]) + 1
    assert 'alt="Logo of Example Pipe Works"' in webpage.html(demo_examination, edition=edition)
    assert "<img class=" not in webpage.html(demo_examination, edition=bare)
    carried = tmp_path / "carried.zip"
    assert cli.main(["case", "pack", folder, "--out", str(carried)]) == 0
    assert cli.main(["case", "unpack", str(tmp_path / "again"), str(carried)]) == 0
    again = CaseStore.open(tmp_path / "again")
    assert again.logo(again.state()) == logo.read_bytes() and not again.faults()
    store.add_photo((ROOT / "demo_images/cut-ring.jpg").read_bytes(), file_name="m.jpg", purpose="main", when=WHEN)
    assert cli.main(["case", "say", folder, "--view", "end", "--tube", "1"]) == 0
    for names in ((), ("--with-names",)):
        place = tmp_path / f"bundle{len(names)}"
        assert cli.main(["seal", folder, "--out", str(place), *names]) == 0
        page = (place / "data/section-1/report.html").read_text(encoding="utf-8")
        assert ('class="logo"' in page) is bool(names)
    (tmp_path / "no.png").write_bytes(b"\x89PNG nonsense")
    assert cli.main(["case", "say", folder, "--logo", str(tmp_path / "no.png")]) == 1
    assert "no PNG or JPEG" in capsys.readouterr().err
    assert cli.main(["case", "say", folder, "--logo", ""]) == 0
    assert CaseStore.open(folder).state().logo is None


def test_what_a_killed_program_left_of_an_original_is_cleared_once_it_is_old(tmp_path):
    import os
    import time

    store = CaseStore.begin(tmp_path / "case", when=WHEN)
    kept = store.keep_original(b"whole")
    beside = store.folder / "originals" / kept[:2]
    old, young = beside / ".abc-old", beside / ".abc-young"
    for left in (old, young):
        left.write_bytes(b"half")
    os.utime(old, (time.time() - 90_000,) * 2)
    assert CaseStore.open(store.folder).original(kept) == b"whole"
    assert not old.exists() and young.exists()


def test_what_is_said_of_a_pit_by_number_is_kept_with_its_place(tmp_path, monkeypatch):
    """By command as on the pages: after an examination the number is of a pit that lies somewhere, and another look numbers anew."""
    pits = (SimpleNamespace(id=3, x_px=812.04, y_px=640.0), SimpleNamespace(id=7, x_px=90.0, y_px=55.5))
    result = SimpleNamespace(standing_pits=SimpleNamespace(pits=pits))
    monkeypatch.setattr("analyzer.case.work.examine_case", lambda *args, **others: result)
    folder = str(tmp_path / "case")
    assert cli.main(["case", "begin", folder, "--name", "Alder Row"]) == 0
    store = CaseStore.open(folder)
    gauge, mine = tmp_path / "gauge.toml", tmp_path / "mine.toml"
    gauge.write_text(
        "[[pit]]\nid = 3\ndepth = 0.42\n[[pit]]\nx_px = 5\ny_px = 6\ndepth = 0.2\n[[sound_wall]]\nwall = 0.7\n"
    )
    mine.write_text('[[correction]]\nkind = "confirm_pit"\npit = 7\n')
    assert cli.main(["case", "say", folder, "--readings", str(gauge)]) == 0
    # nothing was examined yet, so the number is of no look that is known here
    assert "x_px" not in store.state().piece().reading_rows[0]
    content = {"section": "1", "examination_sha256": "0" * 64, "versions": {}}
    store.add("examined", content, private={"who": "R. Field"}, when="2026-11-20T10:15:00+00:00")
    assert cli.main(["case", "say", folder, "--readings", str(gauge), "--corrections", str(mine)]) == 0
    piece = store.state().piece()
    first, second, sound = piece.reading_rows
    assert (first["pit"], first["x_px"], first["y_px"]) == (3, 812.0, 640.0)
    assert (second["x_px"], second["y_px"]) == (5.0, 6.0) and "x_px" not in sound
    assert piece.corrections[-1].pit == 7 and piece.corrections[-1].points_px == ((90.0, 55.5),)
