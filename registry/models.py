"""What comes in from people and files, checked at the door.

Numbers are text (0123 is not 123), dates are ISO days or EDTF text that ``decoder.dates`` reads, and a misspelt field is an
error rather than nothing. Nothing here touches a database. A person is named either by the id of a row of ``people`` or by a
``PersonIn``, which makes one; a car by any number of the entry book that leads to it.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from registry.errors import WrongInput

Carrier = Literal["pan", "body", "plate", "engine", "title"]
Surface = Literal["untouched", "painted", "pitted", "ground", "restamped", "cut-away"]
Consent = Literal["full", "number hidden", "none", "unknown", "withdrawn"]
Opinion = Literal["maker's series", "copy taken from a body", "continuation body", "two bodies joined", "other", "open"]
State = Literal["present", "absent", "altered", "gone with traces left", "not visible", "not examined"]
StopKind = Literal[
    "number looks altered", "near a theft report", "lien", "title of another thing", "unsafe to move", "unsafe to drive"
]
Relation = Literal["equals", "not before", "not after"]

#: One list of the things that can have a date, everywhere. Never one "year".
DATED = (
    "pan_made",
    "body_moulded",
    "assembled",
    "first_registered",
    "title_year",
    "plate_issued",
    "repanned",
    "engine_made",
    "sold",
    "seen",
)
#: The five that stand side by side whenever a car is shown, known or not.
SIDE_BY_SIDE = ("pan_made", "body_moulded", "assembled", "first_registered", "title_year")
EVENT_WORDS = {
    "pan_made": "pan made",
    "body_moulded": "body moulded",
    "assembled": "assembled",
    "first_registered": "first registered",
    "title_year": "title year",
    "plate_issued": "plate issued",
    "repanned": "moved to another pan",
    "engine_made": "engine made",
    "sold": "sold",
    "seen": "seen",
}

OPINIONS: tuple[str, ...] = Opinion.__args__  # type: ignore[attr-defined]
STATES: tuple[str, ...] = State.__args__  # type: ignore[attr-defined]
STOP_KINDS: tuple[str, ...] = StopKind.__args__  # type: ignore[attr-defined]
SURFACES: tuple[str, ...] = Surface.__args__  # type: ignore[attr-defined]
CARRIERS: tuple[str, ...] = Carrier.__args__  # type: ignore[attr-defined]
#: Surfaces after which a number is no evidence of the pan: nothing is dated from them as fact.
ALTERED_SURFACES = ("ground", "restamped", "cut-away")

#: Consent as it is said on screen, and as it is kept.
CONSENT_WORDS = {
    "given": "full",
    "number hidden": "number hidden",
    "none": "none",
    "unknown": "unknown",
    "withdrawn": "withdrawn",
}

_ENTRY_NUMBER = re.compile(r"E[0-9]{2}-[0-9]{3,}")


def _day(text: str) -> str:
    try:
        if len(text) != 10:
            raise ValueError
        date.fromisoformat(text)
    except ValueError:
        raise ValueError("a day is written as 2026-11-25") from None
    return text


def _moment(text: str) -> str:
    _day(text[:10])
    return text


def _said(text: str) -> str:
    if not text.strip():
        raise ValueError("it is empty")
    return text


def _entry_number(text: str) -> str:
    if not _ENTRY_NUMBER.fullmatch(text):
        raise ValueError("an entry's number is written as E26-017: the year and a running number of the entry book")
    return text


Day = Annotated[str, AfterValidator(_day)]
Moment = Annotated[str, AfterValidator(_moment)]
Said = Annotated[str, AfterValidator(_said)]
EntryNumber = Annotated[str, AfterValidator(_entry_number)]


class _In(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class PersonIn(_In):
    """A person. These values stand in ``people`` and nowhere else, so that they can be erased."""

    name: Said
    town: str | None = None
    contact: str | None = None
    note: str | None = None
    initials: str | None = None
    ref: str | None = None


#: The id of a person on file, a name (found, or put on file), or somebody new.
Person = int | str | PersonIn


class ReadingIn(_In):
    """A number as somebody read it, on one of the things of a car.

    ``thing`` names a thing on file. Without it the reading joins the thing of that kind that the car has now; where it has
    none, or where ``another`` says that this is another one, a thing is made and fitted to the car (``fitted``: EDTF).
    A thing without a car is possible: a plate in a drawer.
    """

    stamped_on: Carrier
    as_typed: Said
    car: str | None = None
    entry: str | None = None
    thing: int | None = None
    another: bool = False
    former: bool = False
    fitted: str | None = None
    series: str | None = None
    issue: str | None = None
    thing_note: str | None = None
    place: str | None = None
    how: str | None = None
    surface: Surface | None = None
    direction: Literal["upright", "turned"] | None = None
    at: Moment | None = None
    by: Person | None = None
    note: str | None = None
    slip_of: int | None = None


class ThingIn(_In):
    """A thing without a readable number: a body that never had one, or whose plate is gone."""

    kind: Carrier
    car: str | None = None
    fitted: str | None = None
    former: bool = False
    series: str | None = None
    issue: str | None = None
    note: str | None = None


class FittingIn(_In):
    """That a thing is (or was, ``former``) on a car, and from when to when as an EDTF span, if that is known."""

    thing: int
    car: str
    edtf: str | None = None
    former: bool = False
    paper: int | None = None
    supersedes: int | None = None


class StatementIn(_In):
    """What a paper or a person says about a car: papers and say-so.

    ``about`` is one of ``DATED`` where it bounds a date, else a word for what it is about ("lien", "asking price").
    ``as_written`` is kept word for word. The date is given as ``edtf``, or as ``when`` in the way people write one
    (``order``: "day first", "month first" or None where that is not known).
    """

    about: Said
    kind: Said
    car: str | None = None
    entry: str | None = None
    thing: int | None = None
    relation: Relation | None = None
    as_written: str | None = None
    when: str | None = None
    order: Literal["day first", "month first"] | None = None
    edtf: str | None = None
    value: str | None = None
    nature: Literal["document made at the time", "stamping", "memory", "inference"] | None = None
    seen: Literal["original", "copy", "told"] | None = None
    source: str | None = None
    locator: str | None = None
    confidence: str | None = None
    note: str | None = None
    by: Person | None = None
    at: Moment | None = None
    slip_of: int | None = None


class ObservationIn(_In):
    """A tell on a car. ``doubt`` is the examiner's own, 0 (sure) to 1 (no idea). Not examined is not absent."""

    tell: Said
    state: State
    traces: str | None = None
    place: str | None = None
    doubt: float | None = Field(default=None, ge=0, le=1)
    note: str | None = None
    at: Moment | None = None
    by: Person | None = None
    blind: bool = False
    slip_of: int | None = None


