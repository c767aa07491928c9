"""An examination as a folder: whole or not there, closed by a list of names and hashes.

All files are made first, written into a folder of their own beside the place, and that folder takes the place at once. A run that
is killed leaves what stood there before; two runs into one folder leave the one or the other.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from analyzer.base.flags import InputError
from analyzer.base.text import shown
from analyzer.result import record
from analyzer.result.examination import Examination
from analyzer.show import charts, coco, drawing, paper, report, webpage
from analyzer.show.blocks import Section
from analyzer.show.edition import CaseData, Edition, Paper

try:
    import fcntl
except ImportError:  # Windows has other locks; leftovers are then left to the person
    fcntl = None  # type: ignore[assignment]

MANIFEST = "manifest-sha256.txt"  # in the form of a BagIt manifest (RFC 8493, 2.1.3): hash, two spaces, name
_PART = ".part-"


def _laid_flat(e: Examination, units: str) -> np.ndarray:
    """The metal laid flat; of a cut ring, its wall laid out by angle or, where no scale gives its wall, the ring as photographed."""
    foot = drawing.foot_of(e, units, bar=False)
    if e.surface.view == "end":
        profile = charts.ring_profile(e.wall, units=units)
        flat = drawing.seen_piece(e.photo, e.surface) if profile is None else profile
        foot = replace(foot, legend=())
    else:
        flat = drawing.unrolled_map(e.photo, e.standing_surface, e.standing_pits, e.standing_bands, units=units)
    return drawing.with_foot(flat, foot)


def _overlay(e: Examination, units: str) -> np.ndarray:
    """The whole photo with its marks; all that was not examined is dimmed."""
    ring = e.standing_ring if e.surface.view == "end" else None
    rgb = drawing.marked_photo(e.photo, e.standing_surface, e.standing_pits, e.standing_bands, ring=ring, whole=True)
    return drawing.with_foot(rgb, drawing.foot_of(e, units, whole=True))


@dataclass(frozen=True)
class Work:
    """One examination on its way into files; what several files share is made once."""

    examination: Examination
    edition: Edition = Edition()

    @cached_property
    def sections(self) -> tuple[Section, ...]:
        return report.sections(self.examination, edition=self.edition)


FILES: dict[str, Callable[[Work], bytes]] = {
    "examination.json": lambda work: record.to_json(work.examination).encode(),
    "pits.csv": lambda work: record.pits_csv(work.examination).encode(),
    "bands.csv": lambda work: record.bands_csv(work.examination).encode(),
    "pits-coco.json": lambda work: coco.pits_as_coco(work.examination).encode(),
    "pit-labels.png": lambda work: drawing.png(work.examination.standing_pits.labels),
    "band-labels.png": lambda work: drawing.png(work.examination.standing_bands.labels),
    "overlay.png": lambda work: drawing.png(_overlay(work.examination, work.edition.units)),
    "unrolled.png": lambda work: drawing.png(_laid_flat(work.examination, work.edition.units)),
    "report.html": lambda work: webpage.html(work.examination, edition=work.edition, sections=work.sections).encode(),
    "report.pdf": lambda work: paper.pdf(work.examination, edition=work.edition, sections=work.sections),
    "evidence.pdf": lambda work: paper.evidence_pdf(work.examination, edition=work.edition),
    "homeowner.pdf": lambda work: paper.homeowner_pdf(work.examination, edition=work.edition),
}


class NotAllMade(InputError):
    """Some files could not be made; ``paths`` are those that were written."""

    def __init__(self, sentence: str, paths: list[Path]) -> None:
        super().__init__(sentence)
        self.paths = paths


def make(
    examination: Examination, edition: Edition | None = None, only: tuple[str, ...] | None = None
) -> tuple[dict[str, bytes], dict[str, str]]:
    """The files of ``FILES`` (or those of ``only``) by name, and why those that are missing could not be made: one never costs the others."""
    work = Work(examination, edition or Edition())
    made: dict[str, bytes] = {}
    faults: dict[str, str] = {}
    for name, making in FILES.items():
        if only is not None and name not in only:
            continue
        try:
            made[name] = making(work)
        except Exception as error:  # whatever it is: the other files do not hang on it
            faults[name] = f"{type(error).__name__}: {shown(error)}"
    return made, faults


def not_made(faults: Mapping[str, str]) -> str:
    """One sentence on the files that could not be made."""
    return (
        f"{', '.join(faults)} could not be made, all other files could: this is a fault of the program "
        f"({'; '.join(dict.fromkeys(faults.values()))}), please report it."
    )


def write(
    examination: Examination,
    folder: str | Path,
    *,
    units: str = "metric",
    page_size: Paper | None = None,
    case: CaseData | None = None,
    edition: Edition | None = None,
    only: tuple[str, ...] | None = None,
) -> list[Path]:
    """Write the files of ``FILES`` (or those of ``only``) and their closing list as ``folder``.

    The folder may be new, empty, or hold the results of an earlier run, which the new ones replace as a whole.
    Raises InputError where it holds anything else or cannot be written; then it is as it was. Raises NotAllMade where a file cannot
    be made, after the others were written. ``edition`` says all of units, paper and case in one.
    """
    edition = edition or Edition(units=units, paper=page_size, case=case or CaseData())
    files, faults = make(examination, edition, only)
    paths = put_in_place(files, folder)
    if faults:
        raise NotAllMade(f"{not_made(faults)} They are in {folder}.", paths)
    return paths


def put_in_place(made: Mapping[str, bytes], folder: str | Path) -> list[Path]:
    """Write files that were made (names of ``FILES``) and their closing list as ``folder``, whole or not at all; InputError as ``write``."""
    files = dict(made)
    files[MANIFEST] = "".join(
        f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in sorted(files.items())
    ).encode()
    place = Path(os.path.realpath(folder))
    parents = [path for path in (place.parent, *place.parent.parents) if not os.path.exists(path)]
    try:
        _refuse_foreign(place, Path(folder))
        place.parent.mkdir(parents=True, exist_ok=True)
        _clear_leftovers(place)
        _swap_in(files, place)
    except OSError as error:
        for parent in parents:  # as it was
            if os.path.isdir(parent) and not any(parent.iterdir()):
                parent.rmdir()
        raise InputError(
            f"The results cannot be written to {folder} ({error.strerror}); choose another folder with --out."
        ) from None
    return [Path(folder) / name for name in files]


def _refuse_foreign(place: Path, told: Path) -> None:
    """The whole folder is replaced, so nothing that someone else put there may be in it."""
    if not os.path.exists(place):  # unlike Path.exists it takes any name
        return
    if not place.is_dir():
        raise InputError(f"{told} is a file; choose another folder with --out.")
    if place == Path.cwd() or place in Path.cwd().parents:
        raise InputError(
            f"The results replace a whole folder, and {told} is the one you are in; name a new one, for example --out result."
        )
    listed = set(FILES) | {MANIFEST}
    for entry in sorted(place.iterdir()):
        if entry.is_dir():
            raise InputError(f"In {told} stands a folder named {entry.name}; choose another folder with --out.")
        if entry.name not in listed:
            raise InputError(
                f"{told} holds {entry.name}, which is not a result of an earlier run; choose a new folder with --out."
            )


def _swap_in(files: Mapping[str, bytes], place: Path) -> None:
    """Write the files into a folder beside ``place`` and let it take the place at once."""
    staged = Path(tempfile.mkdtemp(dir=place.parent, prefix=f".{place.name[:100]}{_PART}"))
    held = _hold(staged)
    try:
        # mkdtemp makes folders for the owner's eyes only; results are to be shared like any other folder.
        mask = os.umask(0)
        os.umask(mask)
        for name, data in files.items():
            with open(staged / name, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        os.chmod(staged, 0o777 & ~mask)
        if os.path.exists(place):
            _exchange(staged, place)  # the earlier results now stand in ``staged`` and go with it
        else:
            os.rename(staged, place)
    finally:
        shutil.rmtree(staged, ignore_errors=True)
        if held is not None:
            os.close(held)


def _exchange(one: Path, other: Path) -> None:
    """Two folders change names in one step where the system can, else in two."""
    import ctypes

    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2  # Linux, glibc 2.28 and later
    except (AttributeError, OSError, TypeError):
        rename = None
    if rename is not None:
        here, swap = -100, 2  # AT_FDCWD, RENAME_EXCHANGE (linux/fs.h)
        if rename(here, os.fsencode(one), here, os.fsencode(other), swap) == 0:
            return
    aside = one.with_name(one.name + ".old")
    os.rename(other, aside)
    try:
        os.rename(one, other)
    except OSError:
        os.rename(aside, other)
        raise
    os.rename(aside, one)


def _hold(staged: Path) -> int | None:
    """A lock on the folder that ends with this process, so that another run can tell a leftover from work."""
    if fcntl is None:
        return None
    handle = os.open(staged, os.O_RDONLY)
    fcntl.flock(handle, fcntl.LOCK_EX)
    return handle


def _clear_leftovers(place: Path) -> None:
    """Remove what killed runs left beside ``place``; where one was killed between two names, what it set aside comes back."""
    if fcntl is None:
        return
    for left in place.parent.glob(f".{place.name[:100]}{_PART}*"):
        if left.name.endswith(".old") and not os.path.exists(place):
            os.rename(left, place)
            continue
        try:
            handle = os.open(left, os.O_RDONLY)
        except OSError:
            continue
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(left, ignore_errors=True)
        except OSError:  # a run that is still at work holds it
            pass
        finally:
            os.close(handle)


def write_file(path: str | Path, data: bytes) -> Path:
    """Write one file whole or not at all. Raises InputError where that cannot be done."""
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = _staged(path, data)
        try:
            os.replace(temporary, path)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        return path
    except OSError as error:
        raise InputError(f"{path} cannot be written ({error.strerror}); choose another place.") from None


def _staged(path: Path, data: bytes) -> Path:
    """The data in a temporary file beside ``path``, fit to be renamed to it."""
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        # mkstemp makes files for the owner's eyes only; a report is to be shared like any other file.
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(temporary, 0o666 & ~mask)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return Path(temporary)
