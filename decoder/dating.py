"""Dates that add up: what the papers of one car say of it, held against one another.

Pan made, body moulded, car assembled, first registered and title year are five things, and a car's "year" is
none of them. Each paper, stamping or memory bounds one of them, and common sense ties them: a pan is made
before a car is put together on it. Taken together they narrow each other, and where they cannot all be true,
the fewest that cannot are named.

>>> papers = [
...     statement("body_moulded", "not after", "21 May 1966", kind="receipt, body kit", source="family"),
...     statement("first_registered", "equals", "1967-06", kind="registration slip", source="family"),
...     statement("pan_made", "equals", "1960-10", kind="pan number", source="stamping", nature="stamping"),
... ]
>>> dated = reconcile(papers)
>>> dated.events["assembled"].words()
'between October 1960 and June 1967'
>>> dated.conflicts
()

A floor younger than the receipt is odd, until a second invoice shows that the floor was changed:

>>> younger = [
...     statement("pan_made", "equals", "1966-12", kind="pan number", source="stamping", nature="stamping"),
...     statement("body_moulded", "not after", "04/03/66", kind="receipt, body kit", source="owner"),
... ]
>>> odd, = reconcile(younger).conflicts
>>> odd.statements[0].label(), odd.rules[0].says
('Pan number (stamping)', 'the pan is older than the body, for the donor was a used car')
>>> print(odd.ask)
Unless the floor was changed later: is there a second invoice, or another number on an older paper? Unless \
the body lay unused until a newer donor came: when was the car put together?
>>> second = statement("repanned", "equals", "Nov 1968", kind="invoice, pan from a breaker", source="owner")
>>> reconcile([*younger, second]).conflicts
()

The computation is the simple temporal network of Dechter, Meiri and Pearl (Temporal constraint networks,
Artificial Intelligence 49, 1991, 61-95): each event a day, each rule a least distance, shortest paths for the
tightest span. A date that is one of several ("4 March or 3 April") would need a branch for each choice in
general; here it does not. Each statement bounds one event and each rule two, so of two solutions the earlier
day of each event is a solution again, and pushing every event up to its next allowed day finds the earliest
of all without branching (and down, the latest).

"About" and "perhaps" are stretched by the reach stated in :data:`decoder.dates.REACH`; an end that hangs on
such a date, on memory or on inference is called soft. Where papers clash, nobody is overruled: the rules
between them are set aside, each event keeps what its own papers say, and the conflict says what would settle
it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from itertools import combinations
from math import comb, inf

from decoder.dates import DateError, Span, between, one_of, parse, parse_written
from decoder.errors import DecoderError

__all__ = [
    "ALWAYS_SHOWN", "EVENTS", "NATURES", "RELATIONS", "RULES", "Conflict", "Dated", "DatingError", "Event",
    "EventDate", "Rule", "Statement", "Unless", "reconcile", "statement", "tightest",
]  # fmt: skip


class DatingError(DecoderError):
    """An event, a relation or an order rule that cannot be used; the message says what to do."""


RELATIONS = ("equals", "not before", "not after")

#: What a statement rests on, strongest first. Ends that hang on the last two are soft.
NATURES = ("document made at the time", "stamping", "memory", "inference")
SOFT_NATURES = ("memory", "inference")

#: More conflicts than this are counted and not told one by one.
MOST_CONFLICTS = 20

#: So many groups of papers to leave out are told, and so many tried.
MOST_GROUPS = 5
MOST_TRIALS = 50_000


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to the car or to a part of it, once.

    ``says`` is how a sentence tells it ("the pan was made"). Of an event that ``repeats`` (a sighting) the first
    time is dated: each statement bounds it from above alone. ``note`` is told with every answer that has such a
    statement, ``ask`` where two papers give different dates for it. A thing that was ``changed_by`` another event
    leaves papers of two things behind: what is not stamped on the thing itself may then be of the ``former`` one, and
    does not narrow.
    """

    name: str
    title: str
    says: str
    repeats: bool = False
    changed_by: str | None = None
    former: str | None = None
    note: str = ""
    ask: str = "Is each paper about this car and made at the time? A copy, or another car's paper, would explain it."


@dataclass(frozen=True, slots=True)
class Unless:
    """A known exception to an order rule: what would explain that it does not hold, and what to ask for.

    The rule is set aside where a statement about ``event`` is known, or where a statement about either of the
    rule's events has ``kind`` in what it is or where it is from.
    """

    says: str
    ask: str
    event: str | None = None
    kind: str | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """``before`` comes before ``then``, or on the same day.

    A rule that holds ``always`` narrows; one that holds as a rule only asks. ``at_least`` and ``at_most`` are
    days between the two. ``says`` completes "since ..."; for a rule that asks only it completes "As a rule
    ...; here it is not."
    """

    before: str
    then: str
    says: str
    always: bool = True
    unless: tuple[Unless, ...] = ()
    at_least: int = 0
    at_most: int | None = None
    source: str = "common practice"


