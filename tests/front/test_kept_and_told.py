"""What the pages hold, forget and tell: memory given back, a look stopped, what an answer changed, notes and ticks in the report."""

import pytest
from streamlit.testing.v1 import AppTest

from tests.front.test_front_end import APP, WHEN, _examination, begun, case_of, pressed, words

pytestmark = pytest.mark.filterwarnings("ignore")


def test_an_idle_server_holds_no_pictures_and_the_case_opens_again(monkeypatch):
    from ui import looking
    from ui.sections import flat, shapes

    app = begun()
    pits = len(_examination(app).standing_pits.pits)
    held = (looking._looks(), looking._results(), looking._told(), shapes._JPEGS, flat._MAPS)
    assert all(held)
    used = looking._used[0]
    assert not looking.give_back(used + looking.IDLE_S - 1) and all(held)  # somebody may still be reading
    assert looking.give_back(used + looking.IDLE_S) and not any(held)
    assert not looking.give_back(used + 2 * looking.IDLE_S)  # once
    app.run()
    assert not app.exception and len(_examination(app).standing_pits.pits) == pits


def test_a_stopped_look_waits_until_it_is_asked_for():
    from ui import looking

    app = begun()
    store = case_of(app).store
    store.add("settings", {"view": "outside", "marker": {"kind": "none"}}, when=WHEN)
    name = looking.key(store.state().piece())
    other = AppTest.from_file(APP, default_timeout=120)
    other.query_params["case"] = case_of(app).address
    other.session_state["cutpipe_stopped_look"] = name
    other.run()
    assert "Stopped before it was examined" in words(other) and name not in looking._looks()
    pressed(other, "Examine it now")
    assert name in looking._looks() and "Stopped" not in words(other)


def test_an_answer_tells_what_it_changed_and_undo_says_nothing_of_it():
    """The page's lines against the standings before and after, compared here by themselves."""
    app = begun()
    app.segmented_control(key="section").set_value("House").run()
    before = {f.cause: (f.name, f.standing) for f in _examination(app).judgement.findings}
    app.selectbox(key="fact_freeze_exposure").set_value("yes").run()
    after = {f.cause: f.standing for f in _examination(app).judgement.findings}
    moved = [name for cause, (name, standing) in before.items() if after[cause] != standing]
    assert moved, "this answer should move a cause"
    said = words(app)
    assert "changed:" in said and any(name in said.split("changed:")[1] for name in moved)
    pressed(app, "Undo")
    assert "Your answer" not in words(app)


def test_a_tapped_answer_and_a_typed_one_are_the_same_answer():
    app = begun()
    app.segmented_control(key="section").set_value("House").run()
    app.selectbox(key="find_question").set_value("service").run()
    app.pills(key="ask_service").set_value("hot").run()
    assert case_of(app).kept.answers["service"] == "hot" and app.selectbox(key="fact_service").value == "hot"
    app.selectbox(key="fact_service").set_value("cold").run()
    assert app.pills(key="ask_service").value == "cold"


def test_a_note_at_a_pit_and_a_ticked_step_stand_in_the_report():
    from analyzer.case.work import edition_of
    from analyzer.show import report

    app = begun()
    examination = _examination(app)
    pit, step = examination.standing_pits.pits[0], examination.steps[0]
    store = case_of(app).store
    note = {"text": "solder drop beside it", "x_px": pit.x_px, "y_px": pit.y_px}
    store.add("note", note, private={"who": "R. Field"}, when=WHEN)
    store.add("step", {"step": step.id}, private={"who": "R. Field"}, when=WHEN)
    edition = edition_of(store.state(), examination)

    def text(name):
        return repr(report.section(examination, name, edition=edition).blocks)

    assert f"2026-11-20 10:00, R. Field: solder drop beside it (on pit {pit.id}" in text("series")
    assert "Done 2026-11-20 by R. Field." in text("steps")


def test_the_three_readings_tell_one_result():
    app = begun()
    app.segmented_control(key="section").set_value("Wall").run()
    shown = {}
    for reading in ("plain", "working", "record"):
        app.segmented_control(key="reading").set_value(reading).run()
        for section in ("Figures", "Wall", "Why", "To do"):
            app.segmented_control(key="section").set_value(section).run()
            assert not app.exception
            shown[reading, section] = words(app) + " ".join(str(b.proto.body) for b in app.get("html"))
    summary = _examination(app).judgement.summary.split(";")[0]
    assert all(summary in shown[reading, "Why"] for reading in ("plain", "working", "record"))
    assert "For the homeowner" in shown["plain", "To do"] and "For the homeowner" not in shown["working", "To do"]
    sources = [s for f in _examination(app).judgement.findings[:1] for s in f.sources]
    assert sources and all(s.split()[0] in shown["record", "Why"] for s in sources)
    assert "19 times of 20" in shown["plain", "Figures"] and "19 times of 20" not in shown["working", "Figures"]
