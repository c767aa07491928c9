"""How fast and how large: ``python -m tests.bench [--json] [--megapixels 3,12,50] [--repeat 3]``.

Times are told as multiples of a floor measured in the same run on the same cores: decode the JPEG, one conversion to Lab and one
Gaussian blur of sigma 3 at full size, by OpenCV. Nothing here is a test that can fail by the clock. Each size runs in a process of
its own, so that its peak memory is its own. The photo is a demo picture, enlarged.

Beside the whole examination stands the straightforward way (adaptive threshold, opening, labels, region properties over the whole
photo in float64, by scikit-image), which knows neither the metal nor its scale; how much better the examination finds pits,
``python -m tests.accuracy`` tells.
"""

from __future__ import annotations

import argparse
import io
import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from typing import Any

from tests.conftest import ROOT

PHOTO = ROOT / "demo_images" / "bore-contact-mark.jpg"
FLOORS_GOAL = 8  # of a 12-megapixel photo
BYTES_A_PIXEL_GOAL, BYTES_GOAL = 12, 300e6


def jpeg_of(megapixels: float) -> bytes:
    from PIL import Image

    picture = Image.open(PHOTO)
    factor = (megapixels * 1e6 / (picture.width * picture.height)) ** 0.5
    picture = picture.resize((round(picture.width * factor), round(picture.height * factor)), Image.Resampling.BICUBIC)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=92)
    return out.getvalue()


def best_of(work: Callable[[], Any], times: int) -> float:
    spent = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        spent.append(time.perf_counter() - begun)
    return min(spent)


def floor(data: bytes) -> None:
    import cv2
    import numpy as np

    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    cv2.cvtColor(picture, cv2.COLOR_BGR2LAB)
    cv2.GaussianBlur(picture, (0, 0), 3.0)


def straightforward(data: bytes) -> int:
    import numpy as np
    from PIL import Image
    from skimage.color import rgb2gray
    from skimage.filters import threshold_local
    from skimage.measure import label, regionprops
    from skimage.morphology import disk, opening

    grey = rgb2gray(np.asarray(Image.open(io.BytesIO(data)).convert("RGB"), float) / 255.0)
    dark = grey < threshold_local(grey, 101, offset=0.03)
    parts = regionprops(label(opening(dark, disk(2))), intensity_image=grey)
    return sum(1 for part in parts if part.area > 30 and part.eccentricity < 0.95 and part.mean_intensity < 0.5)


def measured(megapixels: float, repeat: int, *, plain: bool) -> dict[str, float]:
    """One size, in this process. Peak memory is read after the first examination and before anything else needs as much."""
    from analyzer import Settings, examine, read_photo

    data = jpeg_of(megapixels)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    told = Settings(view="inside", tube="3/4")

    def whole() -> None:
        examine([read_photo(data, name="photo.jpg")], settings=told)

    first = best_of(whole, 1)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    spent = best_of(whole, repeat)
    floors = best_of(lambda: floor(data), max(5, repeat))
    result = {
        "megapixels": megapixels,
        "floor_s": floors,
        "first_s": first,
        "whole_s": spent,
        "whole_in_floors": spent / floors,
        "peak_bytes": peak,
        "bytes_a_pixel_over_300_mb": (peak - BYTES_GOAL) / (megapixels * 1e6),
        "before_bytes": before,
    }
    if plain:
        result["straightforward_s"] = best_of(lambda: straightforward(data), 1)
        result["straightforward_over_whole"] = result["straightforward_s"] / spent
    return result


def main() -> int:
    parser = argparse.ArgumentParser(description="Speed as multiples of a floor, and peak memory.")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--megapixels", default="3,12,50")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--one", type=float, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        print(json.dumps(measured(asked.one, asked.repeat, plain=asked.one <= 12)))
        return 0
    rows = []
    for size in asked.megapixels.split(","):
        command = [sys.executable, "-m", "tests.bench", "--one", size, "--repeat", str(asked.repeat)]
        run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
        if run.returncode:
            print(f"{size} megapixels: {run.stderr.strip().splitlines()[-1]}", file=sys.stderr)
            continue
        rows.append(json.loads(run.stdout))
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-m", "analyzer", "--help"], cwd=ROOT, capture_output=True, check=True)
    help_s = time.perf_counter() - begun
    if asked.json:
        print(json.dumps({"photos": rows, "help_s": help_s}, indent=1))
        return 0
    print("megapixels  floor s  whole s  floors  first s  peak MB  bytes/pixel over 300 MB  straightforward/whole")
    for row in rows:
        print(
            f"{row['megapixels']:10.0f} {row['floor_s']:8.3f} {row['whole_s']:8.2f} {row['whole_in_floors']:7.1f} {row['first_s']:8.2f}"
            f" {row['peak_bytes'] / 1e6:8.0f} {row['bytes_a_pixel_over_300_mb']:24.1f} {row.get('straightforward_over_whole', float('nan')):22.1f}"
        )
    print(
        f"goals: {FLOORS_GOAL} floors at 12 megapixels, {BYTES_A_PIXEL_GOAL} bytes a pixel over 300 MB; --help {help_s:.2f} s (goal 1 s)"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
