"""The command for many photos: ``cutpipe batch``."""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from analyzer.base.flags import InputError


def add_command(commands: Any, read_marker: Callable[[str], Any], marker_help: str) -> None:
    """Put ``batch`` beside the other commands; ``read_marker`` reads ``--marker``. Heavy parts are loaded when it runs."""
    batch = commands.add_parser(
        "batch",
        help="examine every photo of a folder; can be stopped and gone on with",
        description="Examine every photo in a folder and below it, several at a time, each as 'cutpipe examine' would. What is done "
        "is kept: stop with Ctrl+C and run the same command again to go on. Photos that cannot be used are named in the summary "
        "(photos.csv, photos.parquet, index.html) and stop nothing.",
        epilog="Example: cutpipe batch claims --out claims-examined",
    )
    batch.add_argument("folder", metavar="FOLDER", help="the folder with the photos")
    batch.add_argument("--out", metavar="DIR", required=True, help="folder for the results: new, or of an earlier run")
    batch.add_argument(
        "--view",
        choices=("inside", "outside", "flat", "end"),
        help="what all of them show; judged from each if left out",
    )
    batch.add_argument("--tube", metavar="TUBE", help="the tube, where all are of one size")
    batch.add_argument("--marker", metavar="MARKER", default="auto", help=marker_help)
    batch.add_argument("--facts", metavar="FILE", help="what is known of all of them, as for examine")
    batch.add_argument(
        "--units", choices=("metric", "us"), default="metric", help="units of pictures and reports (default: metric)"
    )
    batch.add_argument(
        "--reports", action="store_true", help="write the reports of each photo too (takes two to three times as long)"
    )
    batch.add_argument(
        "--jobs", type=int, help="photos at a time (default: as many as this computer has processors and memory for)"
    )
    batch.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="let the workers of a Dask cluster do it, for example tcp://127.0.0.1:8786; photos are sent to them. Only within your own network",
    )
    batch.add_argument("--quiet", action="store_true", help="say nothing but errors")
    batch.set_defaults(run=_batch, read_marker=read_marker)


def _batch(options: argparse.Namespace) -> int:
    from analyzer.base.tomlfile import read_text
    from analyzer.batch.one import Plan
    from analyzer.batch.run import run
    from analyzer.house.facts import parse_facts
    from analyzer.result.examination import Settings

    if options.jobs is not None and not 1 <= options.jobs <= 256:
        raise InputError("--jobs is a whole number from 1 to 256.")
    facts = read_text(options.facts, what="facts") if options.facts else None
    plan = Plan(
        settings=Settings(view=options.view, tube=options.tube, marker=options.read_marker(options.marker)),
        facts_toml=facts,
        units=options.units,
        reports=options.reports,
    )
    if facts:
        parse_facts(facts, today=dt.date.today())  # a mistake in it is told once, before any photo

    def say(words: str, share: float) -> None:
        if not options.quiet:
            print(f"{100 * share:3.0f} %  {words}", file=sys.stderr, flush=True)

    total = run(Path(options.folder), Path(options.out), plan, jobs=options.jobs, scheduler=options.scheduler, say=say)
    if not options.quiet:
        before = f", {total.before} of them done before" if total.before else ""
        print(
            f"{total.photos} photos{before}; {total.problems} with a problem. Begin with {Path(options.out) / 'index.html'}."
        )
    return 0
