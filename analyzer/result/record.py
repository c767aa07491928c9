"""The examination as a file: ``examination.json``, its schema, and the tables beside it.

The models below are the only statement of the form: each field says its type, its rounding and, where it is not the attribute of the
same name, where its value comes from (``From``). What is written is validated by them, and ``cutpipe schema`` prints the JSON Schema
(draft 2020-12) that they generate. ``SCHEMA_VERSION`` grows by its first number when a field changes its meaning or goes, by its
second when one is added; see DEVELOPERS.md.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from operator import attrgetter
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from analyzer.base.measured import Measure
from analyzer.base.text import spreadsheet_cell
from analyzer.causes.repair import CostComparison
from analyzer.door.shown import looks_like
from analyzer.marks.catalogue import Pit, PitCatalogue
from analyzer.piece.surface import Surface
from analyzer.wall.remaining import PitDepth, Wall

if TYPE_CHECKING:
    from analyzer.result.examination import Examination

SCHEMA_VERSION = "2.2"


@dataclass(frozen=True)
class From:
    """Where a field's value is read: an attribute's path ("camera.taken") or a function of the model's source."""

    where: str | Callable[[Any], Any]

    def __call__(self, source: Any) -> Any:
        return attrgetter(self.where)(source) if isinstance(self.where, str) else self.where(source)


class _Model(BaseModel):
    """A record that is read from a result's attributes, or from its own written form again."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    @model_validator(mode="before")
    @classmethod
    def _read(cls, source: Any) -> Any:
        if isinstance(source, (Mapping, cls)):
            return source
        values = {}
        for name, field in cls.model_fields.items():
            told = [mark for mark in field.metadata if isinstance(mark, From)]
            values[name] = told[0](source) if told else getattr(source, name)
        return values


class Beside:
    """A result with what is known of it elsewhere, read as one source."""

    def __init__(self, result: Any, **more: Any) -> None:
        self._result = result
        self.__dict__.update(more)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._result, name)


def _rounded(decimals: int) -> BeforeValidator:
    return BeforeValidator(lambda number: round(float(number), decimals))


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


_PLAIN = BeforeValidator(
    _plain
)  # nine significant digits: the same on every machine, far finer than any uncertainty here
_SORTED = BeforeValidator(lambda values: _plain(dict(sorted(values.items()))))
Tenth = Annotated[float, _rounded(1)]
Hundredth = Annotated[float, _rounded(2)]  # pixels
Thousandth = Annotated[float, _rounded(3)]
Fine = Annotated[float, _rounded(4)]  # millimetres and shares
Digits = Annotated[float, _PLAIN]
Share = Annotated[float, Field(ge=0, le=1), _rounded(3)]


class MeasureRecord(_Model):
    """A measured value; the unit is in the field's name."""

    value: Digits
    standard_uncertainty: Digits = Field(ge=0)
    interval_95: tuple[Digits, Digits]


class PhotoRecord(_Model):
    role: str = Field(description="main, light, backlit, ring or other")
    name: str
    sha256: str = Field(pattern="^[0-9a-f]{64}$", description="of the file's bytes as they came")
    width_px: int = Field(gt=0, description="of the upright picture")
    height_px: int = Field(gt=0)
    taken: Annotated[str | None, From("camera.taken")] = Field(description="as the camera wrote it")
    camera: Annotated[
        str | None,
        From(lambda photo: " ".join(word for word in (photo.camera.make, photo.camera.model) if word) or None),
    ]


class CrossCheckRecord(_Model):
    name: str
    difference_percent: Thousandth
    standard_uncertainty_percent: Thousandth
    agrees: bool
    sentence: str


def _budget_percent(scale: Measure | None) -> dict[str, float]:
    return {} if scale is None else {name: 100 * share for name, share in scale.shares.items()}


