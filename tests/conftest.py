"""What several test files share: where the browser is, where pictures with truth lie."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program's own command sets it, before numpy is loaded

import cv2
import hypothesis
import pytest

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


@pytest.fixture(scope="session", autouse=True)
def _cases_of_the_tests(tmp_path_factory):
    """No test keeps a case among those of the person who runs it; servers that a test starts inherit the place."""
    os.environ["CUTPIPE_CASES"] = str(tmp_path_factory.mktemp("cases"))
