"""Where a person's cases are kept when no other place is named: the folder that the system sets aside for programs' data."""

from __future__ import annotations

import os
import sys
from pathlib import Path

VARIABLE = "CUTPIPE_CASES"


def cases_folder() -> Path:
    """The folder of all cases; it need not exist yet.

    ``CUTPIPE_CASES`` goes before all. Else XDG_DATA_HOME (XDG Base Directory Specification 0.8), on macOS Application Support, on
    Windows LOCALAPPDATA.
    """
    told = os.environ.get(VARIABLE)
    if told:
        return Path(told).expanduser()
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        named = os.environ.get("XDG_DATA_HOME", "")
        base = Path(named) if os.path.isabs(named) else home / ".local" / "share"  # a relative one must be ignored
    return base / "cutpipe" / "cases"