class ScaleRecord(_Model):
    method: Annotated[str, From("automatic_scale_method")] = Field(
        description="card, ruler, disc, length, tube or none"
    )
    mm_per_px: Annotated[MeasureRecord | None, From("surface.mm_per_px")] = Field(
        description="at the metal: median over the seen metal of depth along the optical axis by focal length in pixels"
    )
    mm_per_px_marker: Annotated[MeasureRecord | None, From("calibration.mm_per_px_marker")] = Field(
        description="at the marker's own place"
    )
    focal_length_px: Annotated[Hundredth, From(lambda e: e.calibration.camera_matrix[0, 0])]
    focal_source: Annotated[str, From("calibration.focal_source")]
    budget_percent: Annotated[dict[str, Fine], From(lambda e: _budget_percent(e.surface.mm_per_px))] = Field(
        description="contributions to the scale's uncertainty by source"
    )
    cross_checks: Annotated[
        list[CrossCheckRecord], From(lambda e: [*e.calibration.cross_checks, *e.surface.cross_checks])
    ]


def _if_scaled(surface: Surface, measure: Measure | None) -> Measure | None:
    """Without a scale the surface holds pixels, which are no millimetres."""
    return measure if surface.unit == "mm" else None


class ShownRecord(_Model):
    """What the photo shows, answered before anything was measured."""

    file_whole: Annotated[bool, From(lambda e: not e.photo.complaints and not e.photo.even_share)]
    framing: Annotated[Literal["apart", "cut_off", "fills", "unclear"], From("shown.framing")] = Field(
        description="table all round the piece; it runs out of the picture; metal all over; not told apart"
    )
    framing_source: Annotated[str, From("shown.framing_source")] = Field(description="told, seen or assumed")
    piece_share: Annotated[Fine, From("shown.piece_share")] = Field(description="of the picture")
    outline_unsure_share: Annotated[Fine, From("shown.unsure_share")]
    outline_contrast: Annotated[Fine, From("shown.contrast")] = Field(
        description="colour inside against outside, in standard deviations"
    )
    outline_on_edges_share: Annotated[Fine | None, From("shown.on_edges_share")] = Field(
        description="of the outline's length within the picture, across which the colour changes; null where it cannot be said"
    )
    countable: Annotated[bool, From("shown.countable")]
    not_countable_because: Annotated[str, From("shown.not_countable")]
    blur_px: Annotated[Fine | None, From("shown.sharpness.blur_px")] = Field(
        description="sigma of the sharpest edges; null where no edge is clear enough to say"
    )
    noise_levels: Annotated[Fine, From("shown.sharpness.noise_levels")] = Field(description="of 255")
    smallest_seen_px: Annotated[Fine | None, From("shown.sharpness.smallest_seen_px")]
    looks_like: Annotated[str | None, From(lambda e: looks_like(e.shown))] = Field(
        description="the metal by its colours and the network's look, where they do not fit copper"
    )
    round_thing_px: Annotated[tuple[float, float, float] | None, From("shown.round_px")] = Field(
        description="x, y, radius of what may be a coin that was not named; nothing is measured by it"
    )
    findings_rest_on_it: Annotated[bool, From("shown.sure")]


class SurfaceRecord(_Model):
    view: Literal["inside", "outside", "flat", "end"]
    view_source: str
    seen_area_mm2: Annotated[MeasureRecord | None, From(lambda s: _if_scaled(s, s.seen_area))] = Field(
        description="all metal seen, measured on the metal"
    )
    examined_area_mm2: Annotated[MeasureRecord | None, From(lambda s: _if_scaled(s, s.examined_area))] = Field(
        description="without metal more than 70 degrees oblique"
    )
    seen_area_px: Annotated[float, From(lambda s: float(s.metal.sum()))]
    examined_area_px: Annotated[float, From(lambda s: float(s.examined.sum()))]
    axial_length_mm: Annotated[MeasureRecord | None, From(lambda s: _if_scaled(s, s.axial_length))]
    radius_mm: Fine | None
    outline_px: Annotated[list[tuple[Tenth, Tenth]], From(lambda s: list(s.outline_px))]


def _depth_of(depth: PitDepth | None, *, indicative: bool) -> Measure | None:
    return depth.depth_mm if depth is not None and depth.indicative is indicative else None


