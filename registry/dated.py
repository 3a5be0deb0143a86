"""When: everything a registry holds of one car that bears on a date, held against one another.

Five things have a date of their own, and a car's "year" is none of them: the pan was made, the body was moulded, the car was
put together, it was registered, and a title gives some year. What bears on them is gathered here, from the numbers as they
were read (by the tables), from papers and say-so, from the fittings and from the opinions that stand; ``decoder.dating``
ties it together and names what cannot be true side by side.

Some things are settled before that, because no network of dates can settle them:

- A number on ground, restamped or cut away metal dates nothing, and neither does a title that repeats it.
- The number on a title is laid beside the number on the metal, place by place (``Compared``). A title of another pan dates
  that other pan. Two figures the other way round are shown, and called neither a fraud nor fine.
- A plate dates the body it was issued for. Whether that is the body it is on is another question, so its date is soft; where
  the opinion that stands says that the body is of another make, the plate dates nothing here. The same holds for figures of
  a mould that somebody used again.
- A paper about a pan that is gone dates that pan.

The page and the command both call ``date_car``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from decoder import dating
from decoder.dates import Span, one_of, parse
from decoder.dating import Event, Rule, Statement
from decoder.errors import DecoderError
from registry import knowing
from registry.errors import WrongInput
from registry.metal import Compared, Number, compare, difference, is_a_number, number_of, plate_and_body

if TYPE_CHECKING:
    from decoder import Tables
    from registry.knowing import Source

#: The events of the decoder and, of a registry, the sales: each bounds the body from above, as a sighting does.
EVENTS: tuple[Event, ...] = (*dating.EVENTS, Event("sold", "First sold", "it was first sold", repeats=True))
RULES: tuple[Rule, ...] = (*dating.RULES, Rule("body_moulded", "sold", "a body is moulded before it is sold"))

#: Words that other lists use for these events.
CALLED = {
    "pan_built": "pan_made",
    "present": "seen",
    "body moved": "repanned",
    "plate issued": "plate_issued",
}

#: What the number of a thing dates.
_DATES = {"pan": "pan_made", "engine": "engine_made", "body": "body_moulded", "plate": "body_moulded"}

#: What the date of a plate's number supposes, and that of an opinion.
_IF_THE_PLATE = ", if the plate is this body's"
_HELD_TO_BE = "as the body is held to be"


class _Doubted(Statement):
    """A date from a number that was read with doubt: it narrows, and a conflict that hangs on it is not certain."""

    __slots__ = ()

    @property
    def is_soft(self) -> bool:
        return True


@dataclass(frozen=True, slots=True)
class Conflict:
    """What cannot be true side by side: ``kind`` is "numbers" (a paper of another object) or "dates".

    ``statements`` are those of a conflict of dates; ``is_certain`` is False where it only looks odd.
    """

    kind: str
    papers: tuple[str, ...]
    says: str
    ask: str
    is_certain: bool
    statements: tuple[Statement, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "papers": list(self.papers),
            "says": self.says,
            "ask": self.ask,
            "is_certain": self.is_certain,
        }


@dataclass(frozen=True, slots=True)
class Answer:
    """When, for one car. ``statements`` are what went into it, ``not_used`` what did not and why, ``look`` what to look at.

    ``status`` is 0 where anything can be said (a stop or a conflict is an answer), else 1.
    """

    car: str
    stops: tuple[dict[str, Any], ...]
    dated: dating.Dated
    conflicts: tuple[Conflict, ...]
    numbers: tuple[Number, ...]
    compared: tuple[Compared, ...]
    statements: tuple[Statement, ...]
    seen: dict[str, str | None] = field(default_factory=dict)
    not_used: tuple[str, ...] = ()
    look: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()

    @property
    def status(self) -> int:
        known = any(each.own and each.span for each in self.dated.events.values())
        return 0 if known or self.stops or self.conflicts else 1

    @property
    def notes(self) -> tuple[str, ...]:
        return self.dated.notes

    @property
    def headline(self) -> str:
        """The answer in one sentence: each of the five that anything speaks of, and which nothing does."""
        told, silent = [], []
        for name in dating.ALWAYS_SHOWN:
            each = self.dated.events[name]
            if each.own and each.span:
                told.append(f"{each.event.says} {_told(name, each)}{self._hangs_on(each)}")
            else:
                silent.append(_SILENT[name])
        said = f"{_up(_and(told))}." if told else "Nothing on file gives a date to this car."
        return f"{said} Nobody says {_or(silent)}." if told and silent else said

    def _hangs_on(self, each: dating.EventDate) -> str:
        """What an event's date supposes, where an end of it is soft or its papers do not agree."""
        if each.is_disputed:
            return " (disputed)"
        reasons = []
        for soft, ends in ((each.earliest_is_soft, each.earliest_from), (each.latest_is_soft, each.latest_from)):
            reasons += [_supposes(one) for one in ends if soft]
        told = [reason for reason in dict.fromkeys(reasons) if reason]
        return f" ({'; '.join(told)})" if told else ""

    @property
    def says(self) -> list[str]:
        """The answer in sentences, in the order in which they are to be read. The terminal and the page print these."""
        out = [self.headline]
        out += [f"{number}. {one.says} {one.ask}".strip() for number, one in enumerate(self.conflicts, 1)]
        if self.dated.agree_without:
            groups = [" and ".join(_down(one.label()) for one in group) for group in self.dated.agree_without]
            out.append(f"All the rest would agree without the {', or without the '.join(groups)}.")
        out += [f"{one.says} {one.ask}".strip() for one in self.compared if one.verdict != "another number"]
        out += [*self.look, *self.not_used, *self.notes]
        return list(dict.fromkeys(out))

    def own_of(self, name: str) -> list[str]:
        """What speaks of an event itself, a sentence each; where nothing does, what its ends follow from."""
        each = self.dated.events[name]
        if not each.own:
            if each.span is None:
                return ["nobody says"]
            others = dict.fromkeys(_down(one.label()) for one in (*each.earliest_from, *each.latest_from))
            return [f"follows from: {'; '.join(others)}"]
        return [self.bound(one) for one in each.own]

    def bound(self, one: Statement) -> str:
        """A statement in short: "not after 21 May 1966: receipt, body kit (family, original)"."""
        relation = "" if one.relation == "equals" else f"{one.relation} "
        seen = self.seen.get(str(one.ref))
        label = one.label()
        if seen and seen != "original":
            kept = {"copy": "a copy", "told": "told"}[seen]
            label = f"{label[:-1]}, {kept})" if label.endswith(")") else f"{label} ({kept})"
        soft = "; soft" if one.is_soft else ""
        return f"{relation}{_span_words(one)}: {_down(label)}{soft}"

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of ``tubmark date``."""
        return {
            "car": self.car,
            "stops": list(self.stops),
            "events": {name: each.as_dict() for name, each in self.dated.events.items()},
            "conflicts": [one.as_dict() for one in self.conflicts],
            "papers_against_metal": [one.as_dict() for one in self.compared],
            "numbers": [one.as_dict() for one in self.numbers],
            "statements": [
                {
                    "ref": one.ref,
                    "about": one.about,
                    "relation": one.relation,
                    **one.span.as_dict(),
                    "kind": one.kind,
                    "source": one.source,
                    "nature": one.nature,
                    "soft": one.is_soft,
                }
                for one in self.statements
            ],
            "agree_without": [[one.ref for one in group] for group in self.dated.agree_without],
            "not_used": list(self.not_used),
            "look": list(self.look),
            "notes": list(self.notes),
            "says": self.says,
            "problems": list(self.problems),
        }


_SILENT = {
    "pan_made": "when the pan was made",
    "body_moulded": "when the body was moulded",
    "assembled": "when the car was put together",
    "first_registered": "when it was first registered",
    "title_year": "what year a title gives",
}


def date_car(
    db: Source,
    car: str | dict[str, Any] | int,
    *,
    seen: Iterable[str] = (),
    not_seen: Iterable[str] = (),
    events: Sequence[Event] = EVENTS,
    rules: Sequence[Rule] = RULES,
) -> Answer:
    """Everything on file that dates one car, reconciled.

    Args:
        car: a row of ``knowing.resolve_car``, an id, or any number that leads to the car.
        seen: dated features of the pan that were found on it ("two-joint-tunnel-cover"); ``not_seen`` those that were looked
            for and are not there. They settle between the stretches of a year figure that comes round.
        events, rules: the events and the order rules to reconcile by; ``order_of`` adds a user's own.

    Raises NoAnswer where there is no such car, DatingError where the rules run in a circle, and DecoderError for a feature
    that no table has.
    """
    row = knowing.resolve_car(db, car)["id"] if isinstance(car, str) else car["id"] if isinstance(car, dict) else car
    gathering = _Gathering(db, knowing.stays(db, row), events, tuple(seen), tuple(not_seen))
    return gathering.answer(rules)


def papers_of(db: Source, car: int, *, events: Sequence[Event] = EVENTS) -> tuple[Statement, ...]:
    """What papers and people say of a car, without anything that a number, a table or an opinion says: for learning from."""
    gathering = _Gathering(db, knowing.stays(db, car), events, (), ())
    gathering.add_papers()
    return tuple(gathering.statements)


class _Gathering:
    """One car's statements on their way to an answer."""

    def __init__(
        self, db: Source, car: int, events: Sequence[Event], seen: tuple[str, ...], not_seen: tuple[str, ...]
    ) -> None:
        self.db, self.car, self.events = db, car, tuple(events)
        self.names = {event.name for event in self.events}
        self.features = (seen, not_seen)
        self.things = knowing.things_of(db, car)
        self.statements: list[Statement] = []
        self.seen: dict[str, str | None] = {}
        self.not_used: list[str] = []
        self.problems: list[str] = []
        self.conflicts: list[Conflict] = []
        self.look: list[str] = []

    def answer(self, rules: Sequence[Rule]) -> Answer:
        tables = knowing.house_tables(self.db)
        numbers = [
            number
            for thing in self.things
            if (number := number_of(self.db, thing, tables, *(self.features if thing["kind"] == "pan" else ((), ()))))
        ]
        compared = self.compare(numbers, tables)
        self.add_numbers(numbers, compared)
        self.add_papers()
        self.add_opinions(numbers)
        self.add_fittings()
        dated = dating.reconcile(self.statements, events=self.events, rules=rules)
        doubted = {one.ref for one in self.statements if isinstance(one, _Doubted)}
        for conflict in dated.conflicts:
            ask = conflict.ask
            if doubted & set(conflict.papers):
                ask = f"{ask} A number in it was read with doubt: read it again first."
            self.conflicts.append(
                Conflict(
                    "dates",
                    tuple(str(ref) for ref in conflict.papers),
                    conflict.says,
                    ask,
                    conflict.is_certain,
                    conflict.statements,
                )
            )
        for number in numbers:
            if number.thing["kind"] == "pan" and not number.thing["former"] and number.span:
                self.look += _what_to_look_at(number, dated)
        return Answer(
            car=knowing.car_number(self.db, self.car),
            stops=tuple(knowing.open_stops(self.db, self.car)),
            dated=dated,
            conflicts=tuple(self.conflicts),
            numbers=tuple(numbers),
            compared=tuple(compared),
            statements=tuple(self.statements),
            seen=self.seen,
            not_used=tuple(dict.fromkeys(self.not_used)),
            look=tuple(dict.fromkeys(self.look)),
            problems=tuple(self.problems),
        )

    # -- papers against metal

    def compare(self, numbers: list[Number], tables: Tables) -> list[Compared]:
        """The title's number beside the pan's, and the plate's beside the body's, before any date is taken from them."""
        out = []
        here = [one for one in numbers if not one.thing["former"]]
        pans = [one for one in here if one.thing["kind"] == "pan"]
        gone = [one for one in numbers if one.thing["kind"] == "pan" and one.thing["former"]]
        for title in (one for one in here if one.thing["kind"] == "title"):
            one = self._title(title, pans, gone, tables)
            if one is not None:
                out.append(one)
        bodies = [one for one in here if one.thing["kind"] == "body"]
        for plate in (one for one in here if one.thing["kind"] == "plate"):
            for body in bodies:
                verdict = compare(plate.text, body.text, "body", tables)
                if verdict != "same":
                    out.append(plate_and_body(plate, body, verdict))
        return out

    def _title(self, title: Number, pans: list[Number], gone: list[Number], tables: Tables) -> Compared | None:
        if not pans:
            if is_a_number(title.text, "pan", tables):
                self.not_used.append(
                    f"The title says {title.text}; no number of the pan has been read, so it cannot be told whether the title "
                    f"speaks of this pan.{self._if_it_is(title, 'a pan of that number')} Read the number on the pan."
                )
            return None
        metal = pans[0]
        same = [(pan, compare(title.text, pan.text, "pan", tables)) for pan in pans]
        metal, verdict = next(((pan, said) for pan, said in same if said != "another number"), same[0])
        told: dict[str, Any] = {"paper": "title", "on_paper": title.text, "metal": "pan", "on_metal": metal.text}
        told["refs"] = (title.ref, metal.ref)
        if metal.is_altered:
            if verdict in ("same", "may be the same"):
                says = (
                    f"The title gives the number that stands there now, {title.text}. The metal under it was worked on, so this "
                    "says nothing of the pan, and nothing is dated from either."
                )
            else:
                says = "The title gives another number than the one that stands there now, and the metal was worked on."
            return Compared(**told, verdict=verdict, says=says, ask="Ask the vehicle office of the place.")
        if verdict == "same":
            return Compared(**told, verdict=verdict, says="The number on the title is the pan's.")
        if verdict == "may be the same":
            if_so = self._if_it_is(title)
            says = f"The pan can be read as the number on the title, {title.text}, among others.{if_so}"
            ask = "Clean, light from the side, and read the pan again before the title is believed for it."
            return Compared(**told, verdict=verdict, says=says, ask=ask)
        for former in gone:
            if compare(title.text, former.text, "pan", tables) in ("same", "may be the same"):
                return self._of_the_first_pan(title, told, "whose number was read")
        if verdict == "one slip apart":
            one = Compared(**told, verdict=verdict, says="")
            says = f"On the title {difference(one.differs, 'title')}. {self._both_dates(title, metal)}"
            ask = (
                "It may be a slip of the pen, a slip in reading, or another object: look at both again, and have the title put "
                "right before a sale. It is called neither a fraud nor fine."
            )
            return replace(one, says=says.strip(), ask=ask)
        if not is_a_number(title.text, "pan", tables):
            says = (
                f"The number on the title, {title.text}, is none of a table of pans: an assigned number, or one of another kind. "
                "It dates nothing, and body and pan are dated without it."
            )
            return Compared(**told, verdict="no number of a table", says=says)
        if not is_a_number(metal.text, "pan", tables, certain=False):
            says = f"The title says {title.text}, and the pan's number as read fits no table: read the pan again first."
            return Compared(**told, verdict=verdict, says=says)
        if any(thing["kind"] == "pan" and thing["former"] for thing in self.things) or self._was_repanned():
            return self._of_the_first_pan(title, told, "which is gone")
        other = self._pan_of_another_car(title.text)
        whose = f"It is the number of the pan of {other}." if other else "No pan on file has it."
        says = f"The title says {title.text} and the pan says {metal.text}: the title speaks of another pan. {whose}"
        ask = "Was the floor changed, and is there an invoice? Ask the vehicle office which object the title speaks of."
        self.conflicts.append(Conflict("numbers", told["refs"], says, ask, metal.is_sure))
        return Compared(**told, verdict=verdict, says=says, ask=ask, other_car=other)

    def _of_the_first_pan(self, title: Number, told: dict[str, Any], which: str) -> Compared:
        says = (
            f"The title says {title.text} and the pan says {told['on_metal']}: the title belongs to another pan, as it seems the "
            f"car's first, {which}.{self._if_it_is(title, 'that pan')}"
        )
        ask = "Issue no sale papers on this title; ask the vehicle office what it asks where the floor was changed."
        self.conflicts.append(Conflict("numbers", told["refs"], says, ask, True))
        return Compared(**told, verdict="another number", says=says, ask=ask)

    def _was_repanned(self) -> bool:
        return any(
            CALLED.get(row["about"], row["about"]) == "repanned" for row in knowing.statements_of(self.db, self.car)
        )

    def _pan_of_another_car(self, text: str) -> str | None:
        from registry import lookup

        mine = set(knowing.members(self.db, self.car))
        for hit in lookup.find(self.db, text, on="pan", near=False).cars:
            there = hit.car if hit.kind == "pan" and hit.how == "exact" else None
            if there and knowing.resolve_car(self.db, there)["id"] not in mine:
                return str(there)
        return None

    def _if_it_is(self, title: Number, what: str = "it") -> str:
        return f" By the tables {what} was made {title.span.when()}." if title.span else ""

    def _both_dates(self, title: Number, metal: Number) -> str:
        if title.span is None or metal.span is None:
            return self._if_it_is(title, f"a pan with the number {title.text}").strip()
        if title.span.pieces == metal.span.pieces:
            return "Both numbers would be of the same time."
        return (
            f"By the tables {metal.text} is a pan made {metal.span.when()}, {title.text} one made {title.span.when()}."
        )

    # -- what the numbers date

    def add_numbers(self, numbers: list[Number], compared: list[Compared]) -> None:
        of_first_pan = {
            one.refs[0] for one in compared if one.paper == "title" and one.verdict == "another number" and one.refs
        }
        for number in numbers:
            thing, on = number.thing, number.thing["kind"]
            self.not_used += number.others
            if number.is_altered:
                if on != "title":
                    self.not_used.append(
                        f"The {on} number {number.text} dates nothing: the metal under it is "
                        f"{_SURFACE.get(number.reading['surface'], number.reading['surface'])}."
                    )
                continue
            if on == "title":
                if number.ref in of_first_pan and number.span and self._first_pan_is_gone():
                    self._add(
                        number, "first_pan_made", "document made at the time", f"number {number.text} on the title"
                    )
                continue
            if number.span is None:
                if number.says:
                    self.not_used.append(f"The {on} number {number.text} dates nothing: {number.says}")
                continue
            if on in ("body", "plate"):
                self._add_body_number(number, numbers)
            elif on == "pan" and not thing["former"]:
                self._add(number, "pan_made", "stamping", f"number {number.text} on the pan")
            elif on == "pan" and thing["fitting"] == self._first_pan():
                self._add(number, "first_pan_made", "stamping", f"number {number.text} on the first pan")
            elif on == "pan":
                self.not_used.append(f"The pan {number.text}, which was on this car for a time, dates that pan alone.")
            elif not thing["former"]:
                self._add(number, _DATES[on], "stamping", f"number {number.text} on the {on}")

    def _first_pan(self) -> int | None:
        """The fitting of the pan that was first, of those no longer on the car: it came on at no known time, or at the earliest."""
        gone = [thing for thing in self.things if thing["kind"] == "pan" and thing["former"]]
        first = min(
            gone, key=lambda one: (one["earliest"] or "", one["latest"] or "9999", one["fitting"]), default=None
        )
        return None if first is None else int(first["fitting"])

    def _first_pan_is_gone(self) -> bool:
        return self._was_repanned() or any(t["kind"] == "pan" and t["former"] for t in self.things)

    def _add_body_number(self, number: Number, numbers: list[Number]) -> None:
        on, when = number.thing["kind"], number.span.words() if number.span else ""
        if number.thing["former"]:
            return
        opinions = [one for one in knowing.standing_decisions(self.db, self.car) if one["opinion"] != "open"]
        ids = {one.family.id for one in number.decodings}
        if any(one["opinion"] == "two bodies joined" for one in opinions):
            self.not_used.append(
                f"The {on} number {number.text} dates the half that it belongs to ({when}), for two bodies are joined here. No date "
                "is given for the whole."
            )
            return
        serves = [self._numbers_like_it(one, ids) for one in opinions]
        if serves and not any(serves):
            self.not_used.append(
                f"The {on} number {number.text} ({when}) is not taken as a date of this body: in the opinion that stands it is "
                f"{self._called(opinions[0])}, and such bodies were not numbered in that series."
            )
            return
        if on == "plate":
            with_it = [one for one in numbers if one.thing["kind"] == "body" and not one.thing["former"] and one.span]
            if any(one.span == number.span for one in with_it):
                return  # the same number on the shell itself says it, and better
            self._add(number, "body_moulded", "inference", f"number {number.text} on the plate{_IF_THE_PLATE}")
        else:
            self._add(number, "body_moulded", "stamping", f"number {number.text} on the body")

    def _numbers_like_it(self, decision: dict[str, Any], families: set[str]) -> bool:
        """Whether bodies of the series that a decision names carry numbers of these families, given when they were made."""
        series = self._series(decision["series"])
        return bool(series and series["serial_family"] in families and series["kind"] != "continuation")

    def _series(self, ident: str | None) -> dict[str, Any] | None:
        return knowing.row(self.db, "SELECT * FROM series WHERE id = ?", [ident]) if ident else None

    def _called(self, decision: dict[str, Any]) -> str:
        series = self._series(decision["series"])
        article = {"maker's series": "of the ", "two bodies joined": ""}.get(decision["opinion"], "a ")
        name = series["name"] if series else decision["opinion"]
        name = name.removeprefix("unnamed ")
        return f"{article}{name}" if series else f"another body ({decision['opinion']})"

    def _add(self, number: Number, about: str, nature: str, kind: str) -> None:
        assert number.span is not None
        one = dating.statement(
            about,
            "equals",
            number.span,
            kind=kind,
            source=number.tables,
            nature=nature,
            ref=number.ref,
            events=self.events,
        )
        if number.in_doubt:
            one = _Doubted(one.about, one.relation, one.span, one.kind, one.source, one.nature, one.ref)
        self.statements.append(one)

    # -- papers and say-so, opinions, fittings

    def add_papers(self) -> None:
        gone = {thing["id"]: thing["kind"] for thing in self.things if thing["former"]}
        for row in knowing.statements_of(self.db, self.car):
            if not row["edtf"]:
                continue
            about = CALLED.get(row["about"], row["about"])
            if about not in self.names:
                if row["relation"]:
                    self.problems.append(
                        f"Statement {row['id']} gives a date to '{row['about']}', which is no event here. Name your own events with "
                        "--rules FILE."
                    )
                continue
            was = gone.get(row["thing"])
            if was == "pan" and about == "pan_made":
                about = "first_pan_made"
            elif was is not None:
                self.not_used.append(
                    f"Statement {row['id']} ({row['kind']}) is about the {was} that is no longer on this car."
                )
                continue
            nature = row["nature"] or ("memory" if row["seen"] == "told" else None)
            for span in _each_date(row["edtf"]):
                try:
                    one = dating.statement(
                        about,
                        row["relation"] or "equals",
                        span,
                        kind=row["kind"] or "",
                        source=row["source"] or "",
                        nature=nature,
                        ref=f"statement {row['id']}",
                        events=self.events,
                    )
                except DecoderError as error:
                    self.problems.append(f"Statement {row['id']}: {error}")
                    continue
                self.statements.append(one)
                self.seen[str(one.ref)] = row["seen"]

    def add_opinions(self, numbers: list[Number]) -> None:
        """The years in which the series was made, where an opinion names one and no number says more."""
        if any(
            one.nature in ("stamping", "inference") and one.about == "body_moulded" and _is_number(one)
            for one in self.statements
        ):
            return
        opinions = [one for one in knowing.standing_decisions(self.db, self.car) if one["series"]]
        if len({one["series"] for one in opinions}) != 1 or opinions[0]["opinion"] == "two bodies joined":
            return
        series = self._series(opinions[0]["series"])
        if series is None or not series["made_edtf"]:
            return
        try:
            one = dating.statement(
                "body_moulded",
                "equals",
                parse(series["made_edtf"]),
                kind=f"years of the {series['name']}",
                source=_HELD_TO_BE,
                nature="inference",
                ref=f"decision {opinions[-1]['id']}",
                events=self.events,
            )
        except DecoderError as error:
            self.problems.append(f"Series {series['id']}: {error}")
            return
        self.statements.append(one)

    def add_fittings(self) -> None:
        """That the pan was changed, where a first pan is on file and no paper says when."""
        if any(one.about == "repanned" for one in self.statements):
            return
        if not any(thing["kind"] == "pan" and thing["former"] for thing in self.things):
            return
        present = next((thing for thing in self.things if thing["kind"] == "pan" and not thing["former"]), None)
        if present is None:
            return
        first = date.fromisoformat(present["earliest"]) if present["earliest"] else None
        self.statements.append(
            dating.statement(
                "repanned",
                "not before" if first else "equals",
                one_of([(first, None)]),
                kind="another pan on file",
                source="the record of what was fitted",
                nature="inference",
                ref=f"fitting {present['fitting']}",
                events=self.events,
            )
        )


