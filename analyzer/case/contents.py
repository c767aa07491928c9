"""What an entry of the log may say, kind by kind, and what a case is after all of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from analyzer.base.flags import InputError
from analyzer.base.text import LONGEST_NAME, all_visible, file_stem, shown
from analyzer.case.log import Entry
from analyzer.result.corrections import Correction, make_correction
from analyzer.result.examination import Settings
from analyzer.result.second_look import SecondLook, make_second_look
from analyzer.scale.calibration import Marker

# What a photograph is for, in the order in which they are best taken.
PURPOSES = {
    "in_place": "In place, before cutting, with the top and the flow marked",
    "removed": "The removed piece, as it came out",
    "main": "Cut open, not cleaned",
    "cleaned": "Cut open, after cleaning, the same view",
    "ring": "A ring sawn from the same pipe",
    "light": "The torch from another side, phone not moved",
    "backlit": "Light from behind, phone not moved",
    "other": "Other",
}
READ_BY_THE_PROGRAM = ("main", "ring", "light", "backlit")
# Who and where: told to the case, left out of what leaves it unless asked for.
DESCRIPTION = ("name", "place", "examiner", "firm", "claim_number")
PRIVATE = ("who", "to", *DESCRIPTION)


def _plain_name(section: str) -> str:
    """A section's name is part of the names of its files, so two may not differ only in what those cannot hold."""
    if not section.isascii() or file_stem(section, otherwise="?") != section:
        raise ValueError("name a section with letters, digits, - and _, such as 1 or bath-left")
    return section


Section = Annotated[str, AfterValidator(_plain_name)]


