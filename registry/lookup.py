"""Look-up: is this number on the list already, or one within a single slip of it?

A number is written in many ways ("KP O147", "KP147", "147 KP"), so every number on record is kept under the
keys its families give it (``decoder.keys``), and the question is asked by key. ``exact`` is that question
and nothing else: one SELECT on the index. ``find`` is what a person asks. It reads the number as typed,
doubts and all; gathers everything that carries it, whatever it is stamped on, in cars as they are now and
as they were; and looks one slip of the eye or the hand aside (a character misread, dropped, doubled, or two
swapped), since a stolen car can lie unseen because one figure was typed wrong. Reports of theft come first,
other people's lists stand apart with their names, and nothing is judged.

It works on any SQLite connection to a registry, also a read-only one, and imports the standard library alone.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

#: How a key is made; kept with each key, so that one can tell which keys are older than the rule.
RULE = "keys 1"

#: The exact question. Everything else in this file is built on it.
EXACT = "SELECT subject_kind, subject, kind, family, certain FROM number_keys WHERE key = ?"

#: One slip aside of a key shorter than this is most of what was ever issued: of no use, and not answered.
SHORTEST_NEAR = 4
#: A doubtful reading that could be more numbers than this is answered exactly, but not one slip aside as
#: well.
MOST_NEAR = 10
#: SQLite takes at least 999 values in one statement, also in old builds.
_CHUNK = 900

_ORDINALS = {1: "1st", 2: "2nd", 3: "3rd"}


def exact(conn: sqlite3.Connection, key: str) -> list[tuple[str, int, str, str, int]]:
    """Rows (subject_kind, subject, kind, family, certain) of everything on record under ``key``.

    ``key`` is a normalised number as ``decoder.keys`` gives it; ``subject`` is the id of a reading, a theft
    report or a number on another list, as ``subject_kind`` says. An empty list where there is none.
    """
    return conn.execute(EXACT, (key,)).fetchall()


# --- writing the keys -----------------------------------------------------------------------------


def keys_for(text: str, on: str | None, tables: Any) -> list[tuple[str, str, bool]]:
    """Every (family, key, certain) under which ``text`` is to be found; never empty where there is a letter or a figure.

    A text that is no reading at all (a note in the wrong field) is kept under its letters and figures, not
    certain: what was recorded must be found again.
    """
    from decoder import MalformedReading, keys, read
    from decoder.spelling import MOST_KEYS

    found: dict[tuple[str, str], bool] = {}
    try:
        for made in keys(text, on=on, tables=tables):
            place = (made.family, made.key)
            found[place] = found.get(place, False) or bool(made.certain)
        written_out = len(found) < MOST_KEYS  # else a family may have one key only because the others were cut off
        if written_out and not any(cell.doubtful or cell.stretch for cell in read(text).cells):
            # A check letter can leave one number of all that a doubtful reading may be: then it is read.
            families = [family for family, _ in found]
            for family, key in found:
                if family and families.count(family) == 1 and any(t.checks for t in tables[family].templates):
                    found[family, key] = True
    except MalformedReading:
        pass
    if not found and (plain := _plain(text)):
        found["", plain] = False
    return [(family, key, certain) for (family, key), certain in found.items()]


def write_keys(db: Any, subject_kind: str, subject: int, text: str, on: str | None = None, tables: Any = None) -> int:
    """Store the keys of one number just recorded; call it inside the transaction that records it. Returns how many.

    ``subject_kind`` is "reading", "theft" or "list", ``subject`` the id of that row, ``on`` what it is
    stamped on. ``tables`` are the families to normalise by, by default the packaged ones with the
    registry's own.
    """
    conn = _conn(db)
    tables = tables if tables is not None else tables_of(db)
    rows = [
        (subject_kind, subject, on or "", family, key, int(certain), RULE)
        for family, key, certain in keys_for(text, on or None, tables)
    ]
    conn.executemany(
        "INSERT INTO number_keys (subject_kind, subject, kind, family, key, certain, rule) VALUES (?, ?, ?, ?, ?, ?, ?)",
        rows,
    )
    return len(rows)


def rebuild_keys(db: Any, tables: Any = None) -> int:
    """Make all keys anew, after a table changed how numbers are written; returns how many.

    Call it inside a transaction: until it ends, readers see the old keys.
    """
    conn = _conn(db)
    tables = tables if tables is not None else tables_of(db)
    conn.execute("DELETE FROM number_keys")
    count = 0
    for subject_kind, table in (
        ("reading", "readings"),
        ("theft", "theft_reports"),
        ("list", "list_numbers"),
    ):
        for subject, text, stamped_on in conn.execute(
            f"SELECT id, as_typed, stamped_on FROM {table} ORDER BY id"
        ).fetchall():
            count += write_keys(conn, subject_kind, subject, text, stamped_on, tables)
    return count


def tables_of(db: Any) -> Any:
    """The packaged number families with the registry's own house tables laid over them."""
    from registry.knowing import house_tables

    return house_tables(db)


