"""Publishing: an edition is a file in which the private part never was.

An edition is made from nothing. The rows that may go out are put together in memory from named columns,
checked, and written into a new SQLite file, which is moved into place whole; nothing is ever copied out of
a registry and blanked afterwards. What goes out is the keeper's word and the list's policy: consent none,
unknown or withdrawn means absent; "number hidden" means that no figure is shown; a car with an open stop, a
hold or an open conflict is held back, or has one neutral line.

Before anything is moved the masks are attacked (``registry.masking``) and the finished bytes are searched
for every private value of the registry (``registry.leaks``); either finding ends it, and nothing is
published.

A record that was joined to a published car has its number in the edition's ``aliases``, so that an address
that went out goes on leading to the car. Later visits have none: an entry's number tells its year, and of
when a car was last seen no more than the decade goes out.

For look-ups an edition carries fingerprints: each number of a published car, hashed with a key that stays
in the registry. Only published cars have them. A "known" for a car whose keeper has said no would tell that
it is registered.

The same registry, date and policy give the same bytes. The edition's hash is over its content, in one
spelling.
"""

from __future__ import annotations

import hashlib
import hmac
import itertools
import json
import os
import re
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from registry import knowing, leaks, masking
from registry.errors import RegistryError, WrongInput
from registry.schema import OF_ENTRY

#: A fingerprint is this many letters of four bits each: 96 bits, so that a chance hit is not to be expected
#: even among 10^6 numbers with 200 near spellings asked for each.
FINGERPRINT = 24
#: Fingerprints are written in these letters: without figures they cannot look like a serial in a search of
#: the bytes, and without vowels they cannot look like a name.
_LETTERS = "BCDFGHJKLMNPQRST"
_TO_LETTERS = str.maketrans("0123456789abcdef", _LETTERS)

#: Lists as short as this, or with so few cars on both, give no estimate of how many are living. Own
#: assumption.
_LEAST_LISTED, _LEAST_SHARED = 20, 4

#: The columns of ``cars``, with what each means. The meaning is in the edition itself, and ``metadata.yml``
#: repeats it.
CARS = {
    "car": "number under which the list knows the car: year and running number of its first entry. It is no maker's number",
    "maker": "who made the body, in the opinion named beside it",
    "series": "the maker's series",
    "opinion": "what the body is, in the opinion of the keeper of the list; 'open' where that is not decided or not agreed",
    "opinion_year": "calendar year of that opinion",
    "body_serial": "last figures of the body's serial, where the car's keeper allows it; … stands for what is not shown, ? for a check letter",
    "body_made": "when the body was made, as exactly as may be told: a month, a year or a decade; the series has its own span",
    "pan": "number family of the donor's pan that is under the car now; the number itself is never published",
    "pan_model_year": "model year of that pan, where its number tells one. It is not the year of the car",
    "colour": "colour at the last visit",
    "colour_under": "colour found under it",
    "province": "where the car is, no nearer than a province",
    "last_seen": "decade in which the car was last seen",
    "line": "a plain line in place of an entry that is not public at present",
}
#: The tables of an edition and their columns, in the order in which they are written.
TABLES = {
    "edition": {"key": "what is told", "value": "the answer"},
    "cars": CARS,
    "series": {
        "series": "name of the series",
        "maker": "its maker",
        "place": "where the maker was",
        "kind": "maker: a maker's own; copy: taken from another's body; continuation: from the old mould in later hands",
        "copied_from": "series that it was taken from",
        "made": "when it was made (EDTF)",
        "serial_family": "number family of its serials",
        "donor_family": "number family of the pan it was made for",
        "shortened_mm": "how much the pan is shortened, in millimetres",
    },
    "makers": {"maker": "who made bodies", "place": "where"},
    "counts": {
        "series": "name of the series",
        "in_edition": "cars of it in this edition",
        "known": "cars of it on this list and the lists it is compared with; empty where they are few",
        "living": "estimate of how many are living, from lists made without looking at each other; empty where that cannot be told",
        "living_low": "low end of the estimate's 95 % interval",
        "living_high": "high end of it",
    },
    "families": {
        "family": "id of the number family",
        "title": "what it numbers",
        "compiled": "its rules, in the form in which they are used",
    },
    "fingerprints": {
        "fingerprint": "a number of a published car, hashed with a key that is not in this file",
        "car": "the car",
        "kind": "what it is stamped on",
        "certain": "1 where the number was read without doubt",
    },
    "aliases": {
        "alias": "number under which the list knew a record that was found to be one with the car",
        "car": "the car",
    },
    "columns": {
        "table_name": "a table of this file",
        "column_name": "a column of it",
        "meaning": "what it means",
    },
}

_OPINIONS_WITHOUT_SERIAL = ("two bodies joined", "other", "open")
_ALTERED = ("ground", "restamped", "cut-away")
_ABSENT = ("none", "unknown", "withdrawn")


#: Words of the program's own that stand in every edition.
_FIXED = tuple(meaning for columns in TABLES.values() for meaning in columns.values())


