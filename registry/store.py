"""Recording: every way in which something gets into a registry.

One action of a person is one transaction and one event. The event carries all rows that the action added, what it changed,
who did it and when, and the hash of the event before it: whoever alters one later breaks the chain. An event never holds a
personal value, only ids of ``people``, so a person can be erased and the chain still holds.

Functions take a database opened for writing and a model of ``registry.models`` and return the id of the row they added.
All take ``by`` (who does it: the id of a person, a name, or a ``PersonIn``), ``at`` (the moment, else now), ``uid`` (of the
event, else a new one; the uids of its rows follow from it) and ``origin`` (else the registry's own). With ``at`` and ``uid``
given, neither clock nor chance is asked and the same rows come out each time.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import uuid
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from sqlite_utils import Database

from registry import knowing, schema
from registry.errors import NoAnswer, RegistryError, WrongInput
from registry.models import (
    ALTERED_SURFACES,
    DATED,
    ENTRY_FIELDS,
    ChangeIn,
    ConflictIn,
    ConsentIn,
    CustodyIn,
    DecisionIn,
    EntryIn,
    FamilyTableIn,
    FittingIn,
    HoldIn,
    JoinIn,
    ListIn,
    ListNumberIn,
    MakerIn,
    ObservationIn,
    OddsIn,
    PaperIn,
    PersonIn,
    ReadingIn,
    ReleaseIn,
    SeriesIn,
    StatementIn,
    StopIn,
    TellChangeIn,
    TellCountIn,
    TellIn,
    TheftIn,
    ThingIn,
    check,
)
from registry.opening import now

#: Who does something: the id of a person on file, a name, or somebody new.
By = int | str | PersonIn | None

#: What the first event points back to.
NO_HASH = "0" * 64

#: Columns too large or too derived to stand in an event; their hash stands there.
DIGESTED = {("papers_issued", "body"), ("editions", "rows"), ("family_tables", "compiled")}

_TWO_CLAIM = "two cars claim one number"

_TABLE_OF_EVIDENCE = {
    "observation": "observations",
    "statement": "statements",
    "reading": "readings",
    "photograph": "photographs",
    "stop": "stops",
    "decision": "decisions",
}


@contextmanager
def transaction(db: Database) -> Iterator[Database]:
    """All or nothing. Takes the right to write at once, so that what is read inside is still true when it is written.

    Inside another ``transaction`` it is a part of that one. Raises RegistryError where another program keeps the file locked.
    """
    if db.conn.in_transaction:
        with db.atomic():
            yield db
        return
    try:
        db.conn.execute("BEGIN IMMEDIATE")
    except sqlite3.OperationalError as error:
        raise RegistryError(
            f"The registry could not be written to: {error}. Close the other program that has it open."
        ) from error
    try:
        yield db
    except BaseException:
        db.rollback()
        raise
    try:
        db.commit()
    except BaseException:
        db.rollback()
        raise


def canonical(value: Any) -> str:
    """JSON in the one spelling that hashes are taken over."""
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)


def event_hash(
    previous: str, *, uid: str, origin: str, at: str, by_person: int | None, action: str, payload: str
) -> str:
    """The hash of an event: over the hash before it and everything it says."""
    said = canonical([previous, uid, origin, at, by_person, action, payload])
    return hashlib.sha256(said.encode()).hexdigest()


def carried(table: str, row: dict[str, Any]) -> dict[str, Any]:
    """A row as its event carries it: of a person the ids alone, of a large value its hash, never the event's own id."""
    if table == "people":
        return {key: row.get(key) for key in ("id", "uid", "ref")}
    out: dict[str, Any] = {}
    for key, value in row.items():
        if key in ("event", "origin"):
            continue
        if (table, key) in DIGESTED:
            data = value if isinstance(value, bytes) else str(value).encode()
            value = {"sha256": hashlib.sha256(data).hexdigest()}
        if value is not None:
            out[key] = value
    return out


class _Record:
    """One action on its way: rows wait here with their ids until the event that carries them is written."""

    def __init__(self, db: Database, action: str, by: By, at: str | None, uid: str | None, origin: str | None):
        self.db = db
        self.action = action
        self.at = at or now()
        self.uid = uid or uuid.uuid4().hex
        self.origin = origin or knowing.info(db).get("origin", "")
        self.rows: list[tuple[str, dict[str, Any]]] = []
        self.changed: list[tuple[str, int, dict[str, Any]]] = []
        self.more: dict[str, Any] = {}
        self.car: int | None = None
        self._next: dict[str, int] = {}
        self._columns: dict[str, tuple[str, ...]] = {}
        self._made: dict[PersonIn, int] = {}
        self.event = self._take_id("events")
        self.by = self.person(by)

    def _take_id(self, table: str) -> int:
        if table not in self._next:
            self._next[table] = self.db.execute(f"SELECT coalesce(max(id), 0) FROM {table}").fetchone()[0]
        self._next[table] += 1
        return self._next[table]

    def columns(self, table: str) -> tuple[str, ...]:
        if table not in self._columns:
            names = self.db.execute(f"SELECT name FROM pragma_table_info('{table}')").fetchall()
            self._columns[table] = tuple(name for (name,) in names)
        return self._columns[table]

    def add(self, table: str, **values: Any) -> Any:
        columns = self.columns(table)
        row: dict[str, Any] = {}
        if "id" not in values:
            row["id"] = self._take_id(table)
        if "uid" in columns:
            row["uid"] = uuid.uuid5(uuid.NAMESPACE_OID, f"{self.uid}/{len(self.rows)}").hex
            row["origin"] = self.origin
        row |= values
        if "event" in columns:
            row["event"] = self.event
        self.rows.append((table, row))
        return row["id"]

    def pending(self, table: str) -> list[dict[str, Any]]:
        return [row for name, row in self.rows if name == table]

    def change(self, table: str, row_id: int, changes: dict[str, Any]) -> None:
        self.changed.append((table, row_id, changes))

    def person(self, who: By) -> int | None:
        """The id of a person: found, or made by this action."""
        if who is None:
            return None
        if isinstance(who, int):
            if not self.db.execute("SELECT 1 FROM people WHERE id = ?", [who]).fetchone() and not any(
                row["id"] == who for row in self.pending("people")
            ):
                raise WrongInput(f"There is no person {who} on file.")
            return who
        if isinstance(who, str):
            if not who.strip():
                raise WrongInput("Who does this? Name a person.")
            found = knowing.people_named(self.db, who)
            if len(found) > 1:
                ids = ", ".join(str(row["id"]) for row in found)
                raise WrongInput(
                    f"There are {len(found)} people of the name {who} on file. Give the number of one: {ids}."
                )
            if found:
                return found[0]["id"]
            for row in self.pending("people"):
                if row["name"].casefold() == who.strip().casefold():
                    return row["id"]
            who = check(PersonIn, name=who.strip())
        if who.ref is not None:
            known = self.db.execute("SELECT id FROM people WHERE ref = ?", [who.ref]).fetchone()
            if known:
                return known[0]
        if who not in self._made:  # one action may name a new person twice
            self._made[who] = self.add("people", **who.model_dump(), erased_at=None)
        return self._made[who]

    def write(self) -> None:
        payload: dict[str, Any] = dict(self.more)
        if self.car is not None:
            payload["car"] = self.car
        payload["rows"] = [[table, carried(table, row)] for table, row in self.rows]
        if self.changed:
            payload["changed"] = [
                [table, row_id, sorted(changes) if table == "people" else changes]
                for table, row_id, changes in self.changed
            ]
        text = canonical(payload)
        conn = self.db.conn
        for table, row in self.rows:
            if table == "people":  # the event names them, so they stand first
                self._insert(table, row)
        last = conn.execute("SELECT hash FROM events ORDER BY id DESC LIMIT 1").fetchone()
        previous = last[0] if last else NO_HASH
        event = {"uid": self.uid, "origin": self.origin, "at": self.at, "by_person": self.by, "action": self.action}
        self._insert(
            "events",
            {
                "id": self.event,
                **event,
                "payload": text,
                "previous_hash": previous,
                "hash": event_hash(previous, payload=text, **event),
            },
        )
        for table, row in self.rows:
            if table != "people":
                self._insert(table, row)
        for table, row_id, changes in self.changed:
            sets = ", ".join(f"{column} = ?" for column in changes)
            conn.execute("INSERT INTO registry_info (key, value) VALUES (?, ?)", [schema.AMENDING, table])
            conn.execute(f"UPDATE {table} SET {sets} WHERE id = ?", [*changes.values(), row_id])
            conn.execute("DELETE FROM registry_info WHERE key = ?", [schema.AMENDING])
        for table, row in self.rows:
            if table in ("readings", "theft_reports", "list_numbers"):
                _write_keys(self.db, table, row)

    def _insert(self, table: str, row: dict[str, Any]) -> None:
        names = ", ".join(row)
        marks = ", ".join("?" * len(row))
        self.db.conn.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", list(row.values()))