# --- the answer -----------------------------------------------------------------------------------


@dataclass(slots=True)
class Hit:
    """One number on record that is the one asked for, or one slip aside of it.

    ``kind`` is what it was read from (body, pan, plate, engine, title), or "theft" for a report of theft
    and "list" for a number on somebody else's list; these two have no car, and ``stamped_on`` says what
    they are of. ``differs``: the places, counted from 0 along ``asked_key`` (the number asked for, as it is
    looked up), where the two part: ``asked`` and ``listed`` are the characters there, empty where one side
    has none. ``probability``: of being the number read, 1.0 for a certain reading and shared evenly among
    the numbers a doubtful one may be; None for a near hit, which is not weighed.
    """

    kind: str
    number: str
    how: str
    key: str
    asked_key: str
    car: str | None = None
    stamped_on: str | None = None
    id: int | None = None
    entry: str | None = None
    series: str | None = None
    former: bool = False
    refused: bool = False
    slip: bool = False
    certain: bool = True
    differs: list[dict[str, Any]] = field(default_factory=list)
    probability: float | None = None
    source: str | None = None
    reported: str | None = None
    ask: str | None = None
    their_number: str | None = None
    says: str = ""

    def as_dict(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "car": self.car,
            "kind": self.kind,
            "number": self.number,
            "how": self.how,
            "differs": self.differs,
            "probability": self.probability,
            "key": self.key,
            "asked_key": self.asked_key,
            "certain": self.certain,
            "says": self.says,
        }
        for name in ("stamped_on", "id", "entry", "series", "source", "reported", "ask", "their_number"):
            if (value := getattr(self, name)) is not None:
                out[name] = value
        for name in ("former", "refused", "slip"):
            if getattr(self, name):
                out[name] = True
        return out


