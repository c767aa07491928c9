"""The front end by Streamlit's own harness: every section starts, what was entered stays, bad input gets a sentence."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from tests.conftest import ROOT, short_stretch

APP = str(ROOT / "ui/app.py")
SECTIONS = ("Photo", "House", "Figures", "Wall", "Why", "To do", "Save")
WHEN = "2026-11-20T10:00:00+00:00"
PHOTO = short_stretch(shrink=1)

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

    def told():
        return demo.session_state["cutpipe_case"].kept.answers

    assert told()["static_pressure_kpa"] == pytest.approx(551.58, abs=0.01)
    demo.text_input(key="fact_static_pressure_kpa_psi").set_value("6 bar").run()
    assert told()["static_pressure_kpa"] == 600
    for units in ("mm, kPa", "in, psi"):
        demo.segmented_control(key="units").set_value(units).run()
    assert demo.text_input(key="fact_static_pressure_kpa_psi").value == "87.0226"  # 600 / 6.894757
    demo.segmented_control(key="units").set_value("mm, kPa").run()
    assert told()["static_pressure_kpa"] == 600
    assert demo.text_input(key="fact_static_pressure_kpa").value == "600"
    demo.text_input(key="fact_static_pressure_kpa").set_value("").run()
    assert "static_pressure_kpa" not in told()


def test_a_leak_that_lies_ahead_is_refused_where_it_is_typed(demo):
    demo.segmented_control(key="section").set_value("House").run()
    demo.text_input(key="fact_leak_dates").set_value("2091-03-31").run()
    assert any("ahead of today" in str(error.value) for error in demo.error)
    assert "leak_dates" not in demo.session_state["cutpipe_case"].kept.answers
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
    demo.segmented_control(key="section").set_value("House").run()
    demo.toggle(key="every_fact").set_value(True).run()
    demo.text_input(key="fact_leak_dates").set_value("2019-03-02, 2022-11-20, 2024-05-14").run()
    next(b for b in demo.button if b.label == "Compare").click().run()
    assert any("Enter what" in str(error.value) for error in demo.error)
    prices = {field.label: field for field in demo.number_input}
    prices["Repair of one leak"].set_value(450.0)
    prices["New pipes in the whole house"].set_value(9000.0)
    next(b for b in demo.button if b.label == "Compare").click().run()
    assert not demo.error and not demo.exception
    kept = demo.session_state["cutpipe_case"].kept.prices
    assert (kept["repair_per_leak"], kept["replace_all"]) == (450.0, 9000.0)
    for _ in range(2):
        pressed(demo, "Undo")
    assert demo.session_state["cutpipe_case"].kept.prices is None
    assert "leak_dates" not in demo.session_state["cutpipe_case"].kept.answers


def pressed(app, label):
    next(b for b in app.button if b.label == label).click().run()
    assert not app.exception


def case_of(app):
    return app.session_state["cutpipe_case"]


def _examination(app):
    from ui import looking

    return looking._results()[case_of(app).entries[-1].hash]


def opened(app) -> AppTest:
    """The same case in another window."""
    other = AppTest.from_file(APP, default_timeout=120)
    other.query_params["case"] = case_of(app).address
    other.run()
    assert not other.exception
    return other


def begun() -> AppTest:
    """A case of its own for a test that changes it."""
    app = started()
    app.file_uploader(key="photo_file").upload("bore.jpg", PHOTO, "image/jpeg").run()
    assert not app.error and not app.exception
    return app


def test_what_was_entered_is_kept_listed_and_opened_again():
    app = begun()
    app.segmented_control(key="section").set_value("House").run()
    app.selectbox(key="fact_service").set_value("hot").run()
    case = case_of(app)
    title = next(w for w in app.text_input if w.label == "Name of the case")
    title.set_value("Alder Row, bath")
    pressed(app, "Keep")
    assert case_of(app).title == "Alder Row, bath"
    app.button[[b.label for b in app.button].index("New piece, or another case")].click().run()
    assert app.title[0].value == "Why did this pipe leak?"
    app.button(key=f"open_{case.address}").click().run()
    assert case_of(app).kept.answers["service"] == "hot" and not app.exception
    other = opened(app)
    other.segmented_control(key="section").set_value("House").run()
    assert other.selectbox(key="fact_service").value == "hot"
    assert case_of(other).store.faults() == ()


def test_two_windows_never_write_over_each_other_silently():
    app = begun()
    app.segmented_control(key="section").set_value("House").run()
    other = opened(app)
    other.segmented_control(key="section").set_value("House").run()
    app.selectbox(key="fact_service").set_value("hot").run()
    other.selectbox(key="fact_service").set_value("cold").run()  # chosen on a page that does not show "hot"
    assert [w for w in other.warning if "Another window changed this case" in str(w.value)]
    assert case_of(app).store.state().answers["service"] == "hot"
    pressed(other, "Leave mine out")
    assert other.selectbox(key="fact_service").value == "hot"
    assert not [w for w in other.warning if "Another window" in str(w.value)]
    other.selectbox(key="fact_service").set_value("cold").run()
    app.selectbox(key="fact_service").set_value("hot").run()
    assert case_of(other).store.state().answers["service"] == "cold"
    app.run()
    assert app.selectbox(key="fact_service").value == "cold"  # a form that another window made old shows what is kept


def test_mine_can_be_kept_on_top():
    app = begun()
    app.segmented_control(key="section").set_value("House").run()
    other = opened(app)
    other.segmented_control(key="section").set_value("House").run()
    app.selectbox(key="fact_service").set_value("hot").run()
    other.selectbox(key="fact_service").set_value("cold").run()
    pressed(other, "Keep mine too")
    assert case_of(other).store.state().answers["service"] == "cold"
    kinds = [(entry.kind, entry.content.get("answers")) for entry in case_of(other).store.entries()[-2:]]
    assert kinds == [("facts", {"service": "hot"}), ("facts", {"service": "cold"})]


def test_undo_and_redo_are_entries_and_the_forms_follow():
    app = begun()
    app.segmented_control(key="section").set_value("House").run()
    app.selectbox(key="fact_service").set_value("hot").run()
    pressed(app, "Undo")
    assert app.selectbox(key="fact_service").value == "not known" and "service" not in case_of(app).kept.answers
    pressed(app, "Redo")
    assert app.selectbox(key="fact_service").value == "hot"
    assert [entry.kind for entry in case_of(app).entries[-3:]] == ["facts", "undo", "redo"]
    pressed(app, "Undo")
    assert next(b for b in app.button if b.label == "Undo").disabled  # a case keeps its first photo


def test_another_photo_says_what_goes_with_the_old_one():
    """A depth is bound to a place on its photo; a wall reading belongs to the piece."""
    from ui import entries

    app = begun()
    store = case_of(app).store
    rows = [
        {"kind": "pit", "depth": 0.4, "x_px": 200.0, "y_px": 100.0, "id": 2},
        {"kind": "sound_wall", "wall": 0.79},
    ]
    store.add("readings", {"rows": rows}, when=WHEN)
    store.add_photo(png(Image.open(io.BytesIO(PHOTO)).resize((900, 600))), file_name="b.png", purpose="main", when=WHEN)
    assert [row["kind"] for row in store.state().piece().reading_rows] == ["sound_wall"]
    store.undo(when=WHEN)
    assert len(store.state().piece().reading_rows) == 2
    script = AppTest.from_function(_lost)
    script.session_state["cutpipe_case"] = type(case_of(app))(store=store, entries=store.entries())
    script.run()
    assert script.markdown[0].value == "1 depth reading" and entries


def _lost():
    import streamlit

    from ui import entries

    streamlit.markdown(entries.lost_with_the_photo())


def test_a_correction_that_does_not_fit_is_refused_and_the_log_stays():
    from ui.sections import tools

    assert tools.KINDS["Add a pit"] == "add_pit"
    app = begun()
    number = case_of(app).number
    script = AppTest.from_function(_correct, default_timeout=60)
    script.session_state["cutpipe_case"] = case_of(app)
    script.session_state["cutpipe_shown"] = number
    script.run()
    assert "lies off the metal" in script.markdown[0].value
    assert case_of(app).store.entries()[-1].number == number


def _correct():
    import streamlit

    from ui import entries

    row = {"kind": "add_pit", "points_px": [[1, 1]], "diameter_mm": 1.0}
    streamlit.markdown(entries.error_of(entries.correct, row) or "kept")


def test_an_error_of_something_else_takes_no_correction_back():
    """A ring photo that cannot be read must not cost a correction; a correction that fits no longer is named and can be taken back."""
    app = begun()
    store = case_of(app).store
    pit = _examination(app).pits.pits[0]
    row = {"kind": "remove_pit", "pit": pit.id, "points_px": [[pit.x_px, pit.y_px]]}
    store.add("correction", {"correction": row}, when=WHEN)
    store.add("settings", {"marker": {"kind": "card"}}, when=WHEN)  # there is none on the photo
    app = opened(app)
    assert app.error and len(store.state().piece().corrections) == 1
    assert not [b for b in app.button if b.label.startswith("Take back the correction")]
    store.add("settings", {"marker": {"kind": "auto"}}, when=WHEN)
    store.add("correction", {"correction": {"kind": "remove_pit", "pit": 9999}}, when=WHEN)
    app = opened(app)
    assert any("no pit 9999" in str(error.value) for error in app.error)
    pressed(app, "Take back the correction that does not fit")
    assert not app.error and [c.pit for c in store.state().piece().corrections] == [pit.id]


@pytest.mark.usefixtures("set_as_it_comes")
def test_a_case_is_carried_in_one_file_sealed_and_checked():
    from ui import shelf

    app = begun()
    app.segmented_control(key="section").set_value("Save").run()
    assert not app.exception and {"The whole case (one file)", "The sealed bundle"} <= {
        b.proto.label for b in app.get("download_button")
    }
    store = case_of(app).store
    other = started()
    other.file_uploader(key="photo_file").upload("alder.zip", shelf.carried(store), "application/zip").run()
    assert not other.error and case_of(other).kept.case_id == case_of(app).kept.case_id
    assert case_of(other).address != case_of(app).address  # beside the one that is kept, never over it
    sealed = shelf.sealed(store, units="metric", with_names=False, with_place=False)
    checked = started()
    checked.file_uploader(key="photo_file").upload("sealed.zip", sealed, "application/zip").run()
    assert any("Nothing was changed since the sealing" in str(s.value) for s in checked.success), words(checked)
    broken = started()
    broken.file_uploader(key="photo_file").upload("x.zip", sealed[: len(sealed) // 2], "application/zip").run()
    assert any("damaged" in str(e.value) for e in broken.error)


def test_an_address_leads_to_kept_cases_only(tmp_path):
    for address in ("nobody", "../../etc", "a/b", "..", "%2e%2e"):
        app = AppTest.from_file(APP, default_timeout=60)
        app.query_params["case"] = address
        app.run()
        assert not app.exception and any("not kept here" in str(w.value) for w in app.warning), address


def test_a_step_is_ticked_off_with_day_and_name():
    app = begun()
    app.segmented_control(key="section").set_value("To do").run()
    box = next(b for b in app.checkbox if b.key.startswith("done_"))
    box.check().run()
    (done,) = case_of(app).kept.steps_done
    assert box.key == f"done_{done}" and not app.exception
    pressed(app, "Undo")
    assert not next(b for b in app.checkbox if b.key == box.key).value


def test_bands_and_doubtful_pits_are_drawn_as_such(demo_examination):
    from ui.sections.shapes import shapes as drawn_shapes

    shapes = drawn_shapes(demo_examination, 0, 0, 1.0)
    kinds = [shape["kind"] for shape in shapes]
    assert "band contact_mark" in kinds and kinds.count("outline") == 1
    doubtful = {pit.id for pit in demo_examination.pits.pits if pit.confidence < 0.5}
    assert {shape["id"] for shape in shapes if shape["kind"] == "pit unsure"} == doubtful
    (band,) = [shape["points"] for shape in shapes if shape["kind"] == "band contact_mark"]
    drawn = np.zeros(demo_examination.bands.labels.shape, np.uint8)
    cv2.fillPoly(drawn, [np.round(np.array(band) - 0.5).astype(np.int32)], 1)
    labelled = demo_examination.bands.labels == 1
    assert (labelled & (drawn > 0)).sum() / (labelled | (drawn > 0)).sum() > 0.99


def test_one_torch_counts():
    """One or two torches give depth from the shadows alone; they are not held back."""
    from analyzer.case.work import photographs
    from analyzer.photo.reading import read_photo

    app = begun()
    store = case_of(app).store
    store.add_photo(
        PHOTO + b"x", file_name="left.jpg", purpose="light", azimuth_deg=180.0, elevation_deg=30.0, when=WHEN
    )
    photos, lights = photographs(
        store.state().piece(), lambda kept: read_photo(PHOTO, name=kept.file_name, role=kept.purpose)
    )
    assert [(light.photo.name, light.azimuth_deg, light.elevation_deg) for light in lights] == [
        ("left.jpg", 180.0, 30.0)
    ]
    assert [photo.name for photo in photos] == ["bore.jpg"]


def test_a_length_marked_on_a_photo_without_scale_gives_the_scale_and_undo_takes_it_back(monkeypatch, demo_examination):
    from dataclasses import replace

    from ui import looking

    seen, asked, looks = demo_examination.look, [], {}
    bare = replace(seen, surface=replace(seen.surface, mm_per_px=None, unit="px"))

    def look(photos, *, settings, lights, progress):
        asked.append(settings.marker)
        return replace(seen if settings.marker.kind == "length" else bare, settings=settings)

    app = begun()
    store = case_of(app).store
    monkeypatch.setattr(looking, "look", look)
    monkeypatch.setattr(looking, "_looks", lambda: looks)
    assert looking.looked(store, store.state().piece()).surface.mm_per_px is None
    length = {"kind": "known_length", "points_px": [[2, 2], [502, 2]], "length_mm": 40.0}
    store.add("correction", {"correction": length}, when=WHEN)
    result = looking.concluded(store, store.state())
    assert result.surface.mm_per_px is not None and result.settings.marker.length_mm == 40
    store.undo(when=WHEN)
    assert looking.looked(store, store.state().piece()).surface.mm_per_px is None
    assert [marker.kind for marker in asked] == ["auto", "length"]  # each was looked at once


@pytest.mark.parametrize(
    "typed, mode, points, told",
    [
        (1.0, "place", [[100, 60]], {"diameter_mm": 1.0, "diameter_px": None}),
        (None, "mouth", [[100, 60], [106, 60]], {"diameter_mm": None, "diameter_px": None}),
    ],
)
def test_a_pit_is_added_as_it_was_told_or_as_it_was_pointed_at(monkeypatch, typed, mode, points, told):
    """The pages compute nothing: a typed width goes on in millimetres, else both sides of the mouth do. Nothing is filled in."""
    from ui.sections import shapes, tools

    shown, events = [], []

    def photo_points(**said):
        shown.append(said["mode"])
        return events.pop() if events else None

    monkeypatch.setattr(tools, "photo_points", photo_points)
    app = begun()
    app.pills(key="tool").set_value("Add a pit").run()
    assert app.number_input(key="pit_size").value is None
    if typed is not None:
        app.number_input(key="pit_size").set_value(typed).run()
    assert shown[-1] == mode
    picture = shapes.picture(_examination(app))
    middle = [picture[2] / 2, picture[3] / 2]
    events.append({"points": [[middle[0] + x - 100, middle[1] + y - 60] for x, y in points], "pit": None})
    app.run()
    assert not app.exception and not app.error
    (entry,) = case_of(app).piece.corrections
    assert (entry.kind, len(entry.points_px)) == ("add_pit", len(points))
    assert {name: getattr(entry, name) for name in told} == told
    app.pills(key="tool").set_value("Mark a length").run()
    events.append({"points": [[10, 10], [90, 10]], "pit": None})
    app.run()
    assert any("Type the length first" in str(error.value) for error in app.error)
    assert len(case_of(app).piece.corrections) == 1


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
    assert case_of(app).main.file_name == "bore.jpg" and case_of(app).kept.answers["service"] == "hot"


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
