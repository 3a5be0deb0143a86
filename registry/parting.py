"""Things that part company: another pan, another plate, two records that are one car, one record that is two.

A car is the span of its things being together. When a body is moved to another floor, the body keeps its number, the first pan
keeps its own, and the title goes on speaking of the pan that it names (``repan``, ``replate``). When two records turn out to be
of one car, both stay whole and the later number leads to the earlier one (``merge``); that, and a visit that was written down
for the wrong car, is undone without loss (``split``). Nothing is edited and nothing is deleted: what ends is superseded.

Each of the four is a plan first, in sentences, so that a person agrees to what will be touched, and then one action of
``registry.store``: one transaction, one event.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from registry import knowing, store
from registry.alike import Alike, Book, one_car
from registry.errors import NoAnswer, WrongInput
from registry.models import CONSENT_WORDS, ChangeIn, JoinIn, ReadingIn, StatementIn, check

if TYPE_CHECKING:
    from sqlite_utils import Database

    from registry.knowing import Source

_SAID_OF_CONSENT = {kept: said for said, kept in CONSENT_WORDS.items()}


@dataclass(frozen=True, slots=True)
class Plan:
    """What an action will touch, for a person to agree to. ``stops`` stand first; ``says`` are sentences in order.

    ``car`` is the number by which the car is known afterwards, ``other`` the number of the record that is joined or parts.
    ``looked_up`` is what else is on file under a number that comes on.
    """

    action: Literal["merge", "split", "repan", "replate"]
    car: str
    says: tuple[str, ...]
    other: str | None = None
    alike: Alike | None = None
    stops: tuple[dict[str, str], ...] = ()
    looked_up: tuple[str, ...] = ()
    how: dict[str, Any] = field(default_factory=dict)


# --- merge -----------------------------------------------------------------------------------------------------------


def plan_merge(db: Source, one: str, other: str) -> Plan:
    """What joining two records will do. The car that was entered first stays known, in whichever order the two are named.

    Raises NoAnswer where one of them is not on file, WrongInput where they are one car already.
    """
    book = Book(db)
    a, b = (book.record_of(text) for text in (one, other))
    if a.id == b.id:
        raise WrongInput(f"{one} and {other} lead to one car already, {a.number}.")
    stays, joins = (a, b) if a.first_seen <= b.first_seen else (b, a)
    leading = _all_numbers(db, joins.id)
    says = [
        f"{joins.number} ({_visits(joins.entries)}) is joined to {stays.number} ({_visits(stays.entries)}), which was entered "
        f"first. From then on {_and(leading)} {'leads' if len(leading) == 1 else 'lead'} to {stays.number}.",
        "Both records stay whole: visits, numbers, papers, findings and opinions stand together, and nothing is edited.",
    ]
    resting = [
        conflict
        for conflict in knowing.conflicts_of(db, joins.id)
        if conflict["with"] == stays.number and conflict["state"] == "open"
    ]
    if resting:
        names = _and([f"number {conflict['id']}" for conflict in resting])
        says.append(f"The conflict between them ({names}) is at rest while they are one car.")
    if a.opinions and b.opinions and a.series_in_words() != b.series_in_words():
        says.append("The opinions on the two differ, and all of them stand. A third look would help.")
    words = [knowing.consent_of(db, record.id)["consent"] for record in (stays, joins)]
    if words[0] != words[1]:
        strict = min(words, key=knowing.STRICTEST_FIRST.index)
        says.append(
            f"Consent to publish: {_SAID_OF_CONSENT[words[0]]} ({stays.number}), {_SAID_OF_CONSENT[words[1]]} ({joins.number}). "
            f"Until the keeper is asked again the stricter word holds: {_SAID_OF_CONSENT[strict]}."
        )
    says.append(f"It can be undone: tubmark split {joins.number}")
    return Plan(
        "merge", stays.number, tuple(says), joins.number, one_car(stays, joins), tuple(_stops_of(db, a.id, b.id))
    )


def merge(
    db: Database, one: str, other: str, *, reason: str, by: Any, on: str, at: str | None = None, uid: str | None = None
) -> str:
    """Join two records that are one car; returns the number that stays. ``by`` a named person, ``on`` an ISO day."""
    _signed(reason, by, "joined")
    with store.transaction(db):
        plan = plan_merge(db, one, other)
        join = check(JoinIn, car=plan.other, into_car=plan.car, kind="merge", reason=reason, at=on)
        store.record_join(db, join, by=by, at=at, uid=uid)
    return plan.car


# --- split -----------------------------------------------------------------------------------------------------------


def plan_split(db: Source, which: str) -> Plan:
    """What taking a record apart will do. ``which`` is a record that was joined, or a visit that was of another car.

    A car that one record was joined to may be named as well. Raises NoAnswer where it is not on file, WrongInput where there is
    nothing to part, or it is not clear which.
    """
    if not _has_own_record(db, knowing.entry_number(which)):
        knowing.car_row(db, which)  # says so where it is not on file at all
        return _plan_separation(db, which)
    car = knowing.car_row(db, which)
    into = knowing.joined_to(db, car["id"])
    if into is None:
        joined = [member for member in knowing.members(db, car["id"]) if knowing.joined_to(db, member) == car["id"]]
        visits = [row["number"] for row in knowing.entries_of(db, car["id"]) if not _has_own_record(db, row["number"])]
        offers = [knowing.car_number(db, member) for member in joined]
        if len(offers) != 1:
            told = f" Joined to it: {', '.join(offers)}." if offers else ""
            told += f" Later visits of it: {', '.join(visits)}." if visits else ""
            if not told:
                raise WrongInput(f"{car['number']} is one record with one visit; there is nothing to split.")
            raise WrongInput(
                f"Which one is to have a record of its own?{told} Name it: tubmark split {(offers + visits)[0]}"
            )
        car, into = knowing.car_row(db, offers[0]), car["id"]
    stays = knowing.car_number(db, knowing.stays(db, into))
    says = [
        f"{car['number']} is a car of its own again, with all that was on file of it before it was joined to "
        f"{knowing.car_number(db, into)}.",
    ]
    along = [number for number in _all_numbers(db, car["id"]) if number != car["number"]]
    if along:
        says.append(f"{_and(along)} go with it.")
    since = list(_since_joined(db, car["id"], into))
    if since:
        says.append(
            f"What was recorded while they were one stays with {stays}: {'; '.join(since)}. Look whether it belongs to "
            f"{car['number']}."
        )
    asleep = [
        row
        for row in knowing.rows(
            db,
            "SELECT * FROM conflicts WHERE state = 'open' AND car_b IS NOT NULL "
            "AND NOT EXISTS (SELECT 1 FROM conflicts AS later WHERE later.supersedes = conflicts.id) ORDER BY id",
        )
        if _parts(db, row, car["id"])
    ]
    if asleep:
        names = _and([f"number {row['id']}" for row in asleep])
        says.append(f"The conflict between them ({names}) is open again.")
    says.append(f"It can be undone: tubmark merge {car['number']} {stays}")
    return Plan("split", car["number"], tuple(says), stays, stops=tuple(_stops_of(db, car["id"])), how={"into": into})


def _plan_separation(db: Source, which: str) -> Plan:
    entry = knowing.entry_row(db, which)
    number = entry["number"]
    stays = knowing.car_number(db, knowing.stays(db, entry["car"]))
    counted = []
    for table, one, several in (
        ("readings", "number read", "numbers read"),
        ("statements", "paper or saying", "papers and sayings"),
        ("observations", "tell looked at", "tells looked at"),
    ):
        found = knowing.rows(
            db,
            f"SELECT count(*) AS n FROM {table} WHERE entry = ? "
            f"AND NOT EXISTS (SELECT 1 FROM {table} AS later WHERE later.slip_of = {table}.id)",
            [entry["id"]],
        )[0]["n"]
        if found:
            counted.append(f"{found} {one if found == 1 else several}")
    says = [
        f"The visit {number} gets a record of its own, under its own number; it was written down for {stays}.",
        f"{_and(counted)[:1].upper()}{_and(counted)[1:]} of that visit go with it. Where they stood they are marked as a slip, not lost."
        if counted
        else "Nothing was read or seen at that visit.",
    ]
    left = []
    for table, words in (("photographs", "pictures"), ("decisions", "opinions")):
        if knowing.rows(db, f"SELECT 1 FROM {table} WHERE entry = ? LIMIT 1", [entry["id"]]):
            left.append(words)
    if left:
        says.append(f"The {_and(left)} of that visit stay with {stays}: look at them.")
    says.append(f"It can be undone: tubmark merge {number} {stays}")
    return Plan("split", number, tuple(says), stays, stops=tuple(_stops_of(db, entry["car"])), how={"entry": number})


def split(
    db: Database, which: str, *, reason: str, by: Any, on: str, at: str | None = None, uid: str | None = None
) -> tuple[str, str]:
    """Take a record apart; returns the two numbers, that of the record that parts first."""
    _signed(reason, by, "split")
    with store.transaction(db):
        plan = plan_split(db, which)
        assert plan.other is not None
        if "entry" in plan.how:
            store.record_separation(db, plan.how["entry"], reason=reason, by=by, at=at, uid=uid)
        else:
            into = knowing.car_number(db, plan.how["into"])
            join = check(JoinIn, car=plan.car, into_car=into, kind="split", reason=reason, at=on)
            store.record_join(db, join, by=by, at=at, uid=uid)
    return plan.car, plan.other


# --- repan, replate --------------------------------------------------------------------------------------------------


def change_of(
    db: Source,
    kind: Literal["pan", "plate"],
    car: str,
    *,
    reason: str,
    number: str | None = None,
    from_car: str | None = None,
    present: bool = False,
    before: str | None = None,
    off: bool = False,
    when: str | None = None,
    order: str | None = None,
    relation: Literal["equals", "not before", "not after"] = "equals",
    paper: str | None = None,
    seen: Literal["original", "copy", "told"] | None = None,
    statement: int | None = None,
    **read: Any,
) -> ChangeIn:
    """A change of pan or plate, checked, from what a person types.

    Args:
        number: what came on, as it was read; with ``from_car`` it says which of that car's things.
        from_car: the car that it comes from; the car itself where one that was off comes back.
        present: the one on file is the new one; ``before`` is the number of the one before, if a paper gives it.
        off: it came off and none came on.
        when: a date as people write it (``order``: "day first" or "month first"); ``relation`` says how it bounds the change.
        paper: what says so ("invoice, second-hand pan"); ``seen`` how it was seen. ``statement`` is one on file instead.
        read: place, how, surface and by of the reading.

    Raises WrongInput for a date or a number that cannot be read, or a thing that cannot be told; NoAnswer where a car is not on
    file.
    """
    known = knowing.resolve_car(db, car)
    edtf = store.written_date(when, order) if when else None
    told = None
    if paper is not None:
        about = {"pan": "repanned", "plate": "another plate"}[kind]
        told = check(
            StatementIn,
            about=about,
            kind=paper,
            relation=relation if edtf else None,
            edtf=edtf,
            as_written=when,
            seen=seen,
            nature="document made at the time" if seen in ("original", "copy") else None,
        )
    reading = thing = None
    if from_car is not None:
        thing = _thing_of(db, kind, from_car, number, back=knowing.resolve_car(db, from_car)["id"] == known["id"])
    elif number is not None:
        reading = check(ReadingIn, stamped_on=kind, as_typed=number, **{k: v for k, v in read.items() if v is not None})
    gone = None
    if before is not None:
        gone = check(ReadingIn, stamped_on=kind, as_typed=before, how="on a paper")
    change: ChangeIn = check(
        ChangeIn,
        car=known["number"],
        kind=kind,
        reason=reason,
        reading=reading,
        thing=thing,
        present=present,
        before=gone,
        off=off,
        when=edtf,
        relation=relation,
        paper=statement,
        statement=told,
    )
    return change


def _thing_of(db: Source, kind: str, car: str, number: str | None, *, back: bool) -> int:
    """Which pan or plate of a car is meant: the one on it, or (``back``) one that was on it; by its number where there are several."""
    from decoder import keys

    found = knowing.resolve_car(db, car)
    things = [
        thing for thing in knowing.things_of(db, found["id"]) if thing["kind"] == kind and bool(thing["former"]) == back
    ]
    if not things and not back:
        things = [thing for thing in knowing.things_of(db, found["id"]) if thing["kind"] == kind]
    things = list({thing["id"]: thing for thing in things}.values())
    if number is not None:
        tables = knowing.house_tables(db)
        wanted = {key.key for key in keys(number, on=kind, tables=tables)}
        things = [
            thing
            for thing in things
            if any(
                wanted & {key.key for key in keys(row["as_typed"], on=kind, tables=tables)}
                for row in knowing.readings_of(db, thing["id"])
            )
        ]
    if not things:
        which = f" with the number {number}" if number else ""
        was = "came off" if back else "is or was on"
        raise NoAnswer(
            f"No {kind}{which} {was} {found['number']}. 'tubmark show {found['number']}' tells what is on file."
        )
    if len(things) > 1:
        numbers = [best["as_typed"] for thing in things if (best := knowing.best_reading(db, thing["id"]))]
        raise WrongInput(
            f"{found['number']} has or had {len(things)} {kind}s ({', '.join(numbers) or 'without a number'}). Give the number of the one "
            "that is meant."
        )
    return int(things[0]["id"])


def plan_change(db: Source, change: ChangeIn) -> Plan:
    """What a change of pan or plate will do, with what else is on file under the number that comes on. Writes nothing."""
    kind = change.kind
    car = knowing.resolve_car(db, change.car)
    on_it = [thing for thing in knowing.things_on(db, car["id"]) if thing["kind"] == kind]
    says, looked_up, stops = [], [], _stops_of(db, car["id"])
    numbers = [_number_of(db, thing) for thing in on_it]
    when = _when(change)
    if change.present:
        before = f", {change.before.as_typed}," if change.before else ""
        says.append(
            f"The {kind} on {car['number']} ({_and(numbers) or 'none is on file'}) came on {when}; the one before it{before} is no longer "
            "with the car."
        )
    else:
        if numbers:
            says.append(f"Off {car['number']} {when}: the {kind} {_and(numbers)}. It keeps its number and its papers.")
        elif not change.off:
            says.append(f"No {kind} is on {car['number']} so far.")
        if change.reading is not None:
            says.append(f"On it: the {kind} {change.reading.as_typed}, as read now.{_made(db, change.reading)}")
            looked_up, found = _look_up(db, change.reading, car["id"])
            stops += found
        elif change.thing is not None:
            row = knowing.row(db, "SELECT * FROM things WHERE id = ?", [change.thing])
            number = _number_of(db, row) if row else "?"
            owner = knowing.car_of_thing(db, change.thing)
            if owner is not None and owner != car["id"]:
                says.append(f"On it: the {kind} {number}, which leaves {knowing.car_number(db, owner)}.")
            else:
                says.append(f"On it again: the {kind} {number}.")
        elif change.off:
            says.append(f"{car['number']} has no {kind} then. Its record and its other numbers stay as they are.")
    titles = [_number_of(db, thing) for thing in knowing.things_on(db, car["id"]) if thing["kind"] == "title"]
    if kind == "pan" and titles:
        says.append(
            f"The title ({_and(titles)}) stays with the car's papers and goes on speaking of the pan that it names."
        )
    if change.statement is not None:
        says.append(f"The paper that says so is put on file: {change.statement.kind}.")
    says.append("What was on file before stays on file.")
    action: Literal["repan", "replate"] = "repan" if kind == "pan" else "replate"
    return Plan(action, car["number"], tuple(says), stops=tuple(stops), looked_up=tuple(looked_up))


def change(
    db: Database,
    what: ChangeIn,
    *,
    by: Any,
    conflict_reason: str = "not known yet",
    at: str | None = None,
    uid: str | None = None,
) -> str:
    """Put a change of pan or plate down; returns the car's number."""
    _signed(what.reason, by, "changed")
    car = store.record_change(db, what, by=by, conflict_reason=conflict_reason, at=at, uid=uid)
    return knowing.car_number(db, knowing.stays(db, car))


