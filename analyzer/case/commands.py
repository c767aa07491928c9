"""The commands of the kept case and the sealed bundle: ``cutpipe case ...``, ``seal``, ``check``, ``key``."""

from __future__ import annotations

import argparse
import dataclasses
import datetime as dt
import getpass
import math
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from analyzer.base.flags import InputError
from analyzer.base.text import shown

Commands = Any  # argparse names the type of its sub-parsers only privately


def add_commands(commands: Commands, read_marker: Callable[[str], Any]) -> None:
    """Put the case's commands beside the others. Heavy parts are loaded when one runs; ``read_marker`` reads ``--marker``."""
    case = commands.add_parser(
        "case",
        help="keep a case: photographs, facts, readings and corrections of one failure, with a log",
        description="Keep everything of one failure in a folder: the photographs untouched, and every step in a log that "
        "cannot be changed unseen.",
        epilog="Example: cutpipe case begin alder-row --name 'Alder Row, bath'; cutpipe case add alder-row bore.jpg; "
        "cutpipe case say alder-row --view inside --tube '3/4' --facts house.toml; cutpipe case examine alder-row",
    )
    steps = case.add_subparsers(dest="step", metavar="STEP", title="steps", required=True)

    def step(name: str, run: Any, help_: str) -> argparse.ArgumentParser:
        parser: argparse.ArgumentParser = steps.add_parser(
            name, help=help_, description=help_[:1].upper() + help_[1:] + "."
        )
        parser.add_argument("folder", metavar="CASE", help="the case's folder")
        parser.add_argument("--who", default=None, help="who does this (default: your name on this computer)")
        parser.set_defaults(run=run)
        return parser

    begin = step("begin", _begin, "begin a case in a new folder")
    begin_words = {
        "name": "what you call the case",
        "place": "where it is; a nickname will do",
        "examiner": "who examines the piece",
        "firm": "the examiner's firm",
        "claim-number": "number of the insurance claim",
    }
    for name, words in begin_words.items():
        begin.add_argument(f"--{name}", default="", help=words)
    drop = step("drop", _drop, "take a photograph out of the case; its bytes and its entry stay in the log")
    drop.add_argument(
        "photo", metavar="PHOTO", help="its file name, or the beginning of its SHA-256, as case show prints"
    )
    drop.add_argument("--section", default="1", help="which of several removed sections (default: 1)")
    add = step("add", _add, "add a photograph; it is kept to the byte")
    add.add_argument("photo", metavar="PHOTO")
    add.add_argument(
        "--purpose",
        default="main",
        choices=("in_place", "removed", "main", "cleaned", "ring", "light", "backlit", "other"),
        help="what it shows: in_place (before cutting), removed (the piece as it came out), main (cut open, not cleaned: "
        "the one that is measured), cleaned, ring, light (torch from another side), backlit, other",
    )
    add.add_argument("--torch", metavar="DIRECTION,HEIGHT", help="of a light photo: where the torch was, in degrees")
    add.add_argument("--section", default="1", help="which of several removed sections (default: 1)")
    say = step(
        "say", _say, "tell what is known: view, tube, marker, facts, readings, prices, corrections, notes, hand-over"
    )
    say.add_argument("--section", default="1", help="which of several removed sections (default: 1)")
    say.add_argument("--view", choices=("inside", "outside", "flat", "end"))
    say.add_argument("--tube", metavar="TUBE")
    say.add_argument("--marker", metavar="MARKER", help="as for examine")
    for name in ("facts", "readings", "prices", "corrections"):
        say.add_argument(f"--{name}", metavar="FILE", help="a file as for examine")
    say.set_defaults(read_marker=read_marker)
    for name, words in begin_words.items():
        say.add_argument(f"--{name}", default=None, help=f"{words}; '' takes it back")
    say.add_argument("--logo", metavar="FILE", help="the firm's logo, PNG or JPEG, for the reports; '' takes it out")
    say.add_argument("--note", metavar="TEXT")
    say.add_argument("--at", metavar="X,Y", help="where on the upright photo the note belongs, in pixels")
    say.add_argument(
        "--done",
        metavar="STEP",
        action="append",
        help="a step that was done, by its id in examination.json; may be given again",
    )
    say.add_argument("--handed-to", metavar="NAME", help="who took the piece over; say what with --what")
    say.add_argument("--what", metavar="TEXT", default="the removed piece")
    say.add_argument(
        "--kept-and-labelled",
        action="store_true",
        help="both halves, the fitting and a sound length are kept and labelled",
    )
    second = step("second", _second, "let a second person mark pits on the unmarked photo, and keep the marks")
    second.add_argument("--section", default="1", help="which of several removed sections (default: 1)")
    second.add_argument(
        "--sheet",
        metavar="FOLDER",
        help="write the unmarked photo, with pixels along its edges, and a file to fill in; give these to someone who has not "
        "seen the result",
    )
    second.add_argument(
        "--marks", metavar="FILE", help="the file as filled in: it is kept, and the report states the agreement"
    )
    step("show", _show, "print what the case holds and its log")
    step("undo", _undo, "take the last change back")
    step("redo", _redo, "do the change again that was taken back")
    examine = step("examine", _examine, "examine the case and write the results into a folder")
    examine.add_argument("--section", default="1")
    examine.add_argument("--units", choices=("metric", "us"), default="metric")
    examine.add_argument(
        "--out", metavar="FOLDER", help="folder for the results (default: the case's name with -examined)"
    )
    pack = step("pack", _pack, "write the whole case into one file, to open on another computer")
    pack.add_argument("--out", metavar="FILE", required=True)
    unpack = step("unpack", _unpack, "keep the case that a packed file holds in a new folder")
    unpack.add_argument("file", metavar="FILE")

    seal = commands.add_parser(
        "seal",
        help="write a case as a sealed bundle for people who were not there",
        description="Write photographs, log, figures and report of a case as one bundle (a BagIt bag, RFC 8493). Names, places, "
        "claim number, place data and serial numbers are left out unless you ask for them.",
    )
    seal.add_argument("folder", metavar="CASE", nargs="?", help="the case's folder")
    seal.add_argument("--demo", action="store_true", help="seal an invented case, to see what a bundle is")
    seal.add_argument("--out", metavar="PLACE", help="the bundle's place (default: the case's name with -sealed)")
    seal.add_argument("--zip", action="store_true", help="write one zip file instead of a folder")
    seal.add_argument("--with-names", action="store_true", help="keep names, places and the claim number in the log")
    seal.add_argument("--with-place", action="store_true", help="keep the photographs as they came, place data and all")
    seal.add_argument("--key", metavar="FILE", help="sign with the private key that 'cutpipe key' wrote")
    seal.add_argument("--units", choices=("metric", "us"), default="metric")
    seal.set_defaults(run=_seal, read_marker=read_marker)

    check = commands.add_parser(
        "check",
        help="check a sealed bundle: every byte, the log, the signature, and every figure measured again",
        description="Check a sealed bundle, a folder or a zip file. Ends with 0 where all is the same (or differs by rounding "
        "between versions), 3 where a figure is different, 4 where the bundle was changed.",
    )
    check.add_argument("bundle", metavar="BUNDLE")
    check.add_argument("--hashes-only", action="store_true", help="do not measure again")
    check.set_defaults(run=_check)

    key = commands.add_parser(
        "key",
        help="make a key to sign bundles with",
        description="Write a new private key (Ed25519). Keep the file to yourself: who has it can sign in your name.",
    )
    key.add_argument("--out", metavar="FILE", default="cutpipe-key.pem")
    key.set_defaults(run=_key)


