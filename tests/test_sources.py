"""The sources in the form that pyproject.toml states; what is named there is run here, so that nobody has to remember it."""

import subprocess
import sys

import pytest

from tests.conftest import ROOT


@pytest.mark.parametrize("command", ["check", "format --check"])
def test_ruff_finds_nothing(command):
    done = subprocess.run(
        [sys.executable, "-m", "ruff", *command.split(), "."], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.slow
def test_mypy_finds_nothing():
    done = subprocess.run([sys.executable, "-m", "mypy", "--no-pretty"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
