"""What the door says of pictures with known answers: ``python -m tests.door_figures RENDERED [--real REAL] [--pieces FOLDER] ...``

RENDERED holds ``images/`` and ``truth/`` (rendered pipes), REAL ``bsdata/`` and ``bsdata_roi/`` (real metal that fills the picture),
a FOLDER of ``--pieces`` ``img/`` and ``piece/`` (real pieces with a drawn mask of the whole piece, 0/255, and metal and view in
``told.json``: {stem: {"view": ..., "metal": ...}}), as their README files describe. Nothing is told: neither view nor marker.
``--keep DIR`` keeps what is slow (the marker search, the network's looks), so that a second run takes a third of the time; it is
found again by the content of the picture and of the code that made it.

Printed: rendered scenes with view, framing and metal right, wrong with a flag, wrong in silence; real close-ups and pieces with share
or IoU and flag; pictures without pipe; damage, blur, noise and thumbnails. The last lines set each figure beside its goal.
"""

from __future__ import annotations

import argparse
import copyreg
import functools
import hashlib
import io
import json
import pickle
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from types import MappingProxyType
from typing import Any

import cv2
import numpy as np
from PIL import Image
from skimage import data

import analyzer
from analyzer.base.flags import CutpipeError
from analyzer.door import specimen
from analyzer.door.sharpness import quality_flags
from analyzer.door.shown import DOUBTS, Shown, what_is_shown
from analyzer.marks.catalogue import SMALLEST_MM
from analyzer.photo.reading import Photo, read_photo
from analyzer.piece.find import find_surface
from analyzer.scale.calibration import Calibration, Marker, find_scale

PIPE = (1, 2, 3, 7)  # of class.png: pitted surface, rim, other side, pipe under tape or solder
NOT_PIPE = ("astronaut", "brick", "camera", "cat", "chelsea", "clock", "coffee", "coins", "colorwheel", "eagle", "grass", "gravel",
            "horse", "hubble_deep_field", "immunohistochemistry", "lily", "logo", "moon", "page", "retina", "rocket", "skin",
            "text")  # fmt: skip
SPOILT_STEMS = ("c01", "c05", "c11", "cw04", "cw15", "h03")


class Kept:
    """Results of slow pure functions, on disk by the content of what goes in."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder

    def of(self, make: Callable[[], Any], *parts: bytes) -> Any:
        if self._folder is None:
            return make()
        digest = hashlib.sha256()
        for part in parts:
            digest.update(hashlib.sha256(part).digest())
        path = self._folder / digest.hexdigest()[:2] / digest.hexdigest()[2:24]
        if path.exists():
            return pickle.loads(path.read_bytes())
        made = make()
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(made))
        return made


@functools.cache
def _code(room: str) -> bytes:
    folder = Path(analyzer.__file__).parent / room
    return b"".join(path.read_bytes() for path in sorted(folder.glob("*.py")))


def _read_only(table: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(table)


copyreg.pickle(MappingProxyType, lambda table: (_read_only, (dict(table),)))  # read-only tables go to disk as dicts


def scale_of(photo: Photo, kept: Kept, kind: str = "auto") -> Calibration:
    return kept.of(
        lambda: find_scale(photo, Marker(kind=kind)),
        photo.rgb.tobytes(),
        _code("scale"),
        kind.encode(),
        str(photo.camera).encode(),
    )


def keep_looks(kept: Kept) -> None:
    """From here the network's look at a square is taken from what is kept."""
    look = specimen._look
    version = (specimen._version() or "").encode()
    code = Path(specimen.__file__).read_bytes()
    specimen._look = lambda square: kept.of(lambda: look(square), np.ascontiguousarray(square).tobytes(), version, code)


def seen(photo: Photo, kept: Kept, kind: str = "auto", view: str | None = None) -> dict[str, Any]:
    """What the door and the outline say, nothing told unless ``view`` is."""
    try:
        calibration = scale_of(photo, kept, kind)
        shown = what_is_shown(photo, calibration, view=view)
        surface = find_surface(photo, calibration, view=view, shown=shown)
    except CutpipeError as error:
        return {"refused": str(error), "flags": [], "sure": False}
    metal = np.zeros(photo.rgb.shape[:2], bool)
    left, top = surface.origin_px
    height, width = surface.metal.shape
    metal[top : top + height, left : left + width] = surface.metal
    quality = quality_flags(photo, metal=metal, mm_per_px=surface.mm_per_px.value if surface.mm_per_px else None)
    flags = list(
        dict.fromkeys(flag.id for flag in (*photo.flags, *calibration.flags, *shown.flags, *surface.flags, *quality))
    )
    if (shown.sharpness.smallest_seen_mm or 0.0) > SMALLEST_MM:
        flags.append("small_pits_not_counted")  # as find_pits says it
    return {
        "refused": "",
        "view": surface.view,
        "framing": shown.framing,
        "looks": shown.colours.looks if shown.colours else None,
        "asks": getattr(shown, "looks", shown.colours.looks if shown.colours else None),
        "metal": _metal_said(shown),
        "mask": metal,
        "flags": flags,
        "serious": [f for f in flags if f in DOUBTS],
        "seen_as": _framing_said(shown),
        "sure": shown.sure,
        "countable": shown.countable,
        "unsure": shown.unsure_share,
        "contrast": shown.contrast,
        "on_edges": shown.on_edges_share,
        "method": calibration.method,
    }