@contextmanager
def _recording(
    db: Database, action: str, by: By, at: str | None, uid: str | None, origin: str | None
) -> Iterator[_Record]:
    with transaction(db):
        record = _Record(db, action, by, at, uid, origin)
        yield record
        try:
            record.write()
        except sqlite3.IntegrityError as error:
            raise WrongInput(f"The registry refuses this: {error}. Nothing was saved.") from error


def _write_keys(db: Database, table: str, row: dict[str, Any]) -> None:
    from registry import lookup

    kind = {"readings": "reading", "theft_reports": "theft", "list_numbers": "list"}[table]
    lookup.write_keys(db, kind, row["id"], row["as_typed"], row["stamped_on"])


def _span(edtf: str | None) -> dict[str, str | None]:
    """An EDTF text with its bounds, as the columns edtf, earliest and latest."""
    if not edtf:
        return {"edtf": None, "earliest": None, "latest": None}
    from decoder import DecoderError
    from decoder.dates import parse

    try:
        span = parse(edtf)
    except DecoderError as error:
        raise WrongInput(str(error)) from error
    return {"edtf": span.edtf, "earliest": _iso(span.earliest), "latest": _iso(span.latest)}


def _iso(day: Any) -> str | None:
    return None if day is None else day if isinstance(day, str) else day.isoformat()


def written_date(text: str, order: str | None = None) -> str:
    """A date as a person writes it, as EDTF text.

    ``order`` is "day first" or "month first" where the writer's habit is known. Raises WrongInput for a date that cannot be
    (31/02), with the offer of how to write one that is not certain.
    """
    from decoder import DecoderError
    from decoder.dates import parse_written

    try:
        return parse_written(text, day_first=None if order is None else order == "day first").edtf
    except DecoderError as error:
        raise WrongInput(str(error)) from error


def _certain_places(text: str) -> list[int]:
    from decoder import read

    return [i for i, cell in enumerate(read(text).cells) if cell.is_certain]


def _readable(text: str) -> None:
    from decoder import DecoderError, read

    try:
        read(text)
    except DecoderError as error:
        raise WrongInput(str(error)) from error


def _car(db: Database, text: str) -> int:
    return knowing.resolve_car(db, text)["id"]


def _entry(db: Database, text: str) -> dict[str, Any]:
    return knowing.entry_row(db, text)


def _must_exist(db: Database, table: str, row_id: int, what: str) -> dict[str, Any]:
    row = knowing.row(db, f"SELECT * FROM {table} WHERE id = ?", [row_id])
    if row is None:
        raise WrongInput(f"There is no {what} {row_id} on file.")
    return row


def open_the_book(db: Database, *, keeper: str | None = None, at: str | None = None, uid: str | None = None) -> int:
    """Write the first event of a new registry; its keeper is the first person on file. Called by ``create_registry``."""
    with _recording(db, "registry made", keeper, at, uid, None) as record:
        record.more["name"] = knowing.info(db)["name"]
        if record.by is not None:
            db.execute("INSERT INTO registry_info (key, value) VALUES ('keeper', ?)", [str(record.by)])
    return record.event


# People


