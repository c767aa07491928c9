"""The sealed bundle: a case as evidence for people who were not there, in the form of a BagIt bag (RFC 8493).

Payload: the photographs, the log, the examination with its files, the versions that made them. Place data, serial numbers and names are
left out unless asked for; the log's hashes hold all the same. ``check`` verifies every byte and **runs the analysis
again** from what is in the bundle.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import io
import json
import math
import os
import shutil
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from analyzer.base.flags import CutpipeError, InputError
from analyzer.base.text import file_stem, shown
from analyzer.case.contents import READ_BY_THE_PROGRAM, CaseState, original_of, state_of
from analyzer.case.log import Entry, faults, from_lines, to_lines
from analyzer.case.store import CaseStore
from analyzer.case.work import edition_of, examine_case, versions
from analyzer.photo.metadata import without_place
from analyzer.result.examination import Examination
from analyzer.result.record import to_json
from analyzer.show import output

ALGORITHMS = ("sha256", "sha512")
SIGNATURE = "signature.json"
SIGNED = "tagmanifest-sha512.txt"
SHOWS = "that the holder of this key sealed this bundle; not who the holder is, unless you know the key from elsewhere"
KEY_LINE = "Signing-Key-Ed25519: "  # in bag-info.txt, so that a signature that is taken away is missed
LOG, VERSIONS, PHOTOGRAPHS = "data/log.jsonl", "data/versions.json", "data/photographs.json"
# Of two machines or versions of the program figures differ by far less than this share; beyond it a figure counts as different.
ROUNDING = 1e-3
# Another engine for the networks rounds their 8-bit steps otherwise: the sizes of pits differ by up to 0.5 %, a doubtful pit's
# confidence by up to 1 % (measured on two demo pictures). It is named, and beyond this share a figure counts as different all the same.
ROUNDING_OF_ENGINES = 2e-2
ENGINES = ("onnxruntime", "opencv-python-headless", "machine")  # names among the versions
# Limits against a bundle that would fill the disk: judgements, no source.
LARGEST_BUNDLE_BYTES, MOST_FILES = 4_000_000_000, 10_000
# What may differ without the result being another: which program wrote it.
NOT_COMPARED = ("program_version", "schema_version")

README = """What this is
============
The evidence of one failed piece of water pipe, sealed by cutpipe on {when}.

Begin with data/section-1/report.pdf; evidence.pdf beside it shows what each figure rests on.

data/photographs/   the photographs{place}
data/log.jsonl      every step of the case in order; each line names the hash of the line before, so that none can be
                    changed, put in or taken out unseen
data/section-*/     what was measured: report.pdf to read, examination.json with every figure, tables, marked pictures;
                    series.json: which photographs and records there are, what is missing, who had the piece,
                    what was noted and where
data/versions.json  the programs that measured
manifest-*.txt, tagmanifest-*.txt   hashes of every file, in the BagIt form (RFC 8493): any BagIt tool can check them

To check it: cutpipe check FOLDER_OR_ZIP. It compares every byte with its hash, follows the log, and measures anew from the
photographs in here. Another version of the program, or another engine for its networks, is named, and a figure that
differs by more than {rounding} of itself (where the engine is another, {engines}) is called different.

{names} Notes and the names of files stay as they were typed: they are part of what the log's hashes cover.

