"""What several test files share: where the browser is, where pictures with truth lie."""

from __future__ import annotations

import io
import os
import shutil
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program's own command sets it, before numpy is loaded

import cv2
import hypothesis
import pytest
from PIL import Image

from analyzer.show import paper

# One thread for each core: half of two where the tests run in several processes.
cv2.setNumThreads(1 if "PYTEST_XDIST_WORKER" in os.environ else 2)

# A slow computer is no fault of what is checked.
hypothesis.settings.register_profile("suite", deadline=None)
hypothesis.settings.load_profile("suite")

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
ROOT = Path(__file__).resolve().parent.parent
DATA = Path(__file__).resolve().parent / "data"


# What takes longest is begun first, so that no process works on alone while the others are done.
LONGEST = [
    "front/test_browser", "joints/test_one_way_in", "joints/test_said_and_not_lost", "test_cli", "joints/test_in_the_browser",
    "front/test_front_end", "test_installed", "test_sources", "ring/test_ring", "scale/test_scale", "test_truth_pictures",
    "front/test_server",
]  # fmt: skip


def _turn(item: pytest.Item) -> int:
    name = item.path.relative_to(ROOT / "tests").with_suffix("").as_posix()
    return LONGEST.index(name) if name in LONGEST else len(LONGEST)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first. Browser tests are skipped where there is no Chromium, unless the environment asks that none be."""
    items.sort(key=_turn)
    if CHROMIUM:
        return
    required = os.environ.get("CUTPIPE_BROWSER") == "required"
    for item in items:
        if item.get_closest_marker("browser"):
            if required:
                raise pytest.UsageError("CUTPIPE_BROWSER=required, but no Chromium is installed")
            item.add_marker(pytest.mark.skip(reason="no Chromium is installed; install it to run the browser tests"))


@pytest.fixture(scope="session")
def demo_examination():
    """One demo photo, examined once for all tests that only read the result."""
    from analyzer import Settings, check_facts, examine
    from analyzer.cli import read_marker

    return examine(
        ROOT / "demo_images/bore-contact-mark.jpg",
        settings=Settings(view="inside", tube="3/4", marker=read_marker("ruler")),
        facts=check_facts({"material": "copper", "service": "cold", "age_years": 22.0}),
    )


def short_stretch(*, shrink: int = 3, brightness: float = 1.0) -> bytes:
    """A third of a demo piece's length with the ruler beside it, as a JPEG: pits, a band and a scale for half of the work.

    For checks that do not hang on the picture. So short a piece is taken for a wider tube, "1" instead of "3/4".
    """
    with Image.open(ROOT / "demo_images/bore-contact-mark.jpg") as image:
        width, height = image.size
        part = image.crop((round(0.12 * width), round(0.2 * height), round(0.45 * width), round(0.85 * height)))
    part = part.resize((part.width // shrink, part.height // shrink)).point(
        lambda level: min(255, int(level * brightness))
    )
    data = io.BytesIO()
    part.save(data, "JPEG", quality=92)
    return data.getvalue()


@pytest.fixture
def set_as_it_comes(monkeypatch):
    """Reports are printed in the first form, however many pages it takes: how closely they are set is checked in ``show/test_report``."""
    monkeypatch.setattr(paper, "_FITS", paper._FITS[:1])
    monkeypatch.setattr(paper, "_HOME_FITS", paper._HOME_FITS[-1:])


@pytest.fixture(scope="session", autouse=True)
def _cases_of_the_tests(tmp_path_factory):
    """No test keeps a case among those of the person who runs it; servers that a test starts inherit the place."""
    os.environ["CUTPIPE_CASES"] = str(tmp_path_factory.mktemp("cases"))
