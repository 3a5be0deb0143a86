"""Two records beside one another: what speaks for their being one car, and what against.

A list grows by a car that it has already: another colour, another keeper, an O for a 0. And two cars are taken for one because
a number says so. Nothing is judged here and nothing is counted together; each sentence names what stands in the record, so that
a person can look at it. ``registry.conflicts`` shows it beside a conflict, ``registry.parting`` before two records are joined.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

from registry import knowing

if TYPE_CHECKING:
    from decoder import Tables
    from registry.knowing import Source

#: Groups of tells that change easily: trim is exchanged, finish goes under paint, a plate travels. A difference in them says
#: little about the body. Common practice (the order in which findings count).
CHANGES_EASILY = ("trim", "finish", "plate")

#: So many tells looked at on both, and alike, are worth saying (own choice).
LEAST_TELLS = 5

#: Two visits with two keepers so few days apart are worth saying (own choice: a car seldom changes hands and lists in less).
SHORT_TIME = 60


class Held(NamedTuple):
    """A number on a thing of a car, by the reading to go by; ``keys`` are its (family, key), where no character is in doubt."""

    thing: dict[str, Any]
    reading: dict[str, Any]
    keys: frozenset[tuple[str, str]]

    @property
    def kind(self) -> str:
        return str(self.thing["kind"])

    @property
    def typed(self) -> str:
        return str(self.reading["as_typed"])

    @property
    def is_here(self) -> bool:
        return not self.thing["former"]

    def same_as(self, other: Held) -> bool:
        """Whether both are one number of one family; where no table knows the number, its letters and figures."""
        return bool(named(self.keys) & named(other.keys))


def named(keys: Iterable[tuple[str, str]]) -> frozenset[tuple[str, str]]:
    """The keys to tell numbers apart by: those of families, or the plain one where no family has the number.

    Two makers may both have stamped a 66: by a plain key alone they would be one number.
    """
    every = frozenset(keys)
    return frozenset(key for key in every if key[0]) or every


class Record:
    """What is on file of one car, as it is asked for."""

    def __init__(self, book: Book, car: int) -> None:
        self.book, self.db, self.id = book, book.db, car
        self.number = knowing.car_number(book.db, car)

    @cached_property
    def members(self) -> list[int]:
        return knowing.members(self.db, self.id)

    @cached_property
    def things(self) -> list[dict[str, Any]]:
        return knowing.things_of(self.db, self.id)

    @cached_property
    def held(self) -> list[Held]:
        """The numbers on the car, those on it now first."""
        found = []
        for thing in self.things:
            reading = knowing.best_reading(self.db, thing["id"])
            if reading is not None:
                found.append(Held(thing, reading, self.book.keys_of(reading["id"])))
        return found

    def here(self, *kinds: str) -> list[Held]:
        """The numbers on the things of these kinds that are on the car now."""
        return [one for one in self.held if one.is_here and one.kind in kinds]

    @cached_property
    def entries(self) -> list[dict[str, Any]]:
        return knowing.entries_of(self.db, self.id)

    @cached_property
    def statements(self) -> list[dict[str, Any]]:
        return knowing.statements_of(self.db, self.id)

    @cached_property
    def states(self) -> dict[str, str]:
        """The state of each tell when it was last looked at; where it could not be seen there is nothing."""
        found: dict[str, str] = {}
        for seen in knowing.observations_of(self.db, self.id):
            if seen["state"] not in ("not examined", "not visible"):
                found[seen["tell"]] = seen["state"]
        return found

    @cached_property
    def opinions(self) -> list[dict[str, Any]]:
        """The opinions that stand and say something."""
        return [one for one in knowing.standing_decisions(self.db, self.id) if one["opinion"] != "open"]

    @cached_property
    def custody(self) -> list[dict[str, Any]]:
        marks = ", ".join("?" * len(self.members))
        return knowing.rows(self.db, f"SELECT * FROM custody WHERE car IN ({marks}) ORDER BY id", self.members)

    @cached_property
    def keepers(self) -> set[int]:
        """The ids of those who had or left it; no name is asked for."""
        return {row["left_by"] for row in self.entries if row["left_by"]} | {row["person"] for row in self.custody}

    @cached_property
    def first_seen(self) -> tuple[str, str]:
        """What puts records in order: the day of the first visit, then the number."""
        return (min((row["entry_date"] for row in self.entries), default="9999"), self.number)

    def series_in_words(self) -> str:
        """What it is taken for, as far as those who gave an opinion agree; "" where nobody did or they do not."""
        said = {(one["opinion"], one["series"]) for one in self.opinions}
        if len(said) != 1:
            return ""
        opinion, series = said.pop()
        return self.book.series[series]["name"] if series in self.book.series else str(opinion)


class Book:
    """A registry being looked through: its tables, and each record once."""

    def __init__(self, db: Source, tables: Tables | None = None) -> None:
        self.db = db
        self.tables = tables if tables is not None else knowing.house_tables(db)
        self._records: dict[int, Record] = {}

    def record(self, car: int) -> Record:
        """The record of a car by id, that of the one that stays where it was joined to another."""
        car = knowing.stays(self.db, car)
        if car not in self._records:
            self._records[car] = Record(self, car)
        return self._records[car]

    def record_of(self, number: str) -> Record:
        """The record of a car by any number that leads to it. Raises NoAnswer."""
        return self.record(knowing.resolve_car(self.db, number)["id"])

    def keys_of(self, reading: int) -> frozenset[tuple[str, str]]:
        """The (family, key) of a reading without doubt; none where a character is in doubt."""
        return frozenset(
            (row["family"], row["key"])
            for row in knowing.rows(
                self.db,
                "SELECT family, key FROM number_keys WHERE subject_kind = 'reading' AND subject = ? AND certain = 1",
                [reading],
            )
        )

    @cached_property
    def series(self) -> dict[str, dict[str, Any]]:
        return {row["id"]: row for row in knowing.rows(self.db, "SELECT * FROM series")}

    @cached_property
    def tells(self) -> dict[str, dict[str, Any]]:
        return {row["code"]: row for row in knowing.rows(self.db, "SELECT * FROM tells ORDER BY version")}

    def tells_of_plates(self, families: Iterable[str]) -> tuple[set[str], set[str]]:
        """The tells of the plate, and those of the number elsewhere on the body, on bodies that are numbered in ``families``.

        They are the tells of the group "plate" that bodies of such a series were found to have at all.
        """
        wanted = set(families)
        ids = [row["id"] for row in self.series.values() if row["serial_family"] in wanted]
        marks = ", ".join("?" * len(ids))
        codes = {
            row["code"]
            for row in knowing.rows(
                self.db,
                "SELECT DISTINCT tells.code FROM tells JOIN tell_counts ON tell_counts.tell = tells.id "
                f"WHERE tells.grp = 'plate' AND tell_counts.seen_on > 0 AND tell_counts.series IN ({marks})",
                ids,
            )
        }
        sheets = {row["sheet"] for code, row in self.tells.items() if code in codes and self._is_mostly(code, ids)}
        codes = {code for code in codes if self.tells[code]["sheet"] in sheets}
        carries = {code: self.tells[code].get("carries") or self._carries(code) for code in codes}
        return {c for c in codes if carries[c] == "plate"}, {c for c in codes if carries[c] == "body"}

    def _carries(self, code: str) -> str:
        """What the number of a tell of the group "plate" stands on, by its name, where the sheet does not say."""
        name = self.tells[code]["name"].lower()
        return "plate" if re.search(r"\b(plate|sticker|label|card|tag)\b", name) else "body"

    def _is_mostly(self, code: str, series: list[str]) -> bool:
        """Whether a tell is found on bodies of these series rather than on others: a copy's sticker is no tell of the maker's."""
        counts = knowing.rows(
            self.db,
            "SELECT series, seen_on / out_of AS share FROM tell_counts JOIN tells ON tells.id = tell_counts.tell "
            "WHERE tells.code = ? ORDER BY tells.version",
            [code],
        )
        most = max(counts, key=lambda row: row["share"], default=None)
        return most is not None and most["series"] in series

    @cached_property
    def keys_on_cars(self) -> dict[int, dict[str, set[tuple[str, str]]]]:
        """For each car its numbers by what they are on, as (family, key), doubtful ones and slips among them.

        In four passes over the file, to see which of many cars need a closer look.
        """
        keys: dict[int, set[tuple[str, str]]] = defaultdict(set)
        for row in knowing.rows(
            self.db,
            "SELECT thing, family, key FROM number_keys JOIN readings ON readings.id = number_keys.subject "
            "WHERE subject_kind = 'reading'",
        ):
            keys[row["thing"]].add((row["family"], row["key"]))
        kinds = {row["id"]: row["kind"] for row in knowing.rows(self.db, "SELECT id, kind FROM things")}
        fittings = knowing.rows(self.db, "SELECT id, thing, car, former, supersedes FROM fittings")
        replaced = {row["supersedes"] for row in fittings}
        roots = {row["id"]: knowing.stays(self.db, row["id"]) for row in knowing.rows(self.db, "SELECT id FROM cars")}
        found: dict[int, dict[str, set[tuple[str, str]]]] = {root: defaultdict(set) for root in roots.values()}
        for row in fittings:
            if row["id"] not in replaced and not row["former"]:
                found[roots[row["car"]]][kinds[row["thing"]]] |= keys[row["thing"]]
        return found


class Alike(NamedTuple):
    """What speaks for two records being one car, and what against it; sentences."""

    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]


def one_car(a: Record, b: Record) -> Alike:
    """What in the two records speaks for their being one car entered twice, and what against."""
    if b.first_seen < a.first_seen:
        a, b = b, a
    found: tuple[list[str], list[str]] = ([], [])
    for look in (_numbers, _colours, _keepers, _tells, _opinions, _pictures):
        speaks_for, speaks_against = look(a, b)
        found[0].extend(speaks_for)
        found[1].extend(speaks_against)
    return Alike(tuple(found[0]), tuple(found[1]))


_Found = tuple[list[str], list[str]]


def _numbers(a: Record, b: Record) -> _Found:
    from registry.dated import compare

    speaks_for, speaks_against = [], []
    for kinds in (("pan",), ("body", "plate"), ("title",)):
        mine, theirs = a.here(*kinds), b.here(*kinds)
        same = [(one, other) for one in mine for other in theirs if one.same_as(other)]
        if same:
            one, other = same[0]
            spelt = (
                f" ({one.typed} and {other.typed} are two spellings of one number)" if one.typed != other.typed else ""
            )
            what = {"title": "The number on the title"}.get(one.kind, f"The {one.kind} number")
            speaks_for.append(f"{what} is the same: {one.typed}{spelt}.")
        elif mine and theirs and kinds != ("title",):
            verdicts = {compare(one.typed, other.typed, kinds[0], a.book.tables) for one in mine for other in theirs}
            one, other = mine[0], theirs[0]
            if verdicts & {"one slip apart", "may be the same"}:
                speaks_for.append(f"The {one.kind} numbers are one slip apart: {one.typed} and {other.typed}.")
            else:
                speaks_against.append(
                    f"The {one.kind} numbers differ: {one.typed} ({a.number}), {other.typed} ({b.number})."
                )
    return speaks_for, speaks_against


def _colours(a: Record, b: Record) -> _Found:
    """``a`` was here first: what it was then may lie under what ``b`` is now."""
    one, other = _last_colours(a), _last_colours(b)
    if one["now"] and other["under"] and _within(one["now"], other["under"]) and not _equal(one["now"], other["now"]):
        under = f", over {one['under']}" if one["under"] and not _equal(one["now"], one["under"]) else ""
        return [
            f"{a.number} was {one['now']}{under} when it was here; under the {other['now'] or 'present colour'} of {b.number} "
            f"there is {other['under']}. It may have been painted since."
        ], []
    if one["under"] and other["under"]:
        if _within(one["under"], other["under"]) or _within(other["under"], one["under"]):
            return [f"The colour underneath is {one['under']} on both."], []
        return [], [f"The colours underneath differ: {one['under']} ({a.number}), {other['under']} ({b.number})."]
    if one["now"] and _equal(one["now"], other["now"]):
        return [f"Both are {one['now']}."], []
    return [], []


def _last_colours(record: Record) -> dict[str, str]:
    return {
        name: next((row[column] for row in reversed(record.entries) if row[column]), "")
        for name, column in (("now", "colour_now"), ("under", "colour_under"))
    }


def _equal(one: str, other: str) -> bool:
    return one.casefold().strip() == other.casefold().strip()


def _within(one: str, other: str) -> bool:
    """Whether a colour is named in a text: "Ink" in "Ink over Quarry Green", not in "Pink"."""
    return re.search(rf"(?<!\w){re.escape(one.casefold().strip())}(?!\w)", other.casefold()) is not None


def _keepers(a: Record, b: Record) -> _Found:
    if a.keepers & b.keepers:
        return ["The same person left or had both."], []
    if not a.entries or not b.entries:
        return [], []
    last, first = a.entries[-1]["entry_date"], b.entries[0]["entry_date"]
    sold = [row["latest"] for row in a.statements if row["about"] == "sold" and row["latest"]]
    sold += [row["latest"] for row in a.custody if row["latest"]]
    between = [day for day in sold if last <= day <= first]
    if between:
        return [
            f"{a.number} changed hands ({_said(max(between))}) before {b.number} came in ({_said(first)}): another keeper is to be expected."
        ], []
    days = (date.fromisoformat(first) - date.fromisoformat(last)).days
    if a.keepers and b.keepers and last <= first and days <= SHORT_TIME:
        return [], [f"Two people brought them within {days} days of one another, and no sale between is on file."]
    if last > first and a.keepers and b.keepers:
        return [], ["Their visits with different people interleave, and no sale between is on file."]
    return [], []


def _tells(a: Record, b: Record) -> _Found:
    both = sorted(set(a.states) & set(b.states))
    differ = [code for code in both if (a.states[code] == "absent") != (b.states[code] == "absent")]
    lasting = [code for code in differ if a.book.tells.get(code, {}).get("grp") not in CHANGES_EASILY]
    if lasting:
        told = ", ".join(
            f"{code} ({a.book.tells[code]['grp']})" if code in a.book.tells else code for code in lasting[:6]
        )
        more = f" and {len(lasting) - 6} more" if len(lasting) > 6 else ""
        return [], [
            f"Of {len(both)} tells looked at on both {len(both) - len(differ)} agree; found on one and not on the other: "
            f"{told}{more}."
        ]
    if len(both) >= LEAST_TELLS:
        but = f" but for {', '.join(differ)}, which change easily" if differ else ""
        return [f"{len(both)} tells were looked at on both, and they agree{but}."], []
    return [], []


def _opinions(a: Record, b: Record) -> _Found:
    one, other = a.series_in_words(), b.series_in_words()
    if not one or not other:
        return [], []
    if one == other:
        return [f"In the opinions that stand both are of one kind: {one}."], []
    return [], [f"In the opinions that stand {a.number} is {one}, and {b.number} {other}."]


def _pictures(a: Record, b: Record) -> _Found:
    def hashes(record: Record) -> set[str]:
        marks = ", ".join("?" * len(record.members))
        found = knowing.rows(record.db, f"SELECT sha256 FROM photographs WHERE car IN ({marks})", record.members)
        return {row["sha256"] for row in found}

    shared = hashes(a) & hashes(b)
    return (["One and the same picture is filed under both."], []) if shared else ([], [])


def _said(iso: str) -> str:
    from decoder.words import day_in_words

    return day_in_words(iso)
