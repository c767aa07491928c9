"""The command line: ``cutpipe open``, ``examine``, ``batch``, ``card``, ``facts``, ``rules``, ``schema``. Words for a plumber; the work is done elsewhere."""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from analyzer.base.flags import CutpipeError, InputError
from analyzer.base.text import shown
from analyzer.batch.commands import add_command
from analyzer.case.commands import add_commands

if TYPE_CHECKING:
    from analyzer.relief.lights import Light
    from analyzer.scale.calibration import Marker

MARKER_HELP = (
    "what lies beside the piece: auto (look for the card, then a ruler), card, ruler, disc:DIAMETER_MM (a coin, for "
    "example disc:24.26), length:X1,Y1,X2,Y2,MM (two points in the photo and their distance), or none"
)

MARKER_FORMS = (
    "auto, card, ruler, disc:24.26 (a diameter in mm), length:X1,Y1,X2,Y2,MM (two points and their distance) or none"
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; 0 when done, 1 when something that a user can mend stood in the way, 2 for wrong usage."""
    one_thread_for_algebra()
    _streams_that_take_all_words()
    parser = _parser()
    options = parser.parse_args(_numbers_joined(sys.argv[1:] if arguments is None else arguments))
    if options.command is None:
        parser.print_help()
        return 0
    try:
        code = options.run(options)
        sys.stdout.flush()  # a full disk behind ">" speaks here, not when Python ends
        return code
    except CutpipeError as error:
        _complain(f"cutpipe: {error}")
        return 1
    except KeyboardInterrupt:
        _complain("\ncutpipe: stopped; nothing half-done was left behind.")
        return 130
    except BrokenPipeError:  # the reader of a pipe (head, less) went away
        _to_nowhere("stdout")
        return 1
    except OSError as error:
        _to_nowhere("stdout")
        _complain(
            f"cutpipe: what was to be printed cannot be written ({error.strerror}); make room or choose another place."
        )
        return 1


def _streams_that_take_all_words() -> None:
    """A closed stream is silent; one that knows plain letters only gets a question mark for a sign that it lacks."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            _to_nowhere(name)
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def _as_a_file() -> None:
    """What is printed to become a file is UTF-8, as TOML, JSON and the README's commands take it to be."""
    if hasattr(sys.stdout, "reconfigure") and not sys.stdout.isatty():
        sys.stdout.reconfigure(encoding="utf-8", errors="strict")


def _to_nowhere(name: str) -> None:
    setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115  (Python flushes it once more when it ends)


def _complain(words: str) -> None:
    """A terminal that is gone must not turn a sentence into a crash, nor stop a work that is under way."""
    try:
        print(words, file=sys.stderr, flush=True)
    except OSError:
        _to_nowhere("stderr")


def one_thread_for_algebra() -> None:
    """For this program's own process; a host program that imports the analysis keeps its own setting.

    The systems solved here have a dozen unknowns: threads of the linear algebra only wait for one another, for seconds on a busy
    computer. Read when numpy is first loaded, which no command has done yet; what the user has set stands.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _numbers_joined(arguments: Sequence[str]) -> list[str]:
    """``--tube -15x0.7`` as ``--tube=-15x0.7``: no option begins with a digit, so a value that was mistyped is answered by who reads it."""
    joined: list[str] = []
    for argument in arguments:
        if re.match(r"-\.?\d", argument) and joined and re.fullmatch(r"--[a-z-]+", joined[-1]):
            joined[-1] += f"={argument}"
        else:
            joined.append(argument)
    return joined


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="cutpipe",
        description="Find out from a photo of a cut-out piece why a water pipe failed, and what to do next.",
        epilog="Start with: cutpipe open --demo. All work stays on this computer. A photo never proves a cause and "
        "never shows that a pipe is safe under pressure.",
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")

    open_ = commands.add_parser(
        "open",
        help="open the pages in your web browser: add a photo, read the result, save the report",
        description="Start cutpipe on this computer and open its pages in the web browser. Stop it with Ctrl+C.",
    )
    open_.add_argument("--demo", action="store_true", help="begin with an invented case to look at")
    open_.add_argument(
        "--port", type=int, default=None, help="port on this computer (default: the first free one from 8501)"
    )
    open_.add_argument(
        "--address",
        default="127.0.0.1",
        help="address to listen on (default: 127.0.0.1, this computer only). To use a phone's camera on your own "
        "network give this computer's address; the pages then ask for a code that is shown here",
    )
    open_.add_argument(
        "--cases",
        metavar="DIR",
        default=None,
        help="folder that keeps the cases (default: cutpipe/cases in your own folder for programs' data)",
    )
    open_.add_argument("--no-browser", action="store_true", help="do not open a browser window")
    open_.set_defaults(run=_open)

    examine = commands.add_parser(
        "examine",
        help="examine one photo from the command line and write the results into a folder",
        description="Examine the photo of a cut-out piece of pipe and write the measures, the marked pictures and the "
        "report into a folder.",
        epilog="Example: cutpipe examine bore.jpg --view inside --tube '1/2 M' --facts house.toml --out result",
    )
    examine.add_argument("photo", metavar="PHOTO", help="the photo (JPEG, PNG or HEIC)")
    examine.add_argument(
        "--view",
        choices=("inside", "outside", "flat", "end"),
        help="what the photo shows: inside (the bore of a half cut lengthwise), outside, flat (opened and flattened) or end "
        "(a cut ring, seen from above); if left out it is judged from the picture",
    )
    examine.add_argument(
        "--tube",
        metavar="TUBE",
        help='the tube if you know it: size and type "1/2 M", the size alone "1/2", or outside diameter and wall in mm "15.9x0.7"',
    )
    examine.add_argument("--marker", metavar="MARKER", default="auto", help=MARKER_HELP)
    examine.add_argument(
        "--facts",
        metavar="FILE",
        help="what is known of the installation: a text file that 'cutpipe facts' prints for you to fill in",
    )
    examine.add_argument(
        "--readings", metavar="FILE", help="depth gauge and caliper readings (a text or CSV file; the README shows one)"
    )
    examine.add_argument(
        "--corrections", metavar="FILE", help="corrections by hand (a text file; the README shows one)"
    )
    examine.add_argument(
        "--second",
        metavar="FILE",
        action="append",
        default=[],
        help="what a second person marked on the unmarked photo without seeing the result (a text file; the README shows one): the "
        "report then states how far both agree",
    )
    examine.add_argument(
        "--prices",
        metavar="FILE",
        help="your own prices, to compare repair with replacement (a text file; the README shows one)",
    )
    examine.add_argument(
        "--light",
        metavar="PHOTO@DIRECTION,HEIGHT",
        action="append",
        default=[],
        help="the same piece, camera not moved, with the torch from another side: its direction in degrees counter-clockwise "
        "from the card's right edge, its height in degrees above the table, for example left.jpg@180,30. Give the option once "
        "for each photo, best three or more; it shows how deep the pits are. PHOTO@X,Y,Z gives the torch's place in mm "
        "from the middle of the card",
    )
    examine.add_argument(
        "--backlit",
        metavar="PHOTO",
        help="the same piece, camera not moved, with the light behind it: shows holes that go through",
    )
    examine.add_argument(
        "--ring",
        metavar="PHOTO",
        help="a photo of a ring sawn from the same pipe, seen from above: shows the wall that is left",
    )
    examine.add_argument(
        "--units", choices=("metric", "us"), default="metric", help="units of the report (default: metric)"
    )
    examine.add_argument(
        "--out", metavar="FOLDER", help="folder for the results (default: the photo's name with -examined)"
    )
    examine.add_argument("--quiet", action="store_true", help="say nothing but errors")
    examine.set_defaults(run=_examine)

    card = commands.add_parser(
        "card",
        help="write the scale card to print",
        description="Write the scale card as a PDF. Print it at 100 % (no fit to page), check the printed length with a ruler "
        "and lay it beside the piece.",
    )
    card.add_argument(
        "--paper", choices=("a4", "letter", "both"), default="both", help="paper size (default: one file for each)"
    )
    card.add_argument("--out", metavar="FOLDER", default=".", help="folder for the PDF (default: here)")
    card.set_defaults(run=_card)

    facts = commands.add_parser(
        "facts",
        help="print an empty facts file to fill in",
        description="Print a facts file with every question about the installation, its unit, what it tells and how to find it out. "
        "Save it, take away the # before what you know, and give it to examine with --facts.",
        epilog="Example: cutpipe facts > house.toml",
    )
    facts.set_defaults(run=_facts)

    rules = commands.add_parser(
        "rules",
        help="print the table of causes and rules with their sources",
        description="Print every cause with what supports it, what speaks against it and the sources, as a Markdown table.",
    )
    rules.set_defaults(run=_rules)

    schema = commands.add_parser(
        "schema",
        help="print the description (JSON Schema) of examination.json",
        description="Print the JSON Schema (draft 2020-12) that every examination.json keeps to, for programs that read it.",
    )
    schema.set_defaults(run=_schema)
    add_command(commands, read_marker, MARKER_HELP)
    add_commands(commands, read_marker)
    return parser


def read_marker(text: str) -> Marker:
    """The Marker that ``--marker`` names. Raises InputError saying what it takes."""
    from analyzer.scale.calibration import DISC_RANGE_MM, Marker

    kind, _, rest = text.strip().partition(":")
    kind = kind.lower()
    try:
        if kind in ("auto", "card", "ruler", "none") and not rest:
            return Marker(kind=kind)
        if kind == "disc":
            diameter = float(rest)
            smallest, largest = DISC_RANGE_MM
            if not smallest <= diameter <= largest:  # nan too
                raise InputError(
                    f"A disc of {diameter:g} mm cannot be right; give its diameter, {smallest:g} to {largest:g} mm, for example disc:24.26."
                )
            return Marker(kind=kind, diameter_mm=diameter)
        if kind == "length":
            x1, y1, x2, y2, length = (float(part) for part in rest.split(","))
            if (
                not all(math.isfinite(v) and abs(v) < 1e5 for v in (x1, y1, x2, y2, length))
                or not length > 0
                or (x1, y1) == (x2, y2)
            ):
                raise InputError(
                    "--marker length needs two different points in the photo and the millimetres between them, above zero; "
                    "give for example length:120,300,980,300,50."
                )
            return Marker(kind=kind, points_px=((x1, y1), (x2, y2)), length_mm=length)
    except ValueError:
        pass
    raise InputError(f"--marker {shown(text)!r} is not understood; write {MARKER_FORMS}.")


def _examine(options: argparse.Namespace) -> int:
    # Imported here so that --help and a wrong option answer at once.
    from analyzer.causes.repair import read_prices
    from analyzer.house.facts import read_facts
    from analyzer.photo.reading import read_photo
    from analyzer.result.corrections import read_corrections
    from analyzer.result.examination import Settings, examine
    from analyzer.result.second_look import read_second_look
    from analyzer.show import output
    from analyzer.wall.readings import read_readings

    def say(words: str, share: float) -> None:
        if not options.quiet:
            _complain(f"{100 * share:3.0f} %  {words}")

    settings = Settings(view=options.view, tube=options.tube, marker=read_marker(options.marker))
    facts = read_facts(options.facts, today=dt.date.today()) if options.facts else None
    readings = read_readings(options.readings) if options.readings else None
    corrections = read_corrections(options.corrections) if options.corrections else ()
    prices = read_prices(options.prices) if options.prices else None
    second_looks = tuple(read_second_look(path) for path in options.second)
    photos = [read_photo(options.photo)]
    if options.backlit:
        photos.append(read_photo(options.backlit, role="backlit"))
    if options.ring:
        photos.append(read_photo(options.ring, role="ring"))
    lights = _lights(options.light)
    result = examine(
        photos,
        facts=facts,
        settings=settings,
        readings=readings,
        corrections=corrections,
        prices=prices,
        second_looks=second_looks,
        lights=lights,
        progress=say,
    )
    folder = Path(options.out) if options.out else Path(Path(options.photo).stem + "-examined")
    say("Writing the results", 0.95)
    paths = output.write(result, folder, units=options.units)
    if not options.quiet:
        from analyzer.show.phrases import spoken_summary

        print(spoken_summary(result, units=options.units))
        print(f"Results in {folder}: {', '.join(path.name for path in paths)}")
    return 0


def _lights(entries: Sequence[str]) -> tuple[Light, ...]:
    if not entries:
        return ()
    from analyzer.photo.reading import read_photo
    from analyzer.relief.lights import Light

    lights = []
    for entry in entries:
        path, at, place = entry.rpartition("@")
        try:
            numbers = [float(part) for part in place.split(",")]
        except ValueError:
            numbers = []
        if not at or len(numbers) not in (2, 3):
            raise InputError(
                f"--light {entry!r} is not understood; write PHOTO@DIRECTION,HEIGHT in degrees, for example left.jpg@180,30."
            )
        photo = read_photo(path, role="light")
        if len(numbers) == 2:
            lights.append(Light(photo=photo, azimuth_deg=numbers[0], elevation_deg=numbers[1]))
        else:
            lights.append(Light(photo=photo, position_mm=(numbers[0], numbers[1], numbers[2])))
    return tuple(lights)


def _card(options: argparse.Namespace) -> int:
    from analyzer.scale.printed_card import card_pdf
    from analyzer.show import output

    papers = ("a4", "letter") if options.paper == "both" else (options.paper,)
    for paper in papers:
        path = output.write_file(Path(options.out) / f"scale-card-{paper}.pdf", card_pdf(paper))
        print(f"{path}: print at 100 %, check the printed length with a ruler before use.")
    return 0


def _facts(options: argparse.Namespace) -> int:
    _as_a_file()
    from analyzer.house.facts import facts_template

    print(facts_template(), end="")
    return 0


def _rules(options: argparse.Namespace) -> int:
    _as_a_file()
    from analyzer.causes.rules import rules_table

    print(rules_table())
    return 0


def _schema(options: argparse.Namespace) -> int:
    _as_a_file()
    from analyzer.result.record import schema

    print(json.dumps(schema(), indent=1))
    return 0


def _open(options: argparse.Namespace) -> int:
    from ui.launch import launch

    return launch(
        address=options.address,
        port=options.port,
        demo=options.demo,
        browser=not options.no_browser,
        cases=options.cases,
    )


if __name__ == "__main__":
    sys.exit(main())
