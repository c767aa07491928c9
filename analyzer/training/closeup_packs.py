"""Pictures for the close-up network: metal whose scale nobody knows, as small files that travel and as packs to train on.

    python -m analyzer.training.closeup_packs gather RENDERED REAL FOLDER     (JPEG, class masks and list.json into FOLDER)
    python -m analyzer.training.closeup_packs expand FOLDER PACKS none|odd    (packs for ``pits_on_device``; needs no OpenCV)

Three kinds: rendered pictures with truth (what ``MAY_BE_LEARNED`` names), the open pictures of real pitted steel (BSData, CC BY-SA
4.0: nothing of them is kept here), and drawn close-ups (``closeup_weights.drawn``). Each picture is laid down at several sizes, so
that a crop is never made from many pixels to one. ``odd`` keeps every second place on the spindles back: nothing learns from it.
"""

import json
import re
import sys
from pathlib import Path

import numpy as np
from PIL import Image, ImageOps

MAY_BE_LEARNED = re.compile(r"(d|db|e)\d+|h\d*[02468]|[de]m\d+_.*")
OFF, METAL, MOUTH, CORE, MOUND, UNSURE = range(6)
SMALLEST_PX = 4.5  # equivalent diameter; a smaller pit is neither learned nor held against
LEVELS = (1.0, 0.5, 0.25)
SHARES = {"rendered": 0.45, "real": 0.33, "drawn": 0.22}
DRAWN = 90  # of each kind


