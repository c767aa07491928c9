"""Runs the tests on a fresh machine: sets up all that they need first. Arguments go to pytest.

python3 tests/start.py
"""

import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "ui"))

from start import ROOT, ready


def main() -> int:
    return subprocess.run([str(ready() / "python"), "-m", "pytest", *sys.argv[1:]], cwd=ROOT).returncode


if __name__ == "__main__":
    sys.exit(main())