@dataclass(frozen=True, slots=True)
class Policy:
    """What goes out. The defaults are the careful ones; every figure here is a choice of the list's keeper.

    ``least``: so many serials at least must agree with what is published of a car. ``figures``: last
    figures of a serial that are shown where the keeper of the car agrees. ``made``: how exactly a body's
    date may be told at the finest (month, year, decade, series). ``stopped``: "held" leaves a stopped car
    out, "line" gives it the neutral ``line``. ``provinces``: town to province, since a town is never
    published; a province shows only where ``smallest_group`` cars share it. ``tables``: whether the house
    tables of donors' pans go along, so that the edition decodes by itself. ``slow``: output in a slow
    period as a part of the average, for the attack on the masks.
    """

    least: int = 20
    figures: int = 2
    made: str = "year"
    stopped: str = "held"
    line: str = "This entry is not public at present."
    colours: bool = True
    provinces: Mapping[str, str] = field(default_factory=dict)
    smallest_group: int = 5
    tables: bool = True
    slow: int = masking.SLOW

    def __post_init__(self) -> None:
        if self.made not in masking.MADE_LEVELS:
            raise WrongInput(f"A body's date is told by month, year, decade or series, not by '{self.made}'.")
        if self.stopped not in ("held", "line"):
            raise WrongInput(f"A stopped car is 'held' or has a 'line', not '{self.stopped}'.")
        if self.least < 1 or self.figures < 0 or self.smallest_group < 1 or self.slow < 1:
            raise WrongInput("The policy's figures are whole numbers of at least 1 (the figures shown may be 0).")

    def words(self) -> list[str]:
        """The policy in sentences, as it stands in the edition."""
        shown = {
            0: "No figure of a serial is shown.",
            1: "Of a serial at most the last figure is shown.",
        }.get(self.figures, f"Of a serial at most the last {self.figures} figures are shown.")
        stopped = "left out" if self.stopped == "held" else f"shown by one line: {self.line}"
        return [
            "A car is here only if its keeper said yes; a car whose keeper was not asked, said no, or took it back is absent.",
            f"{shown} Where the keeper wants the number hidden, none is.",
            f"Figures and dates are made coarser until at least {self.least} issued serials agree with what is shown of a car.",
            f"A car that is being looked into is {stopped}.",
            "Keepers, places nearer than a province, papers, findings and reasons are not in this file at all.",
            "A look-up answers from hashed numbers of the cars in this edition; a number is never completed.",
        ]


DEFAULT = Policy()


@dataclass(slots=True)
class Proof:
    """What an edition would hold, for the registrar to read before it goes out. It is private: reasons stand in it."""

    dated: str
    published: int = 0
    new: list[str] = field(default_factory=list)
    changed: list[dict[str, Any]] = field(default_factory=list)
    unchanged: int = 0
    gone: list[dict[str, str]] = field(default_factory=list)
    held: list[dict[str, str]] = field(default_factory=list)
    consent_unknown: list[str] = field(default_factory=list)
    not_agreed: list[dict[str, str]] = field(default_factory=list)
    coarsened: list[dict[str, Any]] = field(default_factory=list)
    last_edition: str | None = None
    policy: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of ``tubmark publish --proof``."""
        return asdict(self)

    def sentences(self) -> list[str]:
        """What the registrar reads, in order: what goes out, what changes, what stays in and why."""
        since = f" since the edition of {self.last_edition}" if self.last_edition else ""
        lines = [f"An edition of {self.dated} would hold {cars_in_words(self.published)}."]
        lines += _listed(f"New{since}", self.new)
        lines += [
            f"Changed{since}: {change['car']}, {_field(name)}: {before or 'nothing'} becomes {after or 'nothing'}."
            for change in self.changed
            for name, (before, after) in change["fields"].items()
        ]
        lines += [f"No longer in it: {gone['car']}, {gone['why']}." for gone in self.gone]
        lines += [f"Held back: {held['car']}, {held['why']}." for held in self.held]
        lines += [f"Absent: {one['car']}, consent {one['consent']}." for one in self.not_agreed]
        lines += _listed("Absent, since nobody has asked the keeper", self.consent_unknown)
        lines += [f"Made coarser: {one['car']}, {one['what']}." for one in self.coarsened]
        return lines


class Edition(NamedTuple):
    """The content of an edition, ready to be written: table to rows, in the order of ``TABLES``."""

    tables: dict[str, list[tuple[Any, ...]]]
    proof: Proof
    sha256: str

    def cars(self) -> list[dict[str, Any]]:
        """The rows of ``cars`` by column."""
        return [dict(zip(CARS, row, strict=True)) for row in self.tables["cars"]]


class Published(NamedTuple):
    """An edition that went out: where, its content's hash, and the proof it went out by."""

    path: Path
    sha256: str
    proof: Proof


# --- what may go out ------------------------------------------------------------------------------