class EvidenceIn(_In):
    """A row that a decision rests on. It is frozen into the decision as it stands on that day."""

    kind: Literal["observation", "statement", "reading", "photograph", "stop", "decision"]
    ref: int
    weight: float | None = None


class DecisionIn(_In):
    """A named person's opinion. It needs a reason, a day, and at least one row of evidence; a later one supersedes it."""

    car: str
    opinion: Opinion
    reason: Said
    by: Person
    at: Moment
    evidence: tuple[EvidenceIn, ...] = Field(min_length=1)
    series: str | None = None
    second_series: str | None = None
    thing: int | None = None
    entry: str | None = None
    supersedes: int | None = None
    slip_of: int | None = None

    @model_validator(mode="after")
    def _whole(self) -> DecisionIn:
        if self.opinion == "two bodies joined" and not (self.series and self.second_series):
            raise ValueError("two bodies joined are of two series: name both")
        if self.opinion in ("maker's series", "continuation body") and not self.series:
            raise ValueError(f"{self.opinion} needs a series: name it")
        if self.opinion == "open" and self.series:
            raise ValueError("an open opinion names no series: leave it out, or say which opinion it is")
        return self


class StopIn(_In):
    """A state that forbids going on unremarked. It advises and says whom to ask; it accuses nobody."""

    kind: StopKind
    says: Said
    ask: Said
    car: str | None = None
    entry: str | None = None
    found_by: Literal["person", "tool"] = "person"
    at: Moment | None = None
    by: Person | None = None


class ReleaseIn(_In):
    """That a stop no longer stands, who says so, and why."""

    stop: int
    reason: Said
    by: Person
    paper: int | None = None
    at: Moment | None = None


