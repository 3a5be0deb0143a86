"""Examining: what the findings on a car bear, and what to look at next.

The sheet comes from what is on file (``registry.tells``), the findings from what was seen (``registry.inspecting``), the number
from how it was read (``registry.body_number``). The weighing itself, and all that is assumed in it, is ``decoder.evidence``.
Beside the answer stands the one with counts from cars decided here (``registry.own_counts``), and the papers that speak of
another body (``registry.other_bodies``).

The page and the command both call ``evidence_of`` and ``look_of``; a decision keeps ``frozen_of``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from decoder import evidence as weighing
from decoder.errors import DecoderError
from decoder.evidence import JOINED, SILENT, Evidence, Look, Sheet
from registry import knowing
from registry.body_number import NumberOnFile, number_of
from registry.errors import NoAnswer, WrongInput
from registry.inspecting import as_observations, findings_of
from registry.other_bodies import papers_of_another_body
from registry.own_counts import own_counts
from registry.tells import SheetOnFile, sheet_for, sheet_named

if TYPE_CHECKING:
    from registry.knowing import Source

#: Prior of two bodies joined where two bodies are on file of one car: somebody found a seam (own choice).
SEAM = 0.2


@dataclass(frozen=True)
class Examined:
    """What the findings on one car bear. ``own`` is the answer with what cars decided here showed added to the counts,
    ``own_cars`` how many such cars there are; ``papers`` those that speak of another body."""

    car: str
    stops: tuple[dict[str, Any], ...]
    on_file: SheetOnFile
    evidence: Evidence
    number: NumberOnFile
    observations: tuple[dict[str, Any], ...]
    seam: bool = False
    prior_given: bool = False
    own: Mapping[str, float] = field(default_factory=dict)
    own_cars: int = 0
    papers: tuple[dict[str, Any], ...] = ()

    @property
    def findings(self) -> int:
        """How many tells weigh."""
        return sum(each.log10_lr is not None for each in self.evidence.tells if each.tell != weighing.NUMBER)

    @property
    def status(self) -> int:
        """0 where anything can be said (a stop, and "not yet decidable", are answers), else 1."""
        return 0 if self.findings or self.number.number or self.stops else 1

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know of the weighing."""
        out = [*self.number.notes, *self.evidence.notes]
        if self.seam:
            out.append(f"Two bodies are on file of this car, so 'two bodies joined' starts at {SEAM:g}.")
        return tuple(dict.fromkeys(out))

    @property
    def prior_says(self) -> str:
        """Where the odds beforehand come from, in a sentence."""
        if self.prior_given:
            return "The odds beforehand are those given with this question."
        if self.on_file.odds is None:
            return "No odds at the gate are on file for this sheet, so all kinds of body start equal."
        return f"The odds beforehand: {self.on_file.odds_source} (version {self.on_file.odds})."

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of ``tubmark evidence``."""
        said = self.evidence.as_dict()
        return {
            "car": self.car,
            "stops": list(self.stops),
            **said,
            "notes": list(self.notes),
            "sheet": {
                "name": self.on_file.name,
                "why": self.on_file.why,
                "versions": self.on_file.versions,
                "odds": self.on_file.odds,
            },
            "prior_says": self.prior_says,
            "number": self.number.as_dict(),
            "findings": self.findings,
            "with_own_decisions": {
                "cars": self.own_cars,
                "posterior": {name: _figure(p) for name, p in self.own.items()},
            },
            "papers": [dict(each) for each in self.papers],
        }


def evidence_of(
    db: Source,
    car: str | int | dict[str, Any],
    *,
    sheet: str | None = None,
    prior: Mapping[str, float] | None = None,
    pair: tuple[str | Sequence[str], str | Sequence[str]] | None = None,
    set_aside: Iterable[str] = (),
    error: float | None = None,
    by: int | None = None,
    own: bool = True,
) -> Examined:
    """What the findings on a car bear, with the tables that are on file now.

    Args:
        sheet: the name of the sheet (or series) to go by, else the one that fits the car.
        prior, pair, set_aside, error: as ``decoder.evidence.weigh``; answers may be named by series or in words.
        by: only what this person found.
        own: also work out the answer with counts from the cars decided here.

    Raises NoAnswer where there is no such car or no sheet fits it, WrongInput for a name that is no answer or group.
    """
    row = _row(db, car)
    on_file = sheet_for(db, sheet) if sheet else sheet_for(db, row)
    rows = [each for each in findings_of(db, row, by=by)]
    number = number_of(db, row, on_file)
    seam = _has_a_seam(db, row)
    given = {on_file.hypothesis(name): weight for name, weight in (prior or {}).items()}
    odds = ({JOINED: SEAM} if seam else {}) | given
    sides = None if pair is None else (_side(on_file, pair[0]), _side(on_file, pair[1]))
    how: dict[str, Any] = {"pair": sides, "set_aside": [on_file.group(each) for each in set_aside], "error": error}
    how["prior"] = _possible(on_file.sheet, odds, seam=seam)
    seen = as_observations(rows)
    found = weighing.weigh(on_file.sheet, seen, number.number, **how)
    beside: Mapping[str, float] = {}
    cars = 0
    if own:
        more, cars = own_counts(db, on_file, row)
        if more:
            fuller = sheet_named(db, on_file.name, more=more, assumptions=on_file.sheet.assumptions)
            beside = weighing.weigh(fuller.sheet, seen, number.number, **how).posterior
    return Examined(
        car=knowing.car_number(db, row),
        stops=tuple(knowing.open_stops(db, row)),
        on_file=on_file,
        evidence=found,
        number=number,
        observations=tuple(rows),
        seam=seam,
        prior_given=bool(given),
        own=beside,
        own_cars=cars,
        papers=tuple(papers_of_another_body(db, row, on_file, found)),
    )


def look_of(
    db: Source,
    car: str | int | dict[str, Any],
    *,
    sheet: str | None = None,
    prior: Mapping[str, float] | None = None,
    set_aside: Iterable[str] = (),
    by: int | None = None,
    maker: bool = False,
) -> LookOf:
    """What is left to look at on a car, in the order of doubt removed per minute. ``maker``: only whose body it is, not which
    of his series. ``by``: as somebody who has not seen what others found. Raises as ``evidence_of``."""
    row = _row(db, car)
    on_file = sheet_for(db, sheet) if sheet else sheet_for(db, row)
    rows = findings_of(db, row, by=by)
    seam = _has_a_seam(db, row)
    odds = ({JOINED: SEAM} if seam else {}) | {on_file.hypothesis(n): w for n, w in (prior or {}).items()}
    looks = weighing.look_next(
        on_file.sheet,
        as_observations(rows),
        number_of(db, row, on_file).number,
        prior=_possible(on_file.sheet, odds, seam=seam),
        set_aside=[on_file.group(each) for each in set_aside],
        by="maker" if maker else "series",
    )
    return LookOf(knowing.car_number(db, row), tuple(knowing.open_stops(db, row)), on_file, tuple(looks))


@dataclass(frozen=True)
class LookOf:
    """What is left to look at. ``gain`` is in bits: one bit is the difference between not knowing which of two and knowing."""

    car: str
    stops: tuple[dict[str, Any], ...]
    on_file: SheetOnFile
    looks: tuple[Look, ...]

    def cautions(self, look: Look) -> str:
        return str(self.on_file.rows[look.tell]["cautions"] or "")

    @property
    def status(self) -> int:
        return 0 if self.looks or self.stops else 1

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of ``tubmark look``."""
        return {
            "car": self.car,
            "stops": list(self.stops),
            "sheet": self.on_file.name,
            "look": [
                each.as_dict()
                | {"looks_like": self.on_file.rows[each.tell]["looks_like"], "cautions": self.cautions(each)}
                for each in self.looks
            ],
        }