def now() -> str:
    return dt.datetime.now().astimezone().isoformat(timespec="seconds")


def _who(options: argparse.Namespace) -> str:
    if options.who is not None:
        return str(options.who)
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def _open(options: argparse.Namespace) -> Any:
    from analyzer.case.store import CaseStore

    return CaseStore.open(options.folder)


def _begin(options: argparse.Namespace) -> int:
    from analyzer.case.contents import DESCRIPTION
    from analyzer.case.store import CaseStore

    told = {name: getattr(options, name) for name in DESCRIPTION}
    CaseStore.begin(options.folder, when=now(), who=_who(options), **told)
    print(f"Begun in {options.folder}. Next: cutpipe case add {options.folder} PHOTO")
    return 0


def _add(options: argparse.Namespace) -> int:
    from analyzer.photo.reading import read_photo

    store = _open(options)
    try:
        data = Path(options.photo).read_bytes()
    except OSError as error:
        raise InputError(f"{options.photo} cannot be read ({error.strerror}); check the name.") from None
    read_photo(data, name=Path(options.photo).name)  # what is no photo is refused before it is kept
    where: dict[str, float] = {}
    if options.purpose == "light":
        try:
            direction, height = (float(part) for part in str(options.torch).split(","))
            where = {"azimuth_deg": direction, "elevation_deg": height}
        except ValueError:
            raise InputError("Say where the torch was: --torch DIRECTION,HEIGHT in degrees, as in 180,30.") from None
    entry = store.add_photo(
        data,
        file_name=Path(options.photo).name,
        purpose=options.purpose,
        section=options.section,
        when=now(),
        who=_who(options),
        **where,
    )
    print(f"Kept {options.photo} as entry {entry.number}, SHA-256 {entry.content['sha256']}.")
    return 0