A photo never proves a cause and never shows that a pipe is safe under pressure. Hashes show that nothing was changed
since the sealing; they do not show who took a photograph or that it shows what is said of it.
"""


# ---------------------------------------------------------------------- sealing


def seal(
    store: CaseStore,
    out: str | Path,
    *,
    when: str,
    zipped: bool = False,
    with_private: bool = False,
    with_place: bool = False,
    units: str = "metric",
    key: bytes | None = None,
) -> Path:
    """Write the bundle of a case and return its path; ``out`` may not exist yet.

    ``with_private`` keeps names, places and claim number; ``with_place`` keeps the photographs to the byte, with all that the camera
    wrote. ``key``: an Ed25519 private key in PEM. Raises CutpipeError; then nothing is left behind.
    """
    out = Path(out)
    if out.exists():
        raise InputError(f"{out} is there already; name another place for the bundle.")
    wrong = store.faults()
    if wrong:
        raise InputError(f"The case cannot be sealed: {wrong[0]}")
    entries = store.entries()
    state = state_of(entries if with_private else tuple(entry.without_private() for entry in entries))
    files: dict[str, bytes] = {LOG: to_lines(entries, private=with_private).encode()}
    rows, bundled = [], {}
    for section, piece in state.pieces.items():
        for number, photo in enumerate(piece.photos, 1):
            data = store.original(photo.sha256)
            ending = PurePosixPath(photo.file_name.replace("\\", "/")).suffix.lower()
            ending = ending if ending.isascii() and ending[1:].isalnum() and len(ending) < 6 else ".photo"
            if not with_place:
                data, ending = without_place(data, photo.file_name)
            name = (
                f"data/photographs/section-{file_stem(section, otherwise='other')}-{number:02d}-{photo.purpose}{ending}"
            )
            files[name] = data
            bundled[photo.sha256] = data
            row = {
                "file": name,
                "original_sha256": photo.sha256,
                "sha256": hashlib.sha256(data).hexdigest(),
                "as_it_came": with_place,
            }
            rows.append(row)
    files[PHOTOGRAPHS] = _json(rows)
    files[VERSIONS] = _json(versions())
    for section, piece in state.pieces.items():
        if piece.of("main"):
            examination = examine_case(state, bundled.__getitem__, section=section)
            logo = store.logo(state) if with_private else b""  # it tells the firm
            edition = edition_of(state, examination, section=section, units=units, logo=logo)
            made, faults = output.make(examination, edition)
            if faults:
                raise InputError(output.not_made(faults))
            folder = f"data/section-{file_stem(section, otherwise='other')}"
            files |= {f"{folder}/{name}": data for name, data in made.items()}
            files[f"{folder}/series.json"] = _json(
                {
                    "series": [dataclasses.asdict(item) for item in edition.series],
                    "hand_overs": [dataclasses.asdict(over) for over in edition.hand_overs],
                    "notes": [dataclasses.asdict(note) for note in edition.notes],
                }
            )
    place = (
        " as they came" if with_place else ", without place data and serial numbers (the picture itself is unchanged)"
    )
    names = (
        "Names, places and the claim number are in here, as whoever sealed it asked for."
        if with_private
        else "Names, places and the claim number were left out; the log holds sealed digests in their place."
    )
    told = README.format(
        when=when, place=place, names=names, rounding=f"{ROUNDING:g}", engines=f"{ROUNDING_OF_ENGINES:g}"
    )
    files["data/README.txt"] = told.encode()
    out.parent.mkdir(parents=True, exist_ok=True)
    working = Path(tempfile.mkdtemp(dir=out.parent, prefix=f".{out.name}-"))
    try:
        bag = working / (out.name.removesuffix(".zip"))
        _write_bag(bag, files, state, when, None if key is None else _signed(key, b"")["public_key"])
        if key is not None:
            (bag / SIGNATURE).write_bytes(_json(_signed(key, (bag / SIGNED).read_bytes())))
        if zipped:
            whole = working / "whole.zip"
            _zip(bag, whole)
            os.replace(whole, out)
        else:
            os.replace(bag, out)
    except OSError as error:
        raise InputError(f"The bundle cannot be written to {out} ({error.strerror}); choose another place.") from None
    finally:
        shutil.rmtree(working, ignore_errors=True)
    return out


def _json(value: Any) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False, sort_keys=True) + "\n").encode()


def _write_bag(bag: Path, files: Mapping[str, bytes], state: CaseState, when: str, public_key: str | None) -> None:
    for name, data in files.items():
        (bag / name).parent.mkdir(parents=True, exist_ok=True)
        (bag / name).write_bytes(data)
    tags = {
        "bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "bag-info.txt": (
            f"Bagging-Date: {when[:10]}\nPayload-Oxum: {sum(map(len, files.values()))}.{len(files)}\n"
            f"External-Identifier: {state.case_id}\nBag-Software-Agent: cutpipe {versions()['cutpipe']}\n"
            + (f"{KEY_LINE}{public_key}\n" if public_key else "")
        ).encode(),
    }
    for algorithm in ALGORITHMS:
        tags[f"manifest-{algorithm}.txt"] = _manifest(algorithm, files)
    for algorithm in ALGORITHMS:
        named = {name: data for name, data in tags.items() if not name.startswith("tagmanifest")}
        tags[f"tagmanifest-{algorithm}.txt"] = _manifest(algorithm, named)
    for name, data in tags.items():
        (bag / name).write_bytes(data)


def _manifest(algorithm: str, files: Mapping[str, bytes]) -> bytes:
    return "".join(
        f"{hashlib.new(algorithm, data).hexdigest()}  {name}\n" for name, data in sorted(files.items())
    ).encode()


def _zip(bag: Path, target: Path) -> None:
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(bag.rglob("*")):
            if path.is_file():
                info = zipfile.ZipInfo(f"{bag.name}/{path.relative_to(bag).as_posix()}", (1980, 1, 1, 0, 0, 0))
                info.external_attr = 0o644 << 16
                info.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(info, path.read_bytes())


def new_key() -> bytes:
    """A new Ed25519 private key (RFC 8032) in PEM, without a password: keep the file to yourself."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    return Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def _signed(key: bytes, data: bytes) -> dict[str, str]:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_private_key

    try:
        private = load_pem_private_key(key, None)
    except (ValueError, TypeError):
        raise InputError("The key file holds no key that can sign; make one with: cutpipe key.") from None
    if not isinstance(private, Ed25519PrivateKey):
        raise InputError("The key is not an Ed25519 key; make one with: cutpipe key.")
    public = private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    return {
        "algorithm": "Ed25519",
        "of": SIGNED,
        "public_key": public.hex(),
        "signature": private.sign(data).hex(),
        "shows": SHOWS,
    }