#: The design's list; one list of names everywhere. Users may add events and rules of their own.
EVENTS: tuple[Event, ...] = (
    Event(
        "pan_made",
        "Pan made",
        "the pan was made",
        changed_by="repanned",
        former="first_pan_made",
        ask="Does the number on the paper stand on this pan? A title can belong to a pan that is "
        "gone: then date first_pan_made by it.",
    ),
    Event("body_moulded", "Body moulded", "the body was moulded"),
    Event("assembled", "Car assembled", "the car was assembled"),
    Event("first_registered", "First registered", "the assembled car was first registered"),
    Event(
        "title_year",
        "Title year",
        "the title gives the year",
        note="A title's year may be the donor's, the assembly's or neither: rules differ by place; "
        "ask the licensing authority.",
        ask="Are both titles of this car, and which is in force? Rules differ by place; ask the licensing authority.",
    ),
    Event("plate_issued", "Plate issued", "the body plate was issued"),
    Event("repanned", "Pan changed", "the car was put on its present pan"),
    Event("first_pan_made", "First pan made", "the car's first pan was made"),
    Event("seen", "First seen", "the body was seen", repeats=True),
    Event(
        "engine_made",
        "Engine made",
        "the engine was made",
        note="A part bounds its own making, never the car's.",
    ),
)

#: Told of every car, known or not, side by side.
ALWAYS_SHOWN = ("pan_made", "body_moulded", "assembled", "first_registered", "title_year")

_PAN_CHANGED = Unless(
    "the floor was changed later",
    "is there a second invoice, or another number on an older paper?",
    event="repanned",
)
_OTHER_BODY = Unless("the body was changed later", "is there a trace of another body, or an invoice for a second one?")
_DONORS_PAPER = Unless("the paper is the donor's", "does it name the donor's make, and whose number does it give?")
_OTHER_PAPER = Unless("the paper is of another car", "does any number on it stand on this car?")
_OTHER_PICTURE = Unless("it is another body", "does the picture show a mark that is on this one?")
_OTHER_PLATE = Unless("the plate came from elsewhere", "do its fixings fit the holes?")
_LATER_PLATE = Unless(
    "the maker sent a plate later to an early body", "is there a letter from the maker with it?", kind="maker"
)
_UNUSED_BODY = Unless("the body lay unused until a newer donor came", "when was the car put together?")

#: Which events come before which, and what is known to explain an exception. Sources: common practice of the
#: trade, save where a rule names another. A title year and an engine are tied to nothing: they may be
#: anybody's.
RULES: tuple[Rule, ...] = (
    Rule("pan_made", "assembled", "a pan is made before a car is assembled on it", unless=(_PAN_CHANGED,)),
    Rule("first_pan_made", "assembled", "a pan is made before a car is assembled on it"),
    Rule(
        "body_moulded",
        "assembled",
        "a body is moulded before a car is assembled from it",
        unless=(_OTHER_BODY,),
    ),
    Rule(
        "assembled",
        "first_registered",
        "a car is assembled before it is first registered as such",
        unless=(_DONORS_PAPER, _OTHER_PAPER),
    ),
    Rule("body_moulded", "seen", "a body is moulded before anybody sees it", unless=(_OTHER_PICTURE,)),
    Rule("body_moulded", "plate_issued", "a plate is issued for a body that exists", unless=(_OTHER_PLATE,)),
    Rule(
        "plate_issued",
        "assembled",
        "the plate is older than the car, for it left the maker with the body",
        always=False,
        unless=(_LATER_PLATE, _OTHER_PLATE),
    ),
    Rule("pan_made", "repanned", "a pan is made before a car is put on it"),
    Rule("assembled", "repanned", "a car is assembled before its pan is changed"),
    Rule(
        "pan_made",
        "body_moulded",
        "the pan is older than the body, for the donor was a used car",
        always=False,
        unless=(_PAN_CHANGED, _UNUSED_BODY),
    ),
)


@dataclass(frozen=True, slots=True)
class Statement:
    """One dated claim: what it is about, how the date bounds it, and where it comes from. Make one with
    :func:`statement`.

    ``ref`` is the caller's name for it (the row's number, say); conflicts name statements by it.
    """

    about: str
    relation: str
    span: Span
    kind: str = ""
    source: str = ""
    nature: str | None = None
    ref: str | int | None = None

    @property
    def is_soft(self) -> bool:
        """The date is about or perhaps, or rests on memory or inference."""
        return bool(self.span.qualifiers) or self.nature in SOFT_NATURES

    def label(self) -> str:
        """What it is and where it is from: "Receipt, body kit (family)"."""
        what = self.kind or self.nature or "statement"
        return f"{what[0].upper()}{what[1:]}" + (f" ({self.source})" if self.source else "")


def statement(
    about: str,
    relation: str,
    when: str | Span,
    *,
    kind: str = "",
    source: str = "",
    nature: str | None = None,
    ref: str | int | None = None,
    events: Sequence[Event] = EVENTS,
) -> Statement:
    """A statement, checked.

    Args:
        about: the event's name, as ``events`` lists it.
        relation: "equals" (it happened then), "not before" or "not after".
        when: a span, an EDTF text, or a date as people write it.
        kind: what the paper is ("receipt, body kit"); source: whose or whence; nature: one of
        :data:`NATURES`.
        ref: the caller's name for it.

    Raises:
        DatingError: there is no such event, relation or nature, or the date bounds nothing that way.
        DateError: the date cannot be read or does not exist.

    >>> statement("body_mouldd", "equals", "1966")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    decoder.dating.DatingError: There is no event 'body_mouldd'. Did you mean body_moulded? The events are...
    """
    _known(about, events)
    if relation not in RELATIONS:
        raise DatingError(f"There is no relation '{relation}'. A date is told as one of: {', '.join(RELATIONS)}.")
    if nature is not None and nature not in NATURES:
        raise DatingError(f"There is no nature '{nature}'. A statement rests on one of: {', '.join(NATURES)}.")
    span = when if isinstance(when, Span) else parse_written(when)
    if span.edtf.startswith("{"):
        raise DateError(
            f"'{span.edtf}' is several dates, all meant. Make one statement for each, or write [..] for one of them."
        )
    if relation == "not before" and span.earliest is None:
        raise DatingError(
            f"'Not before {span.words()}' bounds nothing: that date has no start. Say 'not after', or give a start."
        )
    if relation == "not after" and span.latest is None:
        raise DatingError(
            f"'Not after {span.words()}' bounds nothing: that date has no end. Say 'not before', or give an end."
        )
    return Statement(about, relation, span, kind, source, nature, ref)