# --- what would make it surer ----------------------------------------------------------------------------------------

_SURFACE = {"ground": "ground", "restamped": "stamped again", "cut-away": "cut away"}


def _what_to_look_at(number: Number, dated: dating.Dated) -> list[str]:
    """What would make the pan's date surer: the figure or the feature that decides, and what the papers make of it already."""
    assert number.span is not None
    pan, body = dated.events["pan_made"], dated.events["body_moulded"]
    left = pan.span.pieces if pan.span else ()
    out = []
    if len(left) < len(number.span.pieces) and left and not pan.is_disputed:
        out.append(
            f"The number {number.text} alone allows {number.span.words()}; {_what_rules_out(dated)} leaves {pan.words()}, unless the "
            "floor was changed later."
        )
    later = [one for one in left if body.span and body.span.latest and one[0] and one[0] > body.span.latest]
    if later and len(left) > len(later) and "repanned" not in dated.events:
        supposed = "".join(
            f", {one}" for one in dict.fromkeys(map(_supposes, body.latest_from)) if body.latest_is_soft and one
        )
        out.append(
            f"A pan of {one_of(later).words()} would be younger than the body{supposed}: then the floor was changed, and there may be an "
            "invoice for it."
        )
    return out + list(number.look)


def _what_rules_out(dated: dating.Dated) -> str:
    """The papers that bound the car from above, and so the pan under it."""
    for name in ("assembled", "first_registered", "repanned"):
        each = dated.events.get(name)
        if each and each.latest_from:
            return " and ".join(dict.fromkeys(f"the {_down(one.label())}" for one in each.latest_from))
    return "what else is known"


