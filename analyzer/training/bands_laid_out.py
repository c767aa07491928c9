"""Lay rendered pieces out by the program's own scale and outlines, for ``analyzer.training.bands_on_device``.

    python -m analyzer.training.bands_laid_out ROOT CELLS K N MOST

ROOT holds ``images/`` and ``truth/``. Takes every N-th piece from the K-th on of the first MOST, those with true bands before the others.
"""

import json
import sys
from pathlib import Path

import cv2

from analyzer.training import bands
from analyzer.training.packs import kept_back


def main() -> None:
    cv2.setNumThreads(1)
    root, cells = Path(sys.argv[1]), Path(sys.argv[2])
    first, step, most = (int(a) for a in sys.argv[3:6])
    names = []
    for file in sorted((root / "truth").glob("*/truth.json")):
        truth = json.loads(file.read_text(encoding="utf-8"))
        if (
            kept_back(file.parent.name)
            or truth["view"] == "end"
            or truth["options"]["framing"] == "close"
            or not truth["marker_visible"]
        ):
            continue
        names.append((not any(band.get("mask_px", 0) > 500 for band in truth["bands"]), file.parent.name))
    for _, name in sorted(names)[:most][first::step]:
        try:
            bands.read_piece(root, name, cells)
        except Exception as error:  # one bad piece must not end the farm
            print(name, repr(error)[:200], flush=True)


if __name__ == "__main__":
    main()