@dataclass(frozen=True, slots=True)
class EventDate:
    """What is known of one event: its span (None: nothing), and for each end what it hangs on."""

    event: Event
    span: Span | None
    own: tuple[Statement, ...] = ()
    earliest_from: tuple[Statement, ...] = ()
    latest_from: tuple[Statement, ...] = ()
    earliest_is_soft: bool = False
    latest_is_soft: bool = False
    is_disputed: bool = False

    def words(self) -> str:
        """The span as people read it, or "not known"."""
        return self.span.words() if self.span else "not known"

    def as_dict(self) -> dict[str, object]:
        """edtf, earliest and latest as everywhere, and what the ends hang on."""
        span: dict[str, object] = {"edtf": None, "earliest": None, "latest": None}
        return {
            **(self.span.as_dict() if self.span else span),
            "words": self.words(),
            "earliest_from": [each.ref for each in self.earliest_from],
            "latest_from": [each.ref for each in self.latest_from],
            "earliest_is_soft": self.earliest_is_soft,
            "latest_is_soft": self.latest_is_soft,
            "is_disputed": self.is_disputed,
        }


@dataclass(frozen=True, slots=True)
class Conflict:
    """The fewest statements that cannot all be true, in words, and what would settle it.

    ``is_certain`` is False where it only looks odd: a rule that has exceptions is broken, or a date is soft.
    """

    statements: tuple[Statement, ...]
    says: str
    ask: str
    is_certain: bool
    rules: tuple[Rule, ...] = ()

    @property
    def papers(self) -> tuple[str | int | None, ...]:
        return tuple(each.ref for each in self.statements)

    def as_dict(self) -> dict[str, object]:
        return {
            "papers": list(self.papers),
            "says": self.says,
            "ask": self.ask,
            "is_certain": self.is_certain,
        }


@dataclass(frozen=True, slots=True)
class Dated:
    """A car's events with their tightest spans, and what does not add up.

    ``notes`` are sentences that belong to the answer (what a title's year is worth, which oddity a paper
    explains). ``agree_without`` are the smallest sets of statements without which all the rest agree; empty
    where all agree already.
    """

    events: dict[str, EventDate]
    conflicts: tuple[Conflict, ...]
    notes: tuple[str, ...] = ()
    agree_without: tuple[tuple[Statement, ...], ...] = field(default=())

    def as_dict(self) -> dict[str, object]:
        """The JSON document of ``tubmark date``, but for the car and its stops."""
        return {
            "events": {name: event.as_dict() for name, event in self.events.items()},
            "conflicts": [conflict.as_dict() for conflict in self.conflicts],
            "notes": list(self.notes),
            "agree_without": [[each.ref for each in group] for group in self.agree_without],
        }

    def tell(self) -> list[str]:
        """The answer in sentences: the events side by side, then what does not add up and what would settle
        it.

        >>> for line in reconcile([statement("pan_made", "equals", "1966")]).tell():
        ...     print(line)
        Pan made: 1966.
        Body moulded: not known.
        Car assembled: from 1966 on.
        First registered: from 1966 on.
        Title year: not known.
        """
        lines = []
        for each in self.events.values():
            soft = " (soft: about, from memory or inferred)" if each.earliest_is_soft or each.latest_is_soft else ""
            disputed = " (its papers do not agree)" if each.is_disputed else ""
            lines.append(f"{each.event.title}: {each.words()}{soft}{disputed}.")
        lines += [f"{number}. {each.says} {each.ask}" for number, each in enumerate(self.conflicts, 1)]
        if self.agree_without:
            groups = [" and ".join(one.label() for one in group) for group in self.agree_without]
            lines.append(f"All the rest would agree without {', or without '.join(groups)}.")
        return lines + list(self.notes)


def tightest(size: int, edges: Iterable[tuple[int, int, float]]) -> list[list[float]] | None:
    """The tightest distances of a simple temporal network: all shortest paths, by three loops.

    Args:
        size: how many points, numbered from 0.
        edges: (i, j, w) for each "point j comes at most w after point i".

    Returns:
        d with x[j] - x[i] between -d[j][i] and d[i][j], infinity where nothing bounds it; None where the
        edges contradict one another (a cycle shorter than nothing).

    The running example of Dechter, Meiri and Pearl (minutes after seven o'clock; the story from memory, the
    matrix computed twice by other means): John leaves at 10 to 20 past and drives 30 to 40 minutes; Fred
    arrives at 60 to 70 past after 40 to 50 in a carpool, and left 10 to 20 before John arrived.

    >>> spans = [(0, 1, 10, 20), (1, 2, 30, 40), (3, 4, 40, 50), (0, 4, 60, 70), (3, 2, 10, 20)]
    >>> d = tightest(5, [e for i, j, low, high in spans for e in ((i, j, high), (j, i, -low))])
    >>> "John arrives", -d[2][0], d[0][2], "Fred left", -d[3][0], d[0][3]
    ('John arrives', 40, 50, 'Fred left', 20, 30)
    """
    found = _closure(size, tuple(edges))
    return None if found is None else found[0]