class _Books:
    """What the registry holds that an edition depends on, read once, with joined records under the one that stays."""

    def __init__(self, db: Any, tables: Any) -> None:
        self.conn: sqlite3.Connection = getattr(db, "conn", db)
        self.tables = tables
        self.info = dict(self._all("SELECT key, value FROM registry_info"))
        self.numbers = dict(self._all("SELECT id, number FROM cars"))
        joined: dict[int, tuple[str, int]] = {}
        self.joined_at: dict[int, int] = defaultdict(int)
        for car, into, kind, event in self._all("SELECT car, into_car, kind, event FROM car_joins ORDER BY id"):
            joined[car] = (kind, into)
            self.joined_at[car] = self.joined_at[into] = event
        self.root = {car: self._stays(car, joined) for car in self.numbers}
        self.members: dict[int, list[int]] = defaultdict(list)
        for car in sorted(self.numbers):
            self.members[self.root[car]].append(car)
        self.makers = {
            i: (name, place) for i, name, place in self._all("SELECT id, name, place FROM makers ORDER BY id")
        }
        self.series = {row["id"]: row for row in self._dicts("SELECT * FROM series ORDER BY id")}
        twice = Counter(row["name"] for row in self.series.values())
        for row in self.series.values():
            if twice[row["name"]] > 1:  # two makers' "Mk I": the name alone would not tell them apart
                row["name"] = f"{row['name']} ({self.makers.get(row['maker'], (row['id'],))[0]})"

    def _all(self, sql: str) -> list[tuple[Any, ...]]:
        return self.conn.execute(sql).fetchall()

    def _dicts(self, sql: str) -> list[dict[str, Any]]:
        cursor = self.conn.execute(sql)
        names = [column[0] for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor]

    def by_car(self, sql: str) -> dict[int, list[dict[str, Any]]]:
        """Rows with a ``car`` column, under the car that stays."""
        out: dict[int, list[dict[str, Any]]] = defaultdict(list)
        for row in self._dicts(sql):
            if row["car"] is not None:
                out[self.root[row["car"]]].append(row)
        return out

    @staticmethod
    def _stays(car: int, joined: Mapping[int, tuple[str, int]]) -> int:
        met = {car}
        while car in joined and joined[car][0] == "merge" and joined[car][1] not in met:
            car = joined[car][1]
            met.add(car)
        return car

    def number(self, car: int) -> str:
        return self.numbers[car]

    def aliases(self, rows: Sequence[Mapping[str, Any]]) -> list[tuple[str, str]]:
        """The numbers of records that were joined to a car of ``rows``, each with that car; none for one that has only a line."""
        shown = {row["car"] for row in rows if not row["line"]}
        return sorted(
            (self.number(car), self.number(root))
            for car, root in self.root.items()
            if car != root and self.number(root) in shown
        )

    def consents(self) -> dict[int, str]:
        """The consent that holds for each car. Where records were joined, what was said since then; else the strictest."""
        order = {"withdrawn": 0, "none": 1, "unknown": 2, "number hidden": 3, "full": 4}
        out = {}
        given = self.by_car("SELECT car, consent, at, event FROM consents ORDER BY id")
        for root, members in self.members.items():
            rows = given.get(root, [])
            joined_at = max((self.joined_at[car] for car in members), default=0) if len(members) > 1 else 0
            if rows and (len(members) == 1 or rows[-1]["event"] > joined_at):
                since = rows if len(members) == 1 else [row for row in rows if row["event"] > joined_at]
                out[root] = knowing.holding(since)["consent"]
                continue
            last = {
                car: knowing.holding([r for r in rows if r["car"] == car])["consent"]
                for car in {r["car"] for r in rows}
            }
            out[root] = min(
                (last.get(car, "unknown") for car in members if car in last or len(members) == 1),
                key=order.__getitem__,
                default="unknown",
            )
        return out

    def held(self) -> dict[int, list[str]]:
        """Why a car is held back, for the registrar."""
        out: dict[int, list[str]] = defaultdict(list)
        released = {stop for (stop,) in self._all("SELECT stop FROM stop_releases")}
        for root, stops in self.by_car("SELECT id, car, kind FROM stops ORDER BY id").items():
            out[root] += [
                f"an open stop ({kind})" for kind in dict.fromkeys(s["kind"] for s in stops if s["id"] not in released)
            ]
        for root, holds in self.by_car("SELECT car, held, reason FROM holds ORDER BY at, id").items():
            if holds[-1]["held"]:
                out[root].append(f"a hold: {holds[-1]['reason'].rstrip('.')}")
        superseded = {old for (old,) in self._all("SELECT supersedes FROM conflicts WHERE supersedes IS NOT NULL")}
        for ident, kind, a, b, state in self._all("SELECT id, kind, car_a, car_b, state FROM conflicts ORDER BY id"):
            if state != "open" or ident in superseded:
                continue
            roots = {self.root[car] for car in (a, b) if car is not None}
            if a is not None and b is not None and len(roots) == 1:
                continue  # both records are one car by now, and cannot be at odds
            for root in sorted(roots):
                out[root].append(f"an open conflict ({kind})")
        received: dict[int, set[str]] = defaultdict(set)
        for car, state in self._all(f"SELECT {OF_ENTRY}, received FROM entries"):
            received[self.root[car]].add(state)
        for root, states in received.items():
            if states == {"refused"}:
                out[root].append("it was refused at the door")
        return {root: why for root, why in out.items() if why}

    def opinions(self) -> dict[int, tuple[str, str | None, str | None]]:
        """The opinion that stands (words, series, calendar year); "open" where standing opinions differ."""
        out = {}
        for root, rows in self.by_car(
            "SELECT id, car, opinion, series, at, supersedes, slip_of FROM decisions ORDER BY at, id"
        ).items():
            passed = {row["supersedes"] for row in rows} | {row["slip_of"] for row in rows}
            standing = [row for row in rows if row["id"] not in passed]
            if not standing:
                continue
            last = standing[-1]
            agreed = len({(row["opinion"], row["series"]) for row in standing}) == 1
            out[root] = (last["opinion"], last["series"], last["at"][:4]) if agreed else ("open", None, last["at"][:4])
        return out

    def things(self) -> dict[int, list[dict[str, Any]]]:
        """What is on each car now: things with their readings, slips left out, and the keys of each reading."""
        keys: dict[int, list[tuple[str, str, int]]] = defaultdict(list)
        for reading, family, key, certain in self._all(
            "SELECT subject, family, key, certain FROM number_keys WHERE subject_kind = 'reading' ORDER BY family, key"
        ):
            keys[reading].append((family, key, certain))
        readings: dict[int, list[dict[str, Any]]] = defaultdict(list)
        rows = self._dicts(
            "SELECT id, thing, as_typed, stamped_on, surface, direction, slip_of FROM readings ORDER BY id"
        )
        slips = {row["slip_of"] for row in rows}
        for row in rows:
            if row["id"] not in slips:
                readings[row["thing"]].append({**row, "keys": keys[row["id"]]})
        fitted = self.by_car(
            "SELECT f.id, f.car, f.thing, f.former, f.latest, f.supersedes, t.kind, t.series FROM fittings f JOIN things t ON t.id = f.thing ORDER BY f.id"
        )
        out = {}
        for root, rows in fitted.items():
            replaced = {row["supersedes"] for row in rows}
            out[root] = [
                {**row, "readings": readings[row["thing"]]}
                for row in rows
                if row["id"] not in replaced and not row["former"] and row["latest"] is None
            ]
        return out


