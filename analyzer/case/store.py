"""A case in a folder: the log in an embedded SQLite file, the originals beside it under the hash of their bytes.

Everything that is kept is an entry of the log; what the case is now follows from playing it. An original is written, and
made to last, before the entry that names it; an entry is one transaction. So whatever is killed in between, nothing
that was saved is lost and nothing half-written is read.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import sqlite3
import tempfile
import time
import uuid
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from analyzer.base.flags import InputError
from analyzer.base.text import LONGEST_NAME, shown, whole_line
from analyzer.case.contents import PRIVATE, CaseState, checked, original_of, state_of
from analyzer.case.log import Entry, canonical, faults, from_lines, make_entry
from analyzer.show.logo import as_logo

FILE = "case.sqlite"
ORIGINALS = "originals"
FORM = 1  # PRAGMA user_version; see _MIGRATIONS
# Judgements, no source.
WAIT_SECONDS = 10.0  # for another window that is just writing
LARGEST_ORIGINAL_BYTES = 200_000_000
LEFT_FOR_SECONDS = 86_400.0  # until a half-written original counts as left by a killed program

# To the form that the key names, from the one before. A file of an older form is copied beside itself first.
_MIGRATIONS: dict[int, str] = {
    1: "CREATE TABLE entry (number INTEGER PRIMARY KEY, line TEXT NOT NULL);",
}


class CaseChanged(InputError):
    """Another window changed the case since it was read."""


class CaseStore:
    """A kept case. Cheap to open; holds no file open between calls, so that any number of windows may share it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    # ------------------------------------------------------------------ making and finding

    @classmethod
    def begin(cls, folder: str | Path, *, when: str, who: str = "", **description: str) -> CaseStore:
        """A new case in ``folder``, which may not hold one yet. Raises InputError."""
        folder = Path(folder)
        if os.path.lexists(folder / FILE):
            raise InputError(f"In {folder} there is a case already; open it, or name another folder.")
        try:
            (folder / ORIGINALS).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"A case cannot be kept in {folder} ({error.strerror}); choose another folder.") from None
        store = cls(folder)
        first = make_entry(
            "begun",
            checked("begun", {"case_id": uuid.uuid4().hex}),
            private={"who": whole_line(who, "The who", longest=LONGEST_NAME)},
            when=when,
            last=None,
        )
        # Whole or not at all: the file comes into being with its first entry in it.
        handle, temporary = tempfile.mkstemp(dir=folder, prefix=f".{FILE}-")
        os.close(handle)
        try:
            with closing(sqlite3.connect(temporary)) as base:
                _migrate(base, Path(temporary))
                with base:
                    base.execute("INSERT INTO entry VALUES (?, ?)", (1, _line(first)))
            os.link(temporary, folder / FILE)  # unlike a rename it refuses where another was quicker
        except FileExistsError:
            raise InputError(f"In {folder} there is a case already; open it, or name another folder.") from None
        except (OSError, sqlite3.Error) as error:
            raise InputError(f"A case cannot be kept in {folder} ({error}); choose another folder.") from None
        finally:
            Path(temporary).unlink(missing_ok=True)
        if any(description.values()):
            store.add("described", {}, private={"who": who, **description}, when=when)
        return store

    @classmethod
    def open(cls, folder: str | Path) -> CaseStore:
        """The case in ``folder``. Raises InputError where there is none or it cannot be read."""
        folder = Path(folder)
        if not (folder / FILE).is_file():
            raise InputError(f"{folder} holds no case; name the folder of a case, or begin one.")
        store = cls(folder)
        with store._base():
            pass
        store._clear_leftovers()
        return store

    @classmethod
    def all_in(cls, folder: str | Path) -> tuple[CaseStore, ...]:
        """The cases in the folders below ``folder``, the one changed last first."""
        found = [path.parent for path in Path(folder).glob(f"*/{FILE}")]
        return tuple(cls(path) for path in sorted(found, key=lambda p: (p / FILE).stat().st_mtime, reverse=True))

    # ------------------------------------------------------------------ reading

    def entries(self) -> tuple[Entry, ...]:
        with self._base() as base:
            lines = [row[0] for row in base.execute("SELECT line FROM entry ORDER BY number")]
        return from_lines("\n".join(lines))

    def state(self) -> CaseState:
        return state_of(self.entries())

    def faults(self) -> tuple[str, ...]:
        """What is wrong with what is kept, a sentence each: the log's chain and every original's bytes."""
        entries = self.entries()
        said = list(faults(entries))
        for entry in entries:
            sha256 = original_of(entry)
            if sha256 is not None:
                try:
                    self.original(sha256)
                except InputError as error:
                    said.append(str(error))
        return tuple(dict.fromkeys(said))

    def original(self, sha256: str) -> bytes:
        """An original's bytes, as they came. Raises InputError where they are gone or changed."""
        try:
            data = self._place(sha256).read_bytes()
        except OSError:
            raise InputError(f"The original {sha256[:12]}... is no longer in the case's folder.") from None
        if hashlib.sha256(data).hexdigest() != sha256:
            raise InputError(f"The original {sha256[:12]}... was changed after it was kept.")
        return data

    # ------------------------------------------------------------------ writing

    def add(
        self,
        kind: str,
        content: Mapping[str, Any],
        *,
        when: str,
        private: Mapping[str, Any] | None = None,
        after: int | None = None,
    ) -> Entry:
        """Append an entry.

        ``private``: who, to and the fields of DESCRIPTION. ``after``: number of the last entry that the writer has seen.
        Raises CaseChanged where others came since, InputError where the content is not of the kind's form.
        """
        unknown = set(private or {}) - set(PRIVATE)
        if unknown:
            raise InputError(f"A case does not keep {', '.join(sorted(unknown))}; it keeps {', '.join(PRIVATE)}.")
        told = {
            name: whole_line(value, f"The {name.replace('_', ' ')}", longest=LONGEST_NAME)
            for name, value in (private or {}).items()
            if value is not None
        }
        kept = checked(kind, content)
        with self._base() as base:
            base.execute("BEGIN IMMEDIATE")
            try:
                rows = base.execute("SELECT line FROM entry ORDER BY number").fetchall()
                before = from_lines("\n".join(row[0] for row in rows))
                last = before[-1] if before else None
                if after is not None and last is not None and last.number != after:
                    raise CaseChanged(
                        "This case was changed in another window meanwhile; look at what it shows now, then do it again."
                    )
                entry = make_entry(kind, kept, private=told, when=when, last=last)
                state_of((*before, entry))  # an entry that cannot be played is refused before it is kept
                base.execute("INSERT INTO entry VALUES (?, ?)", (entry.number, _line(entry)))
                base.execute("COMMIT")
            except BaseException:
                if base.in_transaction:
                    base.execute("ROLLBACK")
                raise
        return entry

    def keep_original(self, data: bytes) -> str:
        """Keep a file's bytes as they are; their SHA-256. The same bytes are kept once."""
        if not data or len(data) > LARGEST_ORIGINAL_BYTES:
            raise InputError("The file is empty or far too large to be a photo; add the photo itself.")
        sha256 = hashlib.sha256(data).hexdigest()
        place = self._place(sha256)
        try:
            if not place.exists():
                place.parent.mkdir(parents=True, exist_ok=True)
                write_lasting(place, data)
        except OSError as error:
            raise InputError(f"The photo cannot be kept in {self.folder} ({error.strerror}); make room.") from None
        return sha256

    def add_photo(
        self,
        data: bytes,
        *,
        file_name: str,
        purpose: str,
        when: str,
        who: str = "",
        section: str = "1",
        azimuth_deg: float | None = None,
        elevation_deg: float | None = None,
        after: int | None = None,
    ) -> Entry:
        """Keep a photo untouched and say what it is for."""
        content = {
            "section": section,
            "sha256": self.keep_original(data),
            "file_name": file_name,
            "purpose": purpose,
            "azimuth_deg": azimuth_deg,
            "elevation_deg": elevation_deg,
        }
        return self.add("photo_added", content, private={"who": who}, when=when, after=after)

    def set_logo(self, data: bytes | None, *, when: str, who: str = "", after: int | None = None) -> Entry:
        """Keep the logo of the examiner's firm for the reports, or take it out (None). Raises InputError where it is no picture."""
        if data is not None:
            as_logo(data)
        content = {"sha256": None if data is None else self.keep_original(data)}
        return self.add("logo", content, private={"who": who}, when=when, after=after)

    def logo(self, state: CaseState) -> bytes:
        """The logo's bytes; empty where there is none."""
        return b"" if state.logo is None else self.original(state.logo)

    def undo(self, *, when: str, who: str = "") -> Entry | None:
        """Take the last change back, as an entry of its own; None where nothing can be."""
        number = self.state().undoable
        return None if number is None else self.add("undo", {"of": number}, private={"who": who}, when=when)

    def redo(self, *, when: str, who: str = "") -> Entry | None:
        number = self.state().redoable
        return None if number is None else self.add("redo", {"of": number}, private={"who": who}, when=when)

    def copy_log(self, path: Path) -> None:
        """A whole copy of the case's SQLite file, also while others write."""
        with self._base() as base, closing(sqlite3.connect(path)) as copy:
            base.backup(copy)

    # ------------------------------------------------------------------ the file

    def _clear_leftovers(self) -> None:
        """Remove what killed programs left half-written beside the originals; what is young may still be being written."""
        for left in self.folder.glob(f"{ORIGINALS}/*/.*-*"):
            try:
                if time.time() - left.stat().st_mtime > LEFT_FOR_SECONDS:
                    left.unlink()
            except OSError:  # gone meanwhile, or not ours to remove: no harm either way
                continue

    def _place(self, sha256: str) -> Path:
        if not re.fullmatch(r"[0-9a-f]{64}", sha256):
            raise InputError(f"{shown(sha256)} is no hash of an original.")
        return self.folder / ORIGINALS / sha256[:2] / sha256

    @contextmanager
    def _base(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self.folder / FILE, timeout=WAIT_SECONDS, isolation_level=None)) as base:
                base.execute("PRAGMA synchronous = FULL")
                form = base.execute("PRAGMA user_version").fetchone()[0]
                if form > FORM:
                    raise InputError(f"{self.folder} was kept by a newer cutpipe; open it with that one.")
                if form < FORM:
                    _migrate(base, self.folder / FILE)
                yield base
        except sqlite3.Error as error:
            raise InputError(
                f"The case in {self.folder} cannot be read or written ({error}); check the folder and the room on the disk."
            ) from None


def _line(entry: Entry) -> str:
    return canonical(entry.as_json()).decode()


def _migrate(base: sqlite3.Connection, path: Path) -> None:
    form = base.execute("PRAGMA user_version").fetchone()[0]
    if form:  # an older file with something in it: copied beside itself before it is changed
        backup = path.with_name(f"{path.name}.form-{form}")
        if not backup.exists():
            with closing(sqlite3.connect(backup)) as copy:
                base.backup(copy)
    for target in range(form + 1, FORM + 1):
        base.executescript(f"BEGIN IMMEDIATE; {_MIGRATIONS[target]} PRAGMA user_version = {target}; COMMIT;")


def write_lasting(place: Path, data: bytes) -> None:
    """Write a file whole or not at all, and so that it outlasts a loss of power."""
    handle, temporary = tempfile.mkstemp(dir=place.parent, prefix=f".{place.name[:20]}-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, place)
        if os.name == "posix":
            folder = os.open(place.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def remove(store: CaseStore) -> None:
    """Delete a case with everything in it."""
    shutil.rmtree(store.folder)