class PitRecord(_Model):
    id: int = Field(description="its value in pit-labels.png, where it stands after any corrections")
    x_px: Hundredth
    y_px: Hundredth
    axial_mm: Fine | None
    around_mm: Fine | None
    opening_area_mm2: MeasureRecord | None
    equivalent_diameter_mm: MeasureRecord | None
    length_mm: MeasureRecord | None
    width_mm: MeasureRecord | None
    orientation_deg: Tenth | None = Field(description="long axis, from +axial towards +around")
    opening_area_px: Hundredth
    equivalent_diameter_px: Hundredth
    obliquity_deg: Tenth
    contrast_de: Annotated[Hundredth, From("contrast")] = Field(
        description="CIELAB distance to the ring round the mouth"
    )
    through: bool | None
    may_go_through: bool = Field(
        description="something of the ground's colour is seen in its mouth: a question to the person, no finding"
    )
    confidence: Annotated[Share | None, From(lambda pit: None if pit.by_hand else pit.confidence)] = Field(
        description="share of candidates like this one that were true pits on pictures with truth; null where a person said it",
    )
    judged_by: Annotated[Literal["program", "by hand"], From(lambda pit: "by hand" if pit.by_hand else "program")] = (
        Field(description="who says that it is a pit")
    )
    counted: bool = Field(description="at or above the smallest counted size")
    carried_by: list[int] = Field(
        description="which of photos, from 0, show it by themselves with a likelihood of a half or more; empty where only all "
        "looked at together do, where a person said it, and where the evidence is contrast"
    )
    depth_mm: Annotated[MeasureRecord | None, From(lambda pit: _depth_of(pit.depth, indicative=False))] = Field(
        description="only where something measured it"
    )
    indicative_depth_mm: Annotated[MeasureRecord | None, From(lambda pit: _depth_of(pit.depth, indicative=True))] = (
        Field(description="a range from the size of the mouth alone; measures nothing")
    )
    depth_evidence: Annotated[str | None, From(lambda pit: pit.depth and pit.depth.evidence)]
    remaining_wall_mm: Annotated[MeasureRecord | None, From(lambda pit: pit.depth and pit.depth.remaining_mm)]


class MoundRecord(_Model):
    id: int
    x_px: Hundredth
    y_px: Hundredth
    axial_mm: Fine | None
    around_mm: Fine | None
    area_mm2: MeasureRecord | None
    area_px: Hundredth
    colour_class: str


class GeneralAttackRecord(_Model):
    """Metal so closely pocked or scabbed that hardly sound ground is left between; null where it cannot be said."""

    present: bool = Field(description="whether so much is attacked that the metal is called generally attacked")
    share_of_examined: Annotated[MeasureRecord, From("share")]
    roughness: MeasureRecord | None = Field(
        description="root mean square change of brightness between 0.06 and 0.5 mm on the attacked metal, as a share of the brightness: "
        "no height, and it hangs on the light; null where nothing is attacked or without a scale"
    )
    mouths_share: Share | None = Field(
        description="of the attacked metal, what is pits' mouths; null where nothing is attacked"
    )


class DensityRecord(_Model):
    pits_per_cm2: Annotated[MeasureRecord | None, From("pattern.pits_per_cm2")] = Field(
        description="estimated number of pits by its area, for this piece; another length of the run may differ more"
    )
    pit_count: Annotated[MeasureRecord | None, From("pits.count")] = Field(
        description="estimate for metal seen at up to 60 degrees, from the marks' confidence and the share of pits that is seen: not the length of the list; null on a cut end, where pits are not sought, and where they cannot be told apart"
    )
    not_counted_because: Annotated[str, From("pits.not_countable")] = Field(
        description="why pits that were sought have no number; empty where they have one"
    )
    smallest_counted_mm: Annotated[float | None, From("pits.smallest_counted_mm")]
    counted_area_mm2: Annotated[MeasureRecord | None, From("pattern.counted_area")] = Field(
        description="metal seen at up to 60 degrees, which the number of pits and their density are of"
    )
    density_rating: Annotated[str | None, From("pattern.density_rating")]
    density_rating_range: Annotated[tuple[str, str] | None, From("pattern.density_rating_range")]
    size_rating: Annotated[str | None, From("pattern.size_rating")]
    size_rating_range: Annotated[tuple[str, str] | None, From("pattern.size_rating_range")]
    mean_diameter_mm: Annotated[MeasureRecord | None, From("pattern.mean_diameter_mm")]
    largest_diameter_mm: Annotated[MeasureRecord | None, From("pattern.largest_diameter_mm")] = Field(
        description="of the largest listed pit; the interval is where the largest on the seen metal may lie: the listed one may be none, a larger one may have been missed"
    )
    evidence: Annotated[str, From("pits.evidence")]
    evidence_version: Annotated[str, From("pits.evidence_version")]


