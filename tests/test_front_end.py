"""The front end by Streamlit's own harness: every section starts, what was entered stays, bad input gets a sentence."""

import io

import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from tests.conftest import ROOT

APP = str(ROOT / "ui/app.py")
SECTIONS = ("Photo", "Figures", "Wall", "Why", "What to do", "House facts", "Save")
PHOTO = (ROOT / "demo_images/bore-contact-mark.jpg").read_bytes()

# Streamlit's harness itself warns of what the bare mode lacks.
pytestmark = pytest.mark.filterwarnings("ignore")


def started() -> AppTest:
    app = AppTest.from_file(APP, default_timeout=60)
    app.run()
    return app


def words(app: AppTest) -> str:
    return " ".join(str(element.value) for kind in (app.markdown, app.error, app.warning, app.info, app.caption, app.title, app.subheader) for element in kind)


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


def test_units_change_what_is_read(demo):
    demo.segmented_control(key="section").set_value("Figures").run()
    demo.segmented_control(key="units").set_value("in, psi").run()
    shown = " ".join(str(block.proto.body) for block in demo.get("html"))
    assert " in<" in shown or "per in²" in shown
    demo.segmented_control(key="units").set_value("mm, kPa").run()


def test_a_fact_changes_the_ranking_and_stays(demo):
    demo.segmented_control(key="section").set_value("House facts").run()
    demo.selectbox(key="fact_service").set_value("hot").run()
    demo.segmented_control(key="section").set_value("Why").run()
    demo.segmented_control(key="section").set_value("House facts").run()
    assert demo.selectbox(key="fact_service").value == "hot"


def test_an_impossible_fact_is_refused_in_one_sentence(demo):
    demo.segmented_control(key="section").set_value("House facts").run()
    demo.toggle(key="every_fact").set_value(True).run()
    demo.text_input(key="fact_water_ph").set_value("15").run()
    assert any("pH" in str(error.value) for error in demo.error) and not demo.exception
    demo.text_input(key="fact_water_ph").set_value("").run()
    demo.toggle(key="every_fact").set_value(False).run()


def test_corrections_come_back_with_the_settings_they_were_made_under(demo):
    from analyzer.corrections import Correction
    from analyzer.examination import Settings

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
    [(b"", "empty"), (b"no picture", "not a picture"), (PHOTO[:5000], "damaged"), (png(Image.new("RGB", (400, 300))), "one even colour")],
)
def test_bad_files_get_one_sentence_and_the_screen_stays(data, sentence):
    app = started()
    app.file_uploader(key="photo_file").upload("photo.jpg", data, "image/jpeg").run()
    assert not app.exception
    assert any(sentence in str(error.value) for error in app.error)
    assert len(app.get("file_uploader")) == 1
