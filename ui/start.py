"""Starter for a fresh machine: needs only Python 3.11 or newer, sets up all the rest in .venv, then runs a command.

python3 ui/start.py                 opens the front end with a demo case
python3 ui/start.py COMMAND ...     any cutpipe command
python3 tests/start.py              runs the tests (see there)
"""

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PINS = ROOT / ".pins.txt"  # every package with its hashes; DEVELOPERS.md says how to renew it
ENVIRONMENT = ROOT / ".venv"
BIN = ENVIRONMENT / ("Scripts" if os.name == "nt" else "bin")


def ready() -> Path:
    """Make or refresh the environment; the folder of its programs."""
    if sys.version_info < (3, 11):
        sys.exit(
            f"cutpipe needs Python 3.11 or newer; this is {sys.version.split()[0]}. Install a newer one and call it by name."
        )
    stamp, wanted = ENVIRONMENT / "cutpipe-ready", _wanted()
    if stamp.is_file() and stamp.read_text(encoding="utf-8") == wanted:
        return BIN
    print("Setting up cutpipe in .venv (once; about a minute) ...", file=sys.stderr, flush=True)
    python = str(BIN / ("python.exe" if os.name == "nt" else "python"))
    if not Path(python).is_file():
        _run(
            [sys.executable, "-m", "venv", str(ENVIRONMENT)],
            "Python's venv is missing; on Debian or Ubuntu install python3-venv, then try again.",
        )
    uv = shutil.which("uv") or _pinned_uv(python)
    # The environment that this project owns, whatever environment the caller stands in.
    variables = {name: value for name, value in os.environ.items() if name != "VIRTUAL_ENV"}
    install = [uv, "pip", "install", "--quiet", "--python", python]
    failed = "The download failed; check the network and try again."
    _run([*install, "--require-hashes", "-r", str(PINS)], failed, variables)
    _run([*install, "--no-deps", "--no-build-isolation", "--editable", str(ROOT)], failed, variables)
    stamp.write_text(wanted, encoding="utf-8")
    return BIN


def _wanted() -> str:
    """What the environment was made from; it is made anew when this changes."""
    files = (ROOT / "pyproject.toml", PINS)
    return "".join(hashlib.sha256(file.read_bytes()).hexdigest() + "\n" for file in files)


def _pinned_uv(python: str) -> str:
    """The installer itself, as pinned as all that it installs."""
    lines = PINS.read_text(encoding="utf-8").replace("\\\n", " ").splitlines()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "uv.txt"
        file.write_text("\n".join(line for line in lines if line.startswith("uv==")), encoding="utf-8")
        _run(
            [
                python,
                "-m",
                "pip",
                "install",
                "--quiet",
                "--disable-pip-version-check",
                "--require-hashes",
                "-r",
                str(file),
            ],
            "The download failed; check the network and try again.",
        )
    return str(BIN / "uv")


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