class BandRecord(_Model):
    id: int
    kind: Literal["contact_mark", "water_line", "overall_stain", "other"]
    colour_class: str
    axial_mm: tuple[Fine, Fine] | None
    around_mm: tuple[Fine, Fine] | None
    area_mm2: MeasureRecord | None
    area_px: Hundredth
    share_of_metal: Fine
    confidence: str


class ReasonRecord(_Model):
    sentence: str
    quantity: str
    value: Annotated[float | str | bool | list[str] | list[tuple[int, int]] | None, _PLAIN]
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
    image_angle_deg: Annotated[list[float], From(lambda profile: [a for a, w in zip(*profile) if math.isfinite(w)])] = (
        Field(description="counter-clockwise from image +x about the ring's centre; none where it was left out by hand")
    )
    wall_mm: Annotated[list[Fine | None], From(lambda profile: [w for w in profile[1] if math.isfinite(w)])]


class LightRecord(_Model):
    """Where light from behind came through the wall and no pit was found."""

    x_px: float
    y_px: float
    axial_mm: float | None
    around_mm: float | None


def _wall_details(wall: Wall) -> dict[str, Any]:
    return {
        "nominal_source": wall.nominal_source,
        "pitting_factor": wall.pitting_factor,
        "depth_rating": wall.depth_rating,
        "deepest_depth_by_wall": wall.deepest_by_wall,
        "pressure": None if wall.capacity is None else wall.capacity.as_json(),
        "time": [growth.as_json() for growth in wall.growth],
        "deepest_to_expect": None if wall.deepest is None else wall.deepest.as_json(),
    }


class WallRecord(_Model):
    nominal_mm: MeasureRecord | None
    remaining_mm: MeasureRecord | None
    evidence: list[EvidenceRecord]
    weakest_link: str
    indicative: bool
    perforated: bool | None
    light_without_pit: Annotated[list[LightRecord], From(lambda wall: list(wall.holes))]
    minimum_mm: MeasureRecord | None
    minimum_image_angle_deg: float | None
    mean_mm: MeasureRecord | None
    profile: ProfileRecord | None
    details: Annotated[dict[str, Any], From(_wall_details)] = Field(
        description="pressure, deepest pit to expect, time: each with its method and its caution"
    )


class ForecastRecord(_Model):
    years: list[Digits] = Field(description="from now")
    expected: list[Digits]
    expected_95: Annotated[
        list[tuple[Digits, Digits]], From(lambda ahead: list(zip(ahead.low, ahead.high, strict=True)))
    ]
    count_95: Annotated[
        list[tuple[int, int]], From(lambda ahead: list(zip(ahead.number_low, ahead.number_high, strict=True)))
    ]


class LeaksRecord(_Model):
    """Leak history of the house as a repairable system."""

    says: str
    enough: str = Field(description="what would be enough, where the record is too thin")
    leaks_per_year: Annotated[tuple[Digits, Digits, Digits], From("rate_per_year")] = Field(
        description="as if steady: value, 95 % low, high"
    )
    exponent: Annotated[Digits | None, From(lambda history: history.law and history.law.beta)] = Field(
        description="of N(t) = scale * t^exponent; above 1 it gets worse"
    )
    exponent_95: Annotated[tuple[Digits, Digits] | None, From("beta_interval")]
    forecast: ForecastRecord | None


class CostOptionRecord(_Model):
    id: str
    name: str
    present_value: Digits
    present_value_95: Annotated[tuple[Digits, Digits], From(lambda option: (option.low, option.high))]
    break_even_year: Digits | None


def _options(costs: CostComparison) -> list[Beside]:
    return [Beside(option, break_even_year=costs.break_even_year.get(option.id)) for option in costs.options]