# ---------------------------------------------------------------------- checking


@dataclass(frozen=True, kw_only=True)
class Difference:
    """One figure that is not the same when measured again; ``within_rounding`` where it may come of other versions."""

    place: str
    sealed: Any
    now: Any
    within_rounding: bool


@dataclass(frozen=True, kw_only=True)
class BundleCheck:
    """What a check found. ``damage`` and ``log_faults`` are sentences, one for each thing that is wrong."""

    damage: tuple[str, ...] = ()
    log_faults: tuple[str, ...] = ()
    signature: str = "none"  # "none", "fits" or "does not fit"
    public_key: str | None = None
    differences: tuple[Difference, ...] = ()
    figures: int = 0  # compared
    not_measured: tuple[str, ...] = ()  # why a section could not be measured again
    other_versions: Mapping[str, tuple[str, str]] | None = None  # name to (sealed, here)

    @property
    def verdict(self) -> str:
        """ "same", "within rounding", "different" or "damaged"."""
        if self.damage or self.log_faults or self.signature == "does not fit":
            return "damaged"
        if self.not_measured or any(not d.within_rounding for d in self.differences):
            return "different"
        return "within rounding" if self.differences else "same"


EXIT_CODES = {"same": 0, "within rounding": 0, "different": 3, "damaged": 4}


