"""What a person sees: a sheet of places to judge without the truth, and the tally against it.

    python -m tests.blind_sheet FOLDER RESULTS SHEET.png [--only h] [--seed 1]
    python -m tests.blind_sheet FOLDER RESULTS SHEET.png --pits 2,5,11

FOLDER holds pictures with truth, RESULTS what ``python -m tests.accuracy FOLDER --out RESULTS`` wrote. The sheet shows places where
the program missed a pit, took something else for one, and was right, shuffled: which hold a pit at the mark? The second call
takes the numbers that the viewer named and says how many of each kind these are. Pits under 4 dE from their surroundings are
left out: nobody is asked to see those.
"""

from __future__ import annotations

import argparse
import json
import random
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageOps

from tests import truth_score, worst_errors

MISSED, MISTAKEN, FOUND = 20, 20, 8
HALF_MM = 2.6  # of a cell
CELL_PX = 220
COLUMNS = 8


def places(folder: Path, results: Path, only: str, seed: int) -> list[tuple[str, str, float, float, float]]:
    """(kind, picture, x, y, diameter in mm) of the places, shuffled; the same for the same seed."""
    kinds: dict[str, list[tuple[str, str, float, float, float]]] = {"missed": [], "mistaken": [], "found": []}
    predictions = truth_score.load_pred(str(results))
    for truth in truth_score.load_truth(str(folder)):
        name = truth["name"]
        if not name.startswith(tuple(only.split(","))) or name not in predictions or truth["view"] == "end":
            continue
        contrast = truth_score.contrast(truth, str(folder))
        errors = worst_errors.sort_out(truth, predictions[name])
        for kind in ("missed", "found"):
            for pit in getattr(errors, kind):
                if (contrast.get(pit["id"]) or 0.0) >= truth_score.FAINT_DE:
                    kinds[kind].append((kind, name, *pit["centroid_px"], pit["equivalent_diameter_mm"]))
        for pit in errors.mistaken:
            kinds["mistaken"].append(("mistaken", name, pit["x_px"], pit["y_px"], pit["equivalent_diameter_mm"]))
    draw = random.Random(seed)
    chosen = []
    for kind, number in (("missed", MISSED), ("mistaken", MISTAKEN), ("found", FOUND)):
        chosen += draw.sample(kinds[kind], min(number, len(kinds[kind])))
    draw.shuffle(chosen)
    return chosen


def sheet(folder: Path, chosen: list[tuple[str, str, float, float, float]]) -> Image.Image:
    truths = {truth["name"]: truth for truth in truth_score.load_truth(str(folder))}
    rows = -(-len(chosen) // COLUMNS)
    page = Image.new("RGB", (COLUMNS * (CELL_PX + 4), rows * (CELL_PX + 4)))
    for number, (_, name, x, y, diameter_mm) in enumerate(chosen):
        truth = truths[name]
        with Image.open(folder / truth["image"]) as opened:
            rgb = np.asarray(ImageOps.exif_transpose(opened).convert("RGB"))
        half = HALF_MM / truth["mm_per_px_surface"]
        zoom = CELL_PX / (2 * half)
        matrix = np.array([[zoom, 0, -(x - half) * zoom], [0, zoom, -(y - half) * zoom]])
        cell = Image.fromarray(
            cv2.warpAffine(rgb, matrix, (CELL_PX, CELL_PX), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        )
        pen = ImageDraw.Draw(cell)
        middle, reach = CELL_PX / 2, 0.9 * max(diameter_mm, 0.4) * CELL_PX / (2 * HALF_MM)
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            near, far = reach + 6, reach + 18
            pen.line((middle + dx * near, middle + dy * near, middle + dx * far, middle + dy * far), "white")
        pen.text((4, 4), str(number), "yellow")
        page.paste(cell, (number % COLUMNS * (CELL_PX + 4), number // COLUMNS * (CELL_PX + 4)))
    return page


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.blind_sheet", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("results", type=Path)
    parser.add_argument("sheet", type=Path)
    parser.add_argument("--only", default="h", help="names that begin so, several with commas")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pits", help="numbers of the places that the viewer took for pits, with commas")
    options = parser.parse_args()
    key = options.sheet.with_suffix(".json")
    if options.pits is None:
        chosen = places(options.folder, options.results, options.only, options.seed)
        sheet(options.folder, chosen).save(options.sheet)
        key.write_text(json.dumps(chosen))
        print(f"{len(chosen)} places on {options.sheet}; look, then call again with --pits")
        return
    named = {int(number) for number in options.pits.split(",")}
    tally: Counter[tuple[str, bool]] = Counter(
        (kind, number in named) for number, (kind, *_) in enumerate(json.loads(key.read_text()))
    )
    for kind in ("found", "missed", "mistaken"):
        yes, no = tally[kind, True], tally[kind, False]
        print(f"{kind} by the program: the viewer saw a pit at {yes} of {yes + no}")


if __name__ == "__main__":
    main()
