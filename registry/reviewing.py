"""Reviewing: which decisions hung on something that has changed since, and what the findings would bear now.

A decision keeps what the findings bore on its day (``decision_weighings``), with the versions of the tables behind it. Here
that is laid beside what the same car's findings bear today. Three things change an answer: a table (a tell's counts, the odds at
the gate, a number table), a fact about the car (something seen, read, said or stopped since, a slip of the pen in a row that
the decision rests on), and the way of weighing itself.

Nothing here decides anything. An opinion stands until a person gives another one; ``tubmark decide`` does that, and what
was decided before stays on file with what it rested on.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from decoder.errors import DecoderError
from decoder.evidence import SILENT
from registry import examining, knowing
from registry.errors import NoAnswer, WrongInput
from registry.models import DATED
from registry.tells import tells_on_file

if TYPE_CHECKING:
    from registry.examining import Examined
    from registry.knowing import Source

#: Posteriors that differ by less than this are called the same (own choice).
ALIKE = 0.02
#: What a paper may speak of that bears on what a body is; a price or a sale does not.
_BEARING = tuple(about for about in DATED if about != "sold")


@dataclass(frozen=True)
class Reviewed:
    """One decision beside today. ``then`` is what was frozen with it (None where nothing could be weighed), ``now`` what the
    findings bear today; ``changed`` are sentences, one a change; ``matters`` is True where the answer itself is another."""

    car: str
    stops: tuple[dict[str, Any], ...]
    decision: dict[str, Any]
    then: dict[str, Any] | None
    now: Examined | None
    changed: tuple[str, ...]

    @property
    def matters(self) -> bool:
        """Whether the leading answer, or whether it can be decided, is not what it was."""
        if self.then is None or self.now is None:
            return False
        said = self.now.evidence
        return self.then["leading"] != said.leading or self.then["decidable"] != said.decidable

    @property
    def says(self) -> str:
        """Then and now in a sentence or two."""
        if self.now is None:
            return "Nothing can be weighed on this car with the tables of today."
        said = self.now.evidence
        title = said.titles[said.leading]
        now = f"{title}, {_share(said.posterior[said.leading])}{'' if said.decidable else ', not yet decidable'}"
        if self.then is None:
            return f"Nothing was weighed when it was given. Today the findings lead to {now}."
        leading = self.then["leading"]
        was = said.titles.get(leading, leading)
        then = (
            f"{was}, {_share(self.then['posterior'][leading])}{'' if self.then['decidable'] else ', not yet decidable'}"
        )
        if not self.matters:
            here = said.posterior.get(leading, 0.0)
            if abs(here - self.then["posterior"][leading]) < ALIKE:
                return f"The answer is what it was: {now}."
            return (
                f"The answer is what it was, {was}; then {_share(self.then['posterior'][leading])}, now {_share(here)}."
            )
        return f"Then: {then}. Now: {now}."

    @property
    def agrees(self) -> bool | None:
        """Whether today's leading answer is the series that the decision names; None where it names none."""
        if self.now is None or self.decision["series"] is None or self.decision["opinion"] == "two bodies joined":
            return None
        return bool(self.now.evidence.leading == self.decision["series"])

    def as_dict(self) -> dict[str, Any]:
        now = self.now.evidence if self.now else None
        return {
            "car": self.car,
            "stops": list(self.stops),
            "decision": self.decision["id"],
            "opinion": self.decision["opinion"],
            "series": self.decision["series"],
            "by_person": self.decision["by_person"],
            "at": self.decision["at"],
            "changed": list(self.changed),
            "matters": self.matters,
            "agrees": self.agrees,
            "says": self.says,
            "then": None
            if self.then is None
            else {key: self.then[key] for key in ("leading", "decidable", "posterior", "strength")},
            "now": None
            if now is None
            else {
                "leading": now.leading,
                "decidable": now.decidable,
                "posterior": {name: examining.short(p) for name, p in now.posterior.items()},
                "strength": now.strength.as_dict(),
            },
        }


def _share(p: float) -> str:
    if p > 0.995:
        return "more than 99 in 100"
    return "less than 1 in 100" if p < 0.005 else f"about {round(100 * p)} in 100"


def review(db: Source, car: str | None = None, *, everything: bool = False) -> list[Reviewed]:
    """The standing decisions whose grounds have changed since, those first whose answer is another one now.

    ``car`` keeps those of one car; ``everything`` lists the unchanged ones too. Nothing is written. Raises NoAnswer for a
    car that is not there.
    """
    if car is not None:
        cars = [knowing.resolve_car(db, car)["id"]]
    else:
        ids = knowing.rows(db, "SELECT DISTINCT car FROM decisions ORDER BY car")
        cars = list(dict.fromkeys(knowing.stays(db, row["car"]) for row in ids))
    found = [
        reviewed
        for each in cars
        for decision in knowing.standing_decisions(db, each)
        for reviewed in [_reviewed(db, each, decision)]
        if everything or reviewed.changed
    ]
    return sorted(found, key=lambda one: (not one.matters, one.agrees is not False, one.car, one.decision["id"]))