class _Content(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Begun(_Content):
    case_id: str = Field(pattern="^[0-9a-f]{32}$")
    form: int = 1


class Described(_Content):
    """The told fields are private; ``cleared`` names those that were taken back."""

    cleared: tuple[Literal["name", "place", "examiner", "firm", "claim_number"], ...] = ()


class LogoSaid(_Content):
    """The picture of the examiner's firm, kept as an original; null takes it out."""

    sha256: str | None = Field(pattern="^[0-9a-f]{64}$")


class PhotoAdded(_Content):
    section: Section = "1"
    sha256: str = Field(pattern="^[0-9a-f]{64}$")
    file_name: str = Field(max_length=LONGEST_NAME)
    purpose: Literal["in_place", "removed", "main", "cleaned", "ring", "light", "backlit", "other"]
    azimuth_deg: float | None = None
    elevation_deg: float | None = None


class PhotoRemoved(_Content):
    section: Section = "1"
    sha256: str


class SettingsSaid(_Content):
    section: Section = "1"
    view: str | None = None
    tube: str | None = None
    marker: dict[str, Any] = {}


class FactsSaid(_Content):
    """Answers as they were given; null takes an answer back."""

    answers: dict[str, Any]


class ReadingsSaid(_Content):
    section: Section = "1"
    rows: tuple[dict[str, Any], ...]


class PricesSaid(_Content):
    prices: dict[str, float] | None


class Corrected(_Content):
    section: Section = "1"
    correction: dict[str, Any]


class Noted(_Content):
    section: Section = "1"
    text: str = Field(min_length=1, max_length=10_000)
    x_px: float | None = None
    y_px: float | None = None


class HandedOver(_Content):
    what: str = Field(max_length=500)


class StepDone(_Content):
    step: str
    done: bool = True


class MarkedUnseen(_Content):
    """Pits that a second person marked on the unmarked photo; x, y and width in pixels of the upright photo."""

    section: Section = "1"
    marks_px: tuple[tuple[float, float, float], ...]


class Examined(_Content):
    section: Section = "1"
    examination_sha256: str
    versions: dict[str, str]


class Undone(_Content):
    of: int


KINDS: dict[str, type[_Content]] = {
    "begun": Begun,
    "described": Described,
    "logo": LogoSaid,
    "photo_added": PhotoAdded,
    "photo_removed": PhotoRemoved,
    "settings": SettingsSaid,
    "facts": FactsSaid,
    "readings": ReadingsSaid,
    "prices": PricesSaid,
    "correction": Corrected,
    "note": Noted,
    "handed_over": HandedOver,
    "step": StepDone,
    "second_look": MarkedUnseen,
    "examined": Examined,
    "undo": Undone,
    "redo": Undone,
}
# What a person did, in words, for who reads the log.
WORDS = {
    "begun": "case begun",
    "described": "name or place of the case",
    "logo": "logo of the firm",
    "photo_added": "photo added",
    "photo_removed": "photo taken out",
    "settings": "what was told of the photo",
    "facts": "answer about the house",
    "readings": "gauge readings",
    "prices": "prices",
    "correction": "correction by hand",
    "note": "note",
    "handed_over": "hand-over",
    "step": "step ticked off",
    "second_look": "marks of a second examiner",
    "examined": "results written",
    "undo": "change taken back",
    "redo": "change done again",
}
NOT_UNDOABLE = ("begun", "examined", "undo", "redo", "handed_over")


def original_of(entry: Entry) -> str | None:
    """The hash of the original that an entry names; None where it names none."""
    return entry.content["sha256"] if entry.kind in ("photo_added", "logo") else None


def checked(kind: str, content: Mapping[str, Any]) -> dict[str, Any]:
    """The content of an entry as it is kept. Raises InputError where it is not of the kind's form."""
    if kind not in KINDS:
        raise InputError(f"A case keeps no entry of kind {shown(kind)}; use one of {', '.join(KINDS)}.")
    try:
        return KINDS[kind].model_validate(all_visible(dict(content))).model_dump(mode="json")
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise InputError(f"The entry of kind {kind} cannot be kept: {place}: {first['msg']}.") from None


@dataclass(frozen=True, kw_only=True)
class KeptPhoto:
    sha256: str
    file_name: str
    purpose: str
    added: str  # when
    who: str
    azimuth_deg: float | None = None
    elevation_deg: float | None = None


@dataclass(frozen=True, kw_only=True)
class KeptNote:
    text: str
    when: str
    who: str
    x_px: float | None = None
    y_px: float | None = None


@dataclass(frozen=True, kw_only=True)
class HandOver:
    what: str
    to: str
    when: str
    who: str


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One removed section."""

    photos: tuple[KeptPhoto, ...] = ()
    settings: Settings = Settings()
    reading_rows: tuple[Mapping[str, Any], ...] = ()
    corrections: tuple[Correction, ...] = ()
    notes: tuple[KeptNote, ...] = ()
    second_looks: tuple[SecondLook, ...] = ()

    def of(self, purpose: str) -> tuple[KeptPhoto, ...]:
        return tuple(photo for photo in self.photos if photo.purpose == purpose)


@dataclass(frozen=True, kw_only=True)
class CaseState:
    """A case after all entries that stand."""

    case_id: str = ""
    description: Mapping[str, str] = field(default_factory=dict)  # of DESCRIPTION, what was told
    logo: str | None = None  # hash of the firm's logo, kept as an original
    pieces: Mapping[str, Piece] = field(default_factory=dict)
    answers: Mapping[str, Any] = field(default_factory=dict)  # facts as answered
    prices: Mapping[str, float] | None = None
    hand_overs: tuple[HandOver, ...] = ()
    steps_done: Mapping[str, tuple[str, str]] = field(default_factory=dict)  # step to (when, who)
    last_when: str = ""
    undoable: int | None = None  # number of the entry that undo takes back
    redoable: int | None = None

    def piece(self, section: str = "1") -> Piece:
        return self.pieces.get(section, Piece())


def settings_from(content: Mapping[str, Any]) -> Settings:
    """What was said of the photo, from an entry. Raises InputError where it cannot be right."""
    marker = dict(content.get("marker") or {})
    points = marker.pop("points_px", None)
    if points is not None:
        marker["points_px"] = tuple((float(x), float(y)) for x, y in points)
    try:
        return Settings(view=content.get("view"), tube=content.get("tube"), marker=Marker(**marker))
    except TypeError:
        raise InputError("The case's settings name a marker of a form that this version does not know.") from None


def state_of(entries: Iterable[Entry]) -> CaseState:
    """Play the log from its beginning. Entries that were undone count for nothing until they are redone."""
    entries = tuple(entries)
    taken_back: list[int] = []  # in order, for redo
    done: list[int] = []
    for entry in entries:
        if entry.kind == "undo":
            taken_back.append(entry.content["of"])
            done = [number for number in done if number != entry.content["of"]]
        elif entry.kind == "redo":
            taken_back = [number for number in taken_back if number != entry.content["of"]]
            done.append(entry.content["of"])
        elif entry.kind not in NOT_UNDOABLE:
            done.append(entry.number)
            taken_back = []  # a new change after undoing: what was taken back stays so
    state = CaseState(
        last_when=entries[-1].when if entries else "",
        undoable=done[-1] if done else None,
        redoable=taken_back[-1] if taken_back else None,
    )
    for entry in standing(entries):
        state = _after(state, entry)
    return state


def standing(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """The entries that were not undone, or were redone since."""
    entries = tuple(entries)
    undone: set[int] = set()
    for entry in entries:
        if entry.kind == "undo":
            undone.add(entry.content["of"])
        elif entry.kind == "redo":
            undone.discard(entry.content["of"])
    return tuple(entry for entry in entries if entry.number not in undone)


def _after(state: CaseState, entry: Entry) -> CaseState:
    content = entry.content
    section = content.get("section", "1")
    piece = state.piece(section)
    stamp = {"when": entry.when, "who": entry.who}

    def with_piece(**changes: Any) -> CaseState:
        return replace(state, pieces={**state.pieces, section: replace(piece, **changes)})

    match entry.kind:
        case "begun":
            return replace(state, case_id=content["case_id"])
        case "described":
            kept = {name: value for name, value in state.description.items() if name not in content["cleared"]}
            told = {name: str(entry.known(name)) for name in DESCRIPTION if entry.known(name)}
            return replace(state, description={**kept, **told})
        case "logo":
            return replace(state, logo=content["sha256"])
        case "photo_added":
            photo = KeptPhoto(
                sha256=content["sha256"],
                file_name=content["file_name"],
                purpose=content["purpose"],
                added=entry.when,
                who=entry.who,
                azimuth_deg=content["azimuth_deg"],
                elevation_deg=content["elevation_deg"],
            )
            # One photo cut open, one ring, one with the light behind is read: a new one takes the old one's place.
            single = photo.purpose in ("main", "ring", "backlit")
            stay = tuple(
                p for p in piece.photos if not (single and p.purpose == photo.purpose) and p.sha256 != photo.sha256
            )
            if photo.purpose == "main" and piece.of("main"):  # what was tied to the old picture goes with it
                return with_piece(
                    photos=(*(p for p in stay if p.purpose not in ("light", "backlit")), photo),
                    corrections=(),
                    second_looks=(),
                    reading_rows=tuple(row for row in piece.reading_rows if row.get("kind") != "pit"),
                )
            return with_piece(photos=(*stay, photo))
        case "photo_removed":
            return with_piece(photos=tuple(p for p in piece.photos if p.sha256 != content["sha256"]))
        case "settings":
            return with_piece(settings=settings_from(content))
        case "facts":
            answers = {**state.answers, **content["answers"]}
            return replace(state, answers={name: value for name, value in answers.items() if value is not None})
        case "readings":
            return with_piece(reading_rows=tuple(content["rows"]))
        case "prices":
            return replace(state, prices=content["prices"])
        case "correction":
            row = {**content["correction"], **stamp}
            return with_piece(corrections=(*piece.corrections, make_correction(row, len(piece.corrections) + 1)))
        case "note":
            note = KeptNote(text=content["text"], x_px=content["x_px"], y_px=content["y_px"], **stamp)
            return with_piece(notes=(*piece.notes, note))
        case "handed_over":
            over = HandOver(what=content["what"], to=str(entry.known("to") or ""), **stamp)
            return replace(state, hand_overs=(*state.hand_overs, over))
        case "step":
            steps = {name: value for name, value in state.steps_done.items() if name != content["step"]}
            if content["done"]:
                steps[content["step"]] = (entry.when, entry.who)
            return replace(state, steps_done=steps)
        case "second_look":
            return with_piece(second_looks=(*piece.second_looks, make_second_look(content["marks_px"], **stamp)))
        case _:  # "examined" and what was undone change nothing that was told
            return state
