"""The examination as a file: ``examination.json``, its schema, and the tables beside it.

The models below are the only statement of the form: what is written is validated by them, and ``cutpipe schema``
prints the JSON Schema (draft 2020-12) that they generate. ``SCHEMA_VERSION`` grows by its first number when a field changes its
meaning or goes, by its second when one is added; see DEVELOPERS.md.
"""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from analyzer.measured import Measure

if TYPE_CHECKING:
    from analyzer.examination import Examination

SCHEMA_VERSION = "1.0"


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class MeasureRecord(_Model):
    """A measured value; the unit is in the field's name."""

    value: float
    standard_uncertainty: float = Field(ge=0)
    interval_95: tuple[float, float]


class PhotoRecord(_Model):
    role: str = Field(description="main, light, backlit, ring or other")
    name: str
    sha256: str = Field(pattern="^[0-9a-f]{64}$", description="of the file's bytes as they came")
    width_px: int = Field(gt=0, description="of the upright picture")
    height_px: int = Field(gt=0)
    taken: str | None = Field(description="as the camera wrote it")
    camera: str | None


class CrossCheckRecord(_Model):
    name: str
    difference_percent: float
    standard_uncertainty_percent: float
    agrees: bool
    sentence: str


class ScaleRecord(_Model):
    method: str = Field(description="card, ruler, disc, length, tube or none")
    mm_per_px: MeasureRecord | None = Field(
        description="at the metal: median over the seen metal of depth along the optical axis by focal length in pixels"
    )
    mm_per_px_marker: MeasureRecord | None = Field(description="at the marker's own place")
    focal_length_px: float
    focal_source: str
    budget_percent: dict[str, float] = Field(description="contributions to the scale's uncertainty by source")
    cross_checks: list[CrossCheckRecord]


class SurfaceRecord(_Model):
    view: Literal["inside", "outside", "flat", "end"]
    view_source: str
    seen_area_mm2: MeasureRecord | None = Field(description="all metal seen, measured on the metal")
    examined_area_mm2: MeasureRecord | None = Field(description="without metal more than 70 degrees oblique")
    seen_area_px: float
    examined_area_px: float
    axial_length_mm: MeasureRecord | None
    radius_mm: float | None
    outline_px: list[tuple[float, float]]


class PitRecord(_Model):
    id: int = Field(description="its value in pit-labels.png")
    x_px: float
    y_px: float
    axial_mm: float | None
    around_mm: float | None
    opening_area_mm2: MeasureRecord | None
    equivalent_diameter_mm: MeasureRecord | None
    length_mm: MeasureRecord | None
    width_mm: MeasureRecord | None
    orientation_deg: float | None = Field(description="long axis, from +axial towards +around")
    opening_area_px: float
    equivalent_diameter_px: float
    obliquity_deg: float
    contrast_de: float = Field(description="CIELAB distance to the ring round the mouth")
    through: bool | None
    confidence: float = Field(ge=0, le=1)
    depth_mm: MeasureRecord | None
    depth_evidence: str | None
    remaining_wall_mm: MeasureRecord | None


class MoundRecord(_Model):
    id: int
    x_px: float
    y_px: float
    axial_mm: float | None
    around_mm: float | None
    area_mm2: MeasureRecord | None
    area_px: float
    colour_class: str


class DensityRecord(_Model):
    pits_per_cm2: MeasureRecord | None = Field(
        description="its interval is the Poisson one, for the run of pipe that this piece stands for"
    )
    pit_count: MeasureRecord = Field(description="its interval is that of the count as detected")
    smallest_counted_mm: float | None
    density_rating: str | None
    size_rating: str | None
    mean_diameter_mm: MeasureRecord | None
    largest_diameter_mm: MeasureRecord | None
    evidence: str
    evidence_version: str


class BandRecord(_Model):
    id: int
    kind: Literal["contact_mark", "water_line", "overall_stain", "other"]
    colour_class: str
    axial_mm: tuple[float, float] | None
    around_mm: tuple[float, float] | None
    area_mm2: MeasureRecord | None
    area_px: float
    share_of_metal: float
    confidence: str


class ReasonRecord(_Model):
    sentence: str
    quantity: str
    value: float | str | bool | list[str] | None
    source: str


class FindingRecord(_Model):
    cause: str
    name: str
    standing: Literal["fits well", "fits", "possible", "can't tell", "speaks against", "ruled out"]
    role: str
    plain: str
    technical: str
    facts_for: list[ReasonRecord]
    facts_against: list[ReasonRecord]
    facts_not_known: list[ReasonRecord]
    cannot_be_told_from: list[str]
    sources: list[str]


class CheckRecord(_Model):
    quantity: str
    question: str
    how: str
    effort: str
    separates: list[str]


class StepRecord(_Model):
    id: str
    phase: str
    title: str
    what: str
    why: str
    who: str
    effort: str
    caution: str
    source: str


class FlagRecord(_Model):
    id: str
    severity: Literal["note", "warning", "serious"]
    message: str
    suffers: list[str]
    remedy: str


class EvidenceRecord(_Model):
    kind: str
    sentence: str
    remaining_mm: MeasureRecord | None


class ProfileRecord(_Model):
    image_angle_deg: list[float] = Field(description="counter-clockwise from image +x about the ring's centre")
    wall_mm: list[float | None]