def compose(db: Any, policy: Policy = DEFAULT, dated: str | None = None, *, tables: Any = None) -> Edition:
    """The content of the edition that would go out on ``dated`` (an ISO day), with its proof. Writes nothing.

    Raises WrongInput for a day that is none, and RegistryError where a mask gives a car away in spite of
    everything.
    """
    dated = _day(dated)
    if tables is None:
        from registry.knowing import house_tables

        tables = house_tables(db)
    books = _Books(db, tables)
    proof = Proof(dated, policy=policy.words())
    consents, held, opinions, things = books.consents(), books.held(), books.opinions(), books.things()
    entries = books.by_car(
        f"SELECT {OF_ENTRY} AS car, entry_date, colour_now, colour_under, received, left_by FROM entries ORDER BY entry_date, id"
    )
    papers = books.by_car(
        "SELECT car, about, relation, earliest, latest FROM statements WHERE about IN ('body_moulded', 'seen') "
        "AND id NOT IN (SELECT slip_of FROM statements WHERE slip_of IS NOT NULL) ORDER BY id"
    )
    provinces = _provinces(books, policy)
    spans = {ident: _series_of(row) for ident, row in books.series.items()}
    stretches: dict[str, list[masking.Stretch]] = {}
    rows: list[dict[str, Any]] = []
    prints: set[tuple[str, str, str, int]] = set()
    why_not: dict[str, str] = {}
    here: dict[str, set[str]] = defaultdict(set)
    counted: dict[tuple[str, str | None, str | None], int] = {}
    key = lookup_key(db)
    for root in sorted(books.members, key=lambda car: books.number(car)):
        car, consent = books.number(root), consents[root]
        known_as = _taken_for(opinions.get(root), things.get(root, []))[1]
        if known_as in books.series and (
            serial := _serial(things.get(root, []), books.series[known_as]["serial_family"])
        ):
            here[known_as].add(serial)
        if consent == "unknown":
            proof.consent_unknown.append(car)
            why_not[car] = "nobody has asked the keeper"
            continue
        if consent in _ABSENT:
            proof.not_agreed.append({"car": car, "consent": consent})
            why_not[car] = f"consent {consent}"
            continue
        if root in held:
            why_not[car] = "; ".join(held[root])
            proof.held.append({"car": car, "why": why_not[car]})
            if policy.stopped == "line":
                rows.append({**dict.fromkeys(CARS), "car": car, "line": policy.line})
            continue
        row, numbers, series = _row(
            books, root, opinions.get(root), things.get(root, []), entries.get(root, []), papers.get(root, [])
        )
        row["province"] = provinces.get(root)
        if not policy.colours:
            row["colour"] = row["colour_under"] = None
        if series and series not in stretches:
            stretches[series] = masking.stretches_of(spans[series], tables)
        left = _mask(
            row,
            numbers,
            series,
            stretches,
            policy,
            0 if consent == "number hidden" else policy.figures,
            tables,
            proof,
            counted,
        )
        if left < policy.least:
            why_not[car] = f"only {left} of its series were ever issued, fewer than the {policy.least} of the policy"
            proof.held.append({"car": car, "why": why_not[car]})
            continue
        rows.append(row)
        prints |= {(fingerprint(key, number), car, kind, certain) for kind, number, certain in numbers.every}
    _thin_out(rows, policy)
    public = {books.series[ident]["name"]: spans[ident] for ident in books.series}
    given_away = masking.attack(rows, tables, public, least=policy.least, slow=policy.slow)
    pans = {found.car for found in given_away if found.what == "pan numbers"}
    for row in rows:
        if row["car"] in pans:  # a small family: say the family and leave the year
            row["pan_model_year"] = None
            proof.coarsened.append({"car": row["car"], "what": "the pan's model year is not shown: few pans are of it"})
    if given_away := masking.attack(rows, tables, public, least=policy.least, slow=policy.slow):
        raise RegistryError(f"Nothing was published: {given_away[0]} Coarsen the policy, or hold that car.")
    return _edition(books, policy, proof, rows, prints if key else set(), why_not, key, here)


class _Numbers(NamedTuple):
    """The numbers on a car: ``every`` (kind, key, certain) for its fingerprints, ``serial`` the one body serial that is sure."""

    every: list[tuple[str, str, int]]
    family: str | None
    serial: str | None
    made: tuple[str, str] | None


def _row(
    books: _Books,
    root: int,
    opinion: tuple[str, str | None, str | None] | None,
    things: list[dict[str, Any]],
    entries: list[dict[str, Any]],
    papers: list[dict[str, Any]],
) -> tuple[dict[str, Any], _Numbers, str | None]:
    row: dict[str, Any] = dict.fromkeys(CARS)
    row["car"] = books.number(root)
    row["opinion"], series, row["opinion_year"] = _taken_for(opinion, things)
    if series in books.series:
        row["series"] = books.series[series]["name"]
        row["maker"] = books.makers.get(books.series[series]["maker"], (None, None))[0]
    every = sorted(
        {
            (thing["kind"], key, certain)
            for thing in things
            if thing["kind"] in ("body", "plate", "pan")
            for reading in thing["readings"]
            for _, key, certain in reading["keys"]
        }
    )
    family = books.series[series]["serial_family"] if series in books.series else None
    serial = None if opinion and opinion[0] in _OPINIONS_WITHOUT_SERIAL else _serial(things, family)
    row["pan"], row["pan_model_year"] = _pan(books, things)
    seen = [entry["entry_date"] for entry in entries if entry["received"] in ("received", "opinion only")]
    seen += [paper["latest"] for paper in papers if paper["about"] == "seen" and paper["latest"]]
    row["last_seen"] = f"{max(seen)[:3]}0s" if seen else None
    for column, kept in (("colour", "colour_now"), ("colour_under", "colour_under")):
        row[column] = next((c for entry in reversed(entries) if (c := _colour(entry[kept]))), None)
    made = _made(books, family, serial, papers, books.series.get(series or "", {}).get("made_edtf"))
    return row, _Numbers(every, family, serial, made), series