def reconcile(
    statements: Iterable[Statement], *, events: Sequence[Event] = EVENTS, rules: Sequence[Rule] = RULES
) -> Dated:
    """Hold the statements of one car against one another.

    Args:
        statements: in any order; the answer does not depend on it, save that a statement without ``ref`` is
        named by its
            place, from 1.
        events: which events there are; ``[*EVENTS, Event(...)]`` adds one.
        rules: which come before which; ``[*RULES, Rule(...)]`` adds one.

    Returns:
        The five events of :data:`ALWAYS_SHOWN` and every other that is stated, with their tightest spans;
        conflicts are part of the answer and raise nothing.

    Raises:
        DatingError: a statement or a rule names an event that is not there, a rule leaves no time, or rules
        run in a circle.
    """
    network = _network(tuple(events), tuple(rules))
    stated = tuple(
        Statement(s.about, s.relation, s.span, s.kind, s.source, s.nature, place) if s.ref is None else s
        for place, s in enumerate(statements, 1)
    )
    for each in stated:
        if each.about not in network.place:
            _known(each.about, events)
    return _Reconciling(network, stated).answer()


# ---- order rules


def _known(name: str, events: Sequence[Event]) -> None:
    names = [event.name for event in events]
    if name in names:
        return
    from difflib import get_close_matches

    close = get_close_matches(name, names, 1)
    meant = f" Did you mean {close[0]}?" if close else ""
    raise DatingError(
        f"There is no event '{name}'.{meant} The events are {', '.join(names)}; add your own before you date it."
    )


def _closure(size: int, edges: tuple[tuple[int, int, float], ...]) -> tuple[list[list[float]], list[list[int]]] | None:
    """All shortest paths, with the first step of each; None at a cycle shorter than nothing."""
    distance = [[inf] * size for _ in range(size)]
    step = [[-1] * size for _ in range(size)]
    for i in range(size):
        distance[i][i] = 0
    for i, j, weight in edges:
        if weight < distance[i][j]:
            distance[i][j], step[i][j] = weight, j
    for k in range(size):
        by_way = distance[k]
        reached = [j for j in range(size) if by_way[j] < inf]
        for i in range(size):
            row, to_k = distance[i], distance[i][k]
            if to_k == inf:
                continue
            for j in reached:
                if to_k + by_way[j] < row[j]:
                    row[j] = to_k + by_way[j]
                    step[i][j] = step[i][k]
    if any(distance[i][i] < 0 for i in range(size)):
        return None
    return distance, step


class _Network:
    """The events and the rules between them; closed, they give for each pair the least days between."""

    def __init__(self, events: tuple[Event, ...], rules: tuple[Rule, ...]) -> None:
        self.events, self.rules = events, rules
        self.place = {event.name: index for index, event in enumerate(events)}
        self._closed: dict[frozenset[int], _Gaps] = {}

    def gaps(self, without: frozenset[int]) -> _Gaps:
        """The least days by the rules that always hold, less those left out (by their place in the list)."""
        if without not in self._closed:
            self._closed[without] = _Gaps(self, without)
        return self._closed[without]


class _Gaps:
    def __init__(self, network: _Network, without: frozenset[int]) -> None:
        edges: list[tuple[int, int, float]] = []
        self._by_edge: dict[tuple[int, int], tuple[float, int]] = {}
        for number, rule in enumerate(network.rules):
            if number in without or not rule.always:
                continue
            before, then = network.place[rule.before], network.place[rule.then]
            for edge in ((then, before, -rule.at_least), (before, then, rule.at_most)):
                i, j, weight = edge
                if weight is not None and weight < self._by_edge.get((i, j), (inf, -1))[0]:
                    self._by_edge[i, j] = (weight, number)
                    edges.append((i, j, weight))
        size = len(network.events)
        closed = _closure(size, tuple(edges))
        if closed is None:
            raise DatingError(
                "The order rules leave no time between some events: the least days of one are more than the "
                "most days of another. Look at 'at_least' and 'at_most'."
            )
        self._distance, self._step = closed
        #: for each event the events before it, and those after it, each with the least days between
        self.after: list[list[tuple[int, int]]] = [[] for _ in range(size)]
        self.before: list[list[tuple[int, int]]] = [[] for _ in range(size)]
        for before in range(size):
            for then in range(size):
                if before != then and self._distance[then][before] < inf:
                    days = -int(self._distance[then][before])
                    self.after[then].append((before, days))
                    self.before[before].append((then, days))

    def least(self, before: int, then: int) -> float:
        """The least days from one event to another; minus infinity where no rule ties them."""
        return -self._distance[then][before]

    def path(self, before: int, then: int) -> tuple[int, ...]:
        """The places of the rules that tie one event to a later one, in the order of the events."""
        rules = []
        at = then
        while at != before:
            following = self._step[at][before]
            rules.append(self._by_edge[at, following][1])
            at = following
        return tuple(reversed(rules))


