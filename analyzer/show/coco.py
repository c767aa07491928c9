"""The pits as annotations in the open COCO form, for programs that train or score on pictures.

The form: Lin et al. 2014, "Microsoft COCO: common objects in context", data format for object detection: images, categories,
annotations with bbox (x, y, width, height), area, segmentation as polygons, all in pixels of the upright photo.
"""

from __future__ import annotations

import json
from typing import Any

import cv2
import numpy as np

from analyzer.result.examination import Examination
from analyzer.show.drawing import pit_parts

_PIT, _MOUND = 1, 2


def pits_as_coco(examination: Examination) -> str:
    """One annotation a pit that stands after any corrections, and one a mound; ``score`` is the confidence, null by hand."""
    photo, catalogue = examination.photo, examination.standing_pits
    outlines = pit_parts(catalogue)
    rows: list[dict[str, Any]] = []
    for pit in catalogue.pits:
        parts = outlines.get(pit.id, [])
        if not parts:
            half = pit.equivalent_diameter_px / 2
            box = (pit.x_px - half, pit.y_px - half, 2 * half, 2 * half)
            polygons: list[list[float]] = []
        else:
            box, polygons = _box(np.concatenate(parts)), _polygons(parts)
        rows.append(
            {
                "id": len(rows) + 1,
                "image_id": 1,
                "category_id": _PIT,
                "bbox": [round(float(side), 2) for side in box],
                "area": round(float(pit.opening_area_px), 2),
                "segmentation": polygons,
                "iscrowd": 0,
                "score": None if pit.by_hand else round(float(pit.confidence), 3),
                "pit": pit.id,
            }
        )
    for mound in catalogue.mounds:
        half = float(np.sqrt(mound.area_px / np.pi))
        rows.append(
            {
                "id": len(rows) + 1,
                "image_id": 1,
                "category_id": _MOUND,
                "bbox": [round(side, 2) for side in (mound.x_px - half, mound.y_px - half, 2 * half, 2 * half)],
                "area": round(float(mound.area_px), 2),
                "segmentation": [],
                "iscrowd": 0,
            }
        )
    document = {
        "info": {
            "description": "Pits and mounds found on the photo of a removed pipe section",
            "version": examination.program_version,
        },
        "images": [
            {
                "id": 1,
                "file_name": photo.name,
                "width": photo.width_px,
                "height": photo.height_px,
                "sha256": photo.sha256,
            }
        ],
        "categories": [
            {"id": _PIT, "name": "pit", "supercategory": "corrosion"},
            {"id": _MOUND, "name": "mound", "supercategory": "corrosion"},
        ],
        "annotations": rows,
    }
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _box(outline: np.ndarray) -> tuple[float, float, float, float]:
    """Pixel edges, not centres: a single pixel is one wide."""
    x, y, width, height = cv2.boundingRect(outline.astype(np.int32))
    return float(x), float(y), float(width), float(height)


def _polygons(parts: list[np.ndarray]) -> list[list[float]]:
    """A mouth that a scratch or the edge parts has several."""
    return [[round(float(v), 2) for v in part.reshape(-1)] for part in parts if len(part) >= 3]
