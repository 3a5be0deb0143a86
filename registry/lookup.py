"""Look-up: is this number on the list already, or one that somebody may have read for it?

A number is written in many ways ("KP O147", "KP147", "147 KP"), so every number on record is kept under the
keys its families give it (``decoder.keys``), and the question is asked by key. ``exact`` is that question
and nothing else: one SELECT on the index. ``find`` is what a person asks. It reads the number as typed,
doubts and all; gathers everything that carries it, whatever it is stamped on, in cars as they are now and
as they were; and looks one slip of the eye or the hand aside (``registry.near``), since a stolen car can lie
unseen because one figure was typed wrong. How likely each number on record is to be the one read comes from the
decoder's model of misreading, and so does how likely it is that the number is not on the list. Reports of
theft come first, other people's lists stand apart with their names, and nothing is judged.

It works on any SQLite connection to a registry, also a read-only one. A number that was read with certainty needs the standard
library alone; numpy is imported where much of it could not be read, or where its chances are asked for and nothing is exactly it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from registry import near as beside

#: One slip aside of a shorter number is not answered. Where two numbers part. Both for whoever looks numbers up in other ways.
SHORTEST_NEAR, differs = beside.SHORTEST, beside.parted

#: How a key is made; kept with each key, so that one can tell which keys are older than the rule.
RULE = "keys 1"

#: The exact question. Everything else in this file is built on it.
EXACT = "SELECT subject_kind, subject, kind, family, certain FROM number_keys WHERE key = ?"

#: SQLite takes at least 999 values in one statement, also in old builds.
_CHUNK = 900

#: How many cars, and how many numbers of one other list, are shown to a person. A near number on another list is shown where it is
#: at least this likely. Own assumptions.
MOST_SHOWN, MOST_OF_A_LIST, WORTH_SHOWING = 12, 5, 0.01

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
    has none. ``how``: exact, or near (one slip aside, read from the wrong side, or, asked for, two misread characters). ``probability``:
    that this is the number read, all numbers that may be it considered, on the list or not; None where it was not weighed.
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
    #: That the number is none of those on record; None where it was not weighed. ``chances``: of each key on record.
    not_on_list: float | None = None
    chances: dict[str, float] = field(default_factory=dict)
    doubt: str = "usual"
    #: How many more numbers on record fit than are named.
    more: int = 0

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
    def shown(self) -> tuple[list[Hit], list[str]]:
        """What a person is shown of the cars and the lists, and a sentence each on what was left out (JSON has it all).

        Exact hits come first; a near one on somebody's list is left out where it is less likely than ``WORTH_SHOWING``.
        """
        out: list[Hit] = []
        left: dict[str, int] = {}
        counts: dict[str, int] = {}
        for hit in [*self.cars, *self.other_lists]:
            of = "the cars here" if hit.car else f"the list {hit.source}"
            counts[of] = counts.get(of, 0) + 1
            most = MOST_SHOWN if hit.car else MOST_OF_A_LIST
            unlikely = hit.kind == "list" and hit.how != "exact" and (hit.probability or 1.0) < WORTH_SHOWING
            if counts[of] > most or unlikely:
                left[of] = left.get(of, 0) + 1
            else:
                out.append(hit)
        more = [
            f"{count} more on {of} {'is' if count == 1 else 'are'} not shown; --json has them."
            for of, count in left.items()
        ]
        return out, more

    @property
    def none_of_these(self) -> str:
        """How likely it is that the number is not on record at all, where that is in doubt; else empty."""
        from decoder.words import chance

        if self.not_on_list is None or not self.near or self.not_on_list < WORTH_SHOWING:
            return ""
        if all(hit.how == "exact" and hit.certain for hit in self.cars) and self.not_on_list < 0.1:
            return ""
        return f"That it is none of these: {chance(self.not_on_list)}."

    @property
    def says(self) -> list[str]:
        """The answer in sentences, in the order in which they are to be read."""
        lines = [hit.says for hit in self.near]
        if self.none_of_these:
            lines.append(self.none_of_these)
        if not self.cars:
            also = "" if self.near else ", exactly or one character off"
            lines.append(f"No car with this number is on record here{also}.")
        return lines

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of ``tubmark find``."""
        return {
            "reading": self.reading,
            "near": [hit.as_dict() for hit in self.near],
            "not_on_list": self.not_on_list,
            "beforehand": {"doubt": self.doubt, "a_number_on_the_list": beside.LISTED, "another_number_issued": 1.0},
            "more": self.more,
            "stops": self.stops,
            "says": self.says,
            "problems": self.problems,
        }


