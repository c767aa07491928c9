"""Runs the tests on a fresh machine, in one process for each core: sets up all that they need first. Arguments go to pytest.

python3 tests/start.py            all of them
python3 tests/start.py -n 0       in this one process, to stop in a debugger
"""

import os
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "ui"))

from start import ENVIRONMENT, ROOT, ready


def main() -> int:
    command = [str(ready() / "python"), "-m", "pytest", "-n", "auto", *sys.argv[1:]]
    # The tests start the program many times over: what Python makes of each source is kept, and kept out of the checkout.
    variables = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return subprocess.run(
        command, cwd=ROOT, env=variables | {"PYTHONPYCACHEPREFIX": str(ENVIRONMENT / "bytecode")}
    ).returncode


if __name__ == "__main__":
    sys.exit(main())
