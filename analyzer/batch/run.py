"""A folder of photos through the examination: several at a time, resumable, one bad file stops nothing."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analyzer.base.flags import InputError
from analyzer.base.text import file_stem, shown
from analyzer.batch import summary
from analyzer.batch.ledger import NAME, Ledger
from analyzer.batch.one import COLUMNS, Outcome, Plan, examine_one, key_of, made_with
from analyzer.photo.reading import read_bytes
from analyzer.show import output

# What phones and scanners write; a file of another kind in the folder is no photo and is passed over.
SUFFIXES = frozenset(".jpg .jpeg .png .heic .heif .tif .tiff .webp .avif .bmp".split())
# Then the processes are renewed, so that what libraries keep does not grow (Python's own max_tasks_per_child can hang: issue 115634
# of its tracker).
PHOTOS_A_WORKER = 100
TRIES = 2  # of a photo whose process was ended from outside
BYTES_A_WORKER = 1_200_000_000  # peak of one 12-megapixel examination, measured about 0.9 GB, and room to spare


@dataclass(frozen=True)
class Total:
    """What a run came to: photos in all, done before, done now, and with a problem."""

    photos: int
    before: int
    now: int
    problems: int


Say = Callable[[str, float], None]


def find_photos(folder: Path) -> dict[str, Path]:
    """Photos by their name relative to ``folder``, those in folders below included, hidden ones and links out of it not.

    Raises InputError where the folder is none or holds no photo.
    """
    if not folder.is_dir():
        raise InputError(f"{folder} is not a folder; name the folder that holds the photos.")
    home = folder.resolve()
    found = {}
    for place, below, names in os.walk(folder):
        below[:] = sorted(name for name in below if not name.startswith("."))
        for name in names:
            path = Path(place, name)
            if path.suffix.lower() in SUFFIXES and not name.startswith(".") and path.is_file():
                if path.resolve().is_relative_to(home):
                    found[path.relative_to(folder).as_posix()] = path
    if not found:
        raise InputError(f"There is no photo in {folder}; it takes files ending in {', '.join(sorted(SUFFIXES))}.")
    return dict(sorted(found.items()))


def run(
    folder: Path,
    out: Path,
    plan: Plan,
    *,
    jobs: int | None = None,
    scheduler: str | None = None,
    say: Say | None = None,
) -> Total:
    """Examine every photo below ``folder`` and keep the results below ``out``.

    A photo that an earlier run has done under the same plan and program is not done again. ``scheduler`` is the address of a Dask
    cluster that does the work instead of this computer's processes. Raises InputError where nothing can be done at all.
    """
    photos = find_photos(folder)
    place = Path(os.path.realpath(out))
    if place == folder.resolve() or folder.resolve().is_relative_to(place):
        raise InputError("The results would lie over the photos; choose another folder with --out.")
    _refuse_foreign(place)
    ledger = Ledger(place)
    try:
        return _Run(photos, place, plan, ledger, say or (lambda words, share: None)).all(jobs, scheduler)
    finally:
        ledger.close()


class _Run:
    def __init__(self, photos: Mapping[str, Path], out: Path, plan: Plan, ledger: Ledger, say: Say) -> None:
        self.photos, self.out, self.plan, self.ledger, self.say = photos, out, plan, ledger, say
        self.keys: dict[str, str] = {}
        self.before = self.now = 0
        self.begun = time.monotonic()

    def all(self, jobs: int | None, scheduler: str | None) -> Total:
        waiting = deque(name for name in self.photos if not self._done_before(name))
        if waiting:
            with _workers(scheduler, jobs or workers_here()) as (make, at_once):
                self._work(waiting, make, at_once)
        problems = sum(1 for row in self.ledger.rows(self.keys) if row["problem"])
        self.say("Writing the tables", 0.99)
        summary.write_csv(self.ledger.rows(self.keys), self.out / "photos.csv")
        summary.write_parquet(self.ledger.rows(self.keys), self.out / "photos.parquet")
        summary.write_pages(self.ledger.rows(self.keys), self.out, photos=len(self.photos))
        return Total(len(self.photos), self.before, self.now, problems)

    def _done_before(self, name: str) -> bool:
        try:
            data = read_bytes(self.photos[name])
        except Exception as error:  # gone, or not readable: told in its row, and tried again by the next run
            self._keep(name, f"unread {name}", _failed(name, str(error)))
            return True
        self.keys[name] = key_of(name, data, self.plan)
        row = self.ledger.row(self.keys[name])
        done = row is not None and (row["folder"] is None or (self.out / row["folder"] / output.MANIFEST).is_file())
        self.before += done
        return done

    def _work(self, waiting: deque[str], make: Callable[[], Executor], at_once: int) -> None:
        tries: dict[str, int] = {}
        while waiting:
            executor = make()
            # One that ended its process before is tried alone: then it is known whose fault it is.
            alone = bool(tries.get(waiting[0]))
            try:
                lost = self._rounds(
                    executor, waiting, 1 if alone else at_once, 1 if alone else PHOTOS_A_WORKER * at_once
                )
            except BaseException:
                _stop(executor, wait=False)
                raise
            _stop(executor, wait=not lost)
            for name in lost:
                tries[name] = tries.get(name, 0) + 1
                if tries[name] > TRIES:
                    self._keep(
                        name,
                        self.keys[name],
                        _failed(
                            name,
                            "The system ended the examination of this photo each time, most likely for want of memory; save it at 12 megapixels.",
                        ),
                    )
                else:
                    waiting.appendleft(name)

    def _rounds(self, executor: Executor, waiting: deque[str], at_once: int, at_most: int) -> list[str]:
        """Work until nothing waits or ``at_most`` photos are done; where the workers broke, the photos that they held."""
        at_work: dict[Future[Outcome], str] = {}
        begun = 0
        while at_work or (waiting and begun < at_most):
            try:
                while waiting and len(at_work) < at_once and begun < at_most:
                    name = waiting.popleft()
                    try:
                        data = read_bytes(self.photos[name])
                    except Exception as error:
                        self._keep(name, self.keys[name], _failed(name, str(error)))
                        continue
                    try:
                        at_work[executor.submit(examine_one, name, data, self.plan)] = name
                        begun += 1
                    except BaseException:
                        waiting.appendleft(name)
                        raise
                done, _ = wait(at_work, return_when=FIRST_COMPLETED)
                for future in done:
                    outcome = future.result()
                    self._put(at_work[future], outcome)
                    del at_work[future]
            except BrokenProcessPool:
                return list(at_work.values())
        return []

    def _put(self, name: str, outcome: Outcome) -> None:
        if dict(outcome.made_with) != made_with():
            raise InputError(
                f"The cluster's workers run {_versions(outcome.made_with)}, this computer {_versions(made_with())}; install the same on all."
            )
        row = dict(outcome.row)
        if outcome.files:
            stem = f"{file_stem(Path(name).stem, otherwise='photo')}-{self.keys[name][:12]}"
            row["folder"] = f"photos/{stem}"
            output.put_in_place(outcome.files, self.out / "photos" / stem)
            output.write_file(self.out / "small" / f"{stem}.jpg", outcome.small)
        self._keep(name, self.keys[name], row)

    def _keep(self, name: str, key: str, row: Mapping[str, Any]) -> None:
        self.keys[name] = key
        self.ledger.add(key, row)
        self.now += 1
        done, of = self.before + self.now, len(self.photos)
        spent = time.monotonic() - self.begun
        left = spent / self.now * (of - done)
        words = f"{done} of {of}: {shown(name)}"
        if row["problem"]:
            words += f": {row['problem']}"
        if done < of and self.now >= 3:
            words += f" ({_span(left)} left)"
        self.say(words, done / of)


def workers_here() -> int:
    """As many processes as this computer has processors for, and memory."""
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    try:
        memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return count
    return max(1, min(count, memory // BYTES_A_WORKER))


@contextmanager
def _workers(scheduler: str | None, jobs: int) -> Iterator[tuple[Callable[[], Executor], int]]:
    """How to make the executor, and how many photos to have in it at once (a few more than workers, so that none waits)."""
    if scheduler is None:
        context = multiprocessing.get_context("spawn")  # threads of a parent do not survive a fork
        yield lambda: ProcessPoolExecutor(jobs, mp_context=context), jobs + 1
        return
    try:
        from distributed import Client
    except ImportError:
        raise InputError("--scheduler needs the package distributed; install cutpipe[cluster] and try again.") from None
    try:
        client = Client(scheduler, timeout=10)
    except (OSError, ValueError, TypeError) as error:
        raise InputError(
            f"No Dask scheduler answers at {shown(scheduler)} ({shown(error)}); check the address."
        ) from None
    try:
        cores = sum(client.nthreads().values())
        if not cores:
            raise InputError(f"The Dask scheduler at {shown(scheduler)} has no worker; start one and try again.")
        # A photo whose worker is lost is done again by another.
        yield lambda: client.get_executor(pure=False, retries=TRIES), 2 * cores
    finally:
        client.close()


def _stop(executor: Executor, *, wait: bool) -> None:
    if isinstance(executor, ProcessPoolExecutor):
        executor.shutdown(wait=wait, cancel_futures=True)
    else:  # Dask's knows no more than this, and drops what waits
        executor.shutdown(wait=wait)


def _refuse_foreign(out: Path) -> None:
    """Only an empty folder, or one that holds an earlier run, is written to."""
    if out.is_file():
        raise InputError(f"{out} is a file; choose another folder with --out.")
    if out.is_dir() and any(out.iterdir()) and not (out / NAME).is_file():
        raise InputError(f"{out} holds other things; choose a new folder with --out.")


def _failed(name: str, sentence: str) -> dict[str, Any]:
    return dict.fromkeys(COLUMNS) | {"photo": name, "problem": sentence}


def _versions(made: Mapping[str, str]) -> str:
    return ", ".join(f"{name} {version}" for name, version in made.items())


def _span(seconds: float) -> str:
    if seconds < 90:
        return f"about {max(1, round(seconds))} s"
    return f"about {round(seconds / 60)} min" if seconds < 5400 else f"about {seconds / 3600:.1f} h"
