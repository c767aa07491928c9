"""Taps and seconds of the front end in a real Chromium, at phone and desktop width, as a table beside the goals.

``python -m tests.front_times [--clone]``; with ``--clone`` also from a fresh copy of the project to the first report (needs a network
for the packages). Seconds are of this machine as it is busy now; taps, rules of axe and the shift of the page are not.
"""

from __future__ import annotations

import argparse
import io
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PIL import Image, ImageEnhance

from tests.conftest import CHROMIUM, ROOT
from tests.front.test_browser import (
    AXE,
    FLAGS,
    SLOW_MS,
    free_port,
    pits_drawn,
    section,
    server_on,
    settled,
    stop,
)

PHOTO = ROOT / "demo_images/bore-contact-mark.jpg"
SECTIONS = ("Photo", "House", "Figures", "Wall", "Why", "To do", "Save")
SHIFT = (
    "window.shifted = 0; new PerformanceObserver(list => { for (const entry of list.getEntries()) "
    "if (!entry.hadRecentInput) window.shifted += entry.value }).observe({ type: 'layout-shift', buffered: true })"
)
GOALS = {
    "first screen of a warm server": "1.5 s",
    "photo to saved report": "4 taps, 15 s",
    "a correction is shown": "0.5 s and 10 % of a full run",
    "torch series of four": "8 taps",
    "rules of axe broken": "0",
    "layout shift": "under .1",
    "from a fresh copy to the first report": "5 minutes",
}


class Taps:
    """Counts what a finger does; a native list of files counts as one tap, whatever is chosen in it."""

    def __init__(self, page) -> None:
        self.page, self.number = page, 0

    def on(self, place) -> None:
        place.click()
        self.number += 1

    def choose(self, place, files) -> None:
        place.set_input_files(files)
        self.number += 1


def first_screen(page, address: str) -> float:
    begun = time.perf_counter()
    page.goto(address)
    page.get_by_text("Why did this pipe leak?").wait_for()
    page.locator("input[type=file]").first.wait_for(state="attached")
    return time.perf_counter() - begun


def to_report(page, address: str, photo: Path) -> tuple[int, float]:
    """Taps and seconds from the first screen to the report on the disk."""
    page.goto(address)
    settled(page)
    taps, begun = Taps(page), time.perf_counter()
    taps.choose(page.locator("input[type=file]").first, photo)
    page.get_by_text("Pits estimated").first.wait_for()
    taps.on(page.get_by_test_id("stButtonGroup").get_by_text("Save", exact=True))
    button = page.get_by_text("Report (PDF)")
    with page.expect_download() as download:
        taps.on(button)
    assert Path(download.value.path()).read_bytes().startswith(b"%PDF")
    return taps.number, time.perf_counter() - begun


def correction(page, address: str) -> float:
    """Seconds from the word that a mark is no pit to the picture without it."""
    page.goto(address + "/?demo=1")
    before = pits_drawn(page)
    settled(page)
    page.locator(".st-key-desk_picture .frame").focus()
    page.keyboard.press("n")
    page.keyboard.press("Enter")
    button = page.get_by_role("button", name="Not a pit", exact=True)
    button.wait_for()
    settled(page)
    begun = time.perf_counter()
    button.click()
    pits_drawn(page, before - 1)
    took = time.perf_counter() - begun
    settled(page)
    page.get_by_role("button", name="Undo").click()
    pits_drawn(page, before)
    settled(page)
    return took


def torch_photos(folder: Path) -> list[Path]:
    """Four copies of the photo, each a little brighter: for counting taps, not for depth."""
    made = []
    for k in range(4):
        with Image.open(PHOTO) as image:
            made.append(folder / f"torch-{k}.jpg")
            ImageEnhance.Brightness(image).enhance(1 + 0.02 * k).save(made[-1], quality=90)
    return made


def torch_series(page, address: str, folder: Path) -> int:
    page.goto(address + "/?demo=1")
    pits_drawn(page)
    settled(page)
    section(page, "Wall")
    taps = Taps(page)
    taps.on(page.get_by_text("Photos with the torch from several sides"))
    taps.choose(page.locator("[class*=st-key-extra_light] input[type=file]"), torch_photos(folder))
    dials = page.locator(".dial")
    dials.nth(3).wait_for()
    for k, mark in enumerate((0, 90, 180, 270)):
        taps.on(dials.nth(k).get_by_role("button", name=f"mark {mark},"))
    add = page.get_by_role("button", name="Add the 4 photos")
    page.wait_for_function("() => !document.querySelector('.st-key-add_light button').disabled", timeout=SLOW_MS)
    taps.on(add)
    page.get_by_text("torch at mark 270").wait_for(timeout=4 * SLOW_MS)  # five photos are looked at
    settled(page)
    for _ in range(4):
        page.get_by_role("button", name="Undo").click()
        settled(page)
    return taps.number


