"""Accuracy against pictures with known truth: ``python -m tests.accuracy FOLDER [--only h] [--out DIR] [--jobs N] [--worst 3]``.

FOLDER holds ``images/`` and ``truth/`` (rendered pipes; scored by ``tests/truth_score.py``), or ``img/``, ``mask/`` and
``inst/`` (real metal with drawn masks; scored by ``tests/mask_score.py``), as their README files describe. View, tube size and kind of marker are
told, as a person knows them; the tube's type is not. Prints the figures beside their goals and exits with 1 where one is not met.
With ``--out`` the worst rendered pictures are drawn there, with what was missed and what was mistaken.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from analyzer.base.flags import CutpipeError
from analyzer.cli import read_marker
from analyzer.photo.reading import read_photo
from analyzer.relief.lights import Light
from analyzer.result.examination import Settings, examine
from analyzer.scale.calibration import Marker, find_scale
from analyzer.show import output
from tests import coverage_table, mask_score, truth_score, worst_errors

FILES = ("examination.json", "pit-labels.png", "band-labels.png")


def told(truth: dict) -> dict[str, str]:
    """What a person knows: the view, the tube's size, the marker (and the disc's diameter)."""
    marker = truth["marker"]
    kind = {"aruco_card": "card", "ruler": "ruler"}.get(marker["kind"]) or f"disc:{marker['diameter_mm']}"
    return {"view": truth["view"], "tube": truth["pipe"]["size_in"], "marker": kind}


def torches(image: Path, name: str, marker: Marker, number: int) -> list[Light]:
    """The first ``number`` photos of the same pose with a torch, each with the torch's place as its truth has it, from the card."""
    if not number:
        return []
    folder = image.parents[1]
    truth = json.loads((folder / "truth" / name / "truth.json").read_text())
    pose = find_scale(read_photo(image), marker)
    turn, shift = np.array(truth["camera"]["R_world_to_cam"]), np.array(truth["camera"]["t_world_to_cam"])
    lights = []
    for shot in [shot for shot in truth["multi"] if "light_position_mm" in shot][:number]:
        place = pose.rotation.T @ (turn @ np.array(shot["light_position_mm"]) + shift - pose.translation_mm)
        lights.append(
            Light(photo=read_photo(folder / shot["image"], role="light"), position_mm=tuple(map(float, place)))
        )
    return lights


def examine_one(task: tuple[str, str, str, dict[str, str]]) -> tuple[str, float, str]:
    """Examine one picture into its folder; (name, seconds, what went wrong)."""
    name, image, folder, settings = task
    cv2.setNumThreads(1)
    started = time.perf_counter()
    marker = read_marker(settings["marker"])
    try:
        result = examine(
            image,
            settings=Settings(view=settings.get("view"), tube=settings.get("tube"), marker=marker),
            lights=torches(Path(image), name, marker, int(settings.get("lights", 0))),
        )
        seconds = time.perf_counter() - started
        output.write(result, folder, only=FILES)
        truth = Path(image).parents[1] / "truth" / Path(folder).name / "truth.json"
        if truth.is_file() and result.look.surface.unit == "mm" and result.look.surface.view != "end":
            here = coverage_table.squarely(result.look.surface, json.loads(truth.read_text()))
            (Path(folder) / "squarely.json").write_text(json.dumps(here))
        return name, seconds, ""
    except CutpipeError as error:
        return name, time.perf_counter() - started, str(error)


def run(tasks: list[tuple[str, str, str, dict[str, str]]], jobs: int) -> None:
    seconds, failed = [], []
    # Spawned, not forked: OpenCV's threads do not survive a fork, and a child would wait for them for ever.
    with ProcessPoolExecutor(jobs, mp_context=multiprocessing.get_context("spawn")) as pool:
        for name, spent, error in pool.map(examine_one, tasks):
            seconds.append(spent)
            if error:
                failed.append(name)
                print(f"{name}: {error}", flush=True)
    print(
        f"{len(tasks)} pictures, {np.median(seconds):.1f} s each (median, one thread), {len(failed)} without a result"
    )


class Table:
    """The figures beside their goals."""

    def __init__(self) -> None:
        self.missed = 0

    def row(self, name: str, value: float | None, goal: str, met: bool | None, note: str = "") -> None:
        met = None if met is None else bool(met)  # numpy has its own False
        self.missed += met is False
        shown = "-" if value is None or not np.isfinite(value) else f"{value:.3g}"
        mark = {True: "met", False: "MISSED", None: ""}[met]
        print(f"{name:<52} {shown:>9}   goal {goal:<22} {mark:<7} {note}")


def _median(values: list[float]) -> float | None:
    return float(np.median(values)) if values else None


