"""How sure the specimen network's answers are, fitted on pictures that it never learned from: writes ``models/specimen.toml``.

    python -m analyzer.training.specimen_calibration TRUTH_FOLDER [--names c,h01,...] [--write]

Every picture is looked at as ``analyzer.piece.specimen`` does (whole, then a window round the piece, four ways each); the logits of
view, metal and framing are averaged over the four ways. A temperature for each (Guo and others 2017, "On calibration of modern
neural networks") is fitted by the likelihood of the true answers; the confusions are counted and printed.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize_scalar

from analyzer.base.network import network
from analyzer.door import specimen
from analyzer.photo.reading import read_photo
from analyzer.training.packs import METALS, VIEWS

FRAMINGS = ("apart", "cut_off", "fills", "none")
ANSWERS = {"view": VIEWS, "metal": METALS, "framing": FRAMINGS}
FILLS, CUT, NOTHING = 0.85, 0.01, 0.0008  # shares of the picture, and of its border, that is the piece


def look(square: np.ndarray) -> dict[str, np.ndarray]:
    """Mean logits of view, metal and framing over the square turned and mirrored four ways."""
    side, total = specimen.SIDE, None
    for turned in (square, square[:, ::-1], square[::-1], square[::-1, ::-1]):
        x = (turned.astype(np.float32) / 255 - 0.45) / 0.25
        blocks = x.reshape(side // 2, 2, side // 2, 2, 3).transpose(4, 1, 3, 0, 2).reshape(1, 12, side // 2, side // 2)
        answer = np.concatenate(network(specimen.MODEL, tuple(ANSWERS))(np.ascontiguousarray(blocks)), axis=None)
        total = answer if total is None else total + answer
    parts = np.split(total / 4, np.cumsum([len(names) for names in ANSWERS.values()])[:-1])
    return dict(zip(ANSWERS, parts, strict=True))


def framing_of(classes: np.ndarray) -> int:
    pipe = np.isin(classes, (1, 2, 3, 7))
    if pipe.mean() >= FILLS:
        return FRAMINGS.index("fills")
    if pipe.mean() < NOTHING:
        return FRAMINGS.index("none")
    border = np.concatenate([pipe[:4].ravel(), pipe[-4:].ravel(), pipe[:, :4].ravel(), pipe[:, -4:].ravel()])
    return FRAMINGS.index("cut_off") if border.mean() > CUT else FRAMINGS.index("apart")


def temperature(logits: np.ndarray, true: np.ndarray) -> float:
    def loss(log_t: float) -> float:  # never under 1: where all are right, nothing says how sure is too sure
        z = logits / np.exp(log_t)
        return float((np.logaddexp.reduce(z, axis=1) - z[np.arange(len(z)), true]).mean())

    return float(np.exp(minimize_scalar(loss, bounds=(0, 3), method="bounded").x))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("truth", type=Path)
    parser.add_argument("--names", default="c," + ",".join(f"h{k:02d}" for k in range(1, 26, 2)))
    parser.add_argument("--write", type=Path, help="the TOML file to put the figures into, after what stands there")
    asked = parser.parse_args()
    logits: dict[str, list[np.ndarray]] = {name: [] for name in ANSWERS}
    true: dict[str, list[int]] = {name: [] for name in ANSWERS}
    for folder in sorted((asked.truth / "truth").iterdir()):
        if not folder.name.startswith(tuple(asked.names.split(","))):
            continue
        truth = json.loads((folder / "truth.json").read_text())
        rgb = read_photo(asked.truth / truth["image"]).rgb
        height, width = rgb.shape[:2]
        span = float(max(height, width))
        far = look(specimen.window_of(rgb, (width - span) / 2, (height - span) / 2, span)[0])
        found = specimen.find_specimen(rgb)
        near = far
        if found is not None:
            near = look(
                specimen.window_of(rgb, *(np.array(found.origin) + 0.5 - 0.5 * found.step), found.step * specimen.SIDE)[
                    0
                ]
            )
        answer = {
            "view": VIEWS.index(truth["view"]),
            "metal": METALS.index((truth.get("options") or {}).get("metal", "copper")),
            "framing": framing_of(cv2.imread(str(folder / "class.png"), cv2.IMREAD_UNCHANGED)),
        }
        both = {"view": far["view"], "metal": (far["metal"] + near["metal"]) / 2, "framing": far["framing"]}
        wrong = [
            f"{k}: {ANSWERS[k][int(np.argmax(both[k]))]} for {ANSWERS[k][answer[k]]}"
            for k in ANSWERS
            if np.argmax(both[k]) != answer[k]
        ]
        if wrong:
            print(folder.name, "; ".join(wrong), flush=True)
        for key in ANSWERS:
            logits[key].append(both[key])
            true[key].append(answer[key])
    lines = []
    for key, names in ANSWERS.items():
        z, t = np.array(logits[key]), np.array(true[key])
        sure = temperature(z, t)
        right = np.argmax(z, 1) == t
        share = np.exp(z / sure - np.logaddexp.reduce(z / sure, axis=1)[:, None]).max(1)
        print(f"{key}: {right.mean():.3f} right of {len(t)}, temperature {sure:.2f}, stated {share.mean():.3f}")
        bands = [(share >= low) & (share < high) for low, high in ((0, 0.7), (0.7, 0.9), (0.9, 0.98), (0.98, 1.01))]
        table = ", ".join(f"[{int(b.sum())}, {share[b].mean():.3f}, {right[b].mean():.3f}]" for b in bands if b.any())
        lines += [
            f"\n[{key}]",
            f"answers = {json.dumps(list(names))}",
            f"temperature = {sure:.3g}",
            f"right = {right.mean():.3f}",
            f"pictures = {len(t)}",
            f"reliability = [{table}]  # pictures, stated, right; by what was stated: to .7, .9, .98, 1",
        ]
    if asked.write:
        head = asked.write.read_text(encoding="utf-8").split("\n[", 1)[0].rstrip() if asked.write.exists() else ""
        asked.write.write_text(head + "\n" + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
