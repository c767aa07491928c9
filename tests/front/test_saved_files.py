"""Every file that Save offers comes when it is asked for, made between two drawings of the page."""

import io
import threading
import zipfile

import pytest

from analyzer.show import output
from tests.front.test_front_end import _examination, begun, case_of

pytestmark = pytest.mark.filterwarnings("ignore")


def test_files_are_made_where_no_page_is_being_drawn():
    """In a thread that knows no session, as the server calls it; the file is that of the command's own making."""
    from analyzer.case.work import edition_of
    from ui import looking, state
    from ui.sections import save

    app = begun()
    app.segmented_control(key="section").set_value("Save").run()
    assert not app.error and not app.exception
    examination, edition = _examination(app), edition_of(case_of(app).kept, _examination(app))
    asked = []
    original = state.case
    try:
        state.case = lambda: case_of(app)
        make = looking.making(examination)
    finally:
        state.case = original
    names = ("pits.csv", "examination.json")
    work = threading.Thread(target=lambda: asked.append([save._single(make, name) for name in names]))
    work.start()
    work.join(60)
    made, faults = output.make(examination, edition, names)
    assert not faults and asked == [[made[name] for name in names]]
    packed = zipfile.ZipFile(io.BytesIO(save._packed(made)))
    assert sorted(packed.namelist()) == sorted(names)
