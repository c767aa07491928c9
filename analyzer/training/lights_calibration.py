"""Fit the tables of pits looked for on several photos of one pose, each with the light from another side.

    python -m analyzer.training.lights_calibration TRUTH_FOLDER [--names dm,em,km] [--keep FOLDER] [--jobs N] [--write]

TRUTH_FOLDER as for ``analyzer.training.pit_calibration``; pieces whose truth lists ``multi``: the room's light and five torches.
Every piece is looked at on two, three, four and six of its photos together (``LOOKS``), and what is fitted is what
``pit_calibration`` fits on one photo, once for two photos and once for three and more. Figures are cross-fitted by piece. ``--write``
puts the tables into ``analyzer/models/pit-lights.toml``; what stands above its first table is kept.
"""

from __future__ import annotations

import argparse
import json
import pickle
import tomllib
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from analyzer.base.flags import CutpipeError
from analyzer.marks import candidates, likelihood
from analyzer.photo.reading import read_photo
from analyzer.training import pit_calibration as one

LOOKS = {2: (0,), 3: (0, 2), 4: (0, 2, 3), 6: (0, 1, 2, 3, 4)}  # photos together: the torches beside the room's light
GROUPS = {"two": (2,), "more": (3, 4, 6)}
FOLDS = 8
FILE = one.MODELS / "pit-lights.toml"


def read_piece(task: tuple[Path, str, int, Path]) -> Path | None:
    """The candidates of one piece on so many photos together, kept as a file."""
    root, name, looks, folder = task
    path = folder / f"{name}.{looks}.pickle"
    if path.exists():
        return path
    truth = json.loads((root / "truth" / name / "truth.json").read_text())
    lit = {photo["kind"]: root / photo["image"] for photo in truth["multi"]}
    others = [read_photo(lit[f"light{k}"]).rgb for k in LOOKS[looks]]
    usual = candidates.candidates
    candidates.candidates = partial(usual, others=others)  # type: ignore[assignment]
    try:
        picture = one.read_picture(root, name, float((likelihood.model_record() or {})["mm_per_px"]))
    except CutpipeError as error:
        print(f"{name} left out: {error}", flush=True)
        return None
    finally:
        candidates.candidates = usual
    path.write_bytes(pickle.dumps(vars(picture)))
    return path


def fitted(pictures: list[one.Picture], label: str) -> dict[str, Any]:
    """The tables of one group, with the figures cross-fitted by piece printed."""
    rows = one.rows_of(pictures)
    names = np.array([picture.name for picture in pictures])
    pieces = np.unique(names)
    order = np.random.default_rng(0).permutation(len(pieces))
    fold = {pieces[k]: i % FOLDS for i, k in enumerate(order)}
    of = np.array([fold[names[k]] for k in rows.picture])
    within = one.judge(rows, [(of == i, one.fit(rows, of != i)) for i in range(FOLDS)])
    level = one.best_threshold(pictures, rows, within)
    number = one.number_table(pictures)
    number["scatter"] = one.scatter(pictures, rows, within, number)
    print(label, one.report(pictures, rows, within, level))
    print(one.told_numbers(pictures, one.numbers(pictures, rows, within, number)), flush=True)
    tables = one.fit(rows, np.ones(rows.true.size, bool))
    tables["confidence"]["reported_from"] = level
    return {**tables, "number": number}


def write(groups: Mapping[str, Mapping[str, Any]]) -> None:
    lines = [FILE.read_text(encoding="utf-8").split("\n[", 1)[0].rstrip() + "\n"]
    for group, tables in groups.items():
        for name, table in tables.items():
            lines.append(f"[{group}.{name}]")
            lines += [f"{key} = {value:.6g}" for key, value in table.items() if isinstance(value, float)]
            for key, value in table.items():
                if isinstance(value, list):
                    lines += [f"{key} = [", *(f"  [{', '.join(f'{v:.4g}' for v in row)}]," for row in value), "]"]
            for key, value in table.items():
                if isinstance(value, Mapping):
                    lines += [f"[{group}.{name}.{key}]", *(f"{inner} = {v:.6g}" for inner, v in value.items())]
            lines.append("")
    text = "\n".join(lines)
    tomllib.loads(text)
    FILE.write_text(text, encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("truth", type=Path)
    parser.add_argument("--names", default="dm,em,km", help="beginnings of the names")
    parser.add_argument("--keep", type=Path, default=Path("candidates"), help="folder of the candidates")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    asked.keep.mkdir(parents=True, exist_ok=True)
    names = sorted(
        p.name for p in (asked.truth / "truth").iterdir() if p.name.startswith(tuple(asked.names.split(",")))
    )
    tasks = [(asked.truth, name, looks, asked.keep) for looks in LOOKS for name in names]
    with ProcessPoolExecutor(asked.jobs, mp_context=get_context("spawn")) as pool:
        paths = [path for path in pool.map(read_piece, tasks) if path is not None]
    groups = {}
    for group, looks in GROUPS.items():
        own = [path for path in paths if int(path.name.split(".")[1]) in looks]
        groups[group] = fitted([one.Picture(**pickle.loads(path.read_bytes())) for path in own], group)
    if asked.write:
        write(groups)


if __name__ == "__main__":
    main()
