"""The same piece told in a real browser and by file gives the same ``examination.json``."""

import json

import pytest

from analyzer import cli
from analyzer.show import output
from tests.conftest import ROOT
from tests.front.test_browser import address, chosen, chromium, page, pit_called, pits_drawn, section, settled  # noqa: F401
from tests.joints.test_one_way_in import differences

pytestmark = pytest.mark.browser
PHOTO = ROOT / "demo_images/bore-contact-mark.jpg"


def saved(page, folder) -> dict:  # noqa: F811
    section(page, "Save")
    page.get_by_text("Single files").click()
    with page.expect_download() as download:
        page.get_by_text("All figures for another program (JSON)").click()
    download.value.save_as(folder / "page.json")
    return json.loads((folder / "page.json").read_text(encoding="utf-8"))


def test_facts_and_a_correction_told_in_the_browser(page, address, tmp_path, monkeypatch):  # noqa: F811
    page.goto(address + "/?demo=1")
    page.get_by_text("Pits estimated").first.wait_for()
    settled(page)
    before = pits_drawn(page)
    pit_called(page, "Not a pit")
    pits_drawn(page, before - 1)
    settled(page)
    section(page, "House")
    chosen(page, "What ran through the pipe?", "hot drinking water")
    page.get_by_role("textbox", name="How old was the pipe when it failed?").fill("9 yrs")
    page.keyboard.press("Enter")
    settled(page)
    told = saved(page, tmp_path)
    assert told["facts"]["service"] == "hot" and told["facts"]["age_years"] == 9
    (entry,) = told["corrections"]
    (tmp_path / "facts.toml").write_text('material = "copper"\nservice = "hot"\nage_years = "9 yrs"\n')
    rows = {key: value for key, value in entry.items() if value is not None}
    text = "\n".join(f"{key} = {json.dumps(value)}" for key, value in rows.items())
    (tmp_path / "mine.toml").write_text(f"[[correction]]\n{text}\n")
    said = ["--view", "inside", "--tube", "3/4", "--marker", "ruler", "--quiet", "--out", str(tmp_path / "result")]
    files = ["--facts", str(tmp_path / "facts.toml"), "--corrections", str(tmp_path / "mine.toml")]
    monkeypatch.setattr(output, "FILES", {"examination.json": output.FILES["examination.json"]})
    assert cli.main(["examine", str(PHOTO), *said, *files]) == 0
    by_file = json.loads((tmp_path / "result/examination.json").read_text(encoding="utf-8"))
    assert differences(by_file, told) == []
