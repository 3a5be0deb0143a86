"""Looking for leaks: every private value of a registry, searched for in what goes out.

It is the last look before an edition is moved into place, and it trusts nothing that made the edition: it
takes the registry's private values (who people are, what they said, what was found and concluded, and each
number as read and as issued) and the finished bytes. A finding names the record, never the value.

Short values are met by chance in any file, so they are looked for in the rows about cars, cell by cell.
Words that an edition prints for everybody (the town of a maker is also somebody's town) are no leak where
they stand in its tables of makers, series and rules, and are looked for in the rows about cars as well.
"""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

#: Private values shorter than this are looked for in the rows alone: in a whole file they would be met by
#: chance.
SHORTEST_SEARCHED = 5
#: Bare figures shorter than this likewise.
SHORTEST_FIGURES = 7

#: Registry entry under which the key of the fingerprints is kept. It never leaves the registry.
KEY_NAME = "lookup_key"


class Private(NamedTuple):
    """A value that must not go out. ``what`` says where it stands, without the value; ``kind`` is person, prose or serial."""

    what: str
    value: str
    kind: str


class Leak(NamedTuple):
    """A private value that was found, and where. Show ``what`` and ``where``, never ``value``."""

    what: str
    value: str
    where: str
    kind: str = "prose"


#: Text of a registry that is somebody's words or says something of a person or a car that is not public.
_PROSE = {
    "entries": (
        "by_right",
        "reason",
        "terms",
        "contents",
        "claim_words",
        "alterations",
        "notes",
        "photographs",
        "photo_hazards",
    ),
    "statements": ("as_written", "source", "locator", "note", "value"),
    "observations": ("traces", "note"),
    "readings": ("place", "how", "note"),
    "things": ("note",),
    "photographs": ("hazards", "note"),
    "decisions": ("reason",),
    "stops": ("says", "ask"),
    "stop_releases": ("reason",),
    "consents": ("reason",),
    "holds": ("reason",),
    "conflicts": ("says", "reason"),
    "car_joins": ("reason",),
    "theft_reports": ("source", "ask", "note"),
    "lists": ("kept_by", "note"),
    "list_numbers": ("note", "their_number"),
    "series": ("note",),
    "makers": ("note",),
}
_DATE_LIKE = re.compile(r"[0-9/.-]{4,10}s?")


def private_values(db: Any) -> list[Private]:
    """Every private value of a registry: people's, what was said and found and concluded, and numbers as read and as issued."""
    conn = getattr(db, "conn", db)
    out: dict[tuple[str, str], Private] = {}

    def keep(what: str, value: Any, kind: str) -> None:
        if value is not None and (text := str(value).strip()):
            out.setdefault((text.casefold(), kind), Private(what, text, kind))

    people = ("name", "town", "contact", "note", "ref")
    for ident, *values in conn.execute(f"SELECT id, {', '.join(people)} FROM people ORDER BY id"):
        for column, value in zip(people, values, strict=True):
            keep(f"the {column} of person {ident}", value, "person")
    for table, columns in _PROSE.items():
        for ident, *values in conn.execute(f"SELECT rowid, {', '.join(columns)} FROM {table} ORDER BY rowid"):
            for column, value in zip(columns, values, strict=True):
                keep(f"{column} of {table} {ident}", value, "prose")
    for table in ("readings", "theft_reports", "list_numbers"):
        for ident, typed in conn.execute(f"SELECT id, as_typed FROM {table} ORDER BY id"):
            keep(f"the number of {table} {ident}", typed, "serial")
    for kind, subject, key in conn.execute(
        "SELECT subject_kind, subject, key FROM number_keys WHERE certain = 1 ORDER BY id"
    ):
        keep(f"the number of {kind} {subject}", key, "serial")
    for (secret,) in conn.execute("SELECT value FROM registry_info WHERE key = ?", (KEY_NAME,)):
        keep("the key for look-ups", secret, "person")
    return list(out.values())


def leak_search(data: bytes | str | os.PathLike[str], values: Iterable[Private | str]) -> list[Leak]:
    """Every one of ``values`` that stands in ``data`` (bytes, or a file's path), in whatever case, in UTF-8 or UTF-16.

    A serial is found however it is spaced: it is looked for without spaces, dashes and dots as well. Values
    of fewer than five characters, and bare figures of fewer than seven, are left to the rows
    (``row_leaks``).
    """
    raw = data if isinstance(data, bytes) else Path(data).read_bytes()
    hay = raw.lower()
    wanted: dict[bytes, list[Leak]] = defaultdict(list)
    squeezed: dict[bytes, list[Leak]] = defaultdict(list)
    for one in values:
        value = one if isinstance(one, Private) else Private("a private value", one, "prose")
        if not _searchable(value):
            continue
        text = value.value.lower()
        for encoding in ("utf-8", "utf-16-le", "utf-16-be"):
            wanted[text.encode(encoding)].append(Leak(value.what, value.value, f"the bytes ({encoding})", value.kind))
        if value.kind == "serial":
            bare = "".join(c for c in text if c.isalnum())
            squeezed[bare.encode()].append(
                Leak(value.what, value.value, "the bytes, without spaces and dashes", value.kind)
            )
    found = _met(hay, wanted) + _met(hay.translate(None, b" -.\t"), squeezed)
    first: dict[tuple[str, str], Leak] = {}
    for leak in found:
        first.setdefault((leak.what, leak.value), leak)
    return list(first.values())


