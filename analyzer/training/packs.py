"""Training packs of rendered scenes: what the pit network and the specimen network read, resampled once, one array each.

``pack(folder, name, rgb, truth, masks)`` writes NAME.pit.npy (h, w, 8) uint8 at 0.05 mm a pixel (red, green, blue, mouth, mound,
core, weight x 100, metal), NAME.spec.npy (h, w, 4) uint8 with a long side of 1024 pixels (red, green, blue, class) and
NAME.json (centres of pits and traps, points on metal, view, metal, places without metal).
"""

import json
import os

import cv2
import numpy as np

MM_PER_PX = 0.05
SMALLEST_MM, LEAST_VISIBLE = 0.30, 0.25
LONG_SIDE = 1024
FROM_PICTURE = np.array([0, 1, 2, 3, 4, 0, 0, 5], np.uint8)
VIEWS = ("inside", "outside", "flat", "end")
METALS = ("copper", "brass", "steel_black", "steel_rusty", "galvanised", "none")
MOST_PX = 2400 * 1800  # of a pit pack


def kept_back(name: str) -> bool:
    """Every tenth scene of scenes_2 (k0007, k0017, ...): nothing learns from it; tables are fitted on it."""
    return len(name) == 5 and name[0] == "k" and name[1:].isdigit() and name[-1] == "7"


def pit_pack(rgb, truth, classes, mouths, capped, rng):
    rows, columns = np.nonzero(classes == 1)
    if rows.size < 2000:
        return None
    x0, y0 = max(0, int(columns.min()) - 60), max(0, int(rows.min()) - 60)
    window = np.s_[y0 : int(rows.max()) + 60, x0 : int(columns.max()) + 60]
    rgb, classes, mouths, capped = (np.ascontiguousarray(a[window]) for a in (rgb, classes, mouths, capped))
    zoom = truth["mm_per_px_surface"] / MM_PER_PX
    h, w = max(1, round(rgb.shape[0] * zoom)), max(1, round(rgb.shape[1] * zoom))
    if h * w > 3 * MOST_PX or min(h, w) < 64:
        return None
    fx, fy = w / rgb.shape[1], h / rgb.shape[0]
    size = (w, h)
    method = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    number = 1 + max([p["id"] for p in truth["pits"]], default=0)
    counted, ignored, weight_of = (
        np.zeros(number + 1, bool),
        np.zeros(number + 1, bool),
        np.ones(number + 1, np.float32),
    )
    core, centres = np.zeros(classes.shape, np.float32), []
    for pit in truth["pits"]:
        if not pit["mask_px"]:
            continue
        k, diameter = pit["id"], pit["equivalent_diameter_mm"]
        if diameter < SMALLEST_MM or pit["visible_fraction"] < LEAST_VISIBLE:
            ignored[k] = True
            continue
        counted[k] = True
        weight_of[k] = np.clip(0.8 / diameter, 0.8, 1.5)
        cx, cy = pit["centroid_px"][0] - x0, pit["centroid_px"][1] - y0
        centres.append(((cx + 0.5) * fx - 0.5, (cy + 0.5) * fy - 0.5))
        left, top, right, bottom = pit["bbox_px"]
        box = np.s_[max(top - y0, 0) : bottom - y0, max(left - x0, 0) : right - x0]
        own = mouths[box] == k
        depth = cv2.distanceTransform(np.pad(own, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
        core[box] = np.maximum(core[box], depth > 0.5 * max(float(depth.max()), 1e-3))
    mouths = np.minimum(mouths, number)

    def laid(mask):
        return np.clip(cv2.resize(mask.astype(np.float32), size, interpolation=method), 0, 1)

    metal = laid(classes == 1)
    weight = (laid(ignored[mouths]) < 0.3) * (0.15 + 0.85 * (metal > 0.5))
    weight = weight * cv2.resize(
        np.where(counted[mouths], weight_of[mouths], 1).astype(np.float32), size, interpolation=cv2.INTER_NEAREST
    )
    mound = laid(capped > 0)
    out = np.empty((h, w, 8), np.uint8)
    out[..., :3] = cv2.resize(rgb, size, interpolation=method)
    for k, plane in enumerate((laid(counted[mouths]), mound, laid(core))):
        out[..., 3 + k] = plane * 255 + 0.5
    out[..., 6] = np.clip(weight * 100, 0, 255)
    out[..., 7] = metal * 255
    traps = cv2.connectedComponentsWithStats((mound > 0.5).astype(np.uint8))[3][1:]
    y, x = np.nonzero(metal > 0.5)
    if not x.size:
        return None
    at = rng.integers(0, x.size, 3000)
    points = np.stack([x[at], y[at]], 1)
    share = float(x.size) ** 0.5 * (1 + min(len(centres), 30) / 15)
    return out, dict(
        pits=np.round(centres, 1).tolist(), traps=np.round(traps, 1).tolist(), points=points.tolist(), share=share
    )


def specimen_pack(rgb, label, rng):
    scale = LONG_SIDE / max(rgb.shape[:2])
    size = (round(rgb.shape[1] * scale), round(rgb.shape[0] * scale))
    out = np.empty((size[1], size[0], 4), np.uint8)
    out[..., :3] = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    out[..., 3] = cv2.resize(label, size, interpolation=cv2.INTER_NEAREST)
    pipe = np.isin(out[..., 3], (1, 2, 3, 5))
    y, x = np.nonzero(pipe)
    box = [int(x.min()), int(y.min()), int(x.max()), int(y.max())] if x.size else None
    far = cv2.distanceTransform(np.pad(~pipe, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    far = np.minimum(far, 400)
    y, x = np.nonzero(far > 60)
    empty = []
    if x.size:
        at = rng.integers(0, x.size, 60)
        empty = np.stack([x[at], y[at], far[y[at], x[at]]], 1).round(1).tolist()
    y, x = np.nonzero(out[..., 3] == 1)
    metal = []
    if x.size:
        at = rng.integers(0, x.size, 200)
        metal = np.stack([x[at], y[at]], 1).tolist()
    return out, dict(box=box, empty=empty, on_metal=metal)


def pack(folder, name, rgb, truth, classes, mouths, capped, pits=True):
    rng = np.random.default_rng(truth.get("seed") or 0)
    os.makedirs(folder, exist_ok=True)
    meta = dict(
        name=name,
        view=VIEWS.index(truth["view"]),
        metal=METALS.index((truth.get("options") or {}).get("metal", "copper")),
    )
    if pits and truth["view"] != "end":
        made = pit_pack(rgb, truth, classes, mouths, capped, rng)
        if made is not None:
            np.save(f"{folder}/{name}.pit.npy", made[0])
            meta.update(made[1])
    spec, more = specimen_pack(rgb, FROM_PICTURE[classes], rng)
    meta.update(more)
    np.save(f"{folder}/{name}.spec.npy", spec)
    with open(f"{folder}/{name}.json.part", "w") as f:
        json.dump(meta, f)
    os.replace(f"{folder}/{name}.json.part", f"{folder}/{name}.json")