def _metal_said(shown: Shown) -> str | None:
    said = getattr(shown, "metal", None)
    return None if said is None else f"{said.name} {said.share:.2f}"


def _framing_said(shown: Shown) -> str:
    said = shown.specimen.answers.get("framing") if shown.specimen is not None else None
    return "" if said is None else f"{said.name} {said.share:.2f}"


def iou(one: np.ndarray, other: np.ndarray) -> float:
    union = (one | other).sum()
    return float((one & other).sum() / union) if union else 0.0


def framing_of(pipe: np.ndarray) -> str:
    """By the shares that the weights' card names: fills from .85 of the picture, cut off from .01 of its border."""
    border = np.concatenate([pipe[:4].ravel(), pipe[-4:].ravel(), pipe[:, :4].ravel(), pipe[:, -4:].ravel()])
    return "fills" if pipe.mean() >= 0.85 else "cut_off" if border.mean() > 0.01 else "apart"


def rendered(folder: Path, names: tuple[str, ...], kept: Kept) -> Counter[str]:
    tally: Counter[str] = Counter()
    print("\nRendered scenes, nothing told: view, framing, outline, metal by colours and by the network, flags")
    for truth_folder in sorted((folder / "truth").iterdir()):
        if not truth_folder.name.startswith(names):
            continue
        truth = json.loads((truth_folder / "truth.json").read_text())
        if "multi" in truth and truth["multi"]:
            continue
        answer = seen(read_photo(folder / truth["image"]), kept)
        metal = (truth.get("options") or {}).get("metal", "copper")
        tally["scenes"] += 1
        if answer["refused"]:
            tally["view refused"] += 1
            print(f"{truth['name']:>6} {truth['view']:<8} REFUSED {answer['refused'][:90]}")
            continue
        classes = cv2.imread(str(truth_folder / "class.png"), cv2.IMREAD_UNCHANGED)
        pipe = np.isin(classes, PIPE)
        right = answer["view"] == truth["view"]
        spoken = bool(answer["serious"]) or "view_unsure" in answer["flags"]
        tally["view right" if right else "view wrong, flagged" if spoken else "view wrong in silence"] += 1
        tally["view right, yet asked"] += right and "view_unsure" in answer["flags"]
        tally["right and in doubt"] += right and bool(answer["serious"])
        overlap = iou(answer["mask"], classes == 1)
        tally["outline under .7 in silence"] += overlap < 0.7 and not answer["serious"]
        tally[f"{metal}: asked by colours"] += answer["looks"] is not None
        tally[f"{metal}: asked"] += answer["asks"] is not None
        tally[f"{metal}: scenes"] += 1
        tally["framing right"] += framing_of(pipe) == answer["framing"]
        note = "" if right else "flagged" if spoken else "WRONG IN SILENCE"
        print(
            f"{truth['name']:>6} {truth['view']:<8}{answer['view']:<8}{note:<17}{framing_of(pipe):<8}{answer['framing']:<8}"
            f"{overlap:5.2f} {metal:<12}{str(answer['looks']):<7}{str(answer['asks']):<7}{str(answer['metal']):<17}"
            f"{answer['method']:<6}{answer['seen_as']:<13} unsure {answer['unsure']:.2f} contrast {answer['contrast']:.1f} "
            f"on edges {answer['on_edges'] if answer['on_edges'] is None else round(answer['on_edges'], 2)} {' '.join(answer['serious'])}"
            f"{' view_unsure' if 'view_unsure' in answer['flags'] else ''}"
        )
    return tally


