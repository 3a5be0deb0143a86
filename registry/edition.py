"""Asking an edition: the public side of a look-up.

The asker gives what can be seen on the car; the list never gives a number out. A number that is known leads
to the public entry. A number one character off leads to one sentence: which place to read again. Bare
figures ("what about number 2345?") get no entry at all, only whether such a number is known in a class, and
what to photograph. Nothing is ever completed.

The edition holds hashed numbers only (``registry.publish``), and the key stays with the registry: whoever
serves the edition beside its registry can answer look-ups, a copy of the edition alone cannot. What remains
is plain: somebody who holds the key, or who may ask the server without end, can try serial after serial.
The key is kept like the registry, and a server slows such asking down.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

from registry import lookup, publish

#: Where ``tubmark serve --registry`` tells the pages which registry holds the key. A path, never the key;
#: the environment of the server is shown on none of its pages, its settings are.
KEY_FROM = "TUBMARK_LOOKUP_REGISTRY"

#: A reading that could be more numbers than this is a question about many cars at once, and is sent back to
#: the metal.
MOST_READINGS = 12
#: Bare figures up to this many are a fishing question where no maker stamped just figures.
_BARE = 5

PHOTOGRAPH = (
    "Photograph the number square on and once more with light from the side, and then from further off, so that one sees "
    "where it stands. Leave people, house numbers and registration plates out."
)


class Key(NamedTuple):
    """What look-ups need besides the edition: the list's secret key, and the number families with its house tables."""

    secret: bytes
    tables: Any

    def __repr__(self) -> str:
        return "Key(...)"  # a secret that prints itself ends up in a log


@dataclass(slots=True)
class LookUp:
    """The answer of an edition. ``answer``: known, near, class, not listed, too many (for one look-up), or no key.

    ``cars`` are public entries, only where the number is known. ``look_again`` holds places (``at``,
    counted from 0 along ``asked_key``) and ``says``, never a character. ``classes`` says for bare figures
    in which classes such a number is known.
    """

    reading: str
    answer: str
    edition: str
    says: list[str] = field(default_factory=list)
    ask: list[str] = field(default_factory=list)
    cars: list[dict[str, Any]] = field(default_factory=list)
    look_again: list[dict[str, Any]] = field(default_factory=list)
    classes: list[dict[str, Any]] = field(default_factory=list)
    asked_key: str | None = None
    problems: list[str] = field(default_factory=list)
    stops: list[dict[str, Any]] = field(default_factory=list)

    @property
    def status(self) -> int:
        """0 where the edition knows something of the number, 1 where it does not."""
        return 0 if self.answer in ("known", "near") or any(found["known"] for found in self.classes) else 1

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of a look-up."""
        return asdict(self)


# --- what an edition says of itself ---------------------------------------------------------------


def edition_info(conn: sqlite3.Connection) -> dict[str, str]:
    """What the edition says of itself: name, dated, cars, policy, sha256, previous (the hash of the edition before) and more."""
    return dict(conn.execute("SELECT key, value FROM edition"))


def tables(conn: sqlite3.Connection) -> Any:
    """The packaged number families with the house tables that came with the edition."""
    return _tables(tuple(text for (text,) in conn.execute("SELECT compiled FROM families ORDER BY family")))


@lru_cache(maxsize=8)
def _tables(compiled: tuple[str, ...]) -> Any:
    from decoder import load_tables

    return load_tables(extra=[{**json.loads(text), "origin": "table in the edition"} for text in compiled])


def public_car(conn: sqlite3.Connection, car: str) -> dict[str, Any] | None:
    """The public entry of a car, or None where this edition has none.

    The number of a record that was joined to it leads to it as well; its own number stands in the entry.
    """
    found = next(iter(_rows(conn, "SELECT * FROM cars WHERE car = ?", [car])), None)
    if found is None and _has_table(conn, "aliases"):  # editions of before there were any have none
        found = next(
            iter(_rows(conn, "SELECT cars.* FROM cars JOIN aliases USING (car) WHERE aliases.alias = ?", [car])), None
        )
    return found


def _has_table(conn: sqlite3.Connection, name: str) -> bool:
    return conn.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", (name,)).fetchone() is not None


def columns(conn: sqlite3.Connection, table: str = "cars") -> dict[str, str]:
    """What each column of a table means, in the edition's own words."""
    return dict(conn.execute("SELECT column_name, meaning FROM columns WHERE table_name = ?", (table,)))