def check(bundle: str | Path, *, measure: bool = True) -> BundleCheck:
    """Check a bundle, a folder or a zip file. Raises InputError where it is no bundle at all."""
    with _opened(Path(bundle)) as bag:
        damage = _damage(bag)
        signature, public_key = _signature(bag)
        if damage:
            return BundleCheck(damage=damage, signature=signature, public_key=public_key)
        try:
            entries = from_lines((bag / LOG).read_text(encoding="utf-8"))
            rows = json.loads((bag / PHOTOGRAPHS).read_text(encoding="utf-8"))
            sealed_versions = json.loads((bag / VERSIONS).read_text(encoding="utf-8"))
            photographs = {row["original_sha256"]: bag / str(row["file"]) for row in rows}
        except CutpipeError as error:
            return BundleCheck(log_faults=(str(error),), signature=signature, public_key=public_key)
        except (OSError, ValueError, KeyError, TypeError):
            raise InputError(
                "The bundle holds no case: log, photographs or versions are missing or not readable."
            ) from None
        here = versions()
        others = {n: (v, here.get(n, "")) for n, v in sealed_versions.items() if here.get(n) != v}
        log_faults = faults(entries)
        found: tuple[list[Difference], int, list[str]] = ([], 0, [])
        if measure and not log_faults:
            rounding = ROUNDING_OF_ENGINES if set(ENGINES) & set(others) else ROUNDING
            found = _measured_again(bag, entries, photographs, rounding)
        return BundleCheck(
            log_faults=log_faults,
            signature=signature,
            public_key=public_key,
            differences=tuple(found[0]),
            figures=found[1],
            not_measured=tuple(found[2]),
            other_versions=others,
        )


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Path]:
    if path.is_dir():
        yield path
        return
    if not path.is_file():
        raise InputError(f"There is no bundle {path}; check the name and the folder.")
    with tempfile.TemporaryDirectory(prefix="cutpipe-") as place:
        yield _unpacked(path, Path(place))


def _unpacked(path: Path, place: Path) -> Path:
    """The bag in a zip file, unpacked where nothing it names can lead out of the folder."""
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, NotImplementedError, ValueError):
        raise InputError(f"{path} is neither a bundle's folder nor its zip file.") from None
    with archive:
        members = archive.infolist()
        if len(members) > MOST_FILES or sum(m.file_size for m in members) > LARGEST_BUNDLE_BYTES:
            raise InputError(f"{path} would unpack to far more than any bundle holds; it is not opened.")
        names: set[str] = set()
        for member in members:
            name = PurePosixPath(member.filename)
            kind = stat.S_IFMT(member.external_attr >> 16)
            outside = name.is_absolute() or ".." in name.parts or "\\" in member.filename or ":" in member.filename
            if outside or kind not in (0, stat.S_IFREG, stat.S_IFDIR) or "\x00" in member.filename:
                raise InputError(
                    f"{path} holds {shown(member.filename)}, which leads out of the bundle; it is not opened."
                )
            if name.as_posix().casefold() in names:
                raise InputError(f"{path} holds {shown(member.filename)} twice; it is not opened.")
            names.add(name.as_posix().casefold())
        try:
            for member in members:
                if member.is_dir():
                    continue
                target = place / member.filename
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(member) as packed, open(target, "wb") as out:
                    left = member.file_size
                    while part := packed.read(min(1 << 20, left + 1)):
                        left -= len(part)
                        if left < 0:
                            raise InputError(f"{path} unpacks to more than it says; it is not opened.")
                        out.write(part)
        except (zipfile.BadZipFile, OSError, EOFError, RuntimeError, NotImplementedError, zlib.error):
            raise InputError(f"{path} is damaged or was not copied whole; copy it again.") from None
    tops = list(place.iterdir())
    if len(tops) != 1 or not tops[0].is_dir():
        raise InputError(f"{path} does not hold one bundle.")
    return tops[0]