def rendered(folder: Path, results: Path, only: str, jobs: int, worst: int, lights: int = 0, marker: str = "") -> int:
    truths = [
        t for t in truth_score.load_truth(str(folder)) if t["name"].startswith(tuple(only.split(","))) or not only
    ]
    tasks = []
    for truth in truths:
        image = folder / truth["image"]
        says = {**told(truth), "lights": str(lights), **({"marker": marker} if marker else {})}
        tasks.append((truth["name"], str(image), str(results / truth["name"]), says))
        truth["_contrast"] = truth_score.contrast(truth, str(folder))
    run(tasks, jobs)
    predictions = truth_score.load_pred(str(results))
    rows, summary = truth_score.run(truths, dict(predictions.items()))
    _recall_by_obliquity(truths, predictions)
    print()
    table = Table()
    by_name = {truth["name"]: truth for truth in truths}
    seen = [row for row in rows if row["view"] != "end"]
    for kind, goal in (("aruco_card", 0.5), ("ruler", 1.0), ("disc", 1.5)):
        errors = [abs(r["scale_err_pct"]) for r in rows if r["marker"] == kind and r["scale_err_pct"] is not None]
        middle = _median(errors)
        table.row(
            f"scale at the metal, {kind}: median error, %",
            middle,
            f"{goal}",
            None if middle is None else middle <= goal,
            f"n={len(errors)}, worst {max(errors, default=float('nan')):.1f}",
        )
    unflagged = [
        r["name"]
        for r in rows
        if r["scale_err_pct"] is not None
        and abs(r["scale_err_pct"]) > 4
        and not any("scale" in f["suffers"] and f["severity"] != "note" for f in predictions[r["name"]]["flags"])
    ]
    outside = [
        r["name"]
        for r in rows
        if r["scale_err_pct"] is not None and abs(r["scale_err_pct"]) > 4 and not r["cover_scale"]
    ]
    loose = sorted({*unflagged, *outside})
    table.row("scale more than 4 % off, no flag or out of interval", len(loose), "0", not loose, " ".join(loose))
    for key, name in (("analysed_area_err_pct", "seen area"), ("examined_area_err_pct", "examined area")):
        middle = _median([abs(r[key]) for r in seen if r[key] is not None])
        table.row(f"{name}: median error, %", middle, "3", None if middle is None else middle <= 3)
    main = summary.get("without_end", summary["overall"])
    if not seen:  # rings alone: nothing is said of pits
        _rings(truths, results, table)
        print(f"{table.missed} goals missed")
        return int(table.missed > 0)
    table.row(
        "pits from 0.3 mm: F1",
        main["f1"],
        "0.75 (stretch 0.85)",
        main["f1"] >= 0.75,
        f"P {main['precision']:.2f} R {main['recall']:.2f}",
    )
    big = summary["more"]["f1_big_not_faint"]
    table.row("pits from 0.8 mm, not faint: F1", big, "0.88 (stretch 0.93)", big >= 0.88)
    bias = summary["more"]["count_bias_pct"]
    table.row("listed pits by true ones, % (how many there are is estimated apart)", bias, "-", None)
    known = [
        (row["view"], found)
        for row in seen
        if (results / row["name"] / "squarely.json").exists()
        and (found := coverage_table.against_truth(by_name[row["name"]], results / row["name"])) is not None
    ]
    for view, goal in (("all", 5), *((view, 10) for view in coverage_table.VIEWS)):
        own = [found for kind, found in known if view in ("all", kind)]
        true = sum(found[0] for found in own)
        off = 100 * (sum(found[1] for found in own) / true - 1) if true else None
        table.row(
            f"estimated number, {view}: bias, %", off, f"within {goal}", None if off is None else abs(off) <= goal
        )
    density = _median([100 * abs(found[3] / found[2] - 1) for _, found in known if found[2] > 0])
    table.row("density: median error, %", density, "15 (stretch 8)", None if density is None else density <= 15)
    area = main["area_err_pct_median"]
    table.row("opening area: median error, %", area, "15 (stretch 10)", None if area is None else area <= 15)
    area_bias = _median([v for r in seen for v in r["area_bias"]])
    table.row(
        "opening area: bias (median), %", area_bias, "within 3", None if area_bias is None else abs(area_bias) <= 3
    )
    ious = summary["more"]["band_iou"]
    table.row(
        "bands: mean IoU",
        float(np.mean(ious)) if ious else None,
        "0.8",
        np.mean(ious) >= 0.8 if ious else None,
        f"n={len(ious)}, none seen or invented where there is none: {sum(v == 0 for v in ious)} at 0",
    )
    for key, name in (("cover_scale", "scale"), ("cover_area", "seen area"), ("cover_diam", "pit diameter")):
        held = summary["more"][key]
        share = 100 * float(np.mean(held)) if held else None
        table.row(
            f"95 % intervals hold: {name}, %",
            share,
            "90 to 99",
            None if share is None else 90 <= share <= 99,
            f"n={len(held)}",
        )
    cases = [
        (row["view"], row["marker"], coverage_table.held_in(row, by_name[row["name"]], results / row["name"]))
        for row in seen
        if (results / row["name"] / "squarely.json").exists()
    ]
    held_by = coverage_table.print_table(cases)
    sizes = [kind for kind in held_by if kind.startswith("openings")]
    for kind in ("examined area", *sizes, "largest pit", "number of pits", "density"):
        share, n = held_by.get(kind, {}).get("all", (float("nan"), 0))
        within = coverage_table.LEAST_HELD <= share <= coverage_table.MOST_HELD
        table.row(f"95 % intervals hold: {kind}, %", 100 * share, "90 to 99", within if n else None, f"n={n}")
    for kind in ("number of pits", "density"):
        views = {
            view: held_by[kind][view][0] for view in coverage_table.VIEWS if held_by.get(kind, {}).get(view, (0, 0))[1]
        }
        if views:
            worst_view = min(views, key=lambda view: views[view])
            least = views[worst_view]
            table.row(
                f"the same of {kind}, worst view ({worst_view}), %",
                100 * least,
                "85",
                least >= coverage_table.LEAST_BY_VIEW,
            )
    spread = _median(
        coverage_table.ratios([results / r["name"] for r in seen if (results / r["name"] / "squarely.json").exists()])
    )
    table.row("number of pits: high over low, median", spread, "4", None if spread is None else spread <= 4)
    _rings([truth for truth in truths if truth["view"] == "end"], results, table)
    for row in sorted((r for r in seen if r["true"] >= 5), key=lambda r: r["f1"])[:worst]:
        name = row["name"]
        if name in predictions:
            print(worst_errors.explain(by_name[name], predictions[name], folder, results / f"worst-{name}.jpg"))
    print(f"{table.missed} goals missed")
    return int(table.missed > 0)