def content(conn: sqlite3.Connection) -> dict[str, list[tuple[Any, ...]]]:
    """Everything in an edition, as ``publish.content_hash`` takes it: to see that a copy is what was published."""
    return {
        name: [tuple(row) for row in conn.execute(f"SELECT {', '.join(of)} FROM {name} ORDER BY {', '.join(of)}")]
        for name, of in publish.TABLES.items()
        if _has_table(conn, name)
    }


# --- the key --------------------------------------------------------------------------------------


def key_from_registry(path: str | os.PathLike[str]) -> Key | None:
    """The key for look-ups and the house tables of a registry; None where it has published nothing yet.

    Raises RegistryError where the file is no registry.
    """
    from registry.knowing import house_tables
    from registry.opening import opened

    with opened(path) as db:
        secret = publish.lookup_key(db)
        return None if secret is None else Key(secret, house_tables(db))


def fits(conn: sqlite3.Connection, key: Key) -> bool:
    """Whether this is the key that the edition's numbers were hashed with."""
    return edition_info(conn).get("key_check") == publish.key_check(key.secret)


def key_for(datasette: Any = None, name: str | None = None) -> Key | None:
    """The key that the server was told of (``tubmark serve EDITION --registry REGISTRY``); None where it was told of none."""
    path = os.environ.get(KEY_FROM)
    return _key_at(path, os.stat(path).st_mtime_ns) if path and os.path.exists(path) else None


@lru_cache(maxsize=2)
def _key_at(path: str, changed: int) -> Key | None:
    return key_from_registry(path)


# --- looking up -----------------------------------------------------------------------------------


def look_up(conn: sqlite3.Connection, text: str, key: Key | bytes | None = None, tables: Any = None) -> LookUp:
    """Whether a number that somebody can see on a car is known to this edition.

    ``key`` is the list's key (a ``Key``, or the bytes, with ``tables`` to normalise by). Raises
    decoder.MalformedReading.
    """
    from decoder import read

    reading = read(text)
    info = edition_info(conn)
    answer = LookUp(str(reading), "not listed", info.get("dated", ""), problems=list(reading.notes))
    if isinstance(key, bytes):
        key = Key(key, tables if tables is not None else _tables_of(conn))
    if key is None or not fits(conn, key):
        return _without_key(answer, info)
    # Most askers have a body before them, so bodies are looked up first: that is a tenth of the work.
    asked = lookup.keys_for(text, "body", key.tables)
    if _is_bare(reading) and _is_fishing(conn, [*asked, *lookup.keys_for(text, "plate", key.tables)]):
        return _by_class(conn, answer, reading, key)
    if reading.is_certain and (known := _entries(conn, answer, key, asked)):
        return known
    asked = lookup.keys_for(text, None, key.tables)
    whole = list(dict.fromkeys(made for family, made, _ in asked if family)) or [made for _, made, _ in asked]
    if not reading.is_certain:
        return _of_doubtful(conn, answer, reading, whole, key, asked)
    if known := _entries(conn, answer, key, asked):
        return known
    answer.asked_key = whole[0] if whole else None
    hits = _known(conn, key, [made for _, made, _ in asked])
    if hits:
        answer.answer = "near"
        answer.says.append(
            "The list has a doubtful reading that may be this number. A photograph of yours would help to settle it."
        )
        answer.ask.append(PHOTOGRAPH)
        return answer
    answer.look_again = list(_near(conn, key, asked))
    if answer.look_again:
        answer.answer = "near"
        answer.asked_key = answer.look_again[0]["asked_key"]
        answer.says.append("This number is not known, but one that differs in a single place is.")
        answer.says += [found["says"] for found in answer.look_again]
        answer.ask.append(PHOTOGRAPH)
        return answer
    return _not_listed(conn, answer, asked, key)


