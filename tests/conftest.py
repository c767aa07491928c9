"""What several test files share: where the browser is, where pictures with truth lie."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program's own command sets it, before numpy is loaded

import cv2
import pytest

cv2.setNumThreads(2)

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
ROOT = Path(__file__).resolve().parent.parent
DATA = Path(__file__).resolve().parent / "data"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Browser tests are skipped where there is no Chromium, unless the environment asks that none be."""
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