def _recall_by_obliquity(truths: list[dict], predictions: dict) -> None:
    """How many true pits are found, by how squarely their metal is seen (cosine: area in the picture by area on the metal) and by contrast."""
    squarely: list[tuple[float, float, bool]] = []
    for truth in truths:
        if truth["view"] == "end" or truth["name"] not in predictions:
            continue
        errors = worst_errors.sort_out(truth, predictions[truth["name"]])
        for pits, hit in ((errors.found, True), (errors.missed, False)):
            squarely += [
                (pit["projected_area_mm2"] / pit["opening_area_mm2"], truth["_contrast"].get(pit["id"]) or 0.0, hit)
                for pit in pits
            ]
    for low, high in ((0.0, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.85), (0.85, 9.0)):
        line = f"recall where metal is seen at a cosine of {low:g}" + (f" to {high:g}:" if high < 1 else " and more:")
        for least, most, name in ((0, 8, "under 8 dE"), (8, 999, "8 dE and more")):
            hits = [hit for cosine, contrast, hit in squarely if low <= cosine < high and least <= contrast < most]
            line += f"   {name} {np.mean(hits):.2f} (n={len(hits)})" if hits else f"   {name} -"
        print(line)


def _rings(truths: list[dict], results: Path, table: Table) -> None:
    means, profiles, minima, places = [], [], [], []
    held: dict[str, list[bool]] = {"minimum wall": [], "mean wall": []}
    for truth in truths:
        path = results / truth["name"] / "examination.json"
        if not path.exists():
            continue
        wall = json.loads(path.read_text())["wall"]
        if wall["minimum_mm"] is None:
            continue
        end = truth["end"]
        for what, key, true in (
            ("minimum wall", "minimum_mm", end["min_wall_mm"]),
            ("mean wall", "mean_mm", end["mean_wall_mm"]),
        ):
            low, high = wall[key]["interval_95"]
            held[what].append(low <= true <= high)
        means.append(abs(wall["mean_mm"]["value"] - end["mean_wall_mm"]))
        minima.append(abs(wall["minimum_mm"]["value"] - end["min_wall_mm"]))
        centre = np.array(end["centre_px"])
        outer = np.array(end["outer_contour_px"]) - centre
        true_angles = np.degrees(np.arctan2(-outer[:, 1], outer[:, 0]))
        true_wall = np.array(end["wall_mm"])
        order = np.argsort(true_angles)
        at = np.array(wall["profile"]["image_angle_deg"])
        got = np.array([np.nan if v is None else v for v in wall["profile"]["wall_mm"]], float)
        expected = np.interp((at + 180) % 360 - 180, true_angles[order], true_wall[order], period=360)
        profiles.append(float(np.nanmedian(np.abs(got - expected))))
        apart = np.abs((true_angles - end["min_wall_image_angle_deg"] + 180) % 360 - 180) > 30
        if not (true_wall[apart] < end["min_wall_mm"] + 0.05).any():
            places.append(abs((wall["minimum_image_angle_deg"] - end["min_wall_image_angle_deg"] + 180) % 360 - 180))
    if truths:
        for name, values, goal in (
            ("mean wall", means, 0.04),
            ("wall profile", profiles, 0.04),
            ("minimum wall", minima, 0.05),
            ("place of the minimum, degrees", places, 10),
        ):
            middle = _median(values)
            table.row(
                f"cut ring: {name}, median error" + ("" if "degrees" in name else ", mm"),
                middle,
                f"{goal}",
                None if middle is None else middle <= goal,
                f"n={len(values)}",
            )
        measured, worst = len(minima), max(minima, default=None)
        table.row("cut rings without a minimum wall", len(truths) - measured, "0", measured == len(truths))
        table.row("cut ring: minimum wall, worst error, mm", worst, "0.12", None if worst is None else worst <= 0.12)
        for what, cases in held.items():
            share = 100 * float(np.mean(cases)) if cases else None
            table.row(
                f"95 % intervals hold: {what} of the ring, %",
                share,
                "90 to 100",  # of a handful of rings 99 % is all of them
                None if share is None else share >= 90,
                f"n={len(cases)}",
            )