@lru_cache(maxsize=64)
def _network(events: tuple[Event, ...], rules: tuple[Rule, ...]) -> _Network:
    names = [event.name for event in events]
    for name in names:
        if names.count(name) > 1:
            raise DatingError(f"The event '{name}' is there twice. Give the second another name.")
    for event in events:
        for name in filter(None, (event.changed_by, event.former)):
            _known(name, events)
    for rule in rules:
        for name in (rule.before, rule.then, *(unless.event for unless in rule.unless if unless.event)):
            _known(name, events)
        if rule.before == rule.then:
            raise DatingError(f"An order rule ties '{rule.before}' to itself. Name two events, or leave the rule out.")
        if rule.at_most is not None and rule.at_most < rule.at_least:
            raise DatingError(
                f"The rule from {rule.before} to {rule.then} asks for at least {rule.at_least} and at most "
                f"{rule.at_most} days. Change the two about."
            )
    _refuse_circle(names, rules)
    network = _Network(events, rules)
    network.gaps(frozenset())
    return network


def _refuse_circle(names: list[str], rules: tuple[Rule, ...]) -> None:
    following: dict[str, list[str]] = {name: [] for name in names}
    for rule in rules:
        following[rule.before].append(rule.then)
    done: set[str] = set()
    for start in names:
        # Depth first with the way kept, so that the circle can be told.
        way: list[str] = []
        stack = []
        if start not in done:
            way.append(start)
            stack.append((start, iter(following[start])))
        while stack:
            _, rest = stack[-1]
            then = next(rest, None)
            if then is None:
                stack.pop()
                done.add(way.pop())
            elif then in way:
                circle = [*way[way.index(then) :], then]
                raise DatingError(
                    f"The order rules run in a circle: {' before '.join(circle)}. Take one of these rules "
                    "out, or turn it round."
                )
            elif then not in done:
                way.append(then)
                stack.append((then, iter(following[then])))


# ---- the days that statements leave

_Stretch = tuple[float, float]
_Days = tuple[_Stretch, ...]
_ANY: _Days = ((-inf, inf),)


def _ordinal(day: date | None, open_end: float) -> float:
    return open_end if day is None else day.toordinal()


def _allowed(each: Statement, repeats: bool) -> _Days:
    """The days that a statement leaves to its event, "about" stretched."""
    span = each.span
    if each.relation == "not before":
        return _ANY if repeats else ((_ordinal(span.earliest_about, -inf), inf),)
    if each.relation == "not after" or repeats:
        return ((-inf, _ordinal(span.latest_about, inf)),)
    return tuple((_ordinal(start, -inf), _ordinal(end, inf)) for start, end in span.pieces_about)


def _common(one: _Days, other: _Days) -> _Days:
    if one == _ANY:
        return other
    found = []
    for start, end in one:
        for a, b in other:
            first, last = max(start, a), min(end, b)
            if first <= last:
                found.append((first, last))
    return tuple(found)


def _either(days: Iterable[_Days]) -> _Days:
    joined: list[_Stretch] = []
    for start, end in sorted(stretch for each in days for stretch in each):
        if joined and start <= joined[-1][1] + 1:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return tuple(joined)


def _settle(days: list[_Days], gaps: _Gaps) -> tuple[list[float], list[float]] | None:
    """The earliest and the latest day of each event, or None where no choice of days keeps every rule."""
    if not all(days):
        return None
    low = [each[0][0] for each in days]
    moved = True
    while moved:
        moved = False
        for j, behind in enumerate(gaps.after):
            least = low[j]
            for i, gap in behind:
                if low[i] + gap > least:
                    least = low[i] + gap
            if least > low[j]:
                for start, end in days[j]:
                    if least <= end:
                        low[j] = max(least, start)
                        break
                else:
                    return None
                moved = True
    high = [each[-1][1] for each in days]
    moved = True
    while moved:
        moved = False
        for j, ahead in enumerate(gaps.before):
            most = high[j]
            for i, gap in ahead:
                if high[i] - gap < most:
                    most = high[i] - gap
            if most < high[j]:
                for start, end in reversed(days[j]):
                    if most >= start:
                        high[j] = min(most, end)
                        break
                else:
                    return None
                moved = True
    return low, high


