"""What a run over many photos has done, kept as it goes (SQLite), so that a killed run goes on where it was."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from analyzer.base.flags import InputError

NAME = "done.sqlite"


class Ledger:
    """Rows of finished photos by the key of their piece of work (``one.key_of``). One run at a time may hold it."""

    def __init__(self, folder: Path) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._base = sqlite3.connect(folder / NAME, isolation_level=None)
            self._base.execute("PRAGMA locking_mode = EXCLUSIVE")
            self._base.execute("BEGIN EXCLUSIVE")  # held to the end: a second run on this folder is told
            self._base.execute(
                "CREATE TABLE IF NOT EXISTS done (key TEXT PRIMARY KEY, photo TEXT NOT NULL, row TEXT NOT NULL)"
            )
            self._base.execute("COMMIT")
        except (sqlite3.Error, OSError) as error:
            busy = "locked" in str(error)
            raise InputError(
                f"Another run is at work on {folder}; wait for it, or choose another folder with --out."
                if busy
                else f"The results cannot be kept in {folder} ({error}); choose another folder with --out."
            ) from None

    def close(self) -> None:
        self._base.close()

    def row(self, key: str) -> dict[str, Any] | None:
        found = self._base.execute("SELECT row FROM done WHERE key = ?", (key,)).fetchone()
        return None if found is None else json.loads(found[0])

    def add(self, key: str, row: Mapping[str, Any]) -> None:
        """Kept when this returns, whatever happens then."""
        self._base.execute("INSERT OR REPLACE INTO done VALUES (?, ?, ?)", (key, row["photo"], json.dumps(dict(row))))

    def rows(self, keys: Mapping[str, str]) -> Iterator[dict[str, Any]]:
        """The rows of these photos (name -> key) in the order of the names, one at a time: a run may have a hundred thousand."""
        for name in sorted(keys):
            row = self.row(keys[name])
            if row is not None:
                yield row
