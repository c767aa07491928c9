"""Starter for a fresh machine: needs only Python 3.11 or newer, sets up all the rest in .venv, then runs a command.

python3 ui/start.py                 opens the front end with a demo case
python3 ui/start.py COMMAND ...     any cutpipe command
python3 tests/start.py              runs the tests (see there)
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
BIN = ENVIRONMENT / ("Scripts" if os.name == "nt" else "bin")


def ready() -> Path:
    """Make or refresh the environment; the folder of its programs."""
    if sys.version_info < (3, 11):
        sys.exit(
            f"cutpipe needs Python 3.11 or newer; this is {sys.version.split()[0]}. Install a newer one and call it by name."
        )
    stamp, wanted = ENVIRONMENT / "cutpipe-ready", (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    if stamp.is_file() and stamp.read_text(encoding="utf-8") == wanted:
        return BIN
    print("Setting up cutpipe in .venv (once; about a minute) ...", file=sys.stderr, flush=True)
    uv = shutil.which("uv")
    if uv is None:
        if not (BIN / ("python.exe" if os.name == "nt" else "python")).is_file():
            _run(
                [sys.executable, "-m", "venv", str(ENVIRONMENT)],
                "Python's venv is missing; on Debian or Ubuntu install python3-venv, then try again.",
            )
        python = str(BIN / "python")
        _run(
            [python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "uv"],
            "The download failed; check the network and try again.",
        )
        uv = str(BIN / "uv")
    # The environment that this project owns, whatever environment the caller stands in.
    variables = {**os.environ, "UV_PROJECT_ENVIRONMENT": str(ENVIRONMENT)}
    variables.pop("VIRTUAL_ENV", None)
    _run(
        [uv, "sync", "--quiet", "--inexact", "--python", sys.executable],
        "The download failed; check the network and try again.",
        variables,
    )
    stamp.write_text(wanted, encoding="utf-8")
    return BIN


def _run(command: list[str], sentence: str, variables: dict[str, str] | None = None) -> None:
    if subprocess.run(command, cwd=ROOT, env=variables).returncode:
        sys.exit(f"cutpipe: {sentence}")


def main() -> int:
    programs = ready()
    arguments = sys.argv[1:] or ["open", "--demo"]
    try:
        return subprocess.run([str(programs / "python"), "-m", "analyzer.cli", *arguments], cwd=Path.cwd()).returncode
    except KeyboardInterrupt:
        return 0


if __name__ == "__main__":
    sys.exit(main())
