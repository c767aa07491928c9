"""Writing an examination into a folder: every file whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from analyzer.base.flags import InputError
from analyzer.base.tomlfile import shown
from analyzer.result import record
from analyzer.result.examination import Examination
from analyzer.show import charts, drawing, paper, webpage


def _laid_flat(examination: Examination, units: str) -> np.ndarray:
    """The metal laid flat; of a cut ring, its wall laid out by angle or, where no scale gives its wall, the ring as photographed."""
    if examination.surface.view == "end":
        profile = charts.ring_profile(examination.wall, units=units)
        return drawing.seen_piece(examination.photo, examination.surface) if profile is None else profile
    return drawing.unrolled_map(
        examination.photo,
        examination.standing_surface,
        examination.standing_pits,
        examination.standing_bands,
        units=units,
    )


FILES: dict[str, Callable[[Examination, str], bytes]] = {
    "examination.json": lambda e, units: record.to_json(e).encode(),
    "pits.csv": lambda e, units: record.pits_csv(e).encode(),
    "bands.csv": lambda e, units: record.bands_csv(e).encode(),
    "pit-labels.png": lambda e, units: drawing.png(e.standing_pits.labels),
    "band-labels.png": lambda e, units: drawing.png(e.standing_bands.labels),
    "overlay.png": lambda e, units: drawing.png(
        drawing.marked_photo(
            e.photo,
            e.standing_surface,
            e.standing_pits,
            e.standing_bands,
            ring=e.standing_ring if e.surface.view == "end" else None,
            whole=True,
        )
    ),
    "unrolled.png": lambda e, units: drawing.png(_laid_flat(e, units)),
    "report.html": lambda e, units: webpage.html(e, units=units).encode(),
    "report.pdf": lambda e, units: paper.pdf(e, units=units),
}


class NotAllMade(InputError):
    """Some files could not be made; ``paths`` are those that were written."""

    def __init__(self, sentence: str, paths: list[Path]) -> None:
        super().__init__(sentence)
        self.paths = paths


def make(
    examination: Examination, units: str = "metric", only: tuple[str, ...] | None = None
) -> tuple[dict[str, bytes], dict[str, str]]:
    """The files of ``FILES`` (or those of ``only``) by name, and why those that are missing could not be made: one never costs the others."""
    made: dict[str, bytes] = {}
    faults: dict[str, str] = {}
    for name, making in FILES.items():
        if only is not None and name not in only:
            continue
        try:
            made[name] = making(examination, units)
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
    examination: Examination, folder: str | Path, *, units: str = "metric", only: tuple[str, ...] | None = None
) -> list[Path]:
    """Write the files of ``FILES`` (or those of ``only``) into ``folder`` and return their paths.

    All are made before the first is written, and all are written beside their places before the first is renamed, so that a failure leaves no half file and no half folder.
    Raises InputError where the folder cannot be written; and NotAllMade where a file cannot be made, after the others were written.
    """
    made, faults = make(examination, units, only)
    folder = Path(folder)
    there_before = os.path.exists(folder)  # unlike Path.exists it takes any name
    staged: dict[Path, Path] = {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in made.items():
            if os.path.isdir(folder / name):
                raise InputError(f"In {folder} stands a folder named {name}; choose another folder with --out.")
            staged[folder / name] = _staged(folder / name, data)
        for path, temporary in staged.items():
            os.replace(temporary, path)
    except OSError as error:
        raise InputError(
            f"The results cannot be written to {folder} ({error.strerror}); choose another folder with --out."
        ) from None
    finally:
        for temporary in staged.values():
            temporary.unlink(missing_ok=True)  # gone already where all went well
        if not there_before and os.path.isdir(folder) and not any(folder.iterdir()):
            folder.rmdir()
    if faults:
        raise NotAllMade(f"{not_made(faults)} They are in {folder}.", list(staged))
    return list(staged)


def write_file(path: str | Path, data: bytes) -> Path:
    """Write one file whole or not at all. Raises InputError where that cannot be done."""
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        return _put(path, data)
    except OSError as error:
        raise InputError(f"{path} cannot be written ({error.strerror}); choose another place.") from None


def _put(path: Path, data: bytes) -> Path:
    temporary = _staged(path, data)
    try:
        os.replace(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return path


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
