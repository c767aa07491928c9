"""The page for a second examiner: the bare photo alone, marks kept as told, agreement stated, nothing of the result shown before."""

import os
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from analyzer.case.store import CaseStore
from tests.front.test_front_end import APP, words

pytestmark = pytest.mark.filterwarnings("ignore")


def _press(app, label):
    next(button for button in app.button if button.label.startswith(label)).click().run()


def _everything(app):
    shown = [
        str(block.proto) for kind in ("html", "markdown", "caption", "alert", "expander") for block in app.get(kind)
    ]
    return words(app) + " ".join(shown)


def test_a_second_person_marks_without_seeing_the_result():
    app = AppTest.from_file(APP, default_timeout=300)
    app.query_params["demo"] = "1"
    app.run()
    app.segmented_control(key="section").set_value("Figures").run()
    assert "Pits" in _everything(app)
    _press(app, "Begin the second look")
    shown = _everything(app)
    assert "Mark every pit that you see" in shown and not app.exception
    assert "Pits" not in shown and "possible" not in shown and not app.segmented_control  # no way to the result either
    app.session_state["cutpipe_second_look"] = [(1563.7, 1314.2, 47.6), (1020.0, 1254.2, 23.3)]
    app.run()
    _press(app, "Take the last mark back")
    keep = next(button for button in app.button if button.label.startswith("Keep"))
    assert keep.label == "Keep: 1 pit marked" and keep.disabled  # until it is said that nothing was seen
    app.text_input(key="second_who").set_value("S. Hill").run()
    app.checkbox(key="second_unseen").check().run()
    _press(app, "Keep")
    assert not app.exception and "A second examiner (S. Hill) marked pits" in words(app)
    assert "1 seen by both" in words(app)
    kept = (CaseStore.open(file.parent) for file in Path(os.environ["CUTPIPE_CASES"]).rglob("case.sqlite"))
    (look,) = [look for store in kept for look in store.state().piece().second_looks]
    assert look.marks_px == ((1563.7, 1314.2, 47.6),) and look.who == "S. Hill"