def _damage(bag: Path) -> tuple[str, ...]:
    """Every way in which the bag is not what was sealed, a sentence each. The tag manifests are required: they seal the rest."""
    if not (bag / "bagit.txt").is_file():
        raise InputError(f"{bag} is no bundle: bagit.txt is missing.")
    said: list[str] = []
    inside_data = [(p.relative_to(bag).as_posix(), p) for p in (bag / "data").rglob("*")]
    payload = {name for name, p in inside_data if p.is_symlink() or not p.is_dir()}
    folders = {name for name, p in inside_data if p.is_dir() and not p.is_symlink()}
    tags = {p.name for p in bag.iterdir() if not p.is_dir() or p.is_symlink()}
    expected_tags = {
        "bagit.txt",
        "bag-info.txt",
        *(f"{t}-{a}.txt" for a in ALGORITHMS for t in ("manifest", "tagmanifest")),
    }
    said += [f"{name} is missing." for name in sorted(expected_tags - tags)]
    said += [
        f"{shown(name)} was put into the bundle after sealing." for name in sorted(tags - expected_tags - {SIGNATURE})
    ]
    said += [
        f"{p.name} was put into the bundle after sealing." for p in bag.iterdir() if p.is_dir() and p.name != "data"
    ]
    fits: dict[str, dict[str, bool]] = {}  # file to manifest to whether its hash there is right
    for algorithm in ALGORITHMS:
        for manifest, there in ((f"manifest-{algorithm}.txt", payload), (f"tagmanifest-{algorithm}.txt", None)):
            try:
                text = (bag / manifest).read_text(encoding="utf-8")
            except (OSError, UnicodeDecodeError):
                continue  # said above, or its own hash does not fit
            named = {}
            for line in text.splitlines():
                digest, _, name = line.partition("  ")
                inside = PurePosixPath(name)
                if not name or inside.is_absolute() or ".." in inside.parts:
                    said.append(f"{manifest} holds a line that names no file of the bundle.")
                    continue
                named[name] = digest
            for name, digest in named.items():
                path = bag / name
                if path.is_symlink() or not path.is_file():
                    said.append(f"{shown(name)} is missing.")
                else:
                    fits.setdefault(name, {})[manifest] = _hash(path, algorithm) == digest
            if there is not None:
                said += [f"{shown(name)} was put into the bundle after sealing." for name in sorted(there - set(named))]
                known = {parent.as_posix() for name in named for parent in PurePosixPath(name).parents}
                said += [f"{shown(name)} was put into the bundle after sealing." for name in sorted(folders - known)]
            else:
                want = expected_tags - {f"tagmanifest-{a}.txt" for a in ALGORITHMS}
                said += [f"{name} is not named in {manifest}." for name in sorted(want - set(named))]
    for name, told in fits.items():
        if not any(told.values()):
            said.append(f"{shown(name)} was changed after sealing.")
        else:  # the file is as one list has it: it is the other list that was changed
            said += [f"{manifest} was changed after sealing." for manifest, right in told.items() if not right]
    if _key_of(bag) and not (bag / SIGNATURE).exists():
        said.append(f"{SIGNATURE} is missing: the bundle was signed.")
    return tuple(dict.fromkeys(said))


def _hash(path: Path, algorithm: str) -> str:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, algorithm).hexdigest()


def _key_of(bag: Path) -> str | None:
    """The key that the bundle says it was signed with."""
    try:
        lines = (bag / "bag-info.txt").read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return None
    return next((line.removeprefix(KEY_LINE) for line in lines if line.startswith(KEY_LINE)), None)


def _signature(bag: Path) -> tuple[str, str | None]:
    if not (bag / SIGNATURE).exists():
        return "none", None
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    public_key = None
    try:
        row = json.loads((bag / SIGNATURE).read_text(encoding="utf-8"))
        public_key = str(row["public_key"])
        words = {"algorithm": "Ed25519", "of": SIGNED, "shows": SHOWS}
        if {name: value for name, value in row.items() if name not in ("public_key", "signature")} != words:
            return "does not fit", public_key  # what it says of itself is no part of what is signed
        if _key_of(bag) not in (None, public_key):
            return "does not fit", public_key
        public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key))
        public.verify(bytes.fromhex(row["signature"]), (bag / SIGNED).read_bytes())
    except (InvalidSignature, OSError, ValueError, KeyError, TypeError, AttributeError):
        return "does not fit", public_key
    return "fits", public_key