def repan(
    db: Database, car: str, *, reason: str, by: Any, at: str | None = None, uid: str | None = None, **how: Any
) -> str:
    """Put down that a body stands on another pan (``change_of`` says how it is told); returns the car's number."""
    _signed(reason, by, "changed")
    with store.transaction(db):
        return change(db, change_of(db, "pan", car, reason=reason, **how), by=by, at=at, uid=uid)


def replate(
    db: Database, car: str, *, reason: str, by: Any, at: str | None = None, uid: str | None = None, **how: Any
) -> str:
    """Put down that a body carries another plate (``change_of`` says how it is told); returns the car's number."""
    _signed(reason, by, "changed")
    with store.transaction(db):
        return change(db, change_of(db, "plate", car, reason=reason, **how), by=by, at=at, uid=uid)


# --- in words --------------------------------------------------------------------------------------------------------


def _signed(reason: str, by: Any, done: str) -> None:
    if not (reason or "").strip():
        raise WrongInput(
            "Why was it changed? It stands with its reason."
            if done == "changed"
            else f"Why are they {done}? It stands with its reason."
        )
    if by is None or (isinstance(by, str) and not by.strip()):
        raise WrongInput("Who says so? It stands under the name of a person.")


def _stops_of(db: Source, *cars: int) -> list[dict[str, str]]:
    return [stop for car in cars for stop in knowing.open_stops(db, car)]