def _classes(mouths, usable, metal, mound):
    """Class of every pixel: ``mouths`` (h, w) int labels, ``usable`` those that are learned, the others unsure."""
    import cv2

    out = np.where(metal, METAL, OFF).astype(np.uint8)
    out[mound & metal] = MOUND
    centres = []
    for k in np.unique(mouths[mouths > 0]):
        own = mouths == k
        y, x = np.nonzero(own)
        if k not in usable or 2 * np.sqrt(y.size / np.pi) < SMALLEST_PX:
            out[own] = UNSURE
            continue
        box = np.s_[y.min() : y.max() + 1, x.min() : x.max() + 1]
        depth = cv2.distanceTransform(np.pad(own[box], 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
        part = out[box]
        part[own[box]] = MOUTH
        part[depth > 0.5 * depth.max()] = CORE
        centres.append([round(float(x.mean()), 1), round(float(y.mean()), 1)])
    return out, centres


def _kept(folder, table, name, kind, place, rgb, mouths, usable, metal, mound, first=1.0):
    import cv2

    for level in LEVELS:
        factor = level * first
        size = round(rgb.shape[1] * factor), round(rgb.shape[0] * factor)
        if min(size) < (200 if level < 1 else 16):
            continue
        near = dict(dsize=size, interpolation=cv2.INTER_NEAREST)
        laid = rgb if factor == 1 else cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
        planes = [
            cv2.resize(a, **near) for a in (mouths.astype(np.uint16), metal.astype(np.uint8), mound.astype(np.uint8))
        ]
        classes, centres = _classes(planes[0], usable, planes[1] > 0, planes[2] > 0)
        own = f"{name}-{round(1 / level)}"
        Image.fromarray(laid).save(folder / f"{own}.jpg", quality=91)
        Image.fromarray(classes).save(folder / f"{own}.png", optimize=True)
        table.append({"name": own, "kind": kind, "place": place, "pits": centres, "level": level})


def gather(rendered: Path, real: Path, folder: Path) -> None:
    from analyzer.training.closeup_weights import KINDS, drawn

    folder.mkdir(parents=True, exist_ok=True)
    table: list[dict] = []
    for path in sorted((rendered / "images").iterdir()):
        name = path.stem
        truth_of = rendered / "truth" / name.split("_")[0]
        if not MAY_BE_LEARNED.fullmatch(name) or name.endswith("backlit") or not (truth_of / "pits.png").is_file():
            continue
        truth = json.loads((truth_of / "truth.json").read_text())
        if truth["view"] == "end":
            continue
        with Image.open(path) as picture:
            rgb = np.asarray(ImageOps.exif_transpose(picture).convert("RGB"))
        classes, mouths = (np.asarray(Image.open(truth_of / f"{kind}.png")) for kind in ("class", "pits"))
        mound = np.asarray(Image.open(truth_of / "capped.png")) > 0
        y, x = np.nonzero(classes == 1)
        if y.size < 5000:
            continue
        window = np.s_[y.min() : y.max() + 1, x.min() : x.max() + 1]
        usable = {
            p["id"]
            for p in truth["pits"]
            if p["mask_px"] and p["visible_fraction"] >= 0.25 and p["equivalent_diameter_mm"] >= 0.2
        }
        rgb, mouths, metal, mound = rgb[window], mouths[window], (classes == 1)[window], mound[window]
        first = min(1.0, 1800 / max(rgb.shape[:2]))
        _kept(folder, table, name, "rendered", "", np.ascontiguousarray(rgb), mouths, usable, metal, mound, first)
    for part in ("bsdata_roi", "bsdata"):
        for path in sorted((real / part / "img").iterdir()):
            rgb = np.asarray(Image.open(path).convert("RGB"))
            mouths = np.asarray(Image.open(real / part / "inst" / f"{path.stem}.png"))
            if mouths.shape != rgb.shape[:2]:
                continue
            place = "_".join(path.stem.split("_")[2:4])
            everywhere = np.ones(mouths.shape, bool)
            _kept(
                folder,
                table,
                f"{part}-{path.stem}",
                "real",
                place,
                rgb,
                mouths,
                set(np.unique(mouths)),
                everywhere,
                ~everywhere,
            )
    for kind in KINDS:
        for seed in range(DRAWN):
            rgb, mouths = drawn(kind, 50_000 + seed)
            everywhere = np.ones(mouths.shape, bool)
            _kept(
                folder,
                table,
                f"drawn-{kind}-{seed}",
                "drawn",
                "",
                rgb,
                mouths,
                set(np.unique(mouths)),
                everywhere,
                ~everywhere,
            )
    (folder / "list.json").write_text(json.dumps(table))


def expand(folder: Path, packs: Path, keep_back: str) -> None:
    packs.mkdir(parents=True, exist_ok=True)
    table = json.loads((folder / "list.json").read_text())
    places = sorted({row["place"] for row in table if row["place"]})
    back = set(places[1::2]) if keep_back == "odd" else set()
    rng = np.random.default_rng(3)
    wishes = {}
    for row in table:
        wish = 0.0 if row["place"] in back else (1.0 + min(len(row["pits"]), 12)) * row["level"] ** 0.5
        wishes[row["name"]] = wish
    total = {kind: sum(wishes[r["name"]] for r in table if r["kind"] == kind) for kind in SHARES}
    for row in table:
        rgb = np.asarray(Image.open(folder / f"{row['name']}.jpg").convert("RGB"))
        classes = np.asarray(Image.open(folder / f"{row['name']}.png"))
        out = np.zeros((*classes.shape, 8), np.uint8)
        out[..., :3] = rgb
        out[..., 3] = np.isin(classes, (MOUTH, CORE)) * np.uint8(255)
        out[..., 4] = (classes == MOUND) * np.uint8(255)
        out[..., 5] = (classes == CORE) * np.uint8(255)
        out[..., 6] = np.where(classes == UNSURE, 0, np.where(classes == OFF, 15, 100))
        out[..., 7] = (classes != OFF) * np.uint8(255)
        y, x = np.nonzero(classes != OFF)
        at = rng.integers(0, y.size, 800)
        enlarged = row["level"] == 1.0 and row["kind"] != "drawn"
        meta = {
            "name": row["name"],
            "pits": row["pits"],
            "traps": [],
            "points": np.stack([x[at], y[at]], 1).tolist(),
            "share": SHARES[row["kind"]] * wishes[row["name"]] / total[row["kind"]],
            "zoom": [-0.8 if enlarged else -0.3, 0.25],
            "judged": row["place"] in back,
        }
        np.save(packs / f"{row['name']}.pit.npy", out)
        (packs / f"{row['name']}.json").write_text(json.dumps(meta))
    print(len(table), "pictures", sum(wishes[r["name"]] == 0 for r in table), "kept back", flush=True)


if __name__ == "__main__":
    if sys.argv[1] == "gather":
        gather(*(Path(a) for a in sys.argv[2:5]))
    else:
        expand(Path(sys.argv[2]), Path(sys.argv[3]), sys.argv[4])
