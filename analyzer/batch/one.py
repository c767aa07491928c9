"""One photo of many: bytes in, a row and files out. Runs in a process of its own, here or on another computer."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import cv2
from PIL import Image

from analyzer.base.flags import CutpipeError
from analyzer.base.network import engine
from analyzer.base.text import shown
from analyzer.house.facts import parse_facts
from analyzer.photo.reading import read_photo
from analyzer.result.examination import Settings, examine, program_version
from analyzer.show import output
from analyzer.show.edition import Edition

# The record, the tables and the marked photo; the reports take longer than the examination and come on request.
FEW_FILES = ("examination.json", "pits.csv", "bands.csv", "pits-coco.json", "overlay.png")
SMALL_PX = 320  # longer side of the picture in the index

# Columns of the summary, each with its unit in the name: text, whole number or number.
COLUMNS: dict[str, type] = {
    "photo": str, "photo_sha256": str, "problem": str, "view": str, "view_source": str, "scale_method": str,
    "mm_per_px": float, "mm_per_px_low_95": float, "mm_per_px_high_95": float,
    "examined_area_mm2": float, "examined_area_mm2_low_95": float, "examined_area_mm2_high_95": float,
    "pit_count": float, "pit_count_low_95": float, "pit_count_high_95": float,
    "pits_per_cm2": float, "pits_per_cm2_low_95": float, "pits_per_cm2_high_95": float,
    "general_attack_share": float, "general_attack_share_low_95": float,
    "general_attack_share_high_95": float,
    "largest_pit_mm": float, "remaining_wall_mm": float, "remaining_wall_mm_low_95": float, "remaining_wall_mm_high_95": float,
    "first_cause": str, "first_standing": str, "summary": str, "serious_flags": str, "flags": str, "folder": str,
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What every photo of a run is examined with. Facts are kept as their text, so that a plan travels to another process."""

    settings: Settings = Settings()
    facts_toml: str | None = None
    units: str = "metric"
    reports: bool = False

    @property
    def files(self) -> tuple[str, ...]:
        return tuple(output.FILES) if self.reports else FEW_FILES

    def as_json(self) -> dict[str, Any]:
        return {
            "settings": self.settings.as_json(),
            "facts": self.facts_toml,
            "units": self.units,
            "files": self.files,
            "made_with": made_with(),
        }


@dataclass(frozen=True)
class Outcome:
    """What became of one photo: its row of the summary, its files by name, a small picture (JPEG), what it was made with."""

    row: Mapping[str, Any]
    files: Mapping[str, bytes]
    small: bytes
    made_with: Mapping[str, str]


def made_with() -> dict[str, str]:
    """What the figures hang on: this program and the engine that runs its networks, with their versions."""
    name = engine()
    if name == "onnxruntime":
        import onnxruntime

        version = str(onnxruntime.__version__)
    else:
        version = str(cv2.__version__)
    return {"cutpipe": program_version(), "engine": name, "engine_version": version, "opencv": str(cv2.__version__)}


def key_of(name: str, data: bytes, plan: Plan) -> str:
    """Names a piece of work: the same photo under the same plan and program has the same key, and is done once."""
    told = json.dumps({"name": name, "sha256": hashlib.sha256(data).hexdigest(), **plan.as_json()}, sort_keys=True)
    return hashlib.sha256(told.encode()).hexdigest()


def examine_one(name: str, data: bytes, plan: Plan) -> Outcome:
    """Examine the photo that ``data`` holds. Never raises for what a photo may hold: the row's ``problem`` says it in one sentence."""
    row: dict[str, Any] = dict.fromkeys(COLUMNS)
    row |= {"photo": name, "photo_sha256": hashlib.sha256(data).hexdigest()}
    files: dict[str, bytes] = {}
    with _one_thread():
        try:
            facts = parse_facts(plan.facts_toml) if plan.facts_toml else None
            result = examine([read_photo(data, name=name)], facts=facts, settings=plan.settings)
            files, faults = output.make(result, Edition(units=plan.units), plan.files)
            if "examination.json" in files:
                row |= row_of(json.loads(files["examination.json"]))
            if faults:
                row["problem"] = output.not_made(faults)
        except CutpipeError as error:
            row["problem"] = str(error)
        except MemoryError:
            row["problem"] = f"{shown(name)} does not fit into this computer's memory; save it at 12 megapixels."
        except Exception as error:  # one photo never stops the others, whatever it is
            row["problem"] = (
                f"This is a fault of the program ({type(error).__name__}: {shown(error)}), please report it."
            )
    return Outcome(row, files, _small(files.get("overlay.png")), made_with())


def row_of(record: Mapping[str, Any]) -> dict[str, Any]:
    """The summary's columns, read from an examination as ``examination.json`` holds it; None where a thing is not known."""
    told = [finding for finding in record["findings"] if finding["standing"] in ("fits well", "fits", "possible")]
    flags = record["flags"]
    attack = record["general_attack"]
    row: dict[str, Any] = {
        "view": record["surface"]["view"],
        "view_source": record["surface"]["view_source"],
        "scale_method": record["scale"]["method"],
        "largest_pit_mm": record["quantities"].get("largest_pit_mm"),
        "first_cause": told[0]["name"] if told else None,
        "first_standing": told[0]["standing"] if told else None,
        "summary": record["summary"],
        "serious_flags": " ".join(flag["id"] for flag in flags if flag["severity"] == "serious") or None,
        "flags": " ".join(flag["id"] for flag in flags) or None,
    }
    for name, measure in (
        ("mm_per_px", record["scale"]["mm_per_px"]),
        ("examined_area_mm2", record["surface"]["examined_area_mm2"]),
        ("pit_count", record["density"]["pit_count"]),
        ("pits_per_cm2", record["density"]["pits_per_cm2"]),
        ("general_attack_share", attack and attack["share_of_examined"]),
        ("remaining_wall_mm", record["wall"]["remaining_mm"]),
    ):
        if measure is not None:
            low, high = measure["interval_95"]
            row |= {name: measure["value"], f"{name}_low_95": low, f"{name}_high_95": high}
    return row


def _small(overlay: bytes | None) -> bytes:
    if overlay is None:
        return b""
    picture = Image.open(io.BytesIO(overlay)).convert("RGB")
    picture.thumbnail((SMALL_PX, SMALL_PX))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=80)
    return out.getvalue()


@contextmanager
def _one_thread() -> Iterator[None]:
    """Many photos at a time fill the processor; more threads in each only wait for one another."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)