def find(
    db: Any,
    text: str,
    on: str | None = None,
    tables: Any = None,
    near: bool = True,
    *,
    further: bool = False,
    weigh: bool = True,
    doubt: str = "usual",
) -> FindAnswer:
    """Everything on record under ``text``, a number in the reading grammar, and (``near``) what is one slip aside of it.

    ``on`` says what it was read from (body, pan, engine, plate, title); what is on record as something else
    is found as well, after the rest, and said to be that. ``tables`` are the families to normalise by; by
    default the packaged ones with the registry's own. ``further`` also finds what is two misread characters away. ``doubt``
    is the level of the decoder's model of misreading by which the chances are told (none, low, usual, high); at "none" a number is
    taken as read and nothing near it is looked for. ``weigh=False`` tells no chances, and is quicker. Raises
    decoder.MalformedReading where ``text`` is no reading, decoder.DecoderError for another level.
    """
    from decoder import DecoderError, read
    from decoder.channel import LEVELS
    from decoder.reading import Cell

    if doubt not in LEVELS:
        raise DecoderError(f"The doubt is one of {', '.join(LEVELS)}, not '{doubt}'.")
    conn = _conn(db)
    reading = read(text)
    tables = tables if tables is not None else tables_of(db)
    how = beside.level(doubt, tables)
    if doubt == "none":
        near = further = False
    answer = FindAnswer(str(reading), problems=list(reading.notes), doubt=doubt)
    looked = beside.look(conn, reading, on, tables, near=near, further=further, how=how)
    if not looked.found and "*" in "".join(reading.end_marks):  # no complete number, so the star is no end mark
        gone = [[Cell("", stretch=True)] if "*" in mark else [] for mark in reading.end_marks]
        wider = reading._replace(cells=(*gone[0], *reading.cells, *gone[1]), end_marks=("", ""))
        looked = beside.look(conn, wider, on, tables, near=False, how=how)
        if looked.found:
            reading = wider
            answer.problems.append("Nothing has this number as a whole: the star was taken for a stretch that is gone.")
    if looked.more:
        _add_reports(conn, looked)
        answer.more = looked.more
        answer.problems.append(
            f"{looked.more + beside.MOST_FOUND} numbers on record fit this reading; the likeliest are here. Read one more character."
        )

    by_key = {found.key: found for found in looked.found}
    met: dict[tuple[str, int], _Met] = {}
    for key, row in _rows_under(conn, list(by_key)):
        _meet(met, by_key[key], row)
    if any(one.how == "exact" for one in met.values()):
        # Beside the number itself, its neighbours on long lists of others are of no use to anybody.
        met = {subject: one for subject, one in met.items() if subject[0] != "list" or one.how == "exact"}
    shares = {subject: _share(conn, subject, one) for subject, one in met.items()}
    if weigh:
        _weigh(answer, met, shares, reading, looked, tables, how)

    hits = []
    for subject, one in met.items():
        for hit in _hits(conn, subject, one):
            if weigh:
                hit.probability = round(sum(answer.chances.get(key, 0.0) for key in one.keys) * shares[subject], 6)
            hits.append(hit)
    # What was read twice off the same thing is one answer, not two; the spelling met first stands for it.
    for hit in _without_echoes(sorted(hits, key=lambda hit: _order(hit, on))):
        hit.says = _sentence(hit, on)
        answer.near.append(hit)
    answer.stops = _stops(conn, answer)
    return answer


@dataclass(slots=True)
class _Met:
    """How a number on record was met: by which key, from which reading, and by which others of the same family."""

    how: str
    key: str
    found: beside.Found
    family: str
    certain: bool
    keys: set[str] = field(default_factory=set)


_HOW = {"exact": 0, "turned": 1, "near": 1, "further": 2}