def _drop(options: argparse.Namespace) -> int:
    store = _open(options)
    told = str(options.photo)
    held = store.state().piece(options.section).photos
    found = [p for p in held if p.file_name == told or (len(told) >= 8 and p.sha256.startswith(told.lower()))]
    if len(found) != 1:
        names = "; ".join(f"{p.file_name} ({p.sha256[:12]})" for p in held) or "none"
        word = "more than one photo" if found else "no photo"
        raise InputError(f"The case holds {word} called {shown(told)}; it holds: {names}.")
    content = {"section": options.section, "sha256": found[0].sha256}
    entry = store.add("photo_removed", content, private={"who": _who(options)}, when=now())
    print(f"{found[0].file_name} was taken out as entry {entry.number}; case undo puts it back.")
    return 0


def _read(path: str) -> bytes:
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise InputError(f"{path} cannot be read ({error.strerror}); check the name.") from None


def _place(told: str | None) -> dict[str, float]:
    """Where a note belongs, from X,Y."""
    if told is None:
        return {}
    try:
        x_px, y_px = (float(part) for part in told.split(","))
    except ValueError:
        x_px = y_px = math.nan
    if not (0 <= x_px < math.inf and 0 <= y_px < math.inf):
        raise InputError("--at takes two numbers of pixels of the upright photo with a comma between, as in 812,640.")
    return {"x_px": x_px, "y_px": y_px}


def _say(options: argparse.Namespace) -> int:
    from analyzer.case.contents import DESCRIPTION
    from analyzer.causes.repair import read_prices
    from analyzer.house.facts import read_facts
    from analyzer.result.corrections import read_corrections
    from analyzer.result.examination import Settings
    from analyzer.wall.readings import read_readings

    store, section = _open(options), options.section
    told: list[tuple[str, dict[str, Any], dict[str, str]]] = []
    if options.view or options.tube or options.marker:
        before = store.state().piece(section).settings
        settings = Settings(
            view=options.view or before.view,
            tube=options.tube or before.tube,
            marker=options.read_marker(options.marker) if options.marker else before.marker,
        )
        marker = {name: value for name, value in dataclasses.asdict(settings.marker).items() if value is not None}
        told.append(("settings", {"view": settings.view, "tube": settings.tube, "marker": marker}, {}))
    if options.facts:
        facts = read_facts(options.facts, today=dt.date.today())
        told.append(("facts", {"answers": dict(facts)}, {}))
    if options.readings:
        rows = [_filled(vars(reading)) for reading in read_readings(options.readings).readings]
        told.append(("readings", {"rows": rows}, {}))
    if options.prices:
        told.append(("prices", {"prices": _filled(vars(read_prices(options.prices)))}, {}))
    for entry in read_corrections(options.corrections) if options.corrections else ():
        row = {name: value for name, value in _filled(vars(entry)).items() if name not in ("who", "when")}
        told.append(("correction", {"correction": row}, {"who": entry.who} if entry.who else {}))
    if options.note:
        told.append(("note", {"text": options.note, **_place(options.at)}, {}))
    elif options.at:
        raise InputError("--at says where a note belongs; say the note too: --note TEXT.")
    said = {name: getattr(options, name) for name in DESCRIPTION if getattr(options, name) is not None}
    if said:
        cleared = [name for name, value in said.items() if not value.strip()]
        told.append(("described", {"cleared": cleared}, {n: v for n, v in said.items() if n not in cleared}))
    if options.kept_and_labelled:
        told.append(("step", {"step": "keep_and_label"}, {}))
    told += [("step", {"step": step}, {}) for step in options.done or ()]
    if options.handed_to:
        told.append(("handed_over", {"what": options.what}, {"to": options.handed_to}))
    logo = _read(options.logo) if options.logo else None
    if options.logo is not None:
        store.set_logo(logo, when=now(), who=_who(options))
        print("The logo is kept." if logo else "The logo was taken out.")
    if not told and options.logo is None:
        raise InputError("Nothing was told; see cutpipe case say --help.")
    if not told:
        return 0
    _bind_to_places(store, section, told)
    for kind, content, private in told:
        if kind not in ("facts", "prices", "handed_over", "step", "described"):
            content = {"section": section, **content}
        store.add(kind, content, private={"who": _who(options), **private}, when=now())
    print(f"Kept: {', '.join(kind.replace('_', ' ') for kind, _, _ in told)}.")
    return 0