def real(folder: Path, results: Path, only: str, jobs: int, worst: int) -> int:
    names = sorted(p.stem for p in (folder / "img").iterdir() if p.stem.startswith(tuple(only.split(","))) or not only)
    tasks = [
        (name, str(next((folder / "img").glob(f"{name}.*"))), str(results / name), {"view": "flat", "marker": "none"})
        for name in names
    ]
    run(tasks, jobs)
    scores, false_in_empty, empty = [], 0, 0
    for name in names:
        truth = np.asarray(Image.open(next((folder / "inst").glob(f"{name}.*"))))
        path = results / name / "pit-labels.png"
        found = cv2.imread(str(path), cv2.IMREAD_UNCHANGED) if path.exists() else np.zeros_like(truth)
        one = mask_score.score(found, truth, kind="inst", true_kind="inst")
        scores.append(one)
        if one["n_true"] == 0:
            empty += 1
            false_in_empty += one["n_pred"]
    total = mask_score.overall(scores)
    table = Table()
    whole = sum(one["pixels"] for one in scores) / len(names) > 5e5
    goal = 0.35 if whole else 0.55
    table.row(
        "pixel F1", total["px_f1"], f"{goal}", total["px_f1"] >= goal, f"P {total['px_p']:.2f} R {total['px_r']:.2f}"
    )
    table.row(
        "centre F1", total["ce_f1"], f"{goal}", total["ce_f1"] >= goal, f"P {total['ce_p']:.2f} R {total['ce_r']:.2f}"
    )
    table.row("sum of count errors over true pits", total["count_rel"], "-", None)
    if empty:
        per_window = false_in_empty / empty
        table.row(
            "false pits per window without a pit",
            per_window,
            "0.10",
            per_window <= 0.10 if not whole else None,
            f"n={empty}",
        )
    return int(table.missed > 0)


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.accuracy", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", default="", help="names that begin so, several with commas")
    parser.add_argument("--out", type=Path, help="keep the results here")
    parser.add_argument("--jobs", type=int, default=max(1, (os.cpu_count() or 2)))
    parser.add_argument(
        "--worst", type=int, default=3, help="so many of the worst pictures are drawn into --out and explained"
    )
    parser.add_argument(
        "--lights",
        type=int,
        default=0,
        help="so many torches' photos of the same pose too, where the truth has them (--only dm,em)",
    )
    parser.add_argument(
        "--marker",
        default="",
        help='told in place of each picture\'s own, such as "none": the tube then gives the scale',
    )
    options = parser.parse_args()
    if not options.folder.is_dir():
        parser.error(f"{options.folder} is not a folder")
    more = {name: value for name in ("lights", "marker") if (value := getattr(options, name))}
    kind = rendered if (options.folder / "truth").is_dir() else real
    with tempfile.TemporaryDirectory() as scratch:
        return kind(
            options.folder,
            options.out or Path(scratch),
            options.only,
            options.jobs,
            options.worst if options.out else 0,
            **more,
        )


if __name__ == "__main__":
    sys.exit(main())