def _taken_for(
    opinion: tuple[str, str | None, str | None] | None, things: list[dict[str, Any]]
) -> tuple[str, str | None, str | None]:
    """The opinion on a body, its series and its year; before anybody has decided, the registrar's own sorting, as open."""
    if opinion is not None:
        return opinion
    return "open", next((t["series"] for t in things if t["kind"] == "body" and t["series"]), None), None


def _serial(things: list[dict[str, Any]], family: str | None) -> str | None:
    """The one serial of the family that is sure: what the body itself carries before what a plate says."""
    if not family:
        return None
    for on in ("body", "plate"):
        found = {
            key
            for thing in things
            if thing["kind"] in ("body", "plate")
            for reading in thing["readings"]
            if reading["stamped_on"] == on and reading["surface"] not in _ALTERED
            for of, key, certain in reading["keys"]
            if of == family and certain
        }
        if len(found) == 1:
            return found.pop()
        if found:
            return None
    return None


def _pan(books: _Books, things: list[dict[str, Any]]) -> tuple[str | None, str | None]:
    """The family of the pan under the car and its model year, only where the number leaves no doubt of either."""
    from decoder import decode

    for thing in reversed([t for t in things if t["kind"] == "pan"]):
        readings = thing["readings"]
        if any(reading["surface"] in _ALTERED for reading in readings):
            return None, None
        certain = [reading for reading in readings if any(c and family for family, _, c in reading["keys"])]
        if not certain:
            continue
        typed = "".join(c for c in certain[-1]["as_typed"].upper() if c.isalnum())
        fits = {family: key for family, key, sure in certain[-1]["keys"] if family and sure}
        # A number that is one of a family as it stands is not taken for another's with a letter read as a
        # figure.
        plain = [family for family, key in fits.items() if key == typed] or list(fits)
        answer = decode(
            certain[-1]["as_typed"], on="pan", families=plain, tables=books.tables, direction=certain[-1]["direction"]
        )
        found = answer.decodings
        if answer.stops or len(found) != 1:
            return None, None
        years = found[0].model_years
        return found[0].family.title, str(years[0][0]) if len(years) == 1 else None
    return None, None


def _made(
    books: _Books,
    family: str | None,
    serial: str | None,
    papers: list[dict[str, Any]],
    series_made: str | None,
) -> tuple[str, str] | None:
    """First and last day on which the body can have been made: by its serial, narrowed by papers that agree with it."""
    start, end = masking.FIRST_DAY, masking.LAST_DAY
    if family in books.tables and serial and (by_serial := masking.made_by_serial(books.tables[family], serial)):
        start, end = by_serial
    if series_made:
        first, last = _bounds(series_made)
        if max(start, first) <= min(end, last):
            start, end = max(start, first), min(end, last)
    says = [paper for paper in papers if paper["about"] == "body_moulded"]
    first = max(
        [
            start,
            *(p["earliest"] for p in says if p["earliest"] and p["relation"] in (None, "equals", "not before")),
        ]
    )
    last = min([end, *(p["latest"] for p in says if p["latest"] and p["relation"] in (None, "equals", "not after"))])
    if first <= last:  # else the papers are at odds with the number or each other: they are left aside
        start, end = first, last
    return (start, end) if (start, end) != (masking.FIRST_DAY, masking.LAST_DAY) else None


def _mask(
    row: dict[str, Any],
    numbers: _Numbers,
    series: str | None,
    stretches: Mapping[str, list[masking.Stretch]],
    policy: Policy,
    figures: int,
    tables: Any,
    proof: Proof,
    counted: dict[tuple[str, str | None, str | None], int],
) -> int:
    """Fill in what may be shown of the serial and the date: first the date gets coarser, then figures go. Returns what is left."""
    row["body_serial"] = row["body_made"] = None
    if series is None or not stretches.get(series):
        return policy.least  # nothing is shown that could be counted
    levels = masking.MADE_LEVELS[masking.MADE_LEVELS.index(policy.made) :]
    of_series = stretches[series]
    family = tables[numbers.family] if numbers.family in tables else None  # noqa: SIM401 - Tables has no get
    wanted: tuple[str | None, str | None] | None = None
    left = 0
    for shown in range(figures, -1, -1):
        serial = (
            masking.mask(family, numbers.serial, shown) if shown and family is not None and numbers.serial else None
        )
        if shown and serial is None:
            continue
        for level in levels:
            made = masking.made_in_words(*numbers.made, level) if numbers.made and level != "series" else None
            wanted = wanted or (serial, made)
            if (place := (series, serial, made)) not in counted:
                counted[place] = masking.count(of_series, serial, made, policy.slow)
            left = counted[place]
            if left >= policy.least:
                row["body_serial"], row["body_made"] = serial, made
                if (serial, made) != wanted:
                    proof.coarsened.append(
                        {"car": row["car"], "what": _coarser(wanted, (serial, made)), "serials": left}
                    )
                return left
    return left


def _coarser(wanted: tuple[str | None, str | None], shown: tuple[str | None, str | None]) -> str:
    said = []
    if wanted[0] != shown[0]:
        said.append(
            f"the serial is shown as {shown[0]} instead of {wanted[0]}"
            if shown[0]
            else "no figure of the serial is shown"
        )
    if wanted[1] != shown[1]:
        said.append(f"made {shown[1]} instead of {wanted[1]}" if shown[1] else "no date beyond the series' own")
    return ", ".join(said)


def _provinces(books: _Books, policy: Policy) -> dict[int, str]:
    """The province of each car whose keeper's town the policy places in one."""
    if not policy.provinces:
        return {}
    towns = dict(books._all("SELECT id, town FROM people"))
    custody = books.by_car("SELECT car, person, latest FROM custody WHERE role IN ('keeper', 'owner') ORDER BY id")
    out = {}
    for root, rows in custody.items():
        now = [row for row in rows if row["latest"] is None]
        if now and (place := policy.provinces.get(towns.get(now[-1]["person"]) or "")):
            out[root] = place
    return out