class WallRecord(_Model):
    nominal_mm: MeasureRecord | None
    remaining_mm: MeasureRecord | None
    evidence: list[EvidenceRecord]
    weakest_link: str
    indicative: bool
    perforated: bool | None
    minimum_mm: MeasureRecord | None
    minimum_image_angle_deg: float | None
    mean_mm: MeasureRecord | None
    profile: ProfileRecord | None
    details: dict[str, Any] = Field(description="pressure, deepest pit to expect, time: each with its method and its caution")


class CorrectionRecord(_Model):
    kind: str
    who: str
    when: str
    why: str
    pit: int | None = None
    points_px: list[tuple[float, float]] | None = None
    diameter_px: float | None = None
    length_mm: float | None = None


class CorrectedRecord(_Model):
    """The same figures after the corrections by hand; the automatic ones above stay as they are."""

    pit_count: int
    pits_per_cm2: MeasureRecord | None
    mm_per_px: MeasureRecord | None
    examined_area_mm2: MeasureRecord | None
    removed_pits: list[int]
    added_pits: list[PitRecord]
    mounds: list[int]


class ExaminationRecord(_Model):
    """What cutpipe found in the photographs of one removed pipe section."""

    schema_version: str
    program_version: str
    settings: dict[str, Any]
    photos: list[PhotoRecord]
    scale: ScaleRecord
    surface: SurfaceRecord
    pits: list[PitRecord]
    mounds: list[MoundRecord]
    density: DensityRecord
    bands: list[BandRecord]
    colour_shares: dict[str, float]
    wall: WallRecord
    quantities: dict[str, float | str | bool | list[str]] = Field(description="all that the rules could read")
    facts: dict[str, Any] = Field(description="facts of the installation as told")
    summary: str
    findings: list[FindingRecord]
    checks: list[CheckRecord]
    steps: list[StepRecord]
    flags: list[FlagRecord]
    corrections: list[CorrectionRecord]
    corrected: CorrectedRecord | None
    caution: str


CAUTION = (
    "A photograph never proves a cause and never shows that a pipe is safe under pressure. These are measurements and "
    "ranked explanations for a licensed plumber, a laboratory or an insurer to check; local codes come first."
)


def schema() -> dict[str, Any]:
    """JSON Schema of ``examination.json``."""
    document = ExaminationRecord.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "cutpipe examination", **document}


def measure(value: Measure | None) -> dict[str, object] | None:
    return None if value is None else value.as_json()


def to_json(examination: Examination) -> str:
    """The text of ``examination.json``: validated, keys in the models' order, the same bytes for the same input."""
    record = ExaminationRecord.model_validate(examination.as_dict())
    return json.dumps(record.model_dump(mode="json"), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def pits_csv(examination: Examination) -> str:
    """One row a pit; lengths in millimetres, empty where not known."""
    rows = [
        {
            "id": pit["id"],
            "x_px": pit["x_px"],
            "y_px": pit["y_px"],
            "axial_mm": pit["axial_mm"],
            "around_mm": pit["around_mm"],
            **_spread("opening_area_mm2", pit["opening_area_mm2"]),
            **_spread("equivalent_diameter_mm", pit["equivalent_diameter_mm"]),
            **_spread("length_mm", pit["length_mm"]),
            **_spread("width_mm", pit["width_mm"]),
            **_spread("depth_mm", pit["depth_mm"]),
            "through": pit["through"],
            "confidence": pit["confidence"],
        }
        for pit in examination.as_dict()["pits"]
    ]
    columns = ["id", "x_px", "y_px", "axial_mm", "around_mm"]
    for name in ("opening_area_mm2", "equivalent_diameter_mm", "length_mm", "width_mm", "depth_mm"):
        columns += list(_spread(name, None))
    return _table(columns + ["through", "confidence"], rows)


def bands_csv(examination: Examination) -> str:
    """One row a band; lengths in millimetres, empty where not known."""
    rows = []
    for band in examination.as_dict()["bands"]:
        axial, around = band["axial_mm"] or (None, None), band["around_mm"] or (None, None)
        rows.append(
            {
                "id": band["id"],
                "kind": band["kind"],
                "colour_class": band["colour_class"],
                "axial_from_mm": axial[0],
                "axial_to_mm": axial[1],
                "around_from_mm": around[0],
                "around_to_mm": around[1],
                **_spread("area_mm2", band["area_mm2"]),
                "share_of_metal": band["share_of_metal"],
                "confidence": band["confidence"],
            }
        )
    columns = ["id", "kind", "colour_class", "axial_from_mm", "axial_to_mm", "around_from_mm", "around_to_mm"]
    return _table(columns + list(_spread("area_mm2", None)) + ["share_of_metal", "confidence"], rows)


def _spread(name: str, record: dict[str, Any] | None) -> dict[str, Any]:
    if record is None:
        return {name: None, f"{name}_low_95": None, f"{name}_high_95": None}
    return {name: record["value"], f"{name}_low_95": record["interval_95"][0], f"{name}_high_95": record["interval_95"][1]}


def _table(columns: list[str], rows: list[dict[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows({key: _cell(value) for key, value in row.items()} for row in rows)
    return text.getvalue()


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    # A text that a spreadsheet would run as a formula is kept as text.
    if isinstance(value, str) and value[:1] in "=+-@\t\r":
        return "'" + value
    return value