def _row(db: Source, car: str | int | dict[str, Any]) -> int:
    if isinstance(car, str):
        return int(knowing.resolve_car(db, car)["id"])
    return knowing.stays(db, car["id"] if isinstance(car, dict) else car)


def _side(on_file: SheetOnFile, side: str | Sequence[str]) -> str | tuple[str, ...]:
    if isinstance(side, str):
        return on_file.hypothesis(side)
    return tuple(on_file.hypothesis(each) for each in side)


def _possible(sheet: Sheet, odds: dict[str, float], *, seam: bool) -> dict[str, float] | None:
    """The odds given, checked: what makes no sense is said in a sentence."""
    if not odds:
        return None
    try:
        sheet.priors(odds)
    except DecoderError as error:
        if seam and JOINED in odds:  # a share given for another answer may leave no room for the seam
            rest = {name: weight for name, weight in odds.items() if name != JOINED}
            return _possible(sheet, rest, seam=False)
        raise WrongInput(str(error)) from error
    return odds


def _has_a_seam(db: Source, car: int) -> bool:
    """Whether two bodies are on file of one record at one time: a front and a rear that somebody told apart."""
    bodies = [thing["car"] for thing in knowing.things_on(db, car) if thing["kind"] == "body"]
    return any(bodies.count(record) > 1 for record in set(bodies))


