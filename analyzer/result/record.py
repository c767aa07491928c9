"""The examination as a file: ``examination.json``, its schema, and the tables beside it.

The models below are the only statement of the form: what is written is validated by them, and ``cutpipe schema``
prints the JSON Schema (draft 2020-12) that they generate. ``SCHEMA_VERSION`` grows by its first number when a field changes its
meaning or goes, by its second when one is added; see DEVELOPERS.md.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from analyzer.base.measured import Measure
from analyzer.causes.repair import CostComparison, RepairOrReplace
from analyzer.causes.verdict import Reason
from analyzer.house.leak_history import LeakHistory
from analyzer.marks.bands import Band
from analyzer.marks.pits import Pit

if TYPE_CHECKING:
    from analyzer.result.examination import Examination

SCHEMA_VERSION = "1.2"


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
    id: int = Field(description="its value in pit-labels.png, where it stands after any corrections")
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
    confidence: float | None = Field(
        ge=0,
        le=1,
        description="share of candidates like this one that were true pits on pictures with truth; null where a person said it",
    )
    judged_by: Literal["program", "by hand"] = Field(description="who says that it is a pit")
    counted: bool = Field(description="at or above the smallest counted size")
    depth_mm: MeasureRecord | None = Field(description="only where something measured it")
    indicative_depth_mm: MeasureRecord | None = Field(
        description="a range from the size of the mouth alone; measures nothing"
    )
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
    pit_count: MeasureRecord | None = Field(
        description="its interval is that of the count as detected; null on a cut end, where pits are not sought"
    )
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
    value: float | str | bool | list[str] | list[tuple[int, int]] | None
    weight: str = Field(description="decisive, strong, moderate or weak")
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
    needs_laboratory: bool = Field(description="the literature always needed a laboratory, and none has spoken yet")
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
    weakest_link: str


class ProfileRecord(_Model):
    image_angle_deg: list[float] = Field(description="counter-clockwise from image +x about the ring's centre")
    wall_mm: list[float | None]


class LightRecord(_Model):
    """Where light from behind came through the wall and no pit was found."""

    x_px: float
    y_px: float
    axial_mm: float | None
    around_mm: float | None


class WallRecord(_Model):
    nominal_mm: MeasureRecord | None
    remaining_mm: MeasureRecord | None
    evidence: list[EvidenceRecord]
    weakest_link: str
    indicative: bool
    perforated: bool | None
    light_without_pit: list[LightRecord]
    minimum_mm: MeasureRecord | None
    minimum_image_angle_deg: float | None
    mean_mm: MeasureRecord | None
    profile: ProfileRecord | None
    details: dict[str, Any] = Field(
        description="pressure, deepest pit to expect, time: each with its method and its caution"
    )


class ForecastRecord(_Model):
    years: list[float] = Field(description="from now")
    expected: list[float]
    expected_95: list[tuple[float, float]]
    count_95: list[tuple[int, int]]


class LeaksRecord(_Model):
    """Leak history of the house as a repairable system."""

    says: str
    enough: str = Field(description="what would be enough, where the record is too thin")
    leaks_per_year: tuple[float, float, float] = Field(description="as if steady: value, 95 % low, high")
    exponent: float | None = Field(description="of N(t) = scale * t^exponent; above 1 it gets worse")
    exponent_95: tuple[float, float] | None
    forecast: ForecastRecord | None


class CostOptionRecord(_Model):
    id: str
    name: str
    present_value: float
    present_value_95: tuple[float, float]
    break_even_year: float | None


class CostsRecord(_Model):
    says: str
    enough: str
    cheaper: str | None
    options: list[CostOptionRecord]


class HouseRecord(_Model):
    """The house's leak record against the owner's prices: arithmetic, no advice beyond it."""

    recommendation: str
    enough: str
    persisting_causes: list[str]
    evidence: list[str]
    leaks: LeaksRecord
    costs: CostsRecord | None


class CorrectionRecord(_Model):
    kind: str
    who: str
    when: str
    why: str
    pit: int | None = None
    points_px: list[tuple[float, float]] | None = None
    diameter_px: float | None = None
    diameter_mm: float | None = None
    length_mm: float | None = None


class CorrectedRecord(_Model):
    """The same figures after the corrections by hand; the automatic ones above stay as they are."""

    pit_count: int
    pit_count_interval_95: tuple[float, float]
    smallest_counted_mm: float | None
    pits_per_cm2: MeasureRecord | None
    scale_method: str = Field(description='"known length" where a person marked one on the metal, else as under scale')
    mm_per_px: MeasureRecord | None
    examined_area_mm2: MeasureRecord | None
    removed_pits: list[int]
    added_pits: list[PitRecord]
    mounds: list[int]
    pits: list[PitRecord] = Field(description="all that stand, as in pits.csv")
    bands: list[BandRecord] = Field(description="as in bands.csv")


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
    quantities: dict[str, float | str | bool | list[str] | list[tuple[int, int]]] = Field(
        description="all that the rules could read"
    )
    facts: dict[str, Any] = Field(description="facts of the installation as told")
    summary: str
    conflicts: list[str] = Field(description="where known facts pull a leading cause both ways")
    keep_for_laboratory: list[str] = Field(description="where no rule explains the damage")
    findings: list[FindingRecord]
    checks: list[CheckRecord]
    steps: list[StepRecord]
    repair_or_replace: HouseRecord | None = Field(description="null where no leak dates or counts were told")
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


def _measure(value: Measure | None) -> dict[str, object] | None:
    return None if value is None else value.as_json()


def _px(number: float) -> float:
    return round(float(number), 2)


def _mm(number: float | None) -> float | None:
    return None if number is None else round(float(number), 4)


def as_dict(examination: Examination) -> dict[str, Any]:
    """The examination as plain data, in the form of ``ExaminationRecord``."""
    surface, calibration, catalogue = examination.surface, examination.calibration, examination.pits
    scaled = surface.unit == "mm"
    scale = surface.mm_per_px
    depths = examination.wall.pit_depths if examination.wall is not None else {}
    corrected = examination.corrected
    pattern = examination.pattern

    def area_px(mask: Any) -> float:
        return float(mask.sum())

    def pit(p: Pit, counts: Callable[[Pit], bool] = catalogue.counts) -> dict[str, Any]:
        depth = depths.get(p.id)
        return {
            "id": p.id,
            "x_px": _px(p.x_px),
            "y_px": _px(p.y_px),
            "axial_mm": _mm(p.axial_mm),
            "around_mm": _mm(p.around_mm),
            "opening_area_mm2": _measure(p.opening_area_mm2),
            "equivalent_diameter_mm": _measure(p.equivalent_diameter_mm),
            "length_mm": _measure(p.length_mm),
            "width_mm": _measure(p.width_mm),
            "orientation_deg": None if p.orientation_deg is None else round(p.orientation_deg, 1),
            "opening_area_px": _px(p.opening_area_px),
            "equivalent_diameter_px": _px(p.equivalent_diameter_px),
            "obliquity_deg": round(float(p.obliquity_deg), 1),
            "contrast_de": round(float(p.contrast), 2),
            "through": p.through,
            "confidence": None if p.by_hand else round(float(p.confidence), 3),
            "judged_by": "by hand" if p.by_hand else "program",
            "counted": counts(p),
            "depth_mm": None if depth is None or depth.indicative else _measure(depth.depth_mm),
            "indicative_depth_mm": _measure(depth.depth_mm) if depth is not None and depth.indicative else None,
            "depth_evidence": None if depth is None else depth.evidence,
            "remaining_wall_mm": None if depth is None else _measure(depth.remaining_mm),
        }

    def band(b: Band) -> dict[str, Any]:
        return {
            "id": b.id,
            "kind": b.kind,
            "colour_class": b.colour_class,
            "axial_mm": None if b.axial_mm is None else [_mm(v) for v in b.axial_mm],
            "around_mm": None if b.around_mm is None else [_mm(v) for v in b.around_mm],
            "area_mm2": _measure(b.area_mm2),
            "area_px": _px(b.area_px),
            "share_of_metal": round(float(b.share_of_metal), 4),
            "confidence": b.confidence,
        }

    def reasons(rows: Iterable[Reason]) -> list[dict[str, Any]]:
        return [
            {
                "sentence": r.sentence,
                "quantity": r.quantity,
                "value": _plain(r.value),
                "weight": r.weight,
                "source": r.source,
            }
            for r in rows
        ]

    relief = examination.look.relief
    lights = [
        {name: getattr(hole, name) for name in LightRecord.model_fields}
        for hole in (relief.holes if relief is not None else ())
    ]
    return {
        "schema_version": SCHEMA_VERSION,
        "program_version": examination.program_version,
        "settings": examination.settings.as_json(),
        "photos": [
            {
                "role": photo.role,
                "name": photo.name,
                "sha256": photo.sha256,
                "width_px": photo.width_px,
                "height_px": photo.height_px,
                "taken": photo.camera.taken,
                "camera": " ".join(word for word in (photo.camera.make, photo.camera.model) if word) or None,
            }
            for photo in examination.photos
        ],
        "scale": {
            "method": examination.automatic_scale_method,
            "mm_per_px": _measure(scale),
            "mm_per_px_marker": _measure(calibration.mm_per_px_marker),
            "focal_length_px": _px(calibration.camera_matrix[0, 0]),
            "focal_source": calibration.focal_source,
            "budget_percent": {
                source: round(100 * contribution / scale.value, 4) for source, contribution in scale.budget.items()
            }
            if scale
            else {},
            "cross_checks": [
                {
                    "name": check.name,
                    "difference_percent": round(float(check.difference_percent), 3),
                    "standard_uncertainty_percent": round(float(check.standard_uncertainty_percent), 3),
                    "agrees": bool(check.agrees),
                    "sentence": check.sentence,
                }
                for check in (*calibration.cross_checks, *surface.cross_checks)
            ],
        },
        "surface": {
            "view": surface.view,
            "view_source": surface.view_source,
            "seen_area_mm2": _measure(surface.seen_area) if scaled else None,
            "examined_area_mm2": _measure(surface.examined_area) if scaled else None,
            "seen_area_px": area_px(surface.metal),
            "examined_area_px": area_px(surface.examined),
            "axial_length_mm": _measure(surface.axial_length) if scaled else None,
            "radius_mm": _mm(surface.radius_mm),
            "outline_px": [[round(float(x), 1), round(float(y), 1)] for x, y in surface.outline_px],
        },
        "pits": [pit(p) for p in catalogue.pits],
        "mounds": [
            {
                "id": mound.id,
                "x_px": _px(mound.x_px),
                "y_px": _px(mound.y_px),
                "axial_mm": _mm(mound.axial_mm),
                "around_mm": _mm(mound.around_mm),
                "area_mm2": _measure(mound.area_mm2),
                "area_px": _px(mound.area_px),
                "colour_class": mound.colour_class,
            }
            for mound in catalogue.mounds
        ],
        "density": {
            "pits_per_cm2": _measure(pattern.pits_per_cm2),
            "pit_count": _measure(catalogue.count),
            "smallest_counted_mm": catalogue.smallest_counted_mm,
            "density_rating": pattern.density_rating,
            "size_rating": pattern.size_rating,
            "mean_diameter_mm": _measure(pattern.mean_diameter_mm),
            "largest_diameter_mm": _measure(pattern.largest_diameter_mm),
            "evidence": catalogue.evidence,
            "evidence_version": catalogue.evidence_version,
        },
        "bands": [band(b) for b in examination.bands.bands],
        "colour_shares": {name: round(float(share), 4) for name, share in examination.bands.colour_shares.items()},
        "wall": {**examination.wall.as_json(), "light_without_pit": lights},
        "quantities": {name: _plain(value) for name, value in sorted(examination.quantities.items())},
        "facts": {name: _plain(value) for name, value in sorted(examination.facts.items())},
        "summary": examination.judgement.summary,
        "conflicts": list(examination.judgement.conflicts),
        "keep_for_laboratory": list(examination.judgement.keep),
        "findings": [
            {
                "cause": finding.cause,
                "name": finding.name,
                "standing": finding.standing,
                "role": finding.role,
                "plain": finding.plain,
                "technical": finding.technical,
                "facts_for": reasons(finding.facts_for),
                "facts_against": reasons(finding.facts_against),
                "facts_not_known": reasons(finding.facts_not_known),
                "cannot_be_told_from": list(finding.cannot_be_told_from),
                "needs_laboratory": finding.needs_laboratory,
                "sources": list(finding.sources),
            }
            for finding in examination.judgement.findings
        ],
        "checks": [
            {
                "quantity": check.quantity,
                "question": check.question,
                "how": check.how,
                "effort": check.effort,
                "separates": list(check.separates),
            }
            for check in examination.judgement.checks
        ],
        "steps": [{name: getattr(step, name) for name in StepRecord.model_fields} for step in examination.steps],
        "repair_or_replace": _house(examination.house),
        "flags": [flag.as_json() for flag in examination.flags],
        "corrections": [correction.as_json() for correction in examination.corrections],
        "corrected": None
        if corrected is None
        else {
            "pit_count": round(corrected.pits.count.value),
            "pit_count_interval_95": list(corrected.pits.count.interval_95),
            "smallest_counted_mm": corrected.pits.smallest_counted_mm,
            "pits_per_cm2": _measure(examination.corrected_pattern.pits_per_cm2)
            if examination.corrected_pattern
            else None,
            "scale_method": examination.scale_method,
            "mm_per_px": _measure(corrected.surface.mm_per_px),
            "examined_area_mm2": _measure(corrected.surface.examined_area) if scaled else None,
            "removed_pits": list(corrected.removed_pits),
            "added_pits": [pit(p, corrected.pits.counts) for p in corrected.added_pits],
            "mounds": list(corrected.mounds),
            "pits": [pit(p, corrected.pits.counts) for p in corrected.pits.pits],
            "bands": [band(b) for b in examination.standing_bands.bands],
        },
        "caution": CAUTION,
    }


def _house(house: RepairOrReplace | None) -> dict[str, Any] | None:
    if house is None:
        return None
    return {
        "recommendation": house.recommendation,
        "enough": house.enough,
        "persisting_causes": list(house.persisting),
        "evidence": list(house.evidence),
        "leaks": _leaks(house.history),
        "costs": _costs(house.costs),
    }


def _leaks(history: LeakHistory) -> dict[str, Any]:
    forecast = history.forecast
    return {
        "says": history.says,
        "enough": history.enough,
        "leaks_per_year": _plain(history.rate_per_year),
        "exponent": None if history.law is None else _plain(history.law.beta),
        "exponent_95": _plain(history.beta_interval),
        "forecast": None
        if forecast is None
        else {
            "years": _plain(forecast.years),
            "expected": _plain(forecast.expected),
            "expected_95": _plain(tuple(zip(forecast.low, forecast.high, strict=True))),
            "count_95": [list(pair) for pair in zip(forecast.number_low, forecast.number_high, strict=True)],
        },
    }


def _costs(comparison: CostComparison | None) -> dict[str, Any] | None:
    if comparison is None:
        return None
    return {
        "says": comparison.says,
        "enough": comparison.enough,
        "cheaper": comparison.cheaper,
        "options": [
            {
                "id": option.id,
                "name": option.name,
                "present_value": _plain(option.present_value),
                "present_value_95": _plain((option.low, option.high)),
                "break_even_year": _plain(comparison.break_even_year.get(option.id)),
            }
            for option in comparison.options
        ],
    }


def _plain(value: Any) -> Any:
    """A value as JSON holds it: floats to nine digits, tuples and dates as lists and text."""
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    if isinstance(value, (int, float)):
        return float(f"{float(value):.9g}")
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(item) for item in value]
    return str(value)


def to_json(examination: Examination) -> str:
    """The text of ``examination.json``: validated, keys in the models' order, the same bytes for the same input."""
    record = ExaminationRecord.model_validate(as_dict(examination))
    return json.dumps(record.model_dump(mode="json"), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def pits_csv(examination: Examination) -> str:
    """One row a pit that stands after any corrections; lengths in millimetres, empty where not known."""
    whole = as_dict(examination)
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
            "judged_by": pit["judged_by"],
            "counted": pit["counted"],
        }
        for pit in (whole["corrected"] or whole)["pits"]
    ]
    columns = ["id", "x_px", "y_px", "axial_mm", "around_mm"]
    for name in ("opening_area_mm2", "equivalent_diameter_mm", "length_mm", "width_mm", "depth_mm"):
        columns += list(_spread(name, None))
    return _table(columns + ["through", "confidence", "judged_by", "counted"], rows)


def bands_csv(examination: Examination) -> str:
    """One row a band, by the scale that stands after any corrections; lengths in millimetres, empty where not known."""
    whole = as_dict(examination)
    rows = []
    for band in (whole["corrected"] or whole)["bands"]:
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
    return {
        name: record["value"],
        f"{name}_low_95": record["interval_95"][0],
        f"{name}_high_95": record["interval_95"][1],
    }


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