def _bind_to_places(store: Any, section: str, told: list[tuple[str, dict[str, Any], dict[str, str]]]) -> None:
    """Give what names a pit by its number alone the pit's place too, once the case was examined and the number can be of it."""
    from analyzer.case.work import places_of_pits

    readings = [row for kind, content, _ in told if kind == "readings" for row in content["rows"]]
    words = [content["correction"] for kind, content, _ in told if kind == "correction"]
    bare = [row for row in readings if "pit" in row and "x_px" not in row]
    bare += [row for row in words if "pit" in row and "points_px" not in row]
    examined = any(e.kind == "examined" and e.content.get("section", "1") == section for e in store.entries())
    if not bare or not examined:
        return
    print("Looking where the pits lie that were named by number.")
    places = places_of_pits(store.state(), store.original, section)
    for row in bare:
        if row["pit"] in places:
            x, y = places[row["pit"]]
            row.update({"points_px": [[x, y]]} if any(row is word for word in words) else {"x_px": x, "y_px": y})


def _second(options: argparse.Namespace) -> int:
    from analyzer.photo.reading import read_photo
    from analyzer.result.second_look import TEMPLATE, read_second_look
    from analyzer.show import drawing, output

    store, section = _open(options), options.section
    main = store.state().piece(section).of("main")
    if not main:
        raise InputError("This case has no photo of the cut-open piece yet; add one first.")
    if bool(options.sheet) == bool(options.marks):
        raise InputError(
            "Say either --sheet FOLDER, to get what a second person needs, or --marks FILE, to keep what was marked."
        )
    if options.sheet:
        photo = read_photo(store.original(main[0].sha256), name=main[0].file_name)
        folder = Path(options.sheet)
        picture = output.write_file(folder / "unmarked.png", drawing.png(drawing.unmarked_sheet(photo)))
        form = output.write_file(folder / "second.toml", TEMPLATE.encode())
        print(
            f"{picture} and {form}: give both to someone who has not seen the result, then case second --marks {form}."
        )
        return 0
    look = read_second_look(options.marks)
    who = look.who or _who(options)
    content = {"section": section, "marks_px": [list(mark) for mark in look.marks_px]}
    store.add("second_look", content, private={"who": who}, when=now())
    marks = len(look.marks_px)
    print(f"Kept {marks} mark{'' if marks == 1 else 's'} of a second examiner; case examine states how far both agree.")
    return 0


def _filled(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if value is not None}


def _show(options: argparse.Namespace) -> int:
    from analyzer.case.series import checklist

    store = _open(options)
    state = store.state()
    for name, value in state.description.items():
        print(f"{name.replace('_', ' ')}: {value}")
    for section, piece in state.pieces.items():
        print(f"Section {section}:")
        for photo in piece.photos:
            print(
                f"  {photo.purpose.replace('_', ' ')}: {photo.file_name}, kept {photo.added}, SHA-256 {photo.sha256[:12]}..."
            )
        for item in checklist(state, section=section):
            if item.missing:
                print(f"  missing: {item.title}. {item.why}")
        print(f"  readings {len(piece.reading_rows)}, corrections {len(piece.corrections)}, notes {len(piece.notes)}")
        for note in piece.notes:
            where = "" if note.x_px is None else f", at pixel {note.x_px:.0f}, {note.y_px:.0f}"
            print(f"  note {note.when}{where}: {note.text}")
    for over in state.hand_overs:
        print(f"Handed over {over.when}: {over.what}, by {over.who or 'nobody named'} to {over.to or 'nobody named'}")
    print(f"Answers: {len(state.answers)}. Log:")
    for entry in store.entries():
        print(
            f"  {entry.number:3d}  {entry.when}  {entry.kind.replace('_', ' ')}{f'  ({entry.who})' if entry.who else ''}"
        )
    wrong = store.faults()
    print("\n".join(wrong) if wrong else "Every hash fits.")
    return 1 if wrong else 0


def _undo(options: argparse.Namespace) -> int:
    entry = _open(options).undo(when=now(), who=_who(options))
    print("There is nothing to take back." if entry is None else f"Entry {entry.content['of']} was taken back.")
    return 0


def _redo(options: argparse.Namespace) -> int:
    entry = _open(options).redo(when=now(), who=_who(options))
    print("There is nothing to do again." if entry is None else f"Entry {entry.content['of']} stands again.")
    return 0