def _thin_out(rows: list[dict[str, Any]], policy: Policy) -> None:
    """A province that few cars share would name them: it is left empty."""
    shared = Counter(row["province"] for row in rows)
    for row in rows:
        if row["province"] and shared[row["province"]] < policy.smallest_group:
            row["province"] = None


def _colour(text: str | None) -> str | None:
    """A colour as typed, if it is one: a word or a few. A sentence in that field may name somebody and stays in."""
    text = " ".join((text or "").split())
    return text if text and len(text) <= 60 and re.fullmatch(r"[^\W\d_]+(?:[ ,'-]+[^\W\d_]+){0,8}", text) else None


def _series_of(row: Mapping[str, Any]) -> masking.Series:
    first, last = _bounds(row["made_edtf"]) if row["made_edtf"] else (None, None)
    return masking.Series(row["serial_family"] or "", first, last)


@lru_cache(maxsize=1024)
def _bounds(edtf: str) -> tuple[str, str]:
    """The first and last day of an EDTF text; the widest span where it is open or cannot be read."""
    from decoder import DecoderError
    from decoder.dates import parse

    try:
        span = parse(edtf)
    except DecoderError:
        return masking.FIRST_DAY, masking.LAST_DAY
    return str(span.earliest or masking.FIRST_DAY), str(span.latest or masking.LAST_DAY)


def _counts(
    books: _Books, rows: list[dict[str, Any]], here: Mapping[str, set[str]], policy: Policy
) -> list[tuple[Any, ...]]:
    """For each series: how many are in the edition, how many are known, and an estimate of how many are living."""
    on_lists: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for series, name, key in books._all(
        "SELECT n.series, l.name, k.key FROM list_numbers n JOIN lists l ON l.id = n.list JOIN series s ON s.id = n.series "
        "JOIN number_keys k ON k.subject_kind = 'list' AND k.subject = n.id AND k.certain = 1 AND k.family = s.serial_family"
    ):
        on_lists[series][name].add(key)
    in_edition = Counter(row["series"] for row in rows if row["series"])
    out = []
    for ident, row in books.series.items():
        lists = on_lists[ident]
        known = max(len(set().union(here.get(ident, ()), *lists.values())), in_edition[row["name"]])
        living: tuple[Any, ...] = (None, None, None)
        long = {name: keys for name, keys in lists.items() if len(keys) >= _LEAST_LISTED}
        if any(len(one & other) >= _LEAST_SHARED for one, other in itertools.combinations(long.values(), 2)):
            from decoder.population import how_many_survive

            estimate = how_many_survive(long)
            living = (estimate.estimate, estimate.low, estimate.high)
        if in_edition[row["name"]] or living[0] is not None:
            # A small number beside the edition's own would tell that a car is on the list and kept back.
            shown = known if known >= policy.least else None
            out.append((row["name"], in_edition[row["name"]], shown, *living))
    return out


def _edition(
    books: _Books,
    policy: Policy,
    proof: Proof,
    rows: list[dict[str, Any]],
    prints: set[tuple[str, str, str, int]],
    why_not: dict[str, str],
    key: bytes | None,
    here: Mapping[str, set[str]],
) -> Edition:
    counts = _counts(books, rows, here, policy)
    used = {row["series"] for row in rows} | {count[0] for count in counts}
    series = [row for row in books.series.values() if row["name"] in used]
    makers = sorted({books.makers[row["maker"]] for row in series if row["maker"] in books.makers})
    names = {ident: row["name"] for ident, row in books.series.items()}
    tables: dict[str, list[tuple[Any, ...]]] = {
        "edition": [],
        "cars": [tuple(row[column] for column in CARS) for row in rows],
        "series": [
            (
                row["name"],
                *books.makers.get(row["maker"], (None, None)),
                row["kind"],
                names.get(row["copied_from"]),
                row["made_edtf"],
                row["serial_family"],
                row["donor_family"],
                row["shortened_mm"],
            )
            for row in sorted(series, key=lambda row: row["name"])
        ],
        "makers": makers,
        "counts": sorted(counts),
        "families": _families(books.tables) if policy.tables else [],
        "fingerprints": sorted(prints),
        "aliases": books.aliases(rows),
        "columns": sorted(
            (table, column, meaning) for table, columns in TABLES.items() for column, meaning in columns.items()
        ),
    }
    proof.published = len(tables["cars"])
    previous = _compare(books, proof, rows, why_not)
    head = {
        "name": books.info.get("name", ""),
        "dated": proof.dated,
        "policy": "\n".join(proof.policy),
        "cars": str(proof.published),
        "lookups": "hashed numbers; the key stays with the list"
        if key
        else "none: this edition was made without a key",
    }
    if key is not None:
        head["key_check"] = key_check(key)
    # The same edition published again is the same bytes: then what went before it is what went before the
    # first time.
    for before in previous:
        sealed = head | {"previous": before}
        tables["edition"] = sorted(sealed.items())
        digest = content_hash(tables)
        if before == previous[-1] or digest == previous[-1]:
            break
    tables["edition"] = sorted((sealed | {"sha256": digest}).items())
    return Edition(tables, proof, digest)