class CostsRecord(_Model):
    says: str
    enough: str
    cheaper: str | None
    options: Annotated[list[CostOptionRecord], From(_options)]


class HouseRecord(_Model):
    """The house's leak record against the owner's prices: arithmetic, no advice beyond it."""

    recommendation: str
    enough: str
    persisting_causes: Annotated[list[str], From("persisting")]
    evidence: list[str]
    leaks: Annotated[LeaksRecord, From("history")]
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


def _pits(examination: Examination, catalogue: PitCatalogue, pits: tuple[Pit, ...] | None = None) -> list[Beside]:
    depths = examination.wall.pit_depths
    return [
        Beside(
            pit, depth=depths.get(pit.id), counted=catalogue.counts(pit), may_go_through=catalogue.may_go_through(pit)
        )
        for pit in (catalogue.pits if pits is None else pits)
    ]


class CorrectedRecord(_Model):
    """The same figures after the corrections by hand; the automatic ones above stay as they are."""

    pit_count: Annotated[int | None, From(lambda e: e.corrected.pits.count and round(e.corrected.pits.count.value))] = (
        Field(description="null on a cut end, where pits are not sought")
    )
    pit_count_interval_95: Annotated[
        tuple[float, float] | None, From(lambda e: e.corrected.pits.count and e.corrected.pits.count.interval_95)
    ]
    smallest_counted_mm: Annotated[float | None, From("corrected.pits.smallest_counted_mm")]
    pits_per_cm2: Annotated[
        MeasureRecord | None, From(lambda e: e.corrected_pattern and e.corrected_pattern.pits_per_cm2)
    ]
    scale_method: str = Field(description='"known length" where a person marked one on the metal, else as under scale')
    mm_per_px: Annotated[MeasureRecord | None, From("corrected.surface.mm_per_px")]
    examined_area_mm2: Annotated[
        MeasureRecord | None, From(lambda e: _if_scaled(e.surface, e.corrected.surface.examined_area))
    ]
    removed_pits: Annotated[list[int], From("corrected.removed_pits")]
    added_pits: Annotated[list[PitRecord], From(lambda e: _pits(e, e.corrected.pits, e.corrected.added_pits))]
    mounds: Annotated[list[int], From("corrected.mounds")] = Field(
        description="numbers of the pits that were called mounds"
    )
    pits: Annotated[list[PitRecord], From(lambda e: _pits(e, e.corrected.pits))] = Field(
        description="all that stand, as in pits.csv"
    )
    standing_mounds: Annotated[list[MoundRecord], From("corrected.pits.mounds")] = Field(
        description="all mounds that stand"
    )
    general_attack: Annotated[GeneralAttackRecord | None, From("corrected.pits.attack")] = Field(
        description="of the metal that is left to be examined"
    )
    bands: Annotated[list[BandRecord], From("standing_bands.bands")] = Field(description="as in bands.csv")
    colour_shares: Annotated[dict[str, Fine], From("standing_bands.colour_shares")] = Field(
        description="of the metal that is left to be examined"
    )


class SecondLookRecord(_Model):
    """What a second person marked on the unmarked photo."""

    who: str
    when: str
    marks_px: list[tuple[Digits, Digits, Digits]] = Field(description="x, y and width of each, in the upright photo")


class AgreementRecord(_Model):
    """How a second look and the result that stands agree, on the metal looked at and from the smallest size that counts."""

    who: str
    when: str
    marks: int
    off_the_metal: int = Field(description="of the marks, those where no metal was looked at; not compared")
    both: int
    only_first: int
    only_second: int
    second_and_program: int = Field(description="of only_second, those that the program found and the first took out")
    only_program: int = Field(description="found by the program, taken out by the first, not marked by the second")
    first_is_program: bool = Field(description="whether nobody judged a pit: the first is then the program itself")
    specific_agreement: Fine | None = Field(
        description="2 both / (2 both + only_first + only_second); null where neither saw a pit"
    )
    specific_agreement_95: tuple[Fine, Fine] | None = Field(description="exact")
    expected_in_all: Digits | None = Field(
        description="pits in all if two looked independently; too small where they miss the same; null where few are shared"
    )


