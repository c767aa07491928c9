"""The cases on this computer: found, begun, carried in and out, sealed and checked. Knows no page."""

from __future__ import annotations

import io
import re
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

from analyzer.base.flags import CutpipeError, InputError
from analyzer.case import bundle
from analyzer.case.commands import now
from analyzer.case.contents import CaseState
from analyzer.case.place import cases_folder
from analyzer.case.store import CaseStore, remove

_ADDRESS = re.compile(r"[a-z0-9][a-z0-9-]{0,79}")


@dataclass(frozen=True, kw_only=True)
class Row:
    """One kept case in a list."""

    address: str
    title: str
    last_when: str
    fault: str = ""  # why it cannot be opened


def title_of(state: CaseState) -> str:
    """What people call the case: its name, else its photo's."""
    main = state.piece().of("main")
    return state.description.get("name") or (main[0].file_name if main else "") or "Case without a name"


def find(address: str) -> CaseStore | None:
    """The case that an address names; None where none is kept under it. Raises InputError where it cannot be read."""
    if not _ADDRESS.fullmatch(address) or not (cases_folder() / address / "case.sqlite").is_file():
        return None
    return CaseStore.open(cases_folder() / address)


def rows() -> tuple[Row, ...]:
    """All kept cases, the one changed last first."""
    found = []
    for store in CaseStore.all_in(cases_folder()):
        address = store.folder.name
        if not _ADDRESS.fullmatch(address):
            continue
        try:
            state = store.state()
            found.append(Row(address=address, title=title_of(state), last_when=state.last_when))
        except CutpipeError as error:
            found.append(Row(address=address, title=address, last_when="", fault=str(error)))
    return tuple(found)


def begin(name: str, *, who: str = "", described: bool = False) -> CaseStore:
    """A new case in a folder of its own, named after the day and ``name``. ``described``: the name is kept as the case's too."""
    store = CaseStore.begin(_free_folder(name), when=now(), who=who, **({"name": name} if described else {}))
    return store


def _free_folder(name: str) -> Path:
    plain = re.sub(r"[^a-z0-9]+", "-", Path(name).stem.lower()).strip("-")[:40].strip("-") or "piece"
    stem = f"{now()[:10]}-{plain}"
    number = 1
    while (place := cases_folder() / (stem if number == 1 else f"{stem}-{number}")).exists():
        number += 1
    return place


def delete(address: str) -> None:
    store = find(address)
    if store is not None:
        remove(store)


# ------------------------------------------------------------------ files that carry a case


def kind_of(data: bytes) -> str:
    """ "case" or "bundle" by what a zip file holds, else "photo"."""
    if not data.startswith(b"PK"):
        return "photo"
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = [name.partition("/")[2] for name in archive.namelist()]
    except (zipfile.BadZipFile, ValueError, NotImplementedError, OSError):
        raise InputError("The zip file is damaged or was not copied whole; copy it again.") from None
    if "case.sqlite" in names:
        return "case"
    if "bagit.txt" in names:
        return "bundle"
    raise InputError("The zip file is neither a case nor a sealed bundle of cutpipe; unpack it and choose a photo.")


def carried(store: CaseStore) -> bytes:
    """The whole case as one file."""
    with tempfile.TemporaryDirectory(prefix="cutpipe-") as place:
        return bundle.pack(store, Path(place) / "case.zip").read_bytes()


def take_in(data: bytes, name: str) -> CaseStore:
    """Keep the case that a carried file holds, beside all others. Raises InputError."""
    with tempfile.TemporaryDirectory(prefix="cutpipe-") as place:
        file = Path(place) / "case.zip"
        file.write_bytes(data)
        return bundle.unpack(file, _free_folder(name))


def sealed(store: CaseStore, *, units: str, with_names: bool, with_place: bool) -> bytes:
    """The case's sealed bundle as a zip file. Raises CutpipeError."""
    with tempfile.TemporaryDirectory(prefix="cutpipe-") as place:
        name = f"{store.folder.name}-sealed.zip"
        made = bundle.seal(
            store,
            Path(place) / name,
            when=now(),
            zipped=True,
            with_private=with_names,
            with_place=with_place,
            units=units,
        )
        return made.read_bytes()


def check(data: bytes) -> bundle.BundleCheck:
    """Check a sealed bundle, figures measured again. Raises InputError where it is none."""
    with tempfile.TemporaryDirectory(prefix="cutpipe-") as place:
        file = Path(place) / "bundle.zip"
        file.write_bytes(data)
        return bundle.check(file)