def record_person(
    db: Database,
    person: PersonIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Put a person on file and return the id. A ``ref`` that is on file already leads to the person who has it."""
    if person.ref is not None:
        known = db.execute("SELECT id FROM people WHERE ref = ?", [person.ref]).fetchone()
        if known:
            return known[0]
    with _recording(db, "person", by, at, uid, origin) as record:
        return record.person(person)  # type: ignore[return-value]


def amend_person(
    db: Database,
    person: int,
    changes: dict[str, str | None],
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Put right what is on file of a person. The event names the fields and none of their values.

    Raises WrongInput for a field a person does not have, or where the person was erased.
    """
    row = _must_exist(db, "people", person, "person")
    unknown = sorted(set(changes) - {"name", "town", "contact", "note", "initials"})
    if unknown or not changes:
        raise WrongInput(
            "Of a person name, town, contact, note and initials can be put right"
            + (f", not {unknown[0]}." if unknown else ".")
        )
    if row["erased_at"]:
        raise WrongInput(f"Person {person} was erased on {row['erased_at'][:10]}; nothing is written back.")
    with _recording(db, "person amended", by, at, uid, origin) as record:
        record.change("people", person, dict(changes))
    return person


def erase_person(
    db: Database,
    person: int,
    *,
    by: By,
    reason: str | None = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> dict[str, Any]:
    """Erase a person's values from the file. What the person did and left stays, under an id.

    The bytes go as well: freed pages are overwritten, the file is rebuilt and its WAL emptied. Returns ``person``,
    ``bytes_gone`` (False where another program had the file open) and ``still_said``: the places where the person's name or
    contact stands inside words that were kept as they were said, for a person to look at.

    Raises WrongInput where there is no such person or the person was erased already.
    """
    row = _must_exist(db, "people", person, "person")
    if row["erased_at"]:
        raise WrongInput(f"Person {person} was erased already, on {row['erased_at'][:10]}.")
    if db.conn.in_transaction:
        raise RegistryError("A person cannot be erased in the middle of another action.")
    values = [row[column] for column in ("name", "contact") if row[column]]
    with _recording(db, "person erased", by, at, uid, origin) as record:
        record.more["person"] = person
        if reason:
            record.more["reason"] = reason
        nothing = dict.fromkeys(("name", "town", "contact", "note", "initials"))
        record.change("people", person, {**nothing, "erased_at": record.at})
    return {"person": person, "bytes_gone": scrub(db), "still_said": knowing.where_said(db, values)}


def scrub(db: Database) -> bool:
    """Overwrite what was deleted, in the file and in its WAL. False where another program had it open, and it must be done again."""
    try:
        db.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        db.conn.execute("VACUUM")
        busy, *_rest = db.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    except sqlite3.OperationalError:
        return False
    return not busy


# Entries


def record_entry(
    db: Database,
    entry: EntryIn,
    *,
    look: bool = True,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Write a visit into the entry book, with what was read, said and seen at the door, and return the entry's id.

    With ``entry.car`` it is one more visit of that car; else a car is made that is known by this entry's number. Stops that
    the numbers themselves give (an altered surface, a theft report near by, another car's pan number on the title) are
    found and recorded, and a number that another car holds already is kept on both and flagged. ``look=False`` is for a
    list that brings its own stops and conflicts.
    """
    with _recording(db, "entry", by, at, uid, origin) as record:
        number = entry.number or knowing.next_entry_number(db, entry.entry_date)
        if db.execute("SELECT 1 FROM entries WHERE number = ?", [number]).fetchone():
            raise WrongInput(f"Entry {number} is in the book already. Leave the number out and the next one is taken.")
        if entry.car is None:
            if db.execute("SELECT 1 FROM cars WHERE number = ?", [number]).fetchone():
                raise WrongInput(f"There is a car {number} already.")
            car = record.add("cars", number=number)
        else:
            car = _car(db, entry.car)
        record.car = car
        row = {field: getattr(entry, field) for field in ENTRY_FIELDS}
        row["left_by"] = record.person(entry.left_by)
        row["examined_by"] = record.person(entry.examined_by)
        entry_id = record.add(
            "entries", number=number, car=car, **row, finished_at=record.at if entry.finished else None
        )
        day = entry.entry_date
        for thing in entry.things:
            _add_thing(record, thing, car)
        for reading in entry.readings:
            _add_reading(
                record, reading, car=car, entry=entry_id, day=day, conflict_reason=entry.conflict_reason, look=look
            )
        for statement in entry.statements:
            _add_statement(record, statement, car=car, entry=entry_id)
        for observation in entry.observations:
            _add_observation(record, observation, car=car, entry=entry_id, day=day)
        for stop in entry.stops:
            _add_stop(record, stop, car=car, entry=entry_id)
        if entry.consent is not None:
            record.add("consents", car=car, person=row["left_by"], consent=entry.consent, at=day, reason=None)
    return entry_id


def amend_entry(
    db: Database,
    entry: str,
    changes: dict[str, Any],
    *,
    finish: bool = False,
    readings: Sequence[ReadingIn] = (),
    conflict_reason: str = "not known yet",
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Fill in or put right an entry; ``finish`` says that it is complete. The event carries what changed, from what to what.

    ``readings`` are added to the entry in the same action. Raises WrongInput for a field that an entry does not have, or
    where nothing would change.
    """
    row = _entry(db, entry)
    unknown = sorted(set(changes) - set(ENTRY_FIELDS))
    if unknown:
        raise WrongInput(f"An entry has no {unknown[0]} that could be put right.")
    # The same checks as when an entry begins, on the whole of it as it will stand.
    whole = {field: row[field] for field in ENTRY_FIELDS} | changes
    checked = check(EntryIn, **{key: value for key, value in whole.items() if value is not None})
    action = "entry finished" if finish else "entry amended"
    with _recording(db, action, by, at, uid, origin) as record:
        record.car = row["car"]
        new = {}
        for field in changes:
            value = getattr(checked, field)
            if field in ("left_by", "examined_by"):
                value = record.person(value)
            if value != row[field]:
                new[field] = value
        if finish and not row["finished_at"]:
            new["finished_at"] = record.at
        if not new and not readings:
            raise WrongInput(f"Nothing in entry {row['number']} would change.")
        if new:
            record.more["was"] = {field: row[field] for field in new if row[field] is not None}
            record.change("entries", row["id"], new)
        for reading in readings:
            _add_reading(
                record, reading, car=row["car"], entry=row["id"], day=record.at[:10], conflict_reason=conflict_reason
            )
    return row["id"]


def finish_entry(db: Database, entry: str, changes: dict[str, Any], **how: Any) -> int:
    """``amend_entry`` with ``finish``: the rest of an entry that was begun with three answers."""
    return amend_entry(db, entry, changes, finish=True, **how)


# Things and readings


def record_thing(
    db: Database,
    thing: ThingIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Put a thing on file that has no number to read, and return its id."""
    with _recording(db, "thing", by, at, uid, origin) as record:
        car = None if thing.car is None else _car(db, thing.car)
        record.car = car
        return _add_thing(record, thing, car)


def record_reading(
    db: Database,
    reading: ReadingIn,
    *,
    conflict_reason: str = "not known yet",
    look: bool = True,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Keep a number as somebody read it, and return the reading's id. Finds stops and double claims as ``record_entry`` does."""
    with _recording(db, "reading", by, at, uid, origin) as record:
        entry = None if reading.entry is None else _entry(db, reading.entry)
        car = entry["car"] if entry else None if reading.car is None else _car(db, reading.car)
        if car is None and reading.thing is not None:
            car = knowing.car_of_thing(db, reading.thing)
        record.car = car
        return _add_reading(
            record,
            reading,
            car=car,
            entry=entry["id"] if entry else None,
            day=record.at[:10],
            conflict_reason=conflict_reason,
            look=look,
        )


def fit_thing(
    db: Database,
    fitting: FittingIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Say that a thing is, or was, on a car, and from when to when. Returns the fitting's id."""
    _must_exist(db, "things", fitting.thing, "thing")
    if fitting.supersedes is not None:
        _must_exist(db, "fittings", fitting.supersedes, "fitting")
    if fitting.paper is not None:
        _must_exist(db, "statements", fitting.paper, "statement")
    action = "taken off" if fitting.former else "fitted"
    with _recording(db, action, by, at, uid, origin) as record:
        record.car = _car(db, fitting.car)
        return record.add(
            "fittings",
            thing=fitting.thing,
            car=record.car,
            **_span(fitting.edtf),
            former=int(fitting.former),
            paper=fitting.paper,
            supersedes=fitting.supersedes,
        )


def unfit_thing(db: Database, fitting: int, *, edtf: str | None = None, paper: int | None = None, **how: Any) -> int:
    """Say that a thing is no longer on its car. A new fitting supersedes the old one; ``edtf`` is the whole span, if known."""
    old = _must_exist(db, "fittings", fitting, "fitting")
    car = knowing.car_number(db, old["car"])
    new = check(
        FittingIn, thing=old["thing"], car=car, edtf=edtf or old["edtf"], former=True, paper=paper, supersedes=fitting
    )
    return fit_thing(db, new, **how)


def record_change(
    db: Database,
    change: ChangeIn,
    *,
    conflict_reason: str = "not known yet",
    look: bool = True,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Put down that a car stands on another pan, or carries another plate; returns the car's id. One event for all of it.

    Nothing is edited: a fitting that ends is superseded by one that says so. The thing that comes off keeps its number, its
    readings and its papers, and so does a title, which speaks of the pan that it names. A thing that comes from another car
    leaves that one in the same action. Stops and double claims of a number that is read are found as ``record_reading`` does.

    Raises WrongInput where it is not said what comes on, where the change would lie before what it changes or in the future,
    where the number is that of the thing which is on the car already, and where a thing is not of the kind.
    """
    comes_on = [change.reading is not None, change.thing is not None, change.present, change.off]
    if sum(comes_on) != 1:
        raise WrongInput(
            f"What is on the car now? Give the number of the {change.kind} that came on, or say that none did."
        )
    if change.before is not None and not change.present:
        raise WrongInput(f"The {change.kind} before is asked for only where the one on file is the new one.")
    action = {"pan": "repan", "plate": "replate"}[change.kind]
    with _recording(db, action, by, at, uid, origin) as record:
        car = _car(db, change.car)
        record.car = car
        record.more["reason"] = change.reason
        on_it = [thing for thing in knowing.things_on(db, car) if thing["kind"] == change.kind]
        numbers = [best["as_typed"] for thing in on_it if (best := knowing.best_reading(db, thing["id"]))]
        if change.present:
            record.more |= {"off": [change.before.as_typed] if change.before else [], "on": numbers}
        else:
            record.more |= {"off": numbers, "on": [change.reading.as_typed] if change.reading else []}
        end, start = _change_ends(change, on_it, today=record.at[:10])
        paper = change.paper
        if paper is not None:
            _must_exist(db, "statements", paper, "statement")
        elif change.statement is not None:
            paper = _add_statement(record, change.statement, car=car, entry=None)
        if change.present:
            _date_the_present_one(record, change, car, on_it, end, start, paper)
            return car
        if not on_it and change.off:
            raise WrongInput(f"No {change.kind} is on {change.car}; there is nothing to take off.")
        for thing in on_it:
            if thing["id"] == change.thing:
                raise WrongInput(f"That {change.kind} is on {change.car} already.")
            _take_off(record, thing, thing["car"], end, paper)
        if change.thing is not None:
            _from_elsewhere(record, change, car, end, start, paper)
        elif change.reading is not None:
            _readable(change.reading.as_typed)
            reading = change.reading.model_copy(update={"another": True, "fitted": start, "car": None, "entry": None})
            earlier = [row["as_typed"] for thing in on_it for row in knowing.readings_of(db, thing["id"])]
            same = [text for text in earlier if _is_one_number(db, text, reading.as_typed, reading.stamped_on)]
            if same:
                raise WrongInput(
                    f"{reading.as_typed} is the number of the {change.kind} that is on {change.car} already ({same[0]})."
                )
            _add_reading(
                record,
                reading,
                car=car,
                entry=None,
                day=record.at[:10],
                conflict_reason=conflict_reason,
                look=look,
            )
            record.pending("fittings")[-1]["paper"] = paper
    return car


def _change_ends(change: ChangeIn, on_it: list[dict[str, Any]], *, today: str) -> tuple[str, str | None]:
    """When the old one went, as the end of an EDTF interval ("" where that is not known), and the fitting of the new one.

    The date of a paper may bound the change from one side only; then the other side stays open.
    """
    if change.when is None:
        return "", None
    span = _span(change.when)
    for thing in on_it:
        if not change.present and thing["earliest"] and span["latest"] and span["latest"] < thing["earliest"]:
            raise WrongInput(
                f"The {change.kind} that is on {change.car} came on it on {thing['earliest']} at the earliest, so it cannot have been "
                f"changed in {change.when}. Look at both dates again."
            )
    if span["earliest"] and span["earliest"] > today:
        raise WrongInput(f"{change.when} is not over yet. Put the change down when it is done.")
    plain = "/" not in change.when and not change.when.startswith(("[", "{"))
    end = change.when if plain else span["latest"] or ""
    start = change.when if plain else span["earliest"] or ""
    if change.relation == "not before":
        end = ""
    elif change.relation == "not after":
        start = ""
    return end, f"{start}/.." if start else None


def _ended(edtf: str | None, end: str) -> str | None:
    """The span of a fitting that has ended: what was known of its start, and ``end``; None where nothing is known."""
    start = (edtf or "").partition("/")[0]
    if end:
        return f"{start or '..'}/{end}"
    return f"{start}/" if start not in ("", "..") else None


def _take_off(record: _Record, thing: dict[str, Any], car: int, end: str, paper: int | None) -> None:
    record.add(
        "fittings",
        thing=thing["id"],
        car=car,
        **_span(_ended(thing["edtf"], end)),
        former=1,
        paper=paper,
        supersedes=thing["fitting"],
    )


def _from_elsewhere(
    record: _Record, change: ChangeIn, car: int, end: str, start: str | None, paper: int | None
) -> None:
    """A thing on file comes on the car: from another one, which it leaves, or back after it had been off."""
    db = record.db
    assert change.thing is not None
    thing = _must_exist(db, "things", change.thing, "thing")
    best = knowing.best_reading(db, thing["id"])
    record.more["on"] = [best["as_typed"]] if best else []
    if thing["kind"] != change.kind:
        raise WrongInput(f"Thing {thing['id']} is a {thing['kind']}, and the {change.kind} is to be changed.")
    standing = knowing.rows(
        db,
        "SELECT *, id AS fitting FROM fittings WHERE thing = ? AND former = 0 "
        "AND NOT EXISTS (SELECT 1 FROM fittings AS later WHERE later.supersedes = fittings.id)",
        [thing["id"]],
    )
    for fitting in standing:
        _take_off(record, fitting | {"id": thing["id"]}, fitting["car"], end, paper)
    record.add("fittings", thing=thing["id"], car=car, **_span(start), former=0, paper=paper, supersedes=None)


def _date_the_present_one(
    record: _Record,
    change: ChangeIn,
    car: int,
    on_it: list[dict[str, Any]],
    end: str,
    start: str | None,
    paper: int | None,
) -> None:
    """The one on file is the new one: it gets its start, and what was there before becomes a thing of its own."""
    if not on_it:
        raise WrongInput(f"No {change.kind} is on {change.car}. Give the number of the one that came on.")
    for thing in on_it:
        record.add(
            "fittings",
            thing=thing["id"],
            car=thing["car"],
            **_span(start or thing["edtf"]),
            former=0,
            paper=paper,
            supersedes=thing["fitting"],
        )
    before = f"../{end}" if end else None
    note = f"The {change.kind} before the present one; no longer with the car."
    if change.before is None:
        thing_id = record.add("things", kind=change.kind, series=None, issue=None, note=note)
        record.add("fittings", thing=thing_id, car=car, **_span(before), former=1, paper=paper, supersedes=None)
        return
    update = {
        "former": True,
        "fitted": before,
        "car": None,
        "entry": None,
        "thing_note": change.before.thing_note or note,
    }
    _readable(change.before.as_typed)
    reading = change.before.model_copy(update=update)
    same = [
        text
        for thing in on_it
        for row in knowing.readings_of(record.db, thing["id"])
        if _is_one_number(record.db, text := row["as_typed"], reading.as_typed, change.kind)
    ]
    if same:
        raise WrongInput(f"{reading.as_typed} is the number of the {change.kind} that is on {change.car} now.")
    _add_reading(record, reading, car=car, entry=None, day=record.at[:10], conflict_reason="not known yet", look=False)
    record.pending("fittings")[-1]["paper"] = paper


def _is_one_number(db: Database, one: str, other: str, on: str) -> bool:
    """Whether two readings are plainly of one number: they share a spelling, with no character in doubt."""
    from decoder import keys

    tables = knowing.house_tables(db)
    left, right = (
        {(key.family, key.key) for key in keys(text, on=on, tables=tables) if key.certain} for text in (one, other)
    )
    return bool(left & right)


def _add_thing(record: _Record, thing: ThingIn, car: int | None) -> int:
    if thing.series is not None:
        _series(record, thing.series)
    thing_id = record.add("things", kind=thing.kind, series=thing.series, issue=thing.issue, note=thing.note)
    if car is not None:
        _fit(record, thing_id, car, thing.fitted, thing.former)
    return thing_id


def _fit(record: _Record, thing: int, car: int, edtf: str | None, former: bool) -> int:
    return record.add("fittings", thing=thing, car=car, **_span(edtf), former=int(former), paper=None, supersedes=None)


def _series(record: _Record, series: str) -> None:
    known = record.db.execute("SELECT 1 FROM series WHERE id = ?", [series]).fetchone()
    if not known and not any(row["id"] == series for row in record.pending("series")):
        names = [name for (name,) in record.db.execute("SELECT id FROM series ORDER BY id")]
        said = f" On file: {', '.join(names)}." if names else " None is on file yet."
        raise WrongInput(f"There is no series {series}.{said}")


def _add_reading(
    record: _Record,
    reading: ReadingIn,
    *,
    car: int | None,
    entry: int | None,
    day: str,
    conflict_reason: str,
    look: bool = True,
) -> int:
    db = record.db
    _readable(reading.as_typed)
    if reading.slip_of is not None:
        _must_exist(db, "readings", reading.slip_of, "reading")
    thing = reading.thing
    if thing is not None:
        _must_exist(db, "things", thing, "thing")
    elif reading.slip_of is not None:
        thing = _must_exist(db, "readings", reading.slip_of, "reading")["thing"]
    elif car is not None and not reading.another and not reading.former:
        thing = _thing_on(record, car, reading)
    if thing is None:
        new = check(
            ThingIn,
            kind=reading.stamped_on,
            fitted=reading.fitted,
            former=reading.former,
            series=reading.series,
            issue=reading.issue,
            note=reading.thing_note,
        )
        thing = _add_thing(record, new, car)
    reading_id = record.add(
        "readings",
        thing=thing,
        entry=entry,
        as_typed=reading.as_typed,
        stamped_on=reading.stamped_on,
        place=reading.place,
        how=reading.how,
        surface=reading.surface,
        direction=reading.direction,
        at=reading.at or day,
        by_person=record.person(reading.by) if reading.by is not None else record.by,
        note=reading.note,
        slip_of=reading.slip_of,
    )
    if car is not None and look:
        hits = _hits(db, reading.as_typed, reading.stamped_on)
        _stops_of_reading(record, reading, car=car, entry=entry, day=day, hits=hits)
        _double_claims(record, reading, car=car, day=day, hits=hits, reason=conflict_reason)
    return reading_id


def _thing_on(record: _Record, car: int, reading: ReadingIn) -> int | None:
    """The thing of that kind that is on the car now and may carry this number; None where it is another one."""
    fitted = [row["thing"] for row in record.pending("fittings") if row["car"] == car and not row["former"]]
    kinds = {row["id"]: row["kind"] for row in record.pending("things")}
    mine = [thing for thing in fitted if kinds.get(thing) == reading.stamped_on]
    mine += [row["id"] for row in knowing.things_on(record.db, car) if row["kind"] == reading.stamped_on]
    if not mine:
        return None
    thing = mine[0]
    earlier = [row["as_typed"] for row in record.pending("readings") if row["thing"] == thing]
    earlier += [row["as_typed"] for row in knowing.readings_of(record.db, thing)]
    if not earlier or any(may_be_one_number(record.db, old, reading.as_typed, reading.stamped_on) for old in earlier):
        return thing
    # Another number than the one on file: another pan, or a slip. Neither is decided here.
    record.add(
        "conflicts",
        kind="another number than before",
        car_a=car,
        car_b=None,
        key=None,
        says=f"The {reading.stamped_on} of this car was read as {earlier[0]} before and as {reading.as_typed} now.",
        reason="not known yet",
        state="open",
        supersedes=None,
        at=reading.at or record.at[:10],
        by_person=record.by,
    )
    return None


def may_be_one_number(db: Database, one: str, other: str, on: str) -> bool:
    """Whether two readings may be of one number: they share a spelling, or stand one misread character apart."""
    from decoder import keys, neighbours

    tables = knowing.house_tables(db)
    left = {key.key for key in keys(one, on=on, tables=tables)}
    right = {key.key for key in keys(other, on=on, tables=tables)}
    return bool(left & right) or any(near in right for key in left for near in neighbours(key))


def _hits(db: Database, text: str, on: str | None) -> list[dict[str, Any]]:
    from registry import lookup

    return list(lookup.find(db, text, on=on, weigh=False).as_dict()["near"])


def _stops_of_reading(
    record: _Record, reading: ReadingIn, *, car: int, entry: int | None, day: str, hits: list[dict[str, Any]]
) -> None:
    found = []
    if reading.surface in ALTERED_SURFACES:
        found.append(altered_stop(reading.stamped_on, reading.surface))
    found += [theft_stop(hit) for hit in hits if hit["kind"] == "theft"]
    if reading.stamped_on in ("title", "pan"):
        found += _title_stops(record, reading, car, hits)
    open_kinds = {(stop["kind"], stop["says"]) for stop in knowing.stops_of(record.db, car) if stop["open"]}
    open_kinds |= {(row["kind"], row["says"]) for row in record.pending("stops") if row["car"] == car}
    for stop in found:
        if (stop["kind"], stop["says"]) not in open_kinds:
            open_kinds.add((stop["kind"], stop["says"]))
            record.add("stops", car=car, entry=entry, **stop, found_by="tool", at=day, by_person=None)


def altered_stop(carrier: str, surface: str) -> dict[str, str]:
    """The stop of a number whose surface was worked on. It accuses nobody: rust and repair leave such surfaces too."""
    seen = {"ground": "looks ground", "restamped": "looks stamped again", "cut-away": "is cut away"}[surface]
    return {
        "kind": "number looks altered",
        "says": (
            f"The metal under the {carrier} number {seen}. Do not clean, sand, polish or etch it, do not buy or sell on "
            "it, and take no date from it."
        ),
        "ask": "Ask the vehicle office of the place before anything else is done. A laboratory can often bring a number back.",
    }


def theft_stop(report: dict[str, Any]) -> dict[str, str]:
    """The stop of a number on, or one character from, a theft report: ``number``, ``source``, ``reported``, ``ask``, ``how``."""
    how = "is the number of" if report["how"] == "exact" else "is one character from"
    when = f", {report['reported']}" if report.get("reported") else ""
    asked = report.get("ask") or f"whoever keeps the report ({report['source']}), and the police of the place"
    return {
        "kind": "near a theft report",
        "says": (
            f"A number of this car {how} a theft report: {report['number']} ({report['source']}{when}). A report can be "
            "wrong, and so can a reading: read the number again. Do not buy, sell or take the car apart, and do not pass "
            "the number on."
        ),
        "ask": f"Ask {asked.removeprefix('Ask ').rstrip('.')}.",
    }


def _title_stops(record: _Record, reading: ReadingIn, car: int, hits: list[dict[str, Any]]) -> list[dict[str, str]]:
    """A title whose number belongs to another pan on file, or is plainly not the number of this pan."""
    db = record.db
    members = set(knowing.members(db, car))
    ask = "Ask the vehicle office that issued the title which object it speaks of."
    if reading.stamped_on == "title":
        titles, pans = [reading.as_typed], _numbers_on(record, car, "pan")
    else:
        titles, pans = _numbers_on(record, car, "title"), [reading.as_typed]
    for title in titles:
        if any(may_be_one_number(db, title, pan, "pan") for pan in pans):
            continue
        for hit in hits if reading.stamped_on == "title" else ():
            if hit["kind"] == "pan" and hit["how"] == "exact" and _car(db, hit["car"]) not in members:
                says = (
                    f"The number on the title is the number of the pan of {hit['car']}. Issue no sale papers on this "
                    "title, and send neither car away, until it is known which object it speaks of."
                )
                return [{"kind": "title of another thing", "says": says, "ask": ask}]
        # Only where both are numbers of a known family: an assigned number on a title says nothing about the pan.
        plain = [pan for pan in pans if _is_a_pan_number(db, pan)]
        if plain and _is_a_pan_number(db, title):
            says = (
                f"The title says {title} and the pan says {plain[0]}: the title speaks of another pan. Issue no sale papers "
                "on this title until the office has said what it asks."
            )
            return [{"kind": "title of another thing", "says": says, "ask": ask}]
    return []


def _numbers_on(record: _Record, car: int, kind: str) -> list[str]:
    """The numbers read on the things of one kind that are on a car, those of this action first."""
    fitted = {row["thing"] for row in record.pending("fittings") if row["car"] == car and not row["former"]}
    found = [
        row["as_typed"] for row in record.pending("readings") if row["stamped_on"] == kind and row["thing"] in fitted
    ]
    for thing in knowing.things_on(record.db, car):
        if thing["kind"] == kind:
            found += [row["as_typed"] for row in knowing.readings_of(record.db, thing["id"])]
    return found


def _is_a_pan_number(db: Database, text: str) -> bool:
    """Whether a text is, as it stands, a number of a family that pans carry; no letter taken for a figure or left out."""
    from decoder import keys

    found = keys(text, on="pan", tables=knowing.house_tables(db))
    plain = {key.key for key in found if not key.family}
    return any(key.family and key.certain and key.key in plain for key in found)


def _double_claims(
    record: _Record, reading: ReadingIn, *, car: int, day: str, hits: list[dict[str, Any]], reason: str
) -> None:
    """Another car holds this number already: both keep it, and the conflict is put down with its reason."""
    if reading.stamped_on not in ("pan", "body", "plate"):
        return
    from decoder import read

    db = record.db
    members = set(knowing.members(db, car))
    alike = ("pan",) if reading.stamped_on == "pan" else ("body", "plate")
    told = {row["car_b"]: row for row in record.pending("conflicts") if row["kind"] == _TWO_CLAIM}
    is_certain = read(reading.as_typed).is_certain
    for hit in hits:
        # A doubtful reading that may be the other's number is shown at intake, not put down as a claim on it. What the other
        # car had once and has no longer may well have come from there.
        settled = hit["how"] == "exact" and hit["certain"] and is_certain
        if hit.get("slip") or hit.get("former"):
            continue
        if hit["kind"] not in alike or not hit["car"] or not settled:
            continue
        other = _car(db, hit["car"])
        if other in members:
            continue
        if other in told:  # one conflict a pair of cars: the second number that both claim is a part of it
            also = f" So is the {reading.stamped_on} number {reading.as_typed}."
            if (
                also not in told[other]["says"]
                and f"{reading.stamped_on} number {reading.as_typed} " not in told[other]["says"]
            ):
                told[other]["says"] += also
            continue
        known = knowing.rows(
            db,
            "SELECT 1 FROM conflicts WHERE kind = ? AND key = ? AND car_a = ? AND car_b = ?",
            [_TWO_CLAIM, hit["number"], car, other],
        )
        if known:  # the same number read again
            continue
        record.add(
            "conflicts",
            kind=_TWO_CLAIM,
            car_a=car,
            car_b=other,
            key=hit["number"],
            says=f"The {reading.stamped_on} number {reading.as_typed} is claimed by this car and by {hit['car']}.",
            reason=reason,
            state="open",
            supersedes=None,
            at=day,
            by_person=record.by,
        )
        told[other] = record.pending("conflicts")[-1]


# Papers and say-so, observations


def record_statement(
    db: Database,
    statement: StatementIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Keep what a paper or a person says about a car, and return the statement's id.

    Raises WrongInput for a date that cannot be, and where neither car, entry nor thing is named.
    """
    with _recording(db, "statement", by, at, uid, origin) as record:
        entry = None if statement.entry is None else _entry(db, statement.entry)
        car = entry["car"] if entry else None if statement.car is None else _car(db, statement.car)
        if car is None and statement.thing is not None:
            car = knowing.car_of_thing(db, statement.thing)
        if car is None:
            raise WrongInput("Which car is this about? Name the car or the entry.")
        record.car = car
        return _add_statement(record, statement, car=car, entry=entry["id"] if entry else None)


def _add_statement(record: _Record, statement: StatementIn, *, car: int, entry: int | None) -> int:
    edtf = statement.edtf or (written_date(statement.when, statement.order) if statement.when else None)
    if edtf and statement.about in DATED and statement.relation is None:
        raise WrongInput("Does the date equal it, or was it not before, or not after? Give the relation.")
    if statement.thing is not None:
        _must_exist(record.db, "things", statement.thing, "thing")
    if statement.slip_of is not None:
        _must_exist(record.db, "statements", statement.slip_of, "statement")
    return record.add(
        "statements",
        car=car,
        entry=entry,
        thing=statement.thing,
        about=statement.about,
        relation=statement.relation,
        as_written=statement.as_written or statement.when,
        **_span(edtf),
        value=statement.value,
        kind=statement.kind,
        nature=statement.nature,
        seen=statement.seen,
        source=statement.source,
        locator=statement.locator,
        confidence=statement.confidence,
        note=statement.note,
        by_person=record.person(statement.by) if statement.by is not None else record.by,
        at=statement.at or record.at[:10],
        slip_of=statement.slip_of,
    )


def record_observations(
    db: Database,
    observations: Iterable[ObservationIn],
    *,
    car: str | None = None,
    entry: str | None = None,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> list[int]:
    """Keep what was seen of a car's tells, as one action; returns the ids in the same order.

    Raises WrongInput for a tell that no sheet on file has, once there are sheets on file.
    """
    with _recording(db, "observations", by, at, uid, origin) as record:
        row = None if entry is None else _entry(db, entry)
        if row is None and car is None:
            raise WrongInput("Which car was looked at? Name the car or the entry.")
        record.car = row["car"] if row else _car(db, car or "")
        day = record.at[:10]
        found = [
            _add_observation(record, seen, car=record.car, entry=row["id"] if row else None, day=day)
            for seen in observations
        ]
        if not found:
            raise WrongInput("Nothing was observed; nothing was saved.")
        return found


def _add_observation(record: _Record, seen: ObservationIn, *, car: int, entry: int | None, day: str) -> int:
    codes = knowing.tell_codes(record.db)
    if codes and seen.tell not in codes:
        raise WrongInput(f"No sheet on file has a tell {seen.tell}. Its code stands beside each tell on the sheet.")
    if seen.slip_of is not None:
        _must_exist(record.db, "observations", seen.slip_of, "observation")
    return record.add(
        "observations",
        car=car,
        entry=entry,
        tell=seen.tell,
        state=seen.state,
        traces=seen.traces,
        place=seen.place,
        doubt=seen.doubt,
        note=seen.note,
        at=seen.at or day,
        by_person=record.person(seen.by) if seen.by is not None else record.by,
        blind=int(seen.blind),
        slip_of=seen.slip_of,
    )


# Decisions


def record_decision(
    db: Database,
    decision: DecisionIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Keep a named person's opinion with the rows it rests on, frozen as they stand, and return the decision's id.

    What the findings bear on that day is kept with it: posterior, strength in words, and the versions of the tables.

    It supersedes the one named, else the same person's last standing opinion on the same car and thing: two people may
    disagree, and then both stand. Raises WrongInput for evidence that is not on file or is about another car.
    """
    with _recording(db, "decision", by if by is not None else decision.by, at, uid, origin) as record:
        car = _car(db, decision.car)
        record.car = car
        person = record.person(decision.by)
        for series in (decision.series, decision.second_series):
            if series is not None:
                _series(record, series)
        supersedes = decision.supersedes
        if supersedes is None:
            supersedes = decision.slip_of
        if supersedes is None:
            standing = [
                row
                for row in knowing.decisions_of(db, car)
                if row["stands"] and row["by_person"] == person and row["thing"] == decision.thing
            ]
            supersedes = standing[-1]["id"] if standing else None
        elif _must_exist(db, "decisions", supersedes, "decision")["car"] not in knowing.members(db, car):
            raise WrongInput(f"Decision {supersedes} is about another car.")
        decision_id = record.add(
            "decisions",
            car=car,
            thing=decision.thing,
            entry=None if decision.entry is None else _entry(db, decision.entry)["id"],
            opinion=decision.opinion,
            series=decision.series,
            second_series=decision.second_series,
            reason=decision.reason,
            by_person=person,
            at=decision.at,
            supersedes=supersedes,
            slip_of=decision.slip_of,
        )
        from registry import examining

        bears = examining.frozen_of(db, car)  # what the findings bear today; a later table does not change it
        weights = bears["weights"] if bears else {}
        for piece in decision.evidence:
            frozen = _must_exist(db, _TABLE_OF_EVIDENCE[piece.kind], piece.ref, piece.kind)
            if not knowing.is_about(db, piece.kind, frozen, car):
                raise WrongInput(f"{piece.kind.capitalize()} {piece.ref} is about another car.")
            # An open opinion may rest on what could not be seen: that is why it is open.
            if decision.opinion != "open" and frozen.get("state") in ("not examined", "not visible"):
                raise WrongInput(
                    f"{frozen['tell']} was {frozen['state']}: that is no evidence. Look at it first, or name another finding."
                )
            frozen = {key: value for key, value in frozen.items() if value is not None}
            weighed = weights.get(frozen["tell"]) if piece.kind == "observation" else None
            record.add(
                "decision_evidence",
                decision=decision_id,
                kind=piece.kind,
                ref=piece.ref,
                weight=weighed if piece.weight is None else piece.weight,
                frozen=canonical(frozen),
            )
        if bears:
            record.add("decision_weighings", decision=decision_id, frozen=canonical(bears))
    return decision_id


# Stops


def record_stop(
    db: Database,
    stop: StopIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Put a stop on a car and return its id. Every answer about the car shows it first until it is released."""
    with _recording(db, "stop", by, at, uid, origin) as record:
        entry = None if stop.entry is None else _entry(db, stop.entry)
        if entry is None and stop.car is None:
            raise WrongInput("Which car has to stop? Name the car or the entry.")
        record.car = entry["car"] if entry else _car(db, stop.car or "")
        return _add_stop(record, stop, car=record.car, entry=entry["id"] if entry else None)


def _add_stop(record: _Record, stop: StopIn, *, car: int, entry: int | None) -> int:
    person = record.person(stop.by) if stop.by is not None else record.by
    if stop.found_by == "person" and person is None:
        raise WrongInput("Who puts this stop on the car? Name a person.")
    return record.add(
        "stops",
        car=car,
        entry=entry,
        kind=stop.kind,
        says=stop.says,
        ask=stop.ask,
        found_by=stop.found_by,
        at=stop.at or record.at[:10],
        by_person=person,
    )


def release_stop(
    db: Database,
    release: ReleaseIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Say that a stop no longer stands: a named person, and why. The stop itself stays on file. Returns the release's id."""
    stop = _must_exist(db, "stops", release.stop, "stop")
    if db.execute("SELECT 1 FROM stop_releases WHERE stop = ?", [release.stop]).fetchone():
        raise WrongInput(f"Stop {release.stop} was released already.")
    if release.paper is not None:
        _must_exist(db, "statements", release.paper, "statement")
    with _recording(db, "stop released", by if by is not None else release.by, at, uid, origin) as record:
        record.car = stop["car"]
        return record.add(
            "stop_releases",
            stop=release.stop,
            reason=release.reason,
            paper=release.paper,
            by_person=record.person(release.by),
            at=release.at or record.at[:10],
        )


# Theft reports and other lists


def record_theft(
    db: Database,
    theft: TheftIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Keep a theft report's number, so that later readings near it are stopped; returns its id.

    Cars on file that already carry the number, or one a character from it, get their stop in the same action.
    """
    _readable(theft.as_typed)
    if len(_certain_places(theft.as_typed)) < 3:
        raise WrongInput("A theft report needs a number with three certain characters at least; it would fit every car.")
    with _recording(db, "theft report", by, at, uid, origin) as record:
        theft_id = record.add("theft_reports", **theft.model_dump())
        alike = [hit for hit in _hits(db, theft.as_typed, theft.stamped_on) if hit["car"] and hit["kind"] != "title"]
        told: set[int] = set()
        for hit in alike:
            car = _car(db, hit["car"])
            if car not in told:
                told.add(car)
                stop = theft_stop(theft.model_dump() | {"number": theft.as_typed, "how": hit["how"]})
                record.add("stops", car=car, entry=None, **stop, found_by="tool", at=record.at[:10], by_person=None)
    return theft_id


def record_list(
    db: Database,
    other: ListIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Put another list on file, by name, and return its id (that of the one on file, where there is one)."""
    known = db.execute("SELECT id FROM lists WHERE name = ?", [other.name]).fetchone()
    if known:
        return known[0]
    with _recording(db, "list", by, at, uid, origin) as record:
        return record.add("lists", **other.model_dump())


def record_list_numbers(
    db: Database,
    numbers: Iterable[ListNumberIn],
    *,
    source: dict[str, str] | None = None,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> list[int]:
    """Keep the numbers of another list, as one action (``source``: the file's name and hash, kept in the event).

    Raises WrongInput for a list that is not on file, or for the first number that cannot be read, with its place.
    """
    with _recording(db, "list numbers", by, at, uid, origin) as record:
        if source:
            record.more["source"] = dict(source)
        ids: dict[str, int] = {name: number for number, name in db.execute("SELECT id, name FROM lists")}
        found = []
        for place, number in enumerate(numbers, 1):
            if number.list not in ids:
                raise WrongInput(f"There is no list called {number.list} on file.")
            try:
                _readable(number.as_typed)
            except WrongInput as error:
                raise WrongInput(f"Number {place} of the list: {error}") from error
            if number.series is not None:
                _series(record, number.series)
            row = number.model_dump() | {"list": ids[number.list]}
            found.append(record.add("list_numbers", **row))
        return found


# Makers, series, tells, house tables


def record_maker(
    db: Database,
    maker: MakerIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> str:
    """Put a maker of bodies on file and return the id."""
    with _recording(db, "maker", by, at, uid, origin) as record:
        return record.add("makers", **maker.model_dump())


def record_series(
    db: Database,
    series: SeriesIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> str:
    """Put a series of bodies on file and return the id."""
    with _recording(db, "series", by, at, uid, origin) as record:
        if series.made_edtf:
            _span(series.made_edtf)
        return record.add("series", **series.model_dump())


def record_tells(
    db: Database,
    tells: Iterable[TellIn],
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> list[int]:
    """Put a sheet of tells on file, with how often each was found and at which serial that changes, as one action.

    A tell of a code that is on file is a later version of it, and replaces it in use. Raises WrongInput, with the tell, where
    more bodies are said to have had it than were looked at, where a series is not on file, or where a series is named twice.
    """
    with _recording(db, "tells", by, at, uid, origin) as record:
        return [_add_tell(record, tell) for tell in tells]


def _add_tell(record: _Record, tell: TellIn) -> int:
    row = tell.model_dump(exclude={"counts", "changes"}) | {"later": int(tell.later)}
    tell_id: int = record.add("tells", **row)
    for table, pieces in (("tell_counts", tell.counts), ("tell_changes", tell.changes)):
        met: set[str] = set()
        for piece in pieces:
            _series(record, piece.series)
            if piece.series in met:
                what = "is counted" if table == "tell_counts" else "changes"
                raise WrongInput(f"{tell.code} {what} twice on {piece.series}: one row for a series.")
            met.add(piece.series)
            _not_more_than_all(tell.code, piece)
            record.add(table, tell=tell_id, **piece.model_dump())
    return tell_id


def _not_more_than_all(code: str, piece: TellCountIn | TellChangeIn) -> None:
    if isinstance(piece, TellCountIn):
        pairs = [(piece.seen_on, piece.out_of)]
    else:
        pairs = [(piece.before_seen, piece.before_of), (piece.after_seen, piece.after_of)]
    for seen, of in pairs:
        if seen > of:
            raise WrongInput(
                f"{code} is said to be found on {seen:g} of {of:g} bodies of {piece.series}: the first cannot be more than the second."
            )


def record_odds(
    db: Database,
    odds: Iterable[OddsIn],
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Put on file what comes to the gate as one of these bodies, as one action; returns the version.

    All of it is of one sheet, and replaces what was said of that sheet before. Raises WrongInput for two sheets at once, a
    series that is not on file or is named twice, and where all weights are 0.
    """
    every = list(odds)
    sheets = {each.sheet for each in every}
    if len(sheets) != 1:
        raise WrongInput("The odds of one sheet are put down at a time, and at least one kind of body is named.")
    if not any(each.weight for each in every):
        raise WrongInput("All weights are 0: give at least one kind of body a weight.")
    with _recording(db, "odds at the gate", by, at, uid, origin) as record:
        last = db.execute(
            "SELECT coalesce(max(version), 0) FROM gate_odds WHERE sheet = ?", [every[0].sheet]
        ).fetchone()[0]
        met: set[str] = set()
        for each in every:
            _series(record, each.hypothesis)
            if each.hypothesis in met:
                raise WrongInput(f"{each.hypothesis} is named twice among the odds of {each.sheet}.")
            met.add(each.hypothesis)
            record.add("gate_odds", version=last + 1, **each.model_dump())
    return last + 1


def record_family_table(
    db: Database,
    table: FamilyTableIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Keep a house number table in the registry, so that its numbers decode wherever the file goes; returns its id.

    A later one of the same family replaces it in use. Numbers on file are given their spellings anew in the same action.
    Raises WrongInput with file, line, row and reason where the table breaks a rule.
    """
    from decoder import DecoderError, compile_table

    try:
        compiled = compile_table(table.text, table.name)
    except DecoderError as error:
        raise WrongInput(str(error)) from error
    from registry import lookup

    with transaction(db):
        with _recording(db, "house table", by, at, uid, origin) as record:
            table_id = record.add(
                "family_tables",
                family=compiled["family"],
                source_yaml=table.text,
                sha256=hashlib.sha256(table.text.encode()).hexdigest(),
                compiled=canonical(compiled),
                added=record.at,
            )
        if db.execute("SELECT 1 FROM number_keys LIMIT 1").fetchone():
            lookup.rebuild_keys(db)
    return table_id


# Consent, hold, custody


def record_consent(
    db: Database,
    consent: ConsentIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Keep what the keeper of a car allows to be published, from that day; returns its id."""
    with _recording(db, "consent", by, at, uid, origin) as record:
        record.car = _car(db, consent.car)
        return record.add(
            "consents",
            car=record.car,
            person=record.person(consent.person),
            consent=consent.consent,
            at=consent.at,
            reason=consent.reason,
        )


def record_hold(
    db: Database,
    hold: HoldIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Keep a car out of the next editions, or no longer; returns the hold's id."""
    action = "hold" if hold.held else "hold lifted"
    with _recording(db, action, by if by is not None else hold.by, at, uid, origin) as record:
        record.car = _car(db, hold.car)
        person = record.person(hold.by) if hold.by is not None else record.by
        return record.add(
            "holds", car=record.car, held=int(hold.held), reason=hold.reason, at=hold.at, by_person=person
        )


def record_custody(
    db: Database,
    custody: CustodyIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Say who has, or had, a car; returns its id. Raises WrongInput where an owner is named and no paper says so."""
    if custody.role == "owner" and custody.paper is None:
        raise WrongInput(
            "Ownership is said only where a paper says it. Record the paper as a statement and name it, or say keeper."
        )
    if custody.paper is not None:
        _must_exist(db, "statements", custody.paper, "statement")
    with _recording(db, "custody", by, at, uid, origin) as record:
        record.car = _car(db, custody.car)
        return record.add(
            "custody",
            car=record.car,
            person=record.person(custody.person),
            role=custody.role,
            **_span(custody.edtf),
            paper=custody.paper,
        )


# Conflicts and joins


def record_conflict(
    db: Database,
    conflict: ConflictIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Put down that records disagree, or (``settled`` and ``supersedes``) why they do after all not; returns its id."""
    action = "conflict settled" if conflict.state == "settled" else "conflict"
    with _recording(db, action, by if by is not None else conflict.by, at, uid, origin) as record:
        if conflict.supersedes is not None:
            _must_exist(db, "conflicts", conflict.supersedes, "conflict")
        record.car = _car(db, conflict.car_a)
        row = conflict.model_dump(exclude={"car_a", "car_b", "by"})
        person = record.person(conflict.by) if conflict.by is not None else record.by
        other = None if conflict.car_b is None else _car(db, conflict.car_b)
        return record.add("conflicts", **row, car_a=record.car, car_b=other, by_person=person)


def record_join(
    db: Database,
    join: JoinIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Say that two records are one car (``merge``) or that they are not (``split``). Both stay whole; returns its id.

    Raises WrongInput where the two are one record, are joined already, or are not joined and are to be split.
    """
    car, into = knowing.car_row(db, join.car)["id"], knowing.car_row(db, join.into_car)["id"]
    if car == into:
        raise WrongInput(f"{join.car} and {join.into_car} are one record already.")
    together = knowing.stays(db, car) == knowing.stays(db, into)
    if join.kind == "merge" and together:
        raise WrongInput(f"{join.car} and {join.into_car} are joined already.")
    if join.kind == "merge" and knowing.stays(db, car) != car:
        raise WrongInput(f"{join.car} is joined to {knowing.car_number(db, knowing.stays(db, car))}. Split them first.")
    if join.kind == "split" and knowing.joined_to(db, car) != into:
        raise WrongInput(f"{join.car} is not joined to {join.into_car}; there is nothing to split.")
    with _recording(db, join.kind, by if by is not None else join.by, at, uid, origin) as record:
        record.car = into
        record.more["records"] = [knowing.car_number(db, car), knowing.car_number(db, into)]
        person = record.person(join.by) if join.by is not None else record.by
        return record.add(
            "car_joins", car=car, into_car=into, kind=join.kind, reason=join.reason, at=join.at, by_person=person
        )


def record_separation(
    db: Database,
    entry: str,
    *,
    reason: str,
    by: By,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """A visit was written down for the wrong car: it gets a record of its own, under its own number. Returns that car's id.

    What was said and seen at that visit is put down once more for that car, and where it stood before it is marked as a slip;
    things that were first seen then go along, by fittings that supersede. Nothing is lost or edited, all of it is one event,
    and joining the two records again (``record_join``) undoes it. Pictures and opinions stay where they are, for a person to
    look at.

    Raises WrongInput for the visit by which a car is known, and for one that has a record of its own.
    """
    row = _entry(db, entry)
    known = db.execute("SELECT id FROM cars WHERE number = ?", [row["number"]]).fetchone()
    if known:
        raise WrongInput(
            f"{row['number']} has a record of its own. Where that was joined to another, split that: tubmark split {row['number']}"
        )
    old = row["car"]
    with _recording(db, "split", by, at, uid, origin) as record:
        car = record.add("cars", number=row["number"])
        record.car = old
        record.more["records"] = [row["number"], knowing.car_number(db, old)]
        person, day = record.by, record.at[:10]
        join = {"into_car": old, "kind": "split", "reason": reason, "at": day, "by_person": person}
        record.add("car_joins", car=car, **join)
        things = _things_along(record, row, old, car)
        for table in ("readings", "statements", "observations"):
            for kept in knowing.rows(
                db,
                f"SELECT * FROM {table} WHERE entry = ? "
                f"AND NOT EXISTS (SELECT 1 FROM {table} AS later WHERE later.slip_of = {table}.id) ORDER BY id",
                [row["id"]],
            ):
                again = {key: value for key, value in kept.items() if key not in ("id", "uid", "origin", "event")}
                if table == "readings":
                    if kept["thing"] in things and things[kept["thing"]] == kept["thing"]:
                        continue  # it goes along with its thing
                    again["thing"] = things[kept["thing"]]
                else:
                    again["car"] = car
                    again["thing"] = things.get(kept.get("thing"), kept.get("thing")) if table == "statements" else None
                    if table == "observations":
                        del again["thing"]
                record.add(table, **(again | {"slip_of": kept["id"]}))
        _stops_along(record, row, car, reason)
        _consents_along(record, row, old, car)
    return car


def _things_along(record: _Record, entry: dict[str, Any], old: int, car: int) -> dict[int, int]:
    """Which thing of the new car stands for each thing that was read at the visit: itself where it was first seen then."""
    db = record.db
    things: dict[int, int] = {}
    for thing in knowing.things_of(db, old):
        read = [reading["entry"] for reading in knowing.readings_of(db, thing["id"])]
        came_with_it = knowing.row(
            db, "SELECT 1 AS one FROM things WHERE id = ? AND event = ?", [thing["id"], entry["event"]]
        )
        if (read and set(read) == {entry["id"]}) or (not read and came_with_it):
            things[thing["id"]] = thing["id"]
            span = {key: thing[key] for key in ("edtf", "earliest", "latest", "former", "paper")}
            record.add("fittings", thing=thing["id"], car=car, **span, supersedes=thing["fitting"])
        elif entry["id"] in read:
            more = {key: thing[key] for key in ("kind", "series", "issue", "note")}
            things[thing["id"]] = record.add("things", **more)
            span = {"edtf": None, "earliest": None, "latest": None, "former": thing["former"]}
            record.add("fittings", thing=things[thing["id"]], car=car, **span, paper=None, supersedes=None)
    return things


def _stops_along(record: _Record, entry: dict[str, Any], car: int, reason: str) -> None:
    """The open stops of a visit stand on the car that it was of, and no longer on the other."""
    for stop in knowing.rows(
        record.db,
        "SELECT * FROM stops WHERE entry = ? AND NOT EXISTS (SELECT 1 FROM stop_releases WHERE stop_releases.stop = stops.id) "
        "ORDER BY id",
        [entry["id"]],
    ):
        again = {key: value for key, value in stop.items() if key not in ("id", "uid", "origin", "event")}
        record.add("stops", **(again | {"car": car}))
        if record.by is not None:  # taken off by a named person or not at all
            said = f"It belongs to {entry['number']}, which has a record of its own now: {reason}"
            record.add(
                "stop_releases", stop=stop["id"], reason=said, paper=None, by_person=record.by, at=record.at[:10]
            )


def _consents_along(record: _Record, entry: dict[str, Any], old: int, car: int) -> None:
    """What the keeper said at the visit holds for that car; for the other one what was said before holds again."""
    given = knowing.rows(record.db, "SELECT * FROM consents WHERE event = ? ORDER BY id", [entry["event"]])
    if not given:
        return
    record.add("consents", car=car, **{key: given[-1][key] for key in ("person", "consent", "at", "reason")})
    last = knowing.row(record.db, "SELECT event FROM consents WHERE car = ? ORDER BY id DESC LIMIT 1", [old])
    if last is not None and last["event"] == entry["event"]:
        before = knowing.row(
            record.db,
            "SELECT * FROM consents WHERE car = ? AND id < ? ORDER BY id DESC LIMIT 1",
            [old, given[0]["id"]],
        )
        said = f"What was said of {entry['number']} is said of another car."
        person, consent = (before["person"], before["consent"]) if before else (None, "unknown")
        record.add("consents", car=old, person=person, consent=consent, at=record.at[:10], reason=said)


# Papers and editions


def record_paper(
    db: Database,
    paper: PaperIn,
    *,
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Keep a paper that was handed out, and return its id."""
    with _recording(db, "paper issued", by, at, uid, origin) as record:
        entry = None if paper.entry is None else _entry(db, paper.entry)
        record.car = entry["car"] if entry else None if paper.car is None else _car(db, paper.car)
        row = paper.model_dump(exclude={"car", "entry", "to_person"})
        return record.add(
            "papers_issued",
            **row,
            car=record.car,
            entry=entry["id"] if entry else None,
            to_person=record.person(paper.to_person),
            sha256=hashlib.sha256(paper.body).hexdigest(),
        )


def record_edition(
    db: Database,
    *,
    dated: str,
    sha256: str,
    policy: str,
    rows: str,
    published: Sequence[dict[str, Any]],
    by: By = None,
    at: str | None = None,
    uid: str | None = None,
    origin: str | None = None,
) -> int:
    """Write down that an edition went out (``policy`` and ``rows`` as JSON text), and return its id.

    ``published`` are its rows, by the columns of ``published_cars``; they replace those of the edition before.
    """
    with _recording(db, "edition", by, at, uid, origin) as record:
        edition = record.add("editions", dated=dated, sha256=sha256, policy=policy, rows=rows)
        # A copy of what is public already, for a visitor of a served registry; not a record of its own.
        db.conn.execute("DELETE FROM published_cars")
        for row in published:
            record._insert("published_cars", dict(row))
    return edition


def person_id(db: Database, text: str) -> int:
    """The id of the one person who is meant by a number, a ref or a name.

    Raises NoAnswer where nobody is, WrongInput where several are.
    """
    found = knowing.people_named(db, text)
    if not found:
        raise NoAnswer(f"Nobody called {text} is on file.")
    if len(found) > 1:
        said = "; ".join(f"{row['id']}: {row['name']}, {row['town'] or 'town not known'}" for row in found)
        raise WrongInput(f"Several people are meant by {text}. Give the number of one. {said}.")
    return found[0]["id"]