def _entries(conn: sqlite3.Connection, answer: LookUp, key: Key, asked: list[tuple[str, str, bool]]) -> LookUp | None:
    """The public entries of the cars that surely carry the number; None where there is none."""
    sure = sorted({car for _, car, _, certain in _known(conn, key, [made for _, made, _ in asked]) if certain})
    if not sure:
        return None
    answer.answer = "known"
    answer.asked_key = next((made for family, made, _ in asked if family), asked[0][1])
    answer.cars = [entry for car in sure if (entry := public_car(conn, car))]
    several = " Two cars carry it: both are here, and neither is taken for the other." if len(sure) == 2 else ""
    answer.says.append(f"This number is known: {', '.join(sure)}.{several}")
    return answer


def _tables_of(conn: sqlite3.Connection) -> Any:
    return tables(conn)


def _without_key(answer: LookUp, info: dict[str, str]) -> LookUp:
    answer.answer = "no key"
    name = info.get("name") or "the list"
    answer.says.append("Numbers cannot be looked up here: this copy of the list was served without its key.")
    answer.ask += [f"Ask the keeper of {name} whether the number is known, and say what you see.", PHOTOGRAPH]
    return answer


def _known(conn: sqlite3.Connection, key: Key, numbers: list[str]) -> list[tuple[str, str, str, int]]:
    """(number, car, kind, certain) of each number that has a fingerprint in the edition."""
    by_print = {publish.fingerprint(key.secret, number): number for number in numbers}
    prints = list(by_print)
    out = []
    for start in range(0, len(prints), 900):
        some = prints[start : start + 900]
        marks = ",".join("?" * len(some))
        for found, car, kind, certain in conn.execute(
            f"SELECT fingerprint, car, kind, certain FROM fingerprints WHERE fingerprint IN ({marks}) ORDER BY car, kind",
            some,
        ):
            out.append((by_print[found], car, kind, certain))
    return out


def _near(conn: sqlite3.Connection, key: Key, asked: list[tuple[str, str, bool]]) -> Iterator[dict[str, Any]]:
    """Places to read again, each once. What the list has there is not said, nor how many numbers it has."""
    from decoder import neighbours

    beside: dict[str, str] = {}
    for family, made, _ in sorted(asked, key=lambda one: not one[0]):
        if len(made) >= lookup.SHORTEST_NEAR:
            for other in neighbours(made, tables=key.tables, family=family):
                beside.setdefault(other, made)
    told: set[tuple[str, int, str]] = set()
    for other, _, _, certain in _known(conn, key, list(beside)):
        if not certain:
            continue  # beside one of many that a doubtful reading may be: that says nothing
        differs = lookup.differs(beside[other], other)
        if not differs:
            continue
        at, change = differs[0]["at"], differs[0]["change"]
        if (beside[other], at, change) not in told:
            told.add((beside[other], at, change))
            yield {"asked_key": beside[other], "at": at, "change": change, "says": _again(at, change)}


def _again(at: int, change: str) -> str:
    place = lookup.place_in_words(at)
    return {
        "swapped": f"Read the {place} and the {lookup.place_in_words(at + 1)} character again: are they the right way round?",
        "missing": f"Read the number again about the {place} character: is there one more?",
        "extra": f"Read the number again about the {place} character: is there one too many?",
    }.get(change, f"Read the {place} character again.")


def _of_doubtful(
    conn: sqlite3.Connection,
    answer: LookUp,
    reading: Any,
    numbers: list[str],
    key: Key,
    asked: list[tuple[str, str, bool]],
) -> LookUp:
    """A reading with doubts is never settled from the list: only that it is worth reading again, and where."""
    places = [lookup.place_in_words(at) for at in reading.uncertain_at]
    again = f"Read the {' and the '.join(places)} character again." if len(places) <= 3 else "Read more of it."
    unread = sum(1 for cell in reading.cells if not cell.chars)
    if len(numbers) > MOST_READINGS or unread > 1 or any(cell.stretch for cell in reading.cells):
        answer.answer = "too many"
        answer.says.append(f"That could be too many numbers to look up. {again}")
        answer.ask.append(PHOTOGRAPH)
        return answer
    if _known(conn, key, numbers):
        answer.answer = "near"
        answer.look_again = [
            {
                "asked_key": None,
                "at": at,
                "change": "misread",
                "says": f"Read the {lookup.place_in_words(at)} character again.",
            }
            for at in reading.uncertain_at
        ]
        answer.says.append(f"A number that this may be is known. {again}")
        answer.ask.append(PHOTOGRAPH)
        return answer
    return _not_listed(conn, answer, asked, key)