class _Reconciling:
    """One car's statements on their way to an answer."""

    def __init__(self, network: _Network, stated: tuple[Statement, ...]) -> None:
        self.network, self.stated = network, stated
        self.events = network.events
        self.where = [network.place[each.about] for each in stated]
        self.allowed = [_allowed(each, self.events[at].repeats) for each, at in zip(stated, self.where, strict=True)]
        self.doubtful = self._of_either_thing()
        narrowing = [_ANY if number in self.doubtful else days for number, days in enumerate(self.allowed)]
        self.as_stated, self.allowed = self.allowed, narrowing
        #: (event, day) -> the statements that leave it a stretch beginning (ending) on that day
        self._starts: dict[tuple[int, float], list[int]] = {}
        self._ends: dict[tuple[int, float], list[int]] = {}
        for number, (at, days) in enumerate(zip(self.where, self.allowed, strict=True)):
            for first, last in days:
                self._starts.setdefault((at, first), []).append(number)
                self._ends.setdefault((at, last), []).append(number)
        self.explained = self._explained()

    # -- known exceptions

    def _explained(self) -> dict[int, tuple[Unless, Statement]]:
        """The rules that a known exception sets aside, with the statement that shows it."""
        found = {}
        for number, rule in enumerate(self.network.rules):
            for unless in rule.unless:
                shown_by = next((each for each in self.stated if self._shows(each, rule, unless)), None)
                if shown_by is not None:
                    found[number] = (unless, shown_by)
                    break
        return found

    def _of_either_thing(self) -> list[int]:
        """Papers of a thing that was changed, which may be of the present one or of the one before."""
        about = {each.about for each in self.stated}
        return [
            number
            for number, (each, at) in enumerate(zip(self.stated, self.where, strict=True))
            if self.events[at].changed_by in about and each.nature != "stamping"
        ]

    def _other_things(self) -> list[Conflict]:
        """Of those, the ones that cannot be of the present thing, by what is stamped on it."""
        found = []
        for doubtful in self.doubtful:
            for number, each in enumerate(self.stated):
                if number in self.doubtful or each.about != self.stated[doubtful].about:
                    continue
                if not _common(self.as_stated[doubtful], self.as_stated[number]):
                    found.append(self._conflict((doubtful, number), self.network.gaps(frozenset())))
        return [replace(conflict, is_certain=False) for conflict in found]

    def _shows(self, each: Statement, rule: Rule, unless: Unless) -> bool:
        if unless.event is not None:
            return each.about == unless.event
        if unless.kind is None or each.about not in (rule.before, rule.then):
            return False
        return unless.kind in f"{each.kind} {each.source}".casefold()

    # -- consistency

    def _days_of(self, chosen: Iterable[int]) -> list[_Days]:
        days = [_ANY] * len(self.events)
        for number in chosen:
            at = self.where[number]
            days[at] = _common(days[at], self.allowed[number])
        return days

    def _agrees(self, chosen: Iterable[int], gaps: _Gaps) -> bool:
        return _settle(self._days_of(chosen), gaps) is not None

    # -- the answer

    def answer(self) -> Dated:
        set_aside = frozenset(self.explained)
        gaps = self.network.gaps(set_aside)
        everything = range(len(self.stated))
        days = self._days_of(everything)
        settled = _settle(days, gaps)
        clashes: list[tuple[int, ...]] = []
        disputed: set[int] = set()
        agree_without: tuple[tuple[Statement, ...], ...] = ()
        if settled is None:
            clashes = self._clashes(gaps)
            agree_without = self._agree_without(clashes, gaps)
            days, gaps, disputed, settled = self._apart(clashes, gaps, set_aside)
        clash_gaps = self.network.gaps(set_aside)
        conflicts = [self._conflict(clash, clash_gaps) for clash in clashes[:MOST_CONFLICTS]]
        low, high = settled
        dates = self._event_dates(days, low, high, gaps, disputed)
        conflicts += self._other_things() + self._oddities(low, high, gaps, clashes)
        notes = self._notes(low, high, dates)
        if len(clashes) > MOST_CONFLICTS:
            notes.append(f"{len(clashes) - MOST_CONFLICTS} more conflicts of the same papers are not told here.")
        return Dated(dates, tuple(conflicts), tuple(notes), agree_without)

    def _clashes(self, gaps: _Gaps) -> list[tuple[int, ...]]:
        """Sets that cannot all be true: each pair that clashes, and larger ones where no pair explains it."""
        clashes: list[tuple[int, ...]] = [
            pair for pair in combinations(range(len(self.stated)), 2) if self._pair_clashes(*pair, gaps)
        ]
        left = self._without_clashes(range(len(self.stated)), clashes)
        while not self._agrees(left, gaps):
            clash = self._smallest(left, gaps)
            clashes.append(clash)
            left = [number for number in left if number != clash[0]]
        return clashes

    def _pair_clashes(self, one: int, other: int, gaps: _Gaps) -> bool:
        a, b = self.where[one], self.where[other]
        mine, theirs = self.allowed[one], self.allowed[other]
        if a == b:
            return not _common(mine, theirs)
        return mine[0][0] + gaps.least(a, b) > theirs[-1][1] or theirs[0][0] + gaps.least(b, a) > mine[-1][1]

    def _without_clashes(self, numbers: Iterable[int], clashes: list[tuple[int, ...]]) -> list[int]:
        """The statements less, for each clash, the one that stands in most of them."""
        standing_in: dict[int, set[int]] = {}
        for place, clash in enumerate(clashes):
            for number in clash:
                standing_in.setdefault(number, set()).add(place)
        left = set(numbers)
        while standing_in:
            worst = min(standing_in, key=lambda number: (-len(standing_in[number]), number))
            solved = standing_in.pop(worst)
            left.discard(worst)
            standing_in = {number: rest for number, places in standing_in.items() if (rest := places - solved)}
        return sorted(left)

    def _smallest(self, numbers: list[int], gaps: _Gaps) -> tuple[int, ...]:
        """A set that clashes and of which every smaller part agrees: what can be left out is left out."""
        kept = list(numbers)
        for number in numbers:
            fewer = [each for each in kept if each != number]
            if not self._agrees(fewer, gaps):
                kept = fewer
        return tuple(kept)

    def _agree_without(self, clashes: list[tuple[int, ...]], gaps: _Gaps) -> tuple[tuple[Statement, ...], ...]:
        """The smallest groups, of three at most, without which the rest agree."""
        in_clashes: dict[int, int] = {}
        for bit, clash in enumerate(clashes):
            for number in clash:
                in_clashes[number] = in_clashes.get(number, 0) | 1 << bit
        every = (1 << len(clashes)) - 1
        for size in (1, 2, 3):
            if comb(len(in_clashes), size) > MOST_TRIALS:
                break
            found = []
            for group in combinations(sorted(in_clashes), size):
                hit = 0
                for number in group:
                    hit |= in_clashes[number]
                if hit == every and self._agrees(set(range(len(self.stated))) - set(group), gaps):
                    found.append(tuple(self.stated[number] for number in group))
                    if len(found) == MOST_GROUPS:
                        break
            if found:
                return tuple(found)
        return ()

    def _apart(
        self, clashes: list[tuple[int, ...]], gaps: _Gaps, set_aside: frozenset[int]
    ) -> tuple[list[_Days], _Gaps, set[int], tuple[list[float], list[float]]]:
        """Spans in spite of a conflict: nobody is overruled. Where the papers of one event clash, it keeps
        what any of them says; where those of two do, the rules between them are set aside."""
        disputed: set[int] = set()
        apart = set(set_aside)
        for clash in clashes:
            events = sorted({self.where[number] for number in clash})
            disputed.update(events)
            for a, b in combinations(events, 2):
                for before, then in ((a, b), (b, a)):
                    if gaps.least(before, then) > -inf:
                        apart.update(gaps.path(before, then))
        while True:
            days = [_ANY] * len(self.events)
            for at in range(len(self.events)):
                own = [n for n, where in enumerate(self.where) if where == at and n not in self.doubtful]
                days[at] = self._days_of(own)[at] or _either(self.allowed[number] for number in own)
            gaps = self.network.gaps(frozenset(apart))
            settled = _settle(days, gaps)
            if settled is not None:
                return days, gaps, disputed, settled
            # What is left hangs together by rules that no clash names: let go of those of the disputed
            # events, then of all.
            names = {self.events[at].name for at in disputed}
            more = {
                n for n, rule in enumerate(self.network.rules) if rule.before in names or rule.then in names
            } - apart
            apart |= more or set(range(len(self.network.rules)))

    def _event_dates(
        self, days: list[_Days], low: list[float], high: list[float], gaps: _Gaps, disputed: set[int]
    ) -> dict[str, EventDate]:
        dates = {}
        owned: dict[int, list[Statement]] = {}
        for each, at in zip(self.stated, self.where, strict=True):
            owned.setdefault(at, []).append(each)
        for at, event in enumerate(self.events):
            own = tuple(owned.get(at, ()))
            if not own and event.name not in ALWAYS_SHOWN:
                continue
            span = self._span(at, own, days, low, high, gaps)
            starts = self._hangs_on(at, low[at], gaps, start=True)
            ends = self._hangs_on(at, high[at], gaps, start=False)
            dates[event.name] = EventDate(
                event, span, own, starts, ends, bool(starts) and all(s.is_soft for s in starts),
                bool(ends) and all(s.is_soft for s in ends), at in disputed,
            )  # fmt: skip
        return dates

    def _span(
        self,
        at: int,
        own: tuple[Statement, ...],
        days: list[_Days],
        low: list[float],
        high: list[float],
        gaps: _Gaps,
    ) -> Span | None:
        if low[at] == -inf and high[at] == inf:
            return None
        left = _common(days[at], ((low[at], high[at]),))
        if len(left) > 1:
            # Each of several days must itself be possible, not only the first and the last.
            left = tuple(
                stretch for stretch in left if _settle([*days[:at], (stretch,), *days[at + 1 :]], gaps) is not None
            )
        computed = one_of((_day(start), _day(end)) for start, end in left)
        # A paper's own text is kept where it says the same: "1960s", not "between 1960 and 1969".
        same = (each.span for each in own if not each.span.qualifiers and each.span.pieces == computed.pieces)
        return next(same, computed)

    def _hangs_on(self, at: int, end: float, gaps: _Gaps, start: bool) -> tuple[Statement, ...]:
        """The statements that put this end where it is: they begin (or end) just so far off by the rules."""
        if end in (inf, -inf):
            return ()
        ends = self._starts if start else self._ends
        found = list(ends.get((at, end), ()))
        for other, days in gaps.after[at] if start else gaps.before[at]:
            found += ends.get((other, end - days if start else end + days), ())
        return tuple(self.stated[number] for number in sorted(found))

    # -- in words

    def _claim(self, each: Statement) -> str:
        event = self.events[self.network.place[each.about]]
        return f"{each.label()}: {event.says} {_bound_words(each)}."

    def _conflict(self, clash: tuple[int, ...], gaps: _Gaps) -> Conflict:
        members = tuple(self.stated[number] for number in clash)
        events = list(dict.fromkeys(self.where[number] for number in clash))
        rules: list[Rule] = []
        for a, b in combinations(events, 2):
            for before, then in ((a, b), (b, a)):
                if gaps.least(before, then) > -inf:
                    rules += [self.network.rules[number] for number in gaps.path(before, then)]
        rules = list(dict.fromkeys(rules))
        if rules:
            # What is dated later is told first: it is what surprises.
            members = tuple(sorted(members, key=lambda each: each.span._key(), reverse=True))
            since = " and ".join(dict.fromkeys(rule.says for rule in rules))
            verdict = f"These cannot {_all_of(members)} be true, since {since}."
            asks = [f"Unless {unless.says}: {unless.ask}" for rule in rules for unless in rule.unless]
        else:
            verdict = f"These cannot {_all_of(members)} be true: it happened once."
            asks = [self.events[events[0]].ask]
        asks += _asks_of(members)
        if not asks:
            asks = ["Which of these papers is about this car, and was it made at the time?"]
        says = " ".join([*(self._claim(each) for each in members), verdict])
        return Conflict(members, says, " ".join(dict.fromkeys(asks)), not any(s.is_soft for s in members), tuple(rules))

    def _oddities(
        self, low: list[float], high: list[float], gaps: _Gaps, clashes: list[tuple[int, ...]]
    ) -> list[Conflict]:
        """Rules that hold as a rule only, broken by the spans, with no known exception to explain it."""
        told = [{self.stated[number] for number in clash} for clash in clashes]
        found = []
        for number, rule in enumerate(self.network.rules):
            before, then = self.network.place[rule.before], self.network.place[rule.then]
            if rule.always or number in self.explained or not low[before] + rule.at_least > high[then]:
                continue
            late = self._hangs_on(before, low[before], gaps, start=True)
            soon = self._hangs_on(then, high[then], gaps, start=False)
            members = tuple(dict.fromkeys([*late[:1], *soon[:1]]))
            if any(clash <= set(members) for clash in told):
                continue  # told already, and for certain
            says = " ".join([*(self._claim(each) for each in members), f"As a rule {rule.says}; here it is not."])
            asks = [f"Unless {unless.says}: {unless.ask}" for unless in rule.unless] + _asks_of(members)
            found.append(Conflict(members, says, " ".join(dict.fromkeys(asks)), False, (rule,)))
        return found

    def _notes(self, low: list[float], high: list[float], dates: dict[str, EventDate]) -> list[str]:
        notes = []
        for number, (unless, shown_by) in self.explained.items():
            rule = self.network.rules[number]
            before, then = self.network.place[rule.before], self.network.place[rule.then]
            if low[before] + rule.at_least > high[then]:
                first, second = self.events[before], self.events[then]
                notes.append(
                    f"{first.title} after {second.title[0].lower()}{second.title[1:]} is no conflict: "
                    f"{unless.says}. {self._claim(shown_by)}"
                )
        if "title_year" in dates and dates["title_year"].own:
            notes += self._title_fits(dates)
        notes += [each.event.note for each in dates.values() if each.own and each.event.note]
        for number in self.doubtful:
            changed = self.events[self.where[number]]
            former = f" If it is of the one before, date {changed.former} by it." if changed.former else ""
            notes.append(
                f"{changed.title}: {self.stated[number].label()} may be of the present one or of the one before, and "
                f"narrows nothing.{former}"
            )
        for event in dates.values():
            if event.event.repeats and any(each.relation == "not before" for each in event.own):
                notes.append(f"{event.event.title}: 'not before' says nothing of the first time, and is left out.")
        return list(dict.fromkeys(notes))

    def _title_fits(self, dates: dict[str, EventDate]) -> list[str]:
        """What a title's year could be the year of."""
        title = dates["title_year"].span
        if title is None or title.earliest is None or title.latest is None:
            return []
        fits, not_fits = [], []
        # Model years begin in the late summer or autumn before (common practice); the table says which day.
        model_year_starts = date(max(title.earliest.year - 1, 1), 8, 1)
        for name, called in (
            ("pan_made", "pan"),
            ("first_pan_made", "first pan"),
            ("body_moulded", "body"),
            ("assembled", "assembly"),
        ):
            span = dates[name].span if name in dates else None
            # A span open at one end agrees with almost any year; saying so would be noise.
            if span is None or span.earliest is None or span.latest is None:
                continue
            if title & span:
                fits.append(called)
            elif name.endswith("pan_made") and between(model_year_starts, title.latest) & span:
                fits.append(f"{called}'s model year (it begins in the calendar year before)")
            else:
                not_fits.append(called)
        if not fits and not not_fits:
            return []
        can = f"can be that of the {' or of the '.join(fits)}" if fits else ""
        cannot = f"is not that of the {' or of the '.join(not_fits)}" if not_fits else ""
        return [f"The title's year ({title.words()}) {' and '.join(filter(None, (can, cannot)))}."]


def _day(ordinal: float) -> date | None:
    return None if ordinal in (inf, -inf) else date.fromordinal(min(max(int(ordinal), 1), date.max.toordinal()))


def _all_of(members: tuple[Statement, ...]) -> str:
    return "both" if len(members) == 2 else "all"


def _bound_words(each: Statement) -> str:
    if each.relation == "equals":
        return each.span.when()
    # "Not after before 1967" is said as "not after 1966".
    ends = each.span.edtf.split("/")
    span = each.span
    if len(ends) == 2:
        end = ends[0] if each.relation == "not before" else ends[1]
        span = parse(end) if end not in ("", "..") else span
    return f"{each.relation} {span.words()}"


def _asks_of(members: tuple[Statement, ...]) -> list[str]:
    asks = []
    if any(each.nature == "memory" for each in members):
        asks.append("Memory is often out by a year or more: is there a paper that dates it?")
    if any(each.nature == "inference" for each in members):
        asks.append("One of these was inferred: what was it inferred from?")
    if any(each.span.qualifiers for each in members):
        asks.append(
            "'About' and 'perhaps' are taken as one unit either way of what was named: could it be further out?"
        )
    return asks