def _each_date(edtf: str) -> list[Span]:
    """The date of a statement, or each of several that are all meant."""
    if not edtf.startswith("{"):
        return [parse(edtf)]
    return [parse(member.replace("..", "/")) for member in edtf[1:-1].split(",")]


def _is_number(one: Statement) -> bool:
    return str(one.ref).startswith("reading ")


# --- a user's own events and order rules -----------------------------------------------------------------------------


def order_of(text: str, name: str) -> tuple[tuple[Event, ...], tuple[Rule, ...]]:
    """The events and order rules with a user's own added, from YAML text (``name`` is what errors call it).

    ``events`` are rows of name, title, says (and note, ask); ``rules`` rows of before, then, says (and always: "no" where it
    holds as a rule only, unless, ask, source). A rule of the same two events takes the place of the one that is there.

    Raises WrongInput for a file that is not of this form, with the row; DatingError (when they are used) where rules run in a
    circle.

    >>> events, rules = order_of('''
    ... events: [{name: painted, title: Painted, says: the body was painted}]
    ... rules: [{before: body_moulded, then: painted, says: a body is moulded before it is painted}]
    ... ''', "ours.yml")
    >>> events[-1].title, rules[-1].then
    ('Painted', 'painted')
    """
    import yaml

    try:
        given = yaml.load(text, Loader=yaml.BaseLoader)
    except yaml.YAMLError as error:
        raise WrongInput(f"'{name}' cannot be read as YAML: {' '.join(str(error).split())}") from None
    if not isinstance(given, dict) or not set(given) <= {"events", "rules"}:
        raise WrongInput(f"'{name}' needs the keys 'events' and 'rules', each a list, and no others.")
    events, rules = list(EVENTS), list(RULES)
    for row in _rows(given, "events", {"name", "title", "says"}, {"note", "ask"}, name):
        more: dict[str, Any] = {key: row[key] for key in ("note", "ask") if key in row}
        events.append(Event(row["name"], row["title"], row["says"], **more))
    for row in _rows(given, "rules", {"before", "then", "says"}, {"always", "unless", "ask", "source"}, name):
        always = row.get("always", "yes").casefold()
        if always not in ("yes", "no", "true", "false"):
            raise WrongInput(f"'{name}', the rule from {row['before']} to {row['then']}: 'always' is yes or no.")
        unless = (dating.Unless(row["unless"], row.get("ask", "what shows it?")),) if "unless" in row else ()
        rules = [rule for rule in rules if (rule.before, rule.then) != (row["before"], row["then"])]
        rules.append(
            Rule(
                row["before"],
                row["then"],
                row["says"],
                always=always in ("yes", "true"),
                unless=unless,
                source=row.get("source", name),
            )
        )
    return tuple(events), tuple(rules)