def _measured_again(
    bag: Path, entries: tuple[Entry, ...], photographs: Mapping[str, Path], rounding: float
) -> tuple[list[Difference], int, list[str]]:
    state = state_of(entries)
    differences: list[Difference] = []
    count, failed = 0, []
    for section, piece in state.pieces.items():
        if not piece.of("main"):
            continue
        folder = f"section-{file_stem(section, otherwise='other')}"
        try:
            for photo in piece.photos:
                if photo.purpose in READ_BY_THE_PROGRAM and photo.sha256 not in photographs:
                    raise InputError(f"the photograph {shown(photo.file_name)} is not in the bundle")
            now = examine_case(state, lambda sha256: photographs[sha256].read_bytes(), section=section)
            sealed = json.loads((bag / "data" / folder / "examination.json").read_text(encoding="utf-8"))
        except (CutpipeError, OSError, ValueError) as error:
            failed.append(f"Section {shown(section)} cannot be measured again: {error}")
            continue
        found, compared = compare(sealed, _again(now), rounding=rounding)
        differences += [Difference(**{**vars(d), "place": f"{folder}: {d.place}"}) for d in found]
        count += compared
    return differences, count, failed


def _again(examination: Examination) -> Any:
    return json.loads(to_json(examination))


def compare(sealed: Any, now: Any, place: str = "", *, rounding: float = ROUNDING) -> tuple[list[Difference], int]:
    """Every figure and word of two examinations side by side: what differs, and how many were compared."""
    if isinstance(sealed, dict) and isinstance(now, dict):
        found: list[Difference] = []
        count = 0
        for name in sorted({*sealed, *now} - set(() if place else NOT_COMPARED)):
            here = f"{place}.{name}" if place else name
            if name not in sealed or name not in now:
                found.append(Difference(place=here, sealed=sealed.get(name), now=now.get(name), within_rounding=False))
                continue
            more, compared = compare(sealed[name], now[name], here, rounding=rounding)
            found += more
            count += compared
        return found, count
    if isinstance(sealed, list) and isinstance(now, list):
        if len(sealed) != len(now):
            return [Difference(place=place, sealed=len(sealed), now=len(now), within_rounding=False)], 1
        found, count = [], 0
        for index, (one, other) in enumerate(zip(sealed, now, strict=True)):
            more, compared = compare(one, other, f"{place}[{index}]", rounding=rounding)
            found += more
            count += compared
        return found, count
    if sealed == now and type(sealed) is type(now):
        return [], 1
    numbers = all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in (sealed, now))
    close = numbers and math.isclose(sealed, now, rel_tol=rounding, abs_tol=1e-6)
    return [Difference(place=place, sealed=sealed, now=now, within_rounding=close)], 1


# ---------------------------------------------------------------------- one file to carry a case


def pack(store: CaseStore, out: str | Path) -> Path:
    """The whole case, names and originals to the byte, in one zip file to open on another machine."""
    out = Path(out)
    if out.exists():
        raise InputError(f"{out} is there already; name another file.")
    with tempfile.TemporaryDirectory(prefix="cutpipe-") as place:
        store.copy_log(Path(place) / "case.sqlite")
        made = io.BytesIO()
        with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.write(Path(place) / "case.sqlite", "case/case.sqlite")
            for entry in store.entries():
                sha256 = original_of(entry)
                if sha256 is not None:
                    name = f"case/originals/{sha256[:2]}/{sha256}"
                    if name not in archive.namelist():
                        archive.writestr(name, store.original(sha256))
    return output.write_file(out, made.getvalue())


def unpack(file: str | Path, folder: str | Path) -> CaseStore:
    """The case in a file that ``pack`` wrote, kept in ``folder``, which may not exist yet. Raises InputError."""
    folder = Path(folder)
    if folder.exists():
        raise InputError(f"{folder} is there already; name another folder for the case.")
    with tempfile.TemporaryDirectory(prefix="cutpipe-") as place:
        inside = _unpacked(Path(file), Path(place))
        wrong = CaseStore.open(inside).faults()
        if wrong:
            raise InputError(f"The case in {file} is not whole: {wrong[0]}")
        try:
            folder.parent.mkdir(parents=True, exist_ok=True)
            beside = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}-"))
            shutil.copytree(inside, beside / "case")
            os.replace(beside / "case", folder)
            beside.rmdir()
        except OSError as error:
            raise InputError(
                f"The case cannot be kept in {folder} ({error.strerror}); choose another folder."
            ) from None
    return CaseStore.open(folder)