class TheftIn(_In):
    """A number that somebody reported as stolen, as the report writes it."""

    as_typed: Said
    source: Said
    stamped_on: Carrier | None = None
    reported: str | None = None
    ask: str | None = None
    note: str | None = None


class ListIn(_In):
    """Another list of the same kind of car, kept by somebody else."""

    name: Said
    kept_by: str | None = None
    note: str | None = None


class ListNumberIn(_In):
    """A number that stands on another list, as that list writes it."""

    list: str
    as_typed: Said
    stamped_on: Carrier = "body"
    series: str | None = None
    their_number: str | None = None
    note: str | None = None


class MakerIn(_In):
    """Who made bodies."""

    id: Said
    name: Said
    place: str | None = None
    note: str | None = None


class SeriesIn(_In):
    """One series of bodies: a maker's own, a copy of one, or a continuation from the old mould."""

    id: Said
    name: Said
    kind: Literal["maker", "copy", "continuation", "other"]
    maker: str | None = None
    copied_from: str | None = None
    serial_family: str | None = None
    donor_family: str | None = None
    shortened_mm: int | None = None
    made_edtf: str | None = None
    note: str | None = None


class TellCountIn(_In):
    """On how many cars of a series a tell was found, out of how many looked at."""

    series: Said
    seen_on: float = Field(ge=0)
    out_of: float = Field(gt=0)
    kind: Literal["counted", "estimate"]
    source: Said


class TellChangeIn(_In):
    """On one series the tell's rate changes at a serial: ``before`` it, and ``at`` it and after. ``at`` is as it is stamped."""

    series: Said
    at: Said
    before_seen: float = Field(ge=0)
    before_of: float = Field(ge=0)
    after_seen: float = Field(ge=0)
    after_of: float = Field(ge=0)
    kind: Literal["counted", "estimate"] = "counted"
    source: Said


class OddsIn(_In):
    """Of so many cars that came to the gate as one of these bodies, how many were of a kind. ``hypothesis`` is a series."""

    sheet: Said
    hypothesis: Said
    weight: float = Field(ge=0)
    source: Said


class TellIn(_In):
    """A feature worth examining. ``carries``: it is what the number stands on, the plate or the body itself."""

    code: Said
    sheet: Said
    grp: Said
    name: Said
    looks_like: Said
    version: int = 1
    how: str | None = None
    minutes: float | None = None
    place: str | None = None
    cautions: str | None = None
    later: bool = False
    note: str | None = None
    carries: Literal["plate", "body"] | None = None
    counts: tuple[TellCountIn, ...] = ()
    changes: tuple[TellChangeIn, ...] = ()


class FamilyTableIn(_In):
    """A house number table, as YAML text (the format of ``decoder/tables``). ``name`` is what errors call the file."""

    text: Said
    name: Said


class ConsentIn(_In):
    """What the keeper of a car allows to be published. A later one replaces an earlier one; unknown means private."""

    car: str
    consent: Consent
    at: Day
    person: Person | None = None
    reason: str | None = None


class HoldIn(_In):
    """That a car is kept out of the next editions whatever the consent says, or is no longer."""

    car: str
    held: bool
    reason: Said
    at: Day
    by: Person | None = None


class CustodyIn(_In):
    """Who has, or had, a car. ``owner`` only where a paper says so (``paper``: the statement)."""

    car: str
    person: Person
    role: Literal["keeper", "owner", "agent"]
    edtf: str | None = None
    paper: int | None = None


class ConflictIn(_In):
    """Two records that cannot both be right, or that claim one number. Both stay; the reason may be "not known yet"."""

    kind: Said
    car_a: str
    says: Said
    car_b: str | None = None
    key: str | None = None
    reason: Said = "not known yet"
    state: Literal["open", "settled"] = "open"
    supersedes: int | None = None
    at: Day
    by: Person | None = None


class JoinIn(_In):
    """That two records are one car after all (``merge``), or that they are not (``split`` undoes it)."""

    car: str
    into_car: str
    kind: Literal["merge", "split"]
    reason: Said
    at: Day
    by: Person | None = None