def _meet(met: dict[tuple[str, int], _Met], found: beside.Found, row: tuple[str, int, str, str, int]) -> None:
    subject, family, certain = (row[0], row[1]), row[3], bool(row[4])
    one = met.get(subject)
    rank = (-_HOW[found.how], bool(family), certain, found.weight)
    if one is None or rank > (-_HOW[one.how], bool(one.family), one.certain, one.found.weight):
        kept = one.keys if one is not None and (one.family, one.how) == (family, found.how) else set()
        one = met[subject] = _Met(found.how, found.key, found, family, certain, kept)
    if (one.family, one.how) == (family, found.how):
        one.keys.add(found.key)


def _share(conn: sqlite3.Connection, subject: tuple[str, int], one: _Met) -> float:
    """What each number that a doubtful record may be has of it: all of them alike."""
    if one.certain:
        return 1.0
    (recorded,) = conn.execute(
        "SELECT count(*) FROM number_keys WHERE subject_kind = ? AND subject = ? AND family = ?",
        (*subject, one.family),
    ).fetchone()
    return 1.0 / max(1, recorded)


def _weigh(
    answer: FindAnswer,
    met: dict[tuple[str, int], _Met],
    shares: dict[tuple[str, int], float],
    reading: Any,
    looked: beside.Looked,
    tables: Any,
    how: Any,
) -> None:
    """Fill in the chance of each number on record, and that it is none of them (``near.chances``)."""
    listed: dict[str, float] = {}
    for subject, one in met.items():
        for key in one.keys:
            listed[key] = max(listed.get(key, 0.0), shares[subject])
    answer.chances, none = beside.chances(reading, looked.found, looked.patterns, listed, tables, how)
    answer.not_on_list = round(none, 6)


def _add_reports(conn: sqlite3.Connection, looked: beside.Looked) -> None:
    """Of very many numbers only some are named; those in reports of theft always are."""
    reported = beside.Numbers(
        key for (key,) in conn.execute("SELECT DISTINCT key FROM number_keys WHERE subject_kind = 'theft'")
    )
    named = {found.key for found in looked.found}
    for pattern in looked.patterns:
        for key in reported.matching(pattern):
            if key not in named:
                named.add(key)
                laid = beside.laid_for(pattern, key)
                looked.found.append(beside.Found(key, "exact", laid, beside.weigh(laid.cells, key)))
                looked.more -= 1


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


def _hits(conn: sqlite3.Connection, subject: tuple[str, int], one: _Met) -> Iterator[Hit]:
    kind, ident = subject
    common: dict[str, Any] = {
        "how": "exact" if one.how == "exact" else "near",
        "key": one.key,
        "asked_key": one.found.pattern.text,
        "certain": one.certain,
        "differs": one.found.differs,
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
        -(hit.probability or 0.0),
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
    """What differs, for a sentence, without saying which side is right.

    >>> difference_in_words(differs("UF0283C", "UF0233C"))
    'the 5th character is 3 there, 8 here'
    """
    if not found:
        return ""
    first = found[0]
    where = place_in_words(first["at"])
    if first["change"] == "turned":
        return f"read from the other side it is {first['listed']}"
    if first["change"] == "swapped":
        return f"the {where} and {place_in_words(first['at'] + 1)} characters are the other way round"
    if first["change"] == "missing":
        return f"it has {first['listed']} more, as its {where} character"
    if first["change"] == "extra":
        return f"it lacks the {where} character, {first['asked']}"
    return ", and ".join(
        f"the {place_in_words(one['at'])} character is {one['listed']} there, {one['asked']} here" for one in found
    )


def _parts_in(found: list[dict[str, Any]]) -> str:
    words = difference_in_words(found)
    if not found or found[0]["change"] == "turned":
        return f"{words[:1].upper()}{words[1:]}." if words else ""
    if len(found) == 2 and found[0]["change"] == "misread":
        return f"Two characters differ: {words}."
    if found[0]["change"] == "swapped":
        return f"Two characters changed places: {words}."
    return f"One character differs: {words}."


def _sentence(hit: Hit, on: str | None) -> str:
    near = _parts_in(hit.differs)
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
    answer = find(conn, text, on, tables, weigh=False)
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