def _figure(value: float) -> float:
    return float(f"{value:.6g}")


# --- what a decision keeps -------------------------------------------------------------------------------------------


def frozen_of(db: Source, car: int) -> dict[str, Any] | None:
    """What the findings on a car bear today, short, for a decision to keep; None where nothing can be weighed.

    With it go the versions of the tables it rests on and the ids of what was seen, so that one can tell later what changed.
    """
    try:
        found = evidence_of(db, car, own=False)
    except (NoAnswer, WrongInput, DecoderError):
        return None
    if not found.findings and found.number.number is None:
        return None
    said = found.evidence
    weighed = [each for each in said.tells if each.log10_lr is not None and each.tell != weighing.NUMBER]
    levels = {
        name: {
            "name": level.name,
            "probability": short(level.probability),
            "decidable": level.decidable,
            "lr": short(level.lr),
            "word": level.word,
        }
        for name, level in said.levels.items()
    }
    strength = said.strength
    return {
        "sheet": found.on_file.name,
        "odds": found.on_file.odds,
        "tells": {each.tell: found.on_file.rows[each.tell]["version"] for each in weighed},
        "states": {each.tell: each.state for each in weighed},
        "weights": {each.tell: short(each.given_the_rest or 0.0) for each in weighed},
        "families": family_hashes(db, found.number.families),
        "number": found.number.number.text if found.number.number else None,
        "reading": found.number.reading,
        "observations": sorted(row["id"] for row in found.observations if row["state"] not in SILENT),
        "prior": {name: short(p) for name, p in said.prior.items()},
        "posterior": {name: short(p) for name, p in said.posterior.items()},
        "leading": said.leading,
        "decidable": said.decidable,
        "says": said.says,
        "strength": {
            "lr": short(strength.lr),
            "word": strength.word,
            "scale": strength.scale,
            "favours": list(strength.favours),
            "against": list(strength.against),
            "says": strength.says,
        },
        "levels": levels,
    }


def family_hashes(db: Source, families: Iterable[str]) -> dict[str, str]:
    """The hash of the house table in use, for each of these families that has one here."""
    out = {}
    for family in families:
        row = knowing.row(db, "SELECT sha256 FROM family_tables WHERE family = ? ORDER BY id DESC LIMIT 1", [family])
        if row is not None:
            out[family] = row["sha256"]
    return out


def short(value: float) -> float:
    """Four figures: what is kept for years must be the same on every machine."""
    return float(f"{value:.4g}")