def _is_bare(reading: Any) -> bool:
    """Figures alone, and too few for a whole number of anything but a body."""
    return reading.is_certain and len(reading.cells) <= _BARE and all(cell.chars.isdigit() for cell in reading.cells)


def _is_fishing(conn: sqlite3.Connection, asked: list[tuple[str, str, bool]]) -> bool:
    """Bare figures where no maker of bodies stamped just figures."""
    return not {family for family, _, _ in asked} & _serial_families(conn)


def _serial_families(conn: sqlite3.Connection) -> set[str]:
    return {family for (family,) in conn.execute("SELECT serial_family FROM series WHERE serial_family IS NOT NULL")}


def _by_class(conn: sqlite3.Connection, answer: LookUp, reading: Any, key: Key) -> LookUp:
    figures = "".join(cell.chars for cell in reading.cells)
    answer.answer = "class"
    makers = _serial_families(conn)
    for family in key.tables:
        if family.id not in makers:
            continue
        numbers = [number for template in family.templates if (number := _completed(template, figures))]
        if numbers:
            known = bool(_known(conn, key, numbers))
            answer.classes.append({"class": family.title, "known": known})
    known_in = [found["class"] for found in answer.classes if found["known"]]
    if known_in:
        answer.says.append(f"A number with these figures is known in: {'; '.join(known_in)}.")
    else:
        answer.says.append("No number with these figures is known here.")
    answer.says.append(
        "More is told to somebody who sees the car: type the number as it stands on it, letters and all."
    )
    answer.ask.append(PHOTOGRAPH)
    return answer


def _completed(template: Any, figures: str) -> str | None:
    """The number of a template whose only unknown part is its running figures; None where the maker put more into it."""
    if not template.running or template.codes or template.any or len(template.ordered) > 1:
        return None
    start, end = template.running
    if template.ordered[0] != (start, end) or len(figures) != end - start:
        return None
    cells = list(template.cells)
    cells[start:end] = list(figures)
    for at, modulus, letters, of in template.checks:
        cells[at] = letters[int("".join(cells[i] for i in of)) % modulus]
    number = "".join(cells)
    return number if template.fits(number) else None


def _not_listed(conn: sqlite3.Connection, answer: LookUp, asked: list[tuple[str, str, bool]], key: Key) -> LookUp:
    answer.says.append("This number is not listed here.")
    families = list(dict.fromkeys(family for family, _, _ in asked if family))
    for row in _rows(
        conn,
        "SELECT series.series, counts.* FROM series JOIN counts ON counts.series = series.series "
        f"WHERE series.serial_family IN ({','.join('?' * len(families))}) ORDER BY series.series",
        families,
    ):
        answer.says.append(how_many(row))
    answer.ask += [
        f"Ask the keeper of {edition_info(conn).get('name') or 'the list'}: a car that nobody has reported yet is welcome, and one whose "
        "keeper wants no publicity is not shown here.",
        PHOTOGRAPH,
    ]
    return answer


def how_many(counts: dict[str, Any]) -> str:
    """How many of a series are listed, and of how many living, from a row of ``counts``."""
    series, known = counts["series"], counts["known"]
    if known is None:
        here = counts["in_edition"]
        return f"{series}: {here} {'is' if here == 1 else 'are'} in this edition; how many are living cannot be told."
    if counts["living"]:
        return (
            f"{series}: about {known} of an estimated {counts['living']} living are listed "
            f"(between {counts['living_low']} and {counts['living_high']}, if the lists were made without looking at each other)."
        )
    return f"{series}: {known} are listed; how many are living cannot be told from the lists there are."


def _rows(conn: sqlite3.Connection, sql: str, parameters: list[Any]) -> list[dict[str, Any]]:
    cursor = conn.execute(sql, parameters)
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, tuple(row), strict=True)) for row in cursor]