def _rows(given: dict[str, Any], key: str, needs: set[str], may: set[str], name: str) -> list[dict[str, str]]:
    found = given.get(key) or []
    if not isinstance(found, list):
        raise WrongInput(f"'{name}': '{key}' is a list of rows.")
    for place, row in enumerate(found, 1):
        if not isinstance(row, dict) or not all(isinstance(value, str) for value in row.values()):
            raise WrongInput(f"'{name}', {key}, row {place}: a row has keys and plain values.")
        if missing := needs - set(row):
            raise WrongInput(f"'{name}', {key}, row {place}: {', '.join(sorted(missing))} is missing.")
        if strange := set(row) - needs - may:
            raise WrongInput(
                f"'{name}', {key}, row {place}: '{min(strange)}' is no key of a row. Look at its spelling."
            )
    return found


# --- words -----------------------------------------------------------------------------------------------------------


def _told(name: str, each: dating.EventDate) -> str:
    assert each.span is not None
    if name == "title_year":
        return each.span.words()
    when = each.span.when()
    # Of several stretches some are longer than a month; then no one preposition fits all, and none stands there.
    several = len(each.span.pieces) > 1 and when == each.span.words()
    return f"in {when}" if several and not when.startswith(("before", "from", "about", "perhaps", "some")) else when


def _supposes(one: Statement) -> str:
    """What a soft statement takes for granted, in a few words."""
    if isinstance(one, _Doubted):
        return "as far as its number could be read"
    if one.kind.endswith(_IF_THE_PLATE):
        return "if the plate is this body's"
    if one.source == _HELD_TO_BE:
        return "if it is the body that it is held to be"
    return {"memory": "from memory", "inference": "inferred"}.get(one.nature or "", "about")


def _span_words(one: Statement) -> str:
    """The date of a statement; "not after before 1967" is said as "not after 1966"."""
    ends = one.span.edtf.split("/")
    if one.relation != "equals" and len(ends) == 2:
        end = ends[0] if one.relation == "not before" else ends[1]
        if end not in ("", ".."):
            return parse(end).words()
    return one.span.words()


def _and(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{'; '.join(parts[:-1])}; and {parts[-1]}"


def _or(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} or {parts[-1]}"


def _up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _down(text: str) -> str:
    """A label in the middle of a sentence; a name of letters and figures is left as it is."""
    return text if text[:2].isupper() else text[:1].lower() + text[1:]