@dataclass(slots=True)
class FindAnswer:
    """What is on record under a number. ``status``: 0 where anything was found, 1 where nothing was.

    ``near`` holds reports of theft first, then cars (the exact number before one slip aside), then other
    people's lists.
    """

    reading: str
    near: list[Hit] = field(default_factory=list)
    stops: list[dict[str, Any]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    @property
    def status(self) -> int:
        return 0 if self.near else 1

    @property
    def theft_reports(self) -> list[Hit]:
        return [hit for hit in self.near if hit.kind == "theft"]

    @property
    def other_lists(self) -> list[Hit]:
        return [hit for hit in self.near if hit.kind == "list"]

    @property
    def cars(self) -> list[Hit]:
        return [hit for hit in self.near if hit.kind not in ("theft", "list")]

    @property
    def says(self) -> list[str]:
        """The answer in sentences, in the order in which they are to be read."""
        lines = [hit.says for hit in self.near]
        if not self.cars:
            also = "" if self.near else ", exactly or one character off"
            lines.append(f"No car with this number is on record here{also}.")
        return lines

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of ``tubmark find``."""
        return {
            "reading": self.reading,
            "near": [hit.as_dict() for hit in self.near],
            "stops": self.stops,
            "says": self.says,
            "problems": self.problems,
        }


def find(db: Any, text: str, on: str | None = None, tables: Any = None, near: bool = True) -> FindAnswer:
    """Everything on record under ``text``, a number in the reading grammar, and (``near``) what is one slip aside of it.

    ``on`` says what it was read from (body, pan, engine, plate, title); what is on record as something else
    is found as well, after the rest, and said to be that. ``tables`` are the families to normalise by; by
    default the packaged ones with the registry's own. Raises decoder.MalformedReading where ``text`` is no
    reading.
    """
    from decoder import read

    conn = _conn(db)
    reading = read(text)
    tables = tables if tables is not None else tables_of(db)
    answer = FindAnswer(str(reading), problems=list(reading.notes))
    asked = keys_for(text, on, tables)
    if on:  # a number given with the wrong kind is still a number on record
        asked += [key for key in keys_for(text, None, tables) if key not in asked]
    asked_keys = list(dict.fromkeys(key for _, key, _ in asked))

    met: dict[tuple[str, int], _Met] = {}
    for key, row in _rows_under(conn, asked_keys):
        _meet(met, "exact", key, key, row)
    if _has_many(reading, asked_keys):
        for key, row in _rows_like(conn, reading):
            _meet(met, "exact", key, key, row)
        answer.problems.append(
            "So many numbers fit this reading that only those of its own spelling were looked for. Read one more figure."
        )
    elif near and len(asked_keys) <= MOST_NEAR:
        exactly = bool(met)
        _add_near(conn, asked, tables, met)
        if exactly:  # beside the number itself, its neighbours on long lists of others are of no use to anybody
            met = {subject: one for subject, one in met.items() if subject[0] != "list" or one.how == "exact"}

    if not met and "*" in "".join(reading.end_marks):  # no complete number, so the star is no end mark
        for key, row in _rows_like(conn, reading):
            _meet(met, "exact", key, key, row)
        if met:
            answer.problems.append("Nothing has this number as a whole: the star was taken for a stretch that is gone.")

    hits = []
    for subject, one in met.items():
        chance = _chance(conn, subject, one, asked) if one.how == "exact" else None
        for hit in _hits(conn, subject, one):
            hit.probability = chance
            hits.append(hit)
    # What was read twice off the same thing is one answer, not two; the spelling met first stands for it.
    for hit in _without_echoes(sorted(hits, key=lambda hit: _order(hit, on))):
        hit.says = _sentence(hit, on)
        answer.near.append(hit)
    answer.stops = _stops(conn, answer)
    return answer


@dataclass(slots=True)
class _Met:
    """How a number on record was met: by which key, from which key asked for, and how often (by several keys of one family)."""

    how: str
    key: str
    asked_key: str
    family: str
    certain: bool
    keys: set[str] = field(default_factory=set)


def _meet(
    met: dict[tuple[str, int], _Met], how: str, key: str, asked_key: str, row: tuple[str, int, str, str, int]
) -> None:
    subject, family, certain = (row[0], row[1]), row[3], bool(row[4])
    one = met.get(subject)
    if one is None or (one.how == how and (bool(family), certain) > (bool(one.family), one.certain)):
        one = met[subject] = _Met(how, key, asked_key, family, certain)
    if one.family == family:
        one.keys.add(key)


def _chance(conn: sqlite3.Connection, subject: tuple[str, int], one: _Met, asked: list[tuple[str, str, bool]]) -> float:
    """That two readings are of one number: 1 where both are sure; else every number that each may be is equally likely."""
    wanted = {key: certain for family, key, certain in asked if family == one.family}
    if one.certain and wanted.get(one.key):
        return 1.0
    (recorded,) = conn.execute(
        "SELECT count(*) FROM number_keys WHERE subject_kind = ? AND subject = ? AND family = ?",
        (*subject, one.family),
    ).fetchone()
    return round(len(one.keys) / (max(1, len(wanted)) * max(1, recorded)), 4)


def _rows_under(conn: sqlite3.Connection, keys: list[str]) -> Iterator[tuple[str, tuple[str, int, str, str, int]]]:
    if len(keys) == 1:
        for row in exact(conn, keys[0]):
            yield keys[0], row
        return
    for start in range(0, len(keys), _CHUNK):
        some = keys[start : start + _CHUNK]
        marks = ",".join("?" * len(some))
        for row in conn.execute(
            f"SELECT subject_kind, subject, kind, family, certain, key FROM number_keys WHERE key IN ({marks})",
            some,
        ).fetchall():
            yield row[5], row[:5]


def _has_many(reading: Any, asked_keys: list[str]) -> bool:
    """True where the reading stands for more numbers than were written out."""
    unread = sum(1 for cell in reading.cells if not cell.chars)
    return any(cell.stretch for cell in reading.cells) or unread >= 3 or (unread > 0 and len(asked_keys) <= 1)


def _rows_like(conn: sqlite3.Connection, reading: Any) -> Iterator[tuple[str, tuple[str, int, str, str, int]]]:
    """Keys that have the shape of a reading with much of it unread: slower, since every key of that beginning is looked at."""
    pattern = "".join(
        "*" if cell.stretch else "?" if not cell.chars else cell.chars if len(cell.chars) == 1 else f"[{cell.chars}]"
        for cell in reading.cells
    )
    before, after = ("*" if "*" in mark else "" for mark in reading.end_marks)
    pattern = f"{before}{pattern}{after}"
    for row in conn.execute(
        "SELECT subject_kind, subject, kind, family, certain, key FROM number_keys WHERE key GLOB ? ORDER BY key LIMIT 200",
        (pattern,),
    ).fetchall():
        yield row[5], row[:5]


def _add_near(
    conn: sqlite3.Connection,
    asked: list[tuple[str, str, bool]],
    tables: Any,
    met: dict[tuple[str, int], _Met],
) -> None:
    from decoder import neighbours

    beside: dict[str, str] = {}
    for family, key, _ in sorted(asked, key=lambda made: not made[0]):
        if len(key) >= SHORTEST_NEAR:
            for other in neighbours(key, tables=tables, family=family):
                beside.setdefault(other, key)
    for _, key, _ in asked:
        beside.pop(key, None)
    exactly = set(met)
    for key, row in _rows_under(conn, list(beside)):
        if (row[0], row[1]) not in exactly:
            _meet(met, "near", key, beside[key], row)


def differs(asked: str, listed: str) -> list[dict[str, Any]]:
    """Where two keys part, for the carets under two number strips: places counted from 0 along ``asked``.

    >>> differs("UF0283C", "UF0233C")
    [{'at': 4, 'asked': '8', 'listed': '3', 'change': 'misread'}]
    >>> differs("KP147", "KP0147")
    [{'at': 2, 'asked': '', 'listed': '0', 'change': 'missing'}]
    """
    start = 0
    while start < min(len(asked), len(listed)) and asked[start] == listed[start]:
        start += 1
    end = 0
    while end < min(len(asked), len(listed)) - start and asked[-1 - end] == listed[-1 - end]:
        end += 1
    here, there = asked[start : len(asked) - end], listed[start : len(listed) - end]
    if not here and not there:
        return []
    if not here or not there:
        return [{"at": start, "asked": here, "listed": there, "change": "missing" if not here else "extra"}]
    change = "swapped" if len(here) == len(there) == 2 and here == there[::-1] else "misread"
    if len(here) != len(there):
        return [{"at": start, "asked": here, "listed": there, "change": change}]
    return [
        {"at": start + i, "asked": a, "listed": b, "change": change}
        for i, (a, b) in enumerate(zip(here, there, strict=True))
        if a != b
    ]


def _hits(conn: sqlite3.Connection, subject: tuple[str, int], one: _Met) -> Iterator[Hit]:
    kind, ident = subject
    common: dict[str, Any] = {
        "how": one.how,
        "key": one.key,
        "asked_key": one.asked_key,
        "certain": one.certain,
        "differs": differs(one.asked_key, one.key) if one.how == "near" else [],
    }
    if kind == "theft":
        row = conn.execute(
            "SELECT as_typed, stamped_on, reported, source, ask FROM theft_reports WHERE id = ?", (ident,)
        ).fetchone()
        if row:
            yield Hit(
                kind="theft",
                number=row[0],
                stamped_on=row[1],
                reported=row[2],
                source=row[3],
                ask=row[4],
                id=ident,
                **common,
            )
    elif kind == "list":
        row = conn.execute(
            "SELECT n.as_typed, n.stamped_on, n.their_number, n.series, l.name FROM list_numbers n JOIN lists l ON l.id = n.list WHERE n.id = ?",
            (ident,),
        ).fetchone()
        if row:
            yield Hit(
                kind="list",
                number=row[0],
                stamped_on=row[1],
                their_number=row[2],
                series=row[3],
                source=row[4],
                id=ident,
                **common,
            )
    else:
        yield from _hits_of_reading(conn, ident, common)


def _hits_of_reading(conn: sqlite3.Connection, ident: int, common: dict[str, Any]) -> Iterator[Hit]:
    row = conn.execute(
        "SELECT r.as_typed, r.stamped_on, r.thing, t.kind, t.series, e.number, e.car, e.received "
        "FROM readings r JOIN things t ON t.id = r.thing LEFT JOIN entries e ON e.id = r.entry WHERE r.id = ?",
        (ident,),
    ).fetchone()
    if not row:
        return
    number, stamped_on, thing, _, series, entry, entry_car, received = row
    slip = any(of == ident for (of,) in conn.execute("SELECT slip_of FROM readings WHERE thing = ?", (thing,)))
    fitted = conn.execute(
        "SELECT id, car, former, latest, supersedes FROM fittings WHERE thing = ? ORDER BY id", (thing,)
    ).fetchall()
    replaced = {fitting[4] for fitting in fitted}
    cars: dict[str, bool] = {}
    for fitting, car, former, latest, _ in fitted:
        if fitting not in replaced:
            name = car_number(conn, car)
            cars[name] = cars.get(name, True) and bool(former or latest)
    if not cars and entry_car is not None:
        cars[car_number(conn, entry_car)] = False
    for name, former in cars.items():
        yield Hit(
            number=number,
            kind=stamped_on,
            car=name,
            entry=entry,
            series=series,
            former=former,
            refused=received == "refused",
            slip=slip,
            **common,
        )


def stays(conn: sqlite3.Connection, car: int) -> int:
    """The car that stays where ``car`` was merged into another, and into another again; itself where it was not."""
    seen = {car}
    while True:
        row = conn.execute(
            "SELECT kind, into_car FROM car_joins WHERE car = ? ORDER BY id DESC LIMIT 1", (car,)
        ).fetchone()
        if row is None or row[0] != "merge" or row[1] in seen:
            return car
        car = row[1]
        seen.add(car)


def car_number(conn: sqlite3.Connection, car: int) -> str:
    """The number by which a car is known, that of the car that stays."""
    return conn.execute("SELECT number FROM cars WHERE id = ?", (stays(conn, car),)).fetchone()[0]


def _without_echoes(hits: Iterable[Hit]) -> Iterator[Hit]:
    seen: set[tuple[Any, ...]] = set()
    for hit in hits:
        place = (hit.car, hit.kind, hit.key, hit.former, hit.source, hit.their_number, hit.reported)
        if place not in seen:
            seen.add(place)
            yield hit


def _order(hit: Hit, on: str | None) -> tuple[Any, ...]:
    other_kind = bool(on) and hit.kind != on and {hit.kind, on} != {"body", "plate"}
    group = {"theft": 0, "list": 2}.get(hit.kind, 1)
    return (
        group,
        hit.how != "exact",
        other_kind and group == 1,
        hit.slip,
        hit.former,
        not hit.certain,
        hit.car or "",
        hit.kind,
        hit.number,
    )


def place_in_words(at: int) -> str:
    """ "3rd" for place 2: people count from one.

    >>> place_in_words(2), place_in_words(10)
    ('3rd', '11th')
    """
    return _ORDINALS.get(at + 1, f"{at + 1}th")


def difference_in_words(found: list[dict[str, Any]]) -> str:
    """What differs, for a sentence, without saying which side is right."""
    if not found:
        return ""
    first = found[0]
    where = place_in_words(first["at"])
    if first["change"] == "swapped":
        return f"the {where} and {place_in_words(first['at'] + 1)} characters are the other way round"
    if first["change"] == "missing":
        return f"it has {first['listed']} more, as its {where} character"
    if first["change"] == "extra":
        return f"it lacks the {where} character, {first['asked']}"
    return f"the {where} character is {first['listed']} there, {first['asked']} here"


def _sentence(hit: Hit, on: str | None) -> str:
    near = f"One character differs: {difference_in_words(hit.differs)}." if hit.how == "near" else ""
    if hit.kind == "theft":
        dated = f" of {hit.reported}" if hit.reported else ""
        start = f"{hit.number} stands in a report of theft{dated} ({hit.source})."
        return " ".join(filter(None, (start, near, "A report is not proof of anything.")))
    if hit.kind == "list":
        as_theirs = f" as their {hit.their_number}" if hit.their_number else ""
        return " ".join(filter(None, (f"{hit.number} is on another list, {hit.source}{as_theirs}.", near)))
    start = f"{hit.car} {'had' if hit.former else 'has'} the {hit.kind} number {hit.number}."
    doubt = "That reading is itself doubtful." if hit.how == "exact" and not hit.certain else ""
    refused = f"Entry {hit.entry} was refused." if hit.refused else ""
    slip = "That reading was marked as a slip." if hit.slip else ""
    other = f"You asked for a {on} number." if on and hit.kind != on and {hit.kind, on} != {"body", "plate"} else ""
    return " ".join(filter(None, (start, near, doubt, refused, slip, other)))


def _stops(conn: sqlite3.Connection, answer: FindAnswer) -> list[dict[str, Any]]:
    """Reports of theft first, then the open stops of every car in the answer."""
    found: list[dict[str, Any]] = [
        {"kind": "near a theft report", "says": hit.says, "ask": f"Before anything else ask {(hit.ask or 'whoever holds the report').rstrip('.')}."}
        for hit in answer.theft_reports
    ]
    for name in dict.fromkeys(hit.car for hit in answer.cars):
        ident = conn.execute("SELECT id FROM cars WHERE number = ?", (name,)).fetchone()[0]
        for car in joined(conn, ident):
            for kind, says, ask in conn.execute(
                "SELECT kind, says, ask FROM stops WHERE car = ? AND NOT EXISTS (SELECT 1 FROM stop_releases r WHERE r.stop = stops.id) ORDER BY id",
                (car,),
            ):
                found.append({"kind": kind, "says": says, "ask": ask, "car": name})
    return found


def theft_stops(conn: sqlite3.Connection, text: str, tables: Any, on: str | None = None) -> list[dict[str, str]]:
    """A stop (kind, says, ask) for each report of theft that holds this number, or one a character away. Light to call."""
    answer = find(conn, text, on, tables)
    return [stop for stop in answer.stops if "car" not in stop]


def joined(conn: sqlite3.Connection, car: int) -> list[int]:
    """The ids of a car that stays and of all that were merged into it."""
    others = {before for (before,) in conn.execute("SELECT DISTINCT car FROM car_joins WHERE kind = 'merge'")}
    return [car, *sorted(other for other in others if other != car and stays(conn, other) == car)]


def _plain(text: str) -> str:
    return "".join(c for c in text.upper() if c.isascii() and c.isalnum())


def _conn(db: Any) -> sqlite3.Connection:
    """The sqlite3 connection under a sqlite_utils Database, or the connection itself."""
    return getattr(db, "conn", db)