def _searchable(value: Private) -> bool:
    if value.kind == "serial":
        bare = "".join(c for c in value.value if c.isalnum())
        return len(bare) >= (SHORTEST_FIGURES if bare.isdigit() else SHORTEST_SEARCHED)
    return len(value.value) >= SHORTEST_SEARCHED and not _DATE_LIKE.fullmatch(value.value)


def _met(hay: bytes, wanted: Mapping[bytes, list[Leak]]) -> list[Leak]:
    """One pass over the bytes for many values: by their first bytes, since a file and a list of values can both be long."""
    if not wanted:
        return []
    if len(wanted) <= 50:
        return [leak for value, leaks in wanted.items() if value in hay for leak in leaks]
    first = min(4, min(map(len, wanted)))
    begins: dict[bytes, list[bytes]] = defaultdict(list)
    for value in wanted:
        begins[value[:first]].append(value)
    found: list[Leak] = []
    met: set[bytes] = set()
    for place in range(len(hay) - first + 1):
        if (candidates := begins.get(hay[place : place + first])) is not None:
            for value in candidates:
                if value not in met and hay.startswith(value, place):
                    met.add(value)
                    found += wanted[value]
    return found


#: Columns about cars that hold public words, dates, or the car's own number.
PUBLIC = frozenset(
    {
        "car",
        "maker",
        "series",
        "opinion",
        "opinion_year",
        "body_made",
        "pan",
        "pan_model_year",
        "last_seen",
        "line",
    }
)


def row_leaks(cars: Iterable[Mapping[str, Any]], values: Iterable[Private]) -> list[Leak]:
    """Private values that are a whole cell of a row about a car, or a whole number inside one: also those too short for bytes.

    Columns that hold public words, dates or the car's own number (``PUBLIC``) are not looked at, and a
    masked serial is no number: what it gives away is counted in ``registry.masking``. A word of somebody's
    that is a colour is a colour.
    """
    cells: dict[str, str] = {}
    for row in cars:
        for column, cell in row.items():
            if cell is None or column in PUBLIC:
                continue
            text = str(cell).casefold()
            cells.setdefault(text, f"{column} of {row['car']}")
            for number in () if "…" in text else re.findall(r"[a-z]*[0-9]+[a-z]*", text):
                cells.setdefault(number, f"{column} of {row['car']}")
    out = []
    for value in values:
        text = value.value.casefold()
        where = cells.get(text)
        if where is None and value.kind == "serial":
            where = cells.get("".join(c for c in text if c.isalnum()))
        if where and not (value.kind == "prose" and where.startswith("colour")):
            out.append(Leak(value.what, value.value, where, value.kind))
    return out


def public_words(db: Any, *more: str) -> str:
    """The words that an edition of this registry prints for everybody: its name, makers, series and rules (and ``more``)."""
    conn = getattr(db, "conn", db)
    found = [*more]
    for sql in (
        "SELECT value FROM registry_info WHERE key = 'name'",
        "SELECT name || ' ' || coalesce(place, '') FROM makers",
        "SELECT name || ' ' || coalesce(made_edtf, '') || ' ' || coalesce(serial_family, '') FROM series",
        "SELECT compiled FROM family_tables",
    ):
        found += [text for (text,) in conn.execute(sql)]
    return "\n".join(found)


def leaks_of(
    path: str | os.PathLike[str], cars: Sequence[Mapping[str, Any]], values: Sequence[Private], public: str
) -> list[Leak]:
    """Private values in a finished edition: in its bytes, and in the rows about cars.

    ``public`` are the words that it prints for everybody (``public_words``): a town, a note or a number
    that is among them is looked for in the rows about cars alone. A person's name is a leak wherever it
    stands.
    """
    said = public.lower()
    bare_said = _bare(said)
    colours = {str(row[name]).lower() for row in cars for name in ("colour", "colour_under") if row[name]}
    found = row_leaks(cars, values)
    for leak in leak_search(path, values):
        value = leak.value.lower()
        if leak.kind == "person" and not leak.what.startswith("the town"):
            found.append(leak)
        elif value in said or (leak.kind == "serial" and _bare(value) in bare_said):
            found += [
                leak
                for row in cars
                for name, cell in row.items()
                if name not in PUBLIC and cell and value in str(cell).lower()
            ][:1]
        elif not (leak.kind == "prose" and value in colours):
            found.append(leak)
    return found


def _bare(text: str) -> str:
    return re.sub(r"[ \t.-]", "", text)