def _examine(options: argparse.Namespace) -> int:
    import hashlib

    from analyzer.case.work import edition_of, examine_case, versions
    from analyzer.result.record import to_json
    from analyzer.show import output

    store = _open(options)
    state = store.state()
    result = examine_case(state, store.original, section=options.section)
    folder = Path(options.out) if options.out else Path(f"{Path(options.folder).name}-examined")
    edition = edition_of(state, result, section=options.section, units=options.units, logo=store.logo(state))
    output.write(result, folder, edition=edition)
    content = {
        "section": options.section,
        "examination_sha256": hashlib.sha256(to_json(result).encode()).hexdigest(),
        "versions": versions(),
    }
    store.add("examined", content, private={"who": _who(options)}, when=now())
    print(f"{result.judgement.summary}\nResults in {folder}.")
    return 0


def _pack(options: argparse.Namespace) -> int:
    from analyzer.case.bundle import pack

    print(f"{pack(_open(options), options.out)} holds the whole case, names and all: hand it to nobody else.")
    return 0


def _unpack(options: argparse.Namespace) -> int:
    from analyzer.case.bundle import unpack

    print(f"The case is kept in {unpack(options.file, options.folder).folder}.")
    return 0


def _demo_case(folder: Path, read_marker: Callable[[str], Any]) -> Any:
    """The first of the invented demo pictures as a case."""
    import tomllib

    import analyzer
    from analyzer.case.store import CaseStore
    from analyzer.house.facts import check_facts

    top = Path(analyzer.__file__).resolve().parent.parent  # in a checkout; installed, the pictures lie beside the pages
    pictures = next((p for p in (top / "demo_images", top / "ui/demo_images") if (p / "manifest.toml").is_file()), None)
    if pictures is None:
        raise InputError("The demo pictures are not installed; seal a case of your own.")
    row = tomllib.loads((pictures / "manifest.toml").read_text(encoding="utf-8"))["picture"][0]
    store = CaseStore.begin(folder, when=now(), name=f"{row['title']} (invented demo)")
    store.add_photo((pictures / row["file"]).read_bytes(), file_name=row["file"], purpose="main", when=now())
    marker = {k: v for k, v in dataclasses.asdict(read_marker(row["marker"])).items() if v is not None}
    store.add("settings", {"view": row["view"], "tube": row["tube"], "marker": marker}, when=now())
    store.add("facts", {"answers": dict(check_facts(row["facts"]))}, when=now())
    store.add("note", {"text": row["story"]}, when=now())
    return store


def _seal(options: argparse.Namespace) -> int:
    from analyzer.case.bundle import seal

    ending = ".zip" if options.zip else ""
    try:
        key = Path(options.key).read_bytes() if options.key else None
    except OSError as error:
        raise InputError(f"The key {options.key} cannot be read ({error.strerror}).") from None
    if options.demo == bool(options.folder):
        raise InputError("Name the case to seal, or say --demo for an invented one.")
    name = "demo" if options.demo else Path(options.folder).name
    with tempfile.TemporaryDirectory(prefix="cutpipe-") as aside:
        store = _demo_case(Path(aside) / "case", options.read_marker) if options.demo else _open(options)
        place = seal(
            store,
            options.out or f"{name}-sealed{ending}",
            when=now(),
            zipped=options.zip,
            with_private=options.with_names,
            with_place=options.with_place,
            units=options.units,
            key=key,
        )
    kept = [w for w, on in (("names and places", options.with_names), ("the camera's data", options.with_place)) if on]
    print(f"Sealed in {place}, with {' and '.join(kept) or 'neither names nor place data'} in it.")
    print("Notes and the names of files are in it as they were typed: look them through before you hand it on.")
    return 0


def _check(options: argparse.Namespace) -> int:
    from analyzer.case.bundle import EXIT_CODES, check
    from analyzer.case.said import in_sentences

    verdict, sentences = in_sentences(check(options.bundle, measure=not options.hashes_only))
    print("\n".join(sentences))
    return EXIT_CODES[verdict]


def _key(options: argparse.Namespace) -> int:
    import os

    from analyzer.case.bundle import new_key

    try:
        handle = os.open(options.out, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise InputError(f"{options.out} is there already; a key is never written over.") from None
    except OSError as error:
        raise InputError(f"{options.out} cannot be written ({error.strerror}); choose another place.") from None
    with os.fdopen(handle, "wb") as file:
        file.write(new_key())
    print(f"{options.out} is your private key: keep it to yourself.")
    return 0