def _compare(books: _Books, proof: Proof, rows: list[dict[str, Any]], why_not: dict[str, str]) -> list[str]:
    """Fill in what is new, changed and gone; returns the hashes of the last two editions ("" where there was none)."""
    recorded = books._all("SELECT dated, sha256, rows FROM editions ORDER BY id DESC LIMIT 2")
    now = {row["car"]: row for row in rows}
    before: dict[str, dict[str, Any]] = {}
    if recorded:
        proof.last_edition = recorded[0][0]
        before = {row["car"]: row for row in json.loads(recorded[0][2])}
    for car, row in now.items():
        if car not in before:
            proof.new.append(car)
            continue
        fields = {name: [before[car].get(name), row[name]] for name in CARS if before[car].get(name) != row[name]}
        if fields:
            proof.changed.append({"car": car, "fields": fields})
        else:
            proof.unchanged += 1
    for car in before:
        if car not in now:
            proof.gone.append({"car": car, "why": why_not.get(car, "its record was joined to another")})
    hashes = [sha for _, sha, _ in reversed(recorded)]
    return ["", *hashes][-2:] if hashes else [""]


def _families(tables: Any) -> list[tuple[str, str, str]]:
    """The house tables of donors' pans: rules, not private. Where they were loaded from is left out."""
    out = []
    for family in tables:
        if family.house and not {"body", "plate"} & set(family.carried_by):
            rules = {name: value for name, value in family.raw.items() if name != "origin"}
            out.append(
                (
                    family.id,
                    family.title,
                    json.dumps(rules, ensure_ascii=False, sort_keys=True, separators=(",", ":")),
                )
            )
    return sorted(out)


