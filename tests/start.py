"""Runs the tests on a fresh machine, in one process for each core: sets up all that they need first. Arguments go to pytest.

python3 tests/start.py            all of them
python3 tests/start.py -n 0       in this one process, to stop in a debugger
"""

import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "ui"))

from start import ROOT, ready


def main() -> int:
    return subprocess.run([str(ready() / "python"), "-m", "pytest", "-n", "auto", *sys.argv[1:]], cwd=ROOT).returncode


if __name__ == "__main__":
    sys.exit(main())