def broken_rules(page, address: str) -> int:
    def here() -> int:
        page.evaluate(AXE)
        return page.evaluate("async () => (await axe.run(document, { resultTypes: ['violations'] })).violations.length")

    page.goto(address)
    settled(page)
    number = here()
    page.goto(address + "/?demo=1")
    pits_drawn(page)
    settled(page)
    for name in SECTIONS:
        section(page, name)
        number += here()
    return number


def shift(page, address: str) -> float:
    page.goto(address + "/?demo=1")
    pits_drawn(page)
    settled(page)
    page.add_init_script(SHIFT)
    page.reload()
    pits_drawn(page)
    settled(page)
    return float(page.evaluate("window.shifted"))


def full_run() -> float:
    """Seconds of the whole examination by the command, all its files, the start of Python within."""
    with tempfile.TemporaryDirectory() as folder:
        said = ["--view", "inside", "--tube", "3/4", "--marker", "ruler", "--quiet", "--out", f"{folder}/out"]
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-m", "analyzer", "examine", str(PHOTO), *said], cwd=ROOT, check=True)
        return time.perf_counter() - begun


def from_clone() -> float:
    """Seconds from the copy to the first report as README tells it, the set-up of all packages within."""
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        subprocess.run(["git", "clone", "--quiet", str(ROOT), f"{folder}/copy"], check=True)
        clean = {name: value for name, value in os.environ.items() if name not in ("VIRTUAL_ENV", "PYTHONPATH")}
        said = "examine demo_images/bore-contact-mark.jpg --view inside --tube 3/4 --marker ruler --quiet --out result"
        subprocess.run(["python3", "ui/start.py", *said.split()], cwd=f"{folder}/copy", env=clean, check=True)
        assert Path(f"{folder}/copy/result/report.pdf").is_file()
        return time.perf_counter() - begun


@contextmanager
def opened(width: int) -> Iterator[tuple]:
    """A page and the address of a server with an empty folder of cases."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as cases:
        before = os.environ.get("CUTPIPE_CASES")
        os.environ["CUTPIPE_CASES"] = cases
        port = free_port()
        server = server_on(port)
        try:
            with sync_playwright() as play:
                browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
                size = {"width": width, "height": 844 if width < 600 else 800}
                page = browser.new_context(viewport=size, has_touch=width < 600).new_page()
                page.set_default_timeout(SLOW_MS)
                yield page, f"http://127.0.0.1:{port}"
                browser.close()
        finally:
            stop(server)
            if before is None:
                os.environ.pop("CUTPIPE_CASES", None)
            else:
                os.environ["CUTPIPE_CASES"] = before


def measured(width: int) -> dict[str, str]:
    found = {}
    with opened(width) as (page, address), tempfile.TemporaryDirectory() as folder:
        first_screen(page, address)  # warms it
        found["first screen of a warm server"] = f"{first_screen(page, address):.1f} s"
        new = Path(folder) / "new.jpg"  # bytes that this server has not looked at yet
        buffer = io.BytesIO(PHOTO.read_bytes())
        with Image.open(buffer) as image:
            image.save(new, quality=93)
        taps, seconds = to_report(page, address, new)
        found["photo to saved report"] = f"{taps} taps, {seconds:.0f} s"
        correction(page, address)
        found["a correction is shown"] = f"{correction(page, address):.2f} s"
        found["layout shift"] = f"{shift(page, address):.2f}"
        found["rules of axe broken"] = str(broken_rules(page, address))
        found["torch series of four"] = f"{torch_series(page, address, Path(folder))} taps"
    return found


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.front_times", description=__doc__.splitlines()[0])
    parser.add_argument("--clone", action="store_true")
    options = parser.parse_args()
    if CHROMIUM is None or shutil.which("git") is None:
        sys.exit("This needs Chromium and git.")
    phone, desk = measured(390), measured(1280)
    whole = full_run()
    print(f"A full run by the command: {whole:.1f} s\n\n| what | 390 px | 1280 px | goal |\n| --- | --- | --- | --- |")
    for name, goal in GOALS.items():
        if name in phone:
            print(f"| {name} | {phone[name]} | {desk[name]} | {goal} |")
        elif options.clone:
            seconds = f"{from_clone():.0f} s"
            print(f"| {name} | {seconds} | {seconds} | {goal} |")


if __name__ == "__main__":
    main()