class ChangeIn(_In):
    """That the pan or the plate of a car was changed: what was on it comes off, and another one comes on.

    What comes on is a number that was read (``reading``), a thing on file (``thing``: from another car, or back again), the one
    that is on file already where only now is known that it is not the first (``present``, with ``before`` where a paper gives
    the number of the one before), or nothing (``off``). ``when`` is an EDTF date, ``relation`` how it bounds the change;
    ``paper`` is a statement on file, ``statement`` one to be put on file with it.
    """

    car: str
    kind: Literal["pan", "plate"]
    reason: Said
    reading: ReadingIn | None = None
    thing: int | None = None
    present: bool = False
    before: ReadingIn | None = None
    off: bool = False
    when: str | None = None
    relation: Relation = "equals"
    paper: int | None = None
    statement: StatementIn | None = None


class PaperIn(_In):
    """A paper that was handed out. People stand in ``body`` as ``{{person:12:name}}``, so that they can be erased."""

    kind: Said
    version: Said
    media_type: Said
    body: bytes
    at: Day
    car: str | None = None
    entry: str | None = None
    to_person: int | None = None
    rests_on: int | None = None


class EntryIn(_In):
    """One visit of a car (or of a paper about one). Three answers begin it: who leaves it, why, and the claim.

    ``car`` is given where a car comes back: the entry is then one more of that car. ``number`` is the next one of the entry
    book unless given. ``received`` is "refused", "opinion only" or "paper only" where the car was not taken in.
    """

    entry_date: Day
    number: EntryNumber | None = None
    car: str | None = None
    left_by_kind: str | None = None
    left_by: Person | None = None
    by_right: str | None = None
    reason: str | None = None
    until: Day | None = None
    terms: str | None = None
    contents: str | None = None
    claimed_as: str | None = None
    claim_words: str | None = None
    condition: str | None = None
    colour_now: str | None = None
    colour_under: str | None = None
    shortened_mm: int | None = Field(default=None, ge=0, le=2000)
    alterations: str | None = None
    notes: str | None = None
    surface: str | None = None
    photographs: str | None = None
    photo_hazards: str | None = None
    examined_by: Person | None = None
    received: Literal["received", "refused", "opinion only", "paper only"] = "received"
    finished: bool = False
    readings: tuple[ReadingIn, ...] = ()
    things: tuple[ThingIn, ...] = ()
    statements: tuple[StatementIn, ...] = ()
    observations: tuple[ObservationIn, ...] = ()
    stops: tuple[StopIn, ...] = ()
    consent: Consent | None = None
    conflict_reason: Said = "not known yet"


#: What may be put right in an entry afterwards; the event keeps what it was before.
ENTRY_FIELDS = (
    "entry_date",
    "left_by_kind",
    "left_by",
    "by_right",
    "reason",
    "until",
    "terms",
    "contents",
    "claimed_as",
    "claim_words",
    "condition",
    "colour_now",
    "colour_under",
    "shortened_mm",
    "alterations",
    "notes",
    "surface",
    "photographs",
    "photo_hazards",
    "examined_by",
    "received",
)


def check(model: type[BaseModel], **values: Any) -> Any:
    """Build ``model`` from ``values``; what is wrong comes back as one WrongInput, a line a field.

    >>> check(ConsentIn, car="E24-017", consent="full", at="2026-02-31")
    Traceback (most recent call last):
    registry.errors.WrongInput: at: '2026-02-31' cannot be used: a day is written as 2026-11-25.
    """
    try:
        return model(**values)
    except ValidationError as error:
        raise WrongInput(_in_words(error)) from None


def _in_words(error: ValidationError) -> str:
    lines = []
    for problem in error.errors(include_url=False):
        where = ".".join(str(part) for part in problem["loc"]) or "the record"
        kind, given = problem["type"], problem.get("input")
        if kind == "missing":
            says = f"{where} is missing."
        elif kind == "extra_forbidden":
            says = f"{where} is no field of this record. Look at its spelling."
        elif kind == "literal_error":
            says = f"{where}: '{given}' is not one of the words it takes: {problem['ctx']['expected'].replace(' or ', ', ')}."
        elif kind == "value_error":
            says = f"{where}: '{given}' cannot be used: {problem['ctx']['error']}."
        elif kind == "too_short":
            says = f"{where}: at least one is needed."
        else:
            says = f"{where}: '{given}' cannot be used: {problem['msg'][:1].lower()}{problem['msg'][1:]}."
        lines.append(says)
    return "\n".join(lines)