def content_hash(tables: Mapping[str, Sequence[Sequence[Any]]]) -> str:
    """SHA-256 over the content of an edition in one spelling; the row that names the hash itself is left out.

    It says whether two files hold the same, whatever program wrote them.
    """
    content = {
        name: [list(row) for row in rows if name != "edition" or row[0] != "sha256"] for name, rows in tables.items()
    }
    return hashlib.sha256(
        json.dumps(content, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()
    ).hexdigest()


# --- fingerprints ---------------------------------------------------------------------------------


def fingerprint(key: bytes | None, number: str) -> str:
    """A normalised number, hashed with the list's key (HMAC-SHA-256, 96 bits). Empty without a key."""
    if key is None:
        return ""
    return _in_letters(hmac.digest(key, b"tubmark look-up 1\0" + number.encode(), "sha256"))


def _in_letters(digest: bytes) -> str:
    return digest.hex()[:FINGERPRINT].translate(_TO_LETTERS)


def key_check(key: bytes) -> str:
    """A fingerprint of the key itself, by which a server sees that it was given the key of this list."""
    return _in_letters(hmac.digest(key, b"tubmark key check 1", "sha256"))


def lookup_key(db: Any) -> bytes | None:
    """The key of the list's fingerprints, or None where the registry has none yet. Keep it as one keeps the registry."""
    row = getattr(db, "conn", db).execute("SELECT value FROM registry_info WHERE key = ?", (leaks.KEY_NAME,)).fetchone()
    return bytes.fromhex(row[0]) if row else None


def make_key(db: Any, key: bytes | None = None) -> bytes:
    """The registry's key, made (or set to ``key``, 16 bytes and more) where it has none; call it inside a transaction."""
    import secrets

    if (known := lookup_key(db)) is not None:
        return known
    key = key if key is not None else secrets.token_bytes(32)
    if len(key) < 16:
        raise WrongInput("A key for look-ups has at least 16 bytes.")
    getattr(db, "conn", db).execute("INSERT INTO registry_info (key, value) VALUES (?, ?)", (leaks.KEY_NAME, key.hex()))
    return key


# --- writing --------------------------------------------------------------------------------------


def joined_when_published(conn: sqlite3.Connection, number: str) -> str | None:
    """The number of the car to which a record was joined when the last edition went out; None where it was not, or is none.

    For a registry that is served: what was joined since is nobody's to know before the next edition.
    """
    last = conn.execute("SELECT event FROM editions ORDER BY id DESC LIMIT 1").fetchone()
    found = conn.execute("SELECT id FROM cars WHERE number = ?", (number,)).fetchone()
    if last is None or found is None:
        return None
    car, met = found[0], {found[0]}
    while True:
        join = conn.execute(
            "SELECT kind, into_car FROM car_joins WHERE car = ? AND event < ? ORDER BY id DESC LIMIT 1", (car, last[0])
        ).fetchone()
        if join is None or join[0] != "merge" or join[1] in met:
            break
        car = join[1]
        met.add(car)
    if car == found[0]:
        return None
    return str(conn.execute("SELECT number FROM cars WHERE id = ?", (car,)).fetchone()[0])


def proof(db: Any, policy: Policy = DEFAULT, date: str | None = None) -> Proof:
    """What the edition of ``date`` (an ISO day) would hold, against the last one. Writes nothing; ``db`` may be read-only."""
    return compose(db, policy, date).proof


def publish(
    db: Any,
    out: str | os.PathLike[str],
    *,
    date: str,
    policy: Policy = DEFAULT,
    record: bool = True,
    by: Any = None,
    at: str | None = None,
    uid: str | None = None,
    tables: Any = None,
) -> Published:
    """Make the edition of ``date`` (an ISO day) at ``out`` and, with ``record``, write down in the registry that it went out.

    ``by`` is who publishes (a person's id or name); ``at`` and ``uid`` are for making the same registry
    again. The file is written beside its place and moved there whole; an edition that stands there is
    replaced. Publishing the same again gives the same bytes and is not written down twice.

    Raises WrongInput where ``out`` is a registry, another kind of file, or in no folder; RegistryError
    where a mask or the finished bytes would give something private away. Then nothing is published and
    nothing is written down.
    """
    target = Path(out)
    _refuse(target)
    making = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        if not record:
            edition = compose(db, policy, date, tables=tables)
            _finish(db, edition, making, target)
            return Published(target, edition.sha256, edition.proof)
        from registry import store

        with store.transaction(db):
            make_key(db)
            edition = compose(db, policy, date, tables=tables)
            last = db.conn.execute("SELECT sha256 FROM editions ORDER BY id DESC LIMIT 1").fetchone()
            if last is None or last[0] != edition.sha256:
                cars = edition.cars()
                store.record_edition(
                    db,
                    dated=edition.proof.dated,
                    sha256=edition.sha256,
                    policy=_in_one_spelling(asdict(policy)),
                    rows=_in_one_spelling(cars),
                    published=[{**row, "edition": edition.proof.dated} for row in cars],
                    by=by,
                    at=at,
                    uid=uid,
                )
            # Last of all inside the transaction: if the file cannot be put in place, nothing was written
            # down either.
            _finish(db, edition, making, target)
        return Published(target, edition.sha256, edition.proof)
    except OSError as error:
        raise WrongInput(
            f"The edition could not be written at {target}: {error.strerror}. Name another place."
        ) from error
    finally:
        making.unlink(missing_ok=True)


def _finish(db: Any, edition: Edition, making: Path, target: Path) -> None:
    write_edition(edition.tables, making)
    if found := leaks.leaks_of(
        making,
        edition.cars(),
        leaks.private_values(db),
        leaks.public_words(db, *_FIXED, *edition.proof.policy),
    ):
        raise RegistryError(
            f"Nothing was published: the finished file holds something private ({found[0].what}). "
            "Look at what stands in a public column of that record, such as its colour, or hold the car."
        )
    os.replace(making, target)
    _sync(target.parent)


def write_edition(tables: Mapping[str, Sequence[Sequence[Any]]], path: Path) -> None:
    """Write the content of an edition as a SQLite file at ``path``, which must be free; the same content is the same bytes."""
    from registry.schema import EDITION_APPLICATION_ID

    path.unlink(missing_ok=True)
    conn = sqlite3.connect(":memory:")
    try:
        conn.execute(f"PRAGMA application_id = {EDITION_APPLICATION_ID}")
        conn.execute("PRAGMA user_version = 1")
        for statement in _DDL:
            conn.execute(statement)
        for name, rows in tables.items():
            marks = ", ".join("?" * len(TABLES[name]))
            conn.executemany(f"INSERT INTO {name} ({', '.join(TABLES[name])}) VALUES ({marks})", rows)
        for statement in _INDEXES:
            conn.execute(statement)
        conn.execute("ANALYZE")
        conn.commit()
        conn.execute("VACUUM INTO ?", (str(path),))
    finally:
        conn.close()
    with open(path, "rb") as file:
        os.fsync(file.fileno())


_DDL = (
    "CREATE TABLE edition (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID",
    f"CREATE TABLE cars ({', '.join(f'{column} TEXT' for column in CARS)}, PRIMARY KEY (car)) STRICT",
    "CREATE TABLE series (series TEXT PRIMARY KEY, maker TEXT, place TEXT, kind TEXT NOT NULL, copied_from TEXT, made TEXT, "
    "serial_family TEXT, donor_family TEXT, shortened_mm INTEGER) STRICT",
    "CREATE TABLE makers (maker TEXT PRIMARY KEY, place TEXT) STRICT",
    "CREATE TABLE counts (series TEXT PRIMARY KEY, in_edition INTEGER NOT NULL, known INTEGER, living INTEGER, "
    "living_low INTEGER, living_high INTEGER) STRICT",
    "CREATE TABLE families (family TEXT PRIMARY KEY, title TEXT NOT NULL, compiled TEXT NOT NULL) STRICT",
    "CREATE TABLE fingerprints (fingerprint TEXT NOT NULL, car TEXT NOT NULL, kind TEXT NOT NULL, certain INTEGER NOT NULL, "
    "PRIMARY KEY (fingerprint, car, kind, certain)) STRICT, WITHOUT ROWID",
    "CREATE TABLE aliases (alias TEXT PRIMARY KEY, car TEXT NOT NULL) STRICT, WITHOUT ROWID",
    "CREATE TABLE columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, meaning TEXT NOT NULL, PRIMARY KEY (table_name, column_name)) "
    "STRICT, WITHOUT ROWID",
)
#: Every column a reader may sort or count by: a facet without an index is left out of a large list without
#: a word.
_INDEXES = tuple(
    f"CREATE INDEX cars_{column} ON cars({column})"
    for column in (
        "maker",
        "series",
        "opinion",
        "opinion_year",
        "body_made",
        "pan",
        "pan_model_year",
        "colour",
        "colour_under",
        "province",
        "last_seen",
    )
)


def _refuse(target: Path) -> None:
    from registry.opening import application_id
    from registry.schema import EDITION_APPLICATION_ID, REGISTRY_APPLICATION_ID

    if not target.parent.is_dir():
        raise WrongInput(
            f"There is no folder {target.parent} to put the edition in. Make it first, or name another place."
        )
    if target.is_dir():
        raise WrongInput(f"{target} is a folder. Name the file of the edition, such as {target / 'edition.db'}.")
    if not target.exists():
        return
    found = application_id(target)
    if found == REGISTRY_APPLICATION_ID:
        raise WrongInput(
            f"{target} is a registry, and an edition never replaces one. Name another file for the edition."
        )
    if found != EDITION_APPLICATION_ID:
        raise WrongInput(
            f"There is a file at {target} that is no edition; it was left as it is. Name another file for the edition."
        )


def _sync(folder: Path) -> None:
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # a system that cannot open folders keeps its own order
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


# --- small helpers --------------------------------------------------------------------------------


def _day(text: str | None) -> str:
    import datetime as dt

    try:
        return dt.date.fromisoformat(text or "").isoformat()
    except ValueError:
        raise WrongInput(f"'{text}' is no day. An edition is dated as 2026-11-25.") from None


def _in_one_spelling(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), default=dict)


def cars_in_words(count: int) -> str:
    """ "1 car", "24 cars"."""
    return f"{count} car" if count == 1 else f"{count} cars"


def _listed(what: str, cars: list[str]) -> list[str]:
    return [f"{what}: {', '.join(cars)}."] if cars else []


def _field(name: str) -> str:
    return name.replace("_", " ")