def _reviewed(db: Source, car: int, decision: dict[str, Any]) -> Reviewed:
    then = decision["weighed"]
    now: Examined | None
    try:
        now = examining.evidence_of(db, car, sheet=then["sheet"] if then else None, own=False)
    except (NoAnswer, WrongInput, DecoderError):
        now = None
    changed = list(_tables(db, then, now)) if then else []
    changed += _facts(db, car, decision, then)
    if then and now and not changed:
        leading = then["leading"]
        if abs(now.evidence.posterior.get(leading, 0.0) - then["posterior"][leading]) >= ALIKE:
            changed.append("The way of weighing has changed since.")
    stops = tuple(knowing.open_stops(db, car))
    return Reviewed(knowing.car_number(db, car), stops, decision, then, now, tuple(changed))


def _tables(db: Source, then: dict[str, Any], now: Examined | None) -> Iterator[str]:
    rows = tells_on_file(db)
    newer = [
        f"{code} ({rows[code]['name']})"
        for code, was in then["tells"].items()
        if code in rows and rows[code]["version"] != was
    ]
    if newer:
        which = "this tell" if len(newer) == 1 else "these tells"
        yield f"What is known of {which} has changed: {', '.join(newer)}."
    gone = [code for code in then["tells"] if code not in rows]
    if gone:
        yield f"No longer on file: {', '.join(gone)}."
    if now is not None and now.on_file.odds != then["odds"]:
        was = "none" if then["odds"] is None else f"version {then['odds']}"
        yield f"The odds at the gate changed: {was} then, version {now.on_file.odds} now."
    for family, was in then["families"].items():
        if examining.family_hashes(db, [family]).get(family) != was:
            yield f"The number table {family} changed."


def _facts(db: Source, car: int, decision: dict[str, Any], then: dict[str, Any] | None) -> list[str]:
    """What was put on file of this car after the decision, and what of its evidence was a slip of the pen."""
    after = decision["event"]
    out = []
    for piece in decision["evidence"]:
        table = {"observation": "observations", "statement": "statements", "reading": "readings"}.get(piece["kind"])
        if table and knowing.row(db, f"SELECT 1 AS one FROM {table} WHERE slip_of = ?", [piece["ref"]]):
            out.append(f"{piece['kind'].capitalize()} {piece['ref']}, on which it rests, was a slip of the pen.")
        if piece["kind"] == "stop" and knowing.row(
            db, "SELECT 1 AS one FROM stop_releases WHERE stop = ?", [piece["ref"]]
        ):
            out.append(f"Stop {piece['ref']}, on which it rests, was released.")
        if piece["kind"] == "decision" and knowing.row(
            db, "SELECT 1 AS one FROM decisions WHERE supersedes = ? AND id <> ?", [piece["ref"], decision["id"]]
        ):
            out.append(f"Decision {piece['ref']}, on which it rests, was superseded.")
    seen = [row for row in knowing.observations_of(db, car) if row["event"] > after]
    telling = list(dict.fromkeys(row["tell"] for row in seen if row["state"] not in SILENT))
    if telling:
        out.append(f"Looked at since: {', '.join(telling)}.")
    gone = set(then["observations"]) if then else set()
    gone -= {row["id"] for row in knowing.observations_of(db, car)}
    if gone:
        out.append(f"Put right since: {len(gone)} finding{'' if len(gone) == 1 else 's'} that it was weighed with.")
    for thing in knowing.things_of(db, car):
        for reading in knowing.readings_of(db, thing["id"]):
            if reading["event"] > after:
                out.append(f"Read since: {reading['as_typed']} on the {reading['stamped_on']}.")
    for paper in knowing.statements_of(db, car):
        if paper["event"] > after and paper["about"] in _BEARING:
            said = f" (\u201c{paper['as_written']}\u201d)" if paper["as_written"] else ""
            out.append(f"Put on file since: {paper['kind']}{said}.")
    members = knowing.members(db, car)
    for stop in knowing.rows(
        db, f"SELECT kind FROM stops WHERE car IN ({', '.join('?' * len(members))}) AND event > ?", [*members, after]
    ):
        out.append(f"A stop since: {stop['kind']}.")
    return out