def filled(folder: Path, kept: Kept, most: int) -> Counter[str]:
    """Real metal that fills the picture, nothing told: share taken as metal; as when it is told to be flat?"""
    tally: Counter[str] = Counter()
    shares, same, metals = [], 0, Counter()
    paths = sorted((folder / "img").iterdir())
    paths = paths[:: max(1, len(paths) // most)]
    for path in paths:
        photo = read_photo(path)
        answer = seen(photo, kept, "none")
        share = 0.0 if answer["refused"] else float(answer["mask"].mean())
        shares.append(share)
        told = seen(photo, kept, "none", "flat")
        same += not answer["refused"] and not told["refused"] and bool((answer["mask"] == told["mask"]).all())
        metals[str(answer.get("asks"))] += 1
        tally["under .8"] += share < 0.8
        tally["under .8 in silence"] += share < 0.8 and not answer["refused"] and not answer["serious"]
        tally["with a serious flag"] += bool(answer.get("serious"))
        if share < 0.8:
            print(f"  {path.name}: {share:.2f} {answer.get('framing')} {answer['flags']}")
    print(
        f"{folder.name}: {len(paths)} pictures, share taken as metal median {np.median(shares):.2f}, least {min(shares):.2f}, "
        f"metal the same as told flat in {same}; {dict(tally)}; metal asked {dict(metals)}"
    )
    tally["n"], tally["same"] = len(paths), same
    tally["median %"] = round(100 * float(np.median(shares)))
    return tally


def pieces(folder: Path, kept: Kept) -> Counter[str]:
    """Real pieces with a drawn mask, nothing told."""
    tally: Counter[str] = Counter()
    told = json.loads((folder / "told.json").read_text())
    overlaps = []
    print(f"\nReal pieces of {folder.name}, nothing told: view, framing, outline IoU, metal, flags")
    for path in sorted((folder / "img").iterdir()):
        mask = cv2.imread(str(folder / "piece" / f"{path.stem}.png"), cv2.IMREAD_GRAYSCALE) > 127
        truth = told[path.stem]
        answer = seen(read_photo(path), kept)
        tally["pieces"] += 1
        if answer["refused"]:
            tally["refused"] += 1
            print(f"{path.stem:<14} REFUSED {answer['refused'][:100]}")
            continue
        overlap = iou(answer["mask"], mask)
        overlaps.append(overlap)
        right = answer["view"] == truth["view"]
        spoken = bool(answer["serious"]) or "view_unsure" in answer["flags"]
        tally["view right" if right else "view wrong, flagged" if spoken else "view wrong in silence"] += 1
        tally["outline under .7 in silence"] += overlap < 0.7 and not answer["serious"]
        print(
            f"{path.stem:<14} {truth['view']:<8}{answer['view']:<8}{answer['framing']:<8}{overlap:5.2f} {truth['metal']:<12}"
            f"{str(answer['looks']):<7}{str(answer['asks']):<7}{str(answer['metal']):<17} unsure {answer['unsure']:.2f} contrast {answer['contrast']:.1f} "
            f"{' '.join(answer['flags'])}"
        )
    if overlaps:
        print(f"outline IoU median {np.median(overlaps):.2f}, least {min(overlaps):.2f}; {dict(tally)}")
    return tally


def without_pipe(kept: Kept) -> Counter[str]:
    tally: Counter[str] = Counter()
    print("\nPictures without pipe (scikit-image's data; 20 of them were learned from as pictures without metal)")
    for name in NOT_PIPE:
        try:
            rgb = np.asarray(getattr(data, name)())
        except Exception:  # a picture that is not on this computer and would have to be downloaded
            continue
        if rgb.dtype == bool:
            rgb = rgb.astype(np.uint8) * 255
        rgb = np.repeat(rgb[..., None], 3, 2) if rgb.ndim == 2 else np.ascontiguousarray(rgb[..., :3])
        answer = seen(read_photo(encoded(rgb)), kept)
        tally["pictures"] += 1
        tally["looks normal"] += answer["sure"]
        tally["refused"] += bool(answer["refused"])
        if answer["sure"]:
            print(f"  {name}: {answer['framing']} {answer['flags']}")
    print(dict(tally))
    return tally


def encoded(rgb: np.ndarray, quality: int = 95, **how: Any) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=quality, **how)
    return buffer.getvalue()


def spoilt(rgb: np.ndarray) -> Iterable[tuple[str, bytes]]:
    """Ways to spoil a photograph, each harmful enough that pits of the smallest counted size are lost or misplaced."""
    whole = encoded(rgb, restart_marker_rows=4)
    rng = np.random.default_rng(1)
    at = len(whole) // 2
    yield "half the bytes", whole[:at]
    yield "half the bytes, end mark set", whole[:at] + b"\xff\xd9"
    yield "4 KiB zeros", whole[:at] + bytes(4096) + whole[at + 4096 :]
    yield "4 KiB dropped", whole[:at] + whole[at + 4096 :]
    yield "4 KiB twice", whole[:at] + whole[at - 4096 :]
    noise = bytearray(whole)
    for place in rng.integers(len(whole) // 3, len(whole) - 2, 40):
        noise[place] = int(rng.integers(0, 256))
    yield "40 bytes changed", bytes(noise)
    torn = rgb.copy()
    row = len(rgb) // 16 * 8
    torn[row:] = np.roll(torn[row:], 80, axis=1)
    yield "torn, saved anew", encoded(torn)
    grey = rgb.copy()
    grey[row:] = 128
    yield "lower half grey, saved anew", encoded(grey)
    for sigma in (2, 4, 8, 16, 40):
        yield f"blur {sigma} px", encoded(cv2.GaussianBlur(rgb, (0, 0), sigma))
    for levels in (15, 30, 60):
        yield f"noise {levels}", encoded((rgb + rng.normal(0, levels, rgb.shape)).clip(0, 255).astype(np.uint8))
    for side in (480, 240, 120, 64):
        size = (side, max(1, round(side * rgb.shape[0] / rgb.shape[1])))
        yield f"{side} px wide", encoded(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))


def spoilt_table(folder: Path, stems: Iterable[str], kept: Kept) -> Counter[str]:
    """Told: refused, not countable, or a warning that small pits are lost. The table gives, for each way, how many are told."""
    said: dict[str, list[str]] = {}
    for stem in stems:
        original = folder / "images" / f"{stem}.jpg"
        if not original.exists():
            continue
        rgb = read_photo(original).rgb
        for way, blob in spoilt(np.ascontiguousarray(rgb)):
            try:
                photo = read_photo(blob)
            except CutpipeError:
                said.setdefault(way, []).append("refused")
                continue
            answer = seen(photo, kept)
            if answer["refused"]:
                word = "refused"
            elif not answer["countable"]:
                word = "not countable"
            elif answer["serious"]:
                word = "doubted"
            elif {"blurred", "too_few_pixels", "small_pits_not_counted", "small_picture"} & set(answer["flags"]):
                word = "warned"
            else:
                word = "SILENT"
            said.setdefault(way, []).append(word)
    print("\nSpoilt copies, nothing told")
    tally: Counter[str] = Counter()
    for way, words in said.items():
        print(f"  {way:<30} {dict(Counter(words))}")
        tally.update(words)
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("rendered", type=Path)
    parser.add_argument("--real", type=Path)
    parser.add_argument("--pieces", type=Path, nargs="*", default=())
    parser.add_argument("--names", default="c," + ",".join(f"h{k:02d}" for k in range(1, 26, 2)))
    parser.add_argument("--most", type=int, default=60, help="of each folder of real close-ups")
    parser.add_argument("--only", default="rendered,real,pieces,without,spoilt")
    parser.add_argument("--spoil", default=",".join(SPOILT_STEMS), help="pictures that are spoilt in every way")
    parser.add_argument("--keep", type=Path)
    asked = parser.parse_args()
    kept = Kept(asked.keep)
    keep_looks(kept)
    parts = asked.only.split(",")
    rows: list[str] = []
    if "rendered" in parts:
        tally = rendered(asked.rendered, tuple(asked.names.split(",")), kept)
        print(json.dumps(dict(sorted(tally.items())), indent=0))
        rows.append(
            f"view right {tally['view right']} of {tally['scenes']} (goal 97 %), wrong in silence {tally['view wrong in silence']} (goal 0)"
        )
    if "real" in parts and asked.real:
        print("\nReal metal that fills the picture, nothing told")
        for name in ("bsdata_roi", "bsdata"):
            tally = filled(asked.real / name, kept, asked.most)
            rows.append(
                f"{name}: share median {tally['median %']} % (goal 95), as when told flat {tally['same']} of {tally['n']}"
            )
    if "pieces" in parts:
        for folder in asked.pieces:
            pieces(folder, kept)
    if "without" in parts:
        tally = without_pipe(kept)
        rows.append(f"pictures without pipe that look normal: {tally['looks normal']} of {tally['pictures']} (goal 0)")
    if "spoilt" in parts:
        tally = spoilt_table(asked.rendered, asked.spoil.split(","), kept)
        rows.append(f"spoilt copies in silence: {tally['SILENT']} of {sum(tally.values())} (goal 0)")
    print("\n" + "\n".join(rows))


if __name__ == "__main__":
    main()