def _light_holes(examination: Examination) -> tuple[Any, ...]:
    relief = examination.standing_relief
    return () if relief is None else relief.holes


class ExaminationRecord(_Model):
    """What cutpipe found in the photographs of one removed pipe section."""

    schema_version: Annotated[str, From(lambda e: SCHEMA_VERSION)]
    program_version: str
    settings: Annotated[dict[str, Any], From(lambda e: e.settings.as_json())]
    photos: list[PhotoRecord]
    scale: Annotated[ScaleRecord, From(lambda e: e)]
    shown: Annotated[ShownRecord, From(lambda e: e)]
    surface: SurfaceRecord
    pits: Annotated[list[PitRecord], From(lambda e: _pits(e, e.pits))]
    mounds: Annotated[list[MoundRecord], From("pits.mounds")]
    density: Annotated[DensityRecord, From(lambda e: e)]
    general_attack: Annotated[GeneralAttackRecord | None, From("pits.attack")] = Field(
        description="closely pocked metal as an outcome of its own; null where it cannot be said"
    )
    bands: Annotated[list[BandRecord], From("bands.bands")]
    colour_shares: Annotated[dict[str, Fine], From("bands.colour_shares")]
    wall: Annotated[WallRecord, From(lambda e: Beside(e.wall, holes=_light_holes(e)))]
    quantities: Annotated[dict[str, float | str | bool | list[str] | list[tuple[int, int]]], _SORTED] = Field(
        description="all that the rules could read"
    )
    facts: Annotated[dict[str, Any], _SORTED] = Field(description="facts of the installation as told")
    summary: Annotated[str, From("judgement.summary")]
    conflicts: Annotated[list[str], From("judgement.conflicts")] = Field(
        description="where known facts pull a leading cause both ways"
    )
    keep_for_laboratory: Annotated[list[str], From("judgement.keep")] = Field(
        description="where no rule explains the damage"
    )
    findings: Annotated[list[FindingRecord], From("judgement.findings")]
    checks: Annotated[list[CheckRecord], From("judgement.checks")]
    steps: list[StepRecord]
    repair_or_replace: Annotated[HouseRecord | None, From("house")] = Field(
        description="null where no leak dates or counts were told"
    )
    flags: list[FlagRecord]
    corrections: list[CorrectionRecord]
    corrected: Annotated[CorrectedRecord | None, From(lambda e: e if e.corrected else None)]
    second_looks: list[SecondLookRecord]
    agreements: list[AgreementRecord] = Field(
        description="of each second look with what stands; empty where pits could not be counted"
    )
    caution: Annotated[str, From(lambda e: CAUTION)]


CAUTION = (
    "A photograph never proves a cause and never shows that a pipe is safe under pressure. These are measurements and "
    "ranked explanations for a licensed plumber, a laboratory or an insurer to check; local codes come first."
)


def schema() -> dict[str, Any]:
    """JSON Schema of ``examination.json``."""
    document = ExaminationRecord.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "cutpipe examination", **document}


def as_dict(examination: Examination) -> dict[str, Any]:
    """The examination as plain data, in the form of ``ExaminationRecord``."""
    return ExaminationRecord.model_validate(examination).model_dump(mode="json")


def to_json(examination: Examination) -> str:
    """The text of ``examination.json``: validated, keys in the models' order, the same bytes for the same input."""
    return json.dumps(as_dict(examination), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


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
            "may_go_through": pit["may_go_through"],
            "confidence": pit["confidence"],
            "judged_by": pit["judged_by"],
            "counted": pit["counted"],
        }
        for pit in (whole["corrected"] or whole)["pits"]
    ]
    columns = ["id", "x_px", "y_px", "axial_mm", "around_mm"]
    for name in ("opening_area_mm2", "equivalent_diameter_mm", "length_mm", "width_mm", "depth_mm"):
        columns += list(_spread(name, None))
    return _table(columns + ["through", "may_go_through", "confidence", "judged_by", "counted"], rows)


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
    writer.writerows({key: spreadsheet_cell(value) for key, value in row.items()} for row in rows)
    return text.getvalue()
