"""The front end by Streamlit's own harness: every section starts, what was entered stays, bad input gets a sentence."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from analyzer.base.flags import CutpipeError
from analyzer.house.facts import check_facts
from tests.conftest import ROOT

APP = str(ROOT / "ui/app.py")
SECTIONS = ("Photo", "House", "Figures", "Wall", "Why", "To do", "Save")
PHOTO = (ROOT / "demo_images/bore-contact-mark.jpg").read_bytes()

# Streamlit's harness itself warns of what the bare mode lacks.
pytestmark = pytest.mark.filterwarnings("ignore")


def started() -> AppTest:
    app = AppTest.from_file(APP, default_timeout=60)
    app.run()
    return app


def words(app: AppTest) -> str:
    return " ".join(
        str(element.value)
        for kind in (app.markdown, app.error, app.warning, app.info, app.caption, app.title, app.subheader)
        for element in kind
    )


@pytest.fixture(scope="module")
def demo() -> AppTest:
    app = AppTest.from_file(APP, default_timeout=120)
    app.query_params["demo"] = "1"
    app.run()
    return app


def test_first_screen_has_one_sentence_one_place_one_demo():
    app = started()
    assert not app.exception and not app.error
    assert "before it is cleaned" in words(app)
    assert len(app.get("file_uploader")) == 1


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_starts(demo, section):
    demo.segmented_control(key="section").set_value(section).run()
    assert not demo.exception
    assert not [e for e in demo.error if "inside cutpipe" in str(e.value)]


def test_each_section_leads_to_the_next(demo):
    demo.segmented_control(key="section").set_value("Photo").run()
    for name in SECTIONS[1:]:
        next(b for b in demo.button if b.label == f"Next: {name}").click().run()
        assert demo.segmented_control(key="section").value == name
    assert not [b for b in demo.button if b.label.startswith("Next:")]


def test_units_change_what_is_read(demo):
    demo.segmented_control(key="section").set_value("Figures").run()
    demo.segmented_control(key="units").set_value("in, psi").run()
    shown = " ".join(str(block.proto.body) for block in demo.get("html"))
    assert " in<" in shown or "per in²" in shown
    demo.segmented_control(key="units").set_value("mm, kPa").run()


def test_a_fact_changes_the_ranking_and_stays(demo):
    demo.segmented_control(key="section").set_value("House").run()
    demo.selectbox(key="fact_service").set_value("hot").run()
    demo.segmented_control(key="section").set_value("Why").run()
    demo.segmented_control(key="section").set_value("House").run()
    assert demo.selectbox(key="fact_service").value == "hot"


def test_an_impossible_fact_is_refused_in_one_sentence(demo):
    demo.segmented_control(key="section").set_value("House").run()
    demo.toggle(key="every_fact").set_value(True).run()
    demo.text_input(key="fact_water_ph").set_value("15").run()
    assert any("pH" in str(error.value) for error in demo.error) and not demo.exception
    demo.text_input(key="fact_water_ph").set_value("").run()
    demo.toggle(key="every_fact").set_value(False).run()


def test_a_plain_number_is_read_in_the_unit_that_is_asked_for(demo):
    """NIST SP 811: 80 psi = 551.58 kPa. Switching units to and fro changes no fact."""
    demo.segmented_control(key="section").set_value("House").run()
    demo.segmented_control(key="units").set_value("in, psi").run()
    demo.text_input(key="fact_static_pressure_kpa_psi").set_value("80").run()
    told = demo.session_state["cutpipe_case"].answers
    assert told["static_pressure_kpa"] == pytest.approx(551.58, abs=0.01)
    demo.text_input(key="fact_static_pressure_kpa_psi").set_value("6 bar").run()
    assert told["static_pressure_kpa"] == 600
    for units in ("mm, kPa", "in, psi"):
        demo.segmented_control(key="units").set_value(units).run()
    assert demo.text_input(key="fact_static_pressure_kpa_psi").value == "87.0226"  # 600 / 6.894757
    demo.segmented_control(key="units").set_value("mm, kPa").run()
    assert told["static_pressure_kpa"] == 600
    assert demo.text_input(key="fact_static_pressure_kpa").value == "600"
    demo.text_input(key="fact_static_pressure_kpa").set_value("").run()
    assert "static_pressure_kpa" not in told


def test_a_leak_that_lies_ahead_is_refused_where_it_is_typed(demo):
    demo.segmented_control(key="section").set_value("House").run()
    demo.text_input(key="fact_leak_dates").set_value("2091-03-31").run()
    assert any("ahead of today" in str(error.value) for error in demo.error)
    assert "leak_dates" not in demo.session_state["cutpipe_case"].answers
    demo.text_input(key="fact_leak_dates").set_value("").run()
    assert not demo.error


def test_a_cause_shows_the_few_unknown_facts_that_matter_and_the_rest_on_request(demo):
    demo.segmented_control(key="section").set_value("Why").run()
    said = [str(block.value) for block in demo.markdown if "Not known, and would count" in str(block.value)]
    assert said and all(1 <= text.count("\n- ") <= 3 for text in said)
    assert any("more that would count" in expander.label for expander in demo.expander)
    asked = [check.quantity for check in _examination(demo).judgement.checks]
    first = _examination(demo).judgement.findings[0].facts_not_known
    best = min((r for r in first if r.quantity in asked), key=lambda r: asked.index(r.quantity))
    assert best.sentence[:20] in said[0].replace("\\", "")


def test_prices_not_known_are_asked_for_and_not_taken_as_nothing(demo):
    facts = demo.session_state["cutpipe_case"].answers
    kept = dict(facts)
    facts.update(check_facts({"leak_dates": ["2019-03-02", "2022-11-20", "2024-05-14"]}))
    demo.segmented_control(key="section").set_value("House").run()
    next(b for b in demo.button if b.label == "Compare").click().run()
    assert any("Enter what" in str(error.value) for error in demo.error)
    prices = {field.label: field for field in demo.number_input}
    prices["Repair of one leak"].set_value(450.0)
    prices["New pipes in the whole house"].set_value(9000.0)
    next(b for b in demo.button if b.label == "Compare").click().run()
    assert not demo.error and not demo.exception
    assert (
        demo.session_state["cutpipe_case"].prices.repair_per_leak,
        demo.session_state["cutpipe_case"].prices.replace_all,
    ) == (450.0, 9000.0)
    demo.session_state["cutpipe_case"].prices = None
    facts.clear()
    facts.update(kept)


def _examination(app):
    from analyzer.result.examination import conclude
    from ui import state

    case = app.session_state["cutpipe_case"]
    look = next(look for look in state._looks().values() if look.photo.name == case.name)
    return conclude(look, facts=check_facts(case.answers))


def test_a_new_piece_can_be_taken_back(demo):
    case = demo.session_state["cutpipe_case"]
    next(b for b in demo.button if b.label == "New piece").click().run()
    assert demo.title[0].value == "Why did this pipe leak?"
    next(b for b in demo.button if b.label.startswith("Back to")).click().run()
    assert demo.session_state["cutpipe_case"] is case and not demo.exception


def test_bands_and_doubtful_pits_are_drawn_as_such(demo_examination):
    from ui.sections import marks

    shapes = marks._shapes(demo_examination, 0, 0, 1.0)
    kinds = [shape["kind"] for shape in shapes]
    assert "band contact_mark" in kinds and kinds.count("outline") == 1
    doubtful = {pit.id for pit in demo_examination.pits.pits if pit.confidence < 0.5}
    assert {shape["id"] for shape in shapes if shape["kind"] == "pit unsure"} == doubtful
    (band,) = [shape["points"] for shape in shapes if shape["kind"] == "band contact_mark"]
    drawn = np.zeros(demo_examination.bands.labels.shape, np.uint8)
    cv2.fillPoly(drawn, [np.round(np.array(band) - 0.5).astype(np.int32)], 1)
    labelled = demo_examination.bands.labels == 1
    assert (labelled & (drawn > 0)).sum() / (labelled | (drawn > 0)).sum() > 0.99


def test_one_torch_counts(monkeypatch):
    """One or two torches give depth from the shadows alone; they are not held back."""
    from types import SimpleNamespace

    from ui import state

    seen = {}

    def look(photos, *, settings, lights, progress):
        seen["lights"] = [(light.photo.name, light.azimuth_deg) for light in lights]
        return SimpleNamespace(surface=SimpleNamespace(mm_per_px=1.0))

    case = state.Case(
        data=PHOTO,
        name="a.jpg",
        extras=[state.ExtraPhoto(data=PHOTO, name="left.jpg", role="light", azimuth_deg=180.0)],
    )
    monkeypatch.setattr(state, "look", look)
    monkeypatch.setattr(state, "case", lambda: case)
    monkeypatch.setattr(state, "_looks", dict)
    state.looked()
    assert seen["lights"] == [("left.jpg", 180.0)]


def test_a_length_marked_on_a_photo_without_scale_gives_the_scale_and_undo_takes_it_back(monkeypatch, demo_examination):
    from dataclasses import replace

    from analyzer.result.corrections import make_correction
    from ui import state

    seen, asked, store = demo_examination.look, [], {}
    bare = replace(seen, surface=replace(seen.surface, mm_per_px=None, unit="px"))

    def look(photos, *, settings, lights, progress):
        asked.append(settings.marker)
        return replace(seen if settings.marker.kind == "length" else bare, settings=settings)

    case = state.Case(data=PHOTO, name="a.jpg")
    monkeypatch.setattr(state, "look", look)
    monkeypatch.setattr(state, "case", lambda: case)
    monkeypatch.setattr(state, "_looks", lambda: store)
    assert state.looked().surface.mm_per_px is None
    case.corrections.append(make_correction({"kind": "known_length", "points_px": [[2, 2], [502, 2]], "length_mm": 40}))
    result = state.examined()
    assert result.surface.mm_per_px is not None and result.settings.marker.length_mm == 40
    state.undo()
    assert state.looked().surface.mm_per_px is None
    assert [marker.kind for marker in asked] == ["auto", "length"]  # each was looked at once
    case.corrections += [make_correction({"kind": "remove_pit", "pit": 1}), *case.undone]
    with pytest.raises(CutpipeError, match="mark the length first"):
        state.examined()
    assert [entry.kind for entry in case.corrections] == ["remove_pit"]  # the entry that does not fit locks nobody out


@pytest.mark.parametrize(
    "typed, mode, points, told",
    [
        (1.0, "place", [[100, 60]], {"diameter_mm": 1.0, "diameter_px": None}),
        (None, "mouth", [[100, 60], [106, 60]], {"diameter_mm": None, "diameter_px": None}),
    ],
)
def test_a_pit_is_added_as_it_was_told_or_as_it_was_pointed_at(monkeypatch, typed, mode, points, told):
    """The pages compute nothing: a typed width goes on in millimetres, else both sides of the mouth do. Nothing is filled in."""
    from ui.sections import marks

    shown, events = [], []

    def photo_points(**said):
        shown.append(said["mode"])
        return events.pop() if events else None

    monkeypatch.setattr(marks, "photo_points", photo_points)
    app = AppTest.from_file(APP, default_timeout=120)
    app.query_params["demo"] = "1"
    app.run()
    app.selectbox(key="tool").set_value("Add a pit").run()
    assert app.number_input(key="pit_size").value is None
    if typed is not None:
        app.number_input(key="pit_size").set_value(typed).run()
    assert shown[-1] == mode
    picture = marks._picture(_examination(app))
    middle = [picture[2] / 2, picture[3] / 2]
    events.append({"points": [[middle[0] + x - 100, middle[1] + y - 60] for x, y in points], "pit": None})
    app.run()
    assert not app.exception and not app.error
    (entry,) = app.session_state["cutpipe_case"].corrections
    assert (entry.kind, len(entry.points_px)) == ("add_pit", len(points))
    assert {name: getattr(entry, name) for name in told} == told
    app.selectbox(key="tool").set_value("Mark a length").run()
    events.append({"points": [[10, 10], [90, 10]], "pit": None})
    app.run()
    assert any("Type the length first" in str(error.value) for error in app.error)
    assert len(app.session_state["cutpipe_case"].corrections) == 1


def test_another_photo_keeps_what_was_entered():
    """A photo without a pipe, then a good one: facts told in between stay."""
    noise = np.random.default_rng(0).normal(150, 8, (500, 700, 3)).clip(0, 255).astype(np.uint8)
    app = started()
    app.file_uploader(key="photo_file").upload("table.png", png(Image.fromarray(noise)), "image/png").run()
    assert any("No pipe is found" in str(error.value) for error in app.error)
    app.segmented_control(key="section").set_value("House").run()
    app.selectbox(key="fact_service").set_value("hot").run()
    app.segmented_control(key="section").set_value("Photo").run()
    other = next(u for u in app.get("file_uploader") if u.label == "Another photo of the piece")
    other.upload("bore.jpg", PHOTO, "image/jpeg").run()
    assert not app.error and not app.exception
    case = app.session_state["cutpipe_case"]
    assert case.name == "bore.jpg" and case.answers["service"] == "hot"


def test_corrections_come_back_with_the_settings_they_were_made_under(demo):
    from analyzer.result.corrections import Correction
    from analyzer.result.examination import Settings

    case = demo.session_state["cutpipe_case"]
    before, entry = case.settings, Correction(kind="confirm_pit", pit=1, who="", when="")
    demo.segmented_control(key="section").set_value("Photo").run()
    case.corrections.append(entry)
    script = AppTest.from_function(_change_settings)
    script.session_state["cutpipe_case"] = case
    script.session_state["wanted"] = Settings(view="outside")
    script.run()
    assert not script.exception and case.corrections == []
    script.session_state["wanted"] = before
    script.run()
    assert case.settings == before and case.corrections == [entry]
    case.corrections.clear()


def _change_settings():
    import streamlit

    from ui import state

    state.set_settings(streamlit.session_state["wanted"])


def png(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


@pytest.mark.parametrize(
    "data, sentence",
    [
        (b"", "empty"),
        (b"no picture", "not a picture"),
        (PHOTO[:5000], "damaged"),
        (png(Image.new("RGB", (400, 300))), "one even colour"),
    ],
)
def test_bad_files_get_one_sentence_and_the_screen_stays(data, sentence):
    app = started()
    app.file_uploader(key="photo_file").upload("photo.jpg", data, "image/jpeg").run()
    assert not app.exception
    assert any(sentence in str(error.value) for error in app.error)
    assert len(app.get("file_uploader")) == 1