def _visits(entries: list[dict[str, Any]]) -> str:
    years = sorted({row["entry_date"][:4] for row in entries})
    if not entries:
        return "no visit"
    return f"{len(entries)} visit{'' if len(entries) == 1 else 's'}, {years[0]}{f' to {years[-1]}' if len(years) > 1 else ''}"


def _all_numbers(db: Source, car: int) -> list[str]:
    """A record's number and those of the records that were joined to it."""
    found, waiting = [], [car]
    while waiting:
        one = waiting.pop(0)
        found.append(knowing.car_number(db, one))
        waiting += [
            row["car"]
            for row in knowing.rows(db, "SELECT DISTINCT car FROM car_joins WHERE into_car = ? ORDER BY car", [one])
            if knowing.joined_to(db, row["car"]) == one
        ]
    return found


def _has_own_record(db: Source, number: str) -> bool:
    return knowing.row(db, "SELECT 1 AS one FROM cars WHERE number = ?", [number]) is not None


def _since_joined(db: Source, car: int, into: int) -> Iterator[str]:
    """What was recorded for the car that stays since another record was joined to it, in words."""
    joined = knowing.row(
        db, "SELECT event FROM car_joins WHERE car = ? AND into_car = ? ORDER BY id DESC LIMIT 1", [car, into]
    )
    stays = knowing.stays(db, into)
    for event in knowing.history(db, stays):
        if joined is None or event["event"] <= joined["event"] or event["payload"].get("car") != stays:
            continue
        if event["action"] in ("merge", "split"):
            continue
        entries = [row["number"] for table, row in event["payload"].get("rows", []) if table == "entries"]
        what = f"visit {entries[0]}" if entries else event["action"]
        yield f"{what} ({event['at'][:10]})"


def _parts(db: Source, conflict: dict[str, Any], car: int) -> bool:
    """Whether a conflict's two records are one car now and will not be when ``car`` parts."""
    a, b = conflict["car_a"], conflict["car_b"]
    if knowing.stays(db, a) != knowing.stays(db, b):
        return False
    return (car in _way(db, a)) != (car in _way(db, b))


def _way(db: Source, car: int) -> list[int]:
    """A record and those that it leads to, in order."""
    found = [car]
    while (into := knowing.joined_to(db, found[-1])) is not None and into not in found:
        found.append(into)
    return found


def _number_of(db: Source, thing: dict[str, Any]) -> str:
    best = knowing.best_reading(db, thing["id"])
    return best["as_typed"] if best else "without a number"


def _when(change: ChangeIn) -> str:
    if change.when is None:
        return "at a time that is not known"
    from decoder.dates import parse

    words = parse(change.when).words()
    return {"equals": f"({words})", "not before": f"(not before {words})", "not after": f"(not after {words})"}[
        change.relation
    ]


def _made(db: Source, reading: ReadingIn) -> str:
    from decoder import DecoderError, decode, words

    try:
        answer = decode(
            reading.as_typed, on=reading.stamped_on, surface=reading.surface, tables=knowing.house_tables(db)
        )
    except DecoderError as error:
        raise WrongInput(str(error)) from error
    told = " ".join(words.tell(answer)[:1])
    return f" {told}" if told else ""


def _look_up(db: Source, reading: ReadingIn, car: int) -> tuple[list[str], list[dict[str, str]]]:
    """What is on file under a number that comes on, this car aside: sentences, and a stop for each theft report."""
    from registry import lookup

    found = lookup.find(db, reading.as_typed, on=reading.stamped_on)
    says = []
    for hit in found.cars:
        if hit.car and knowing.resolve_car(db, hit.car)["id"] == car:
            continue
        says.append(hit.says)
        if hit.how == "exact" and hit.kind == reading.stamped_on and not hit.former:
            says.append(
                f"If it came from there, say so: --from {hit.car}. Else both keep it, and the conflict is put down."
            )
    stops = [
        {"kind": "near a theft report", "says": hit.says, "ask": hit.ask or "whoever holds the report"}
        for hit in found.theft_reports
    ]
    return says, stops


def _and(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""
