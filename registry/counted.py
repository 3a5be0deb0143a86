"""Serial to date, and how many: what the cars and lists of one series teach together.

``curve_of`` gathers the bodies of a series whose number is known and which a paper dates, and has ``decoder.curve`` learn
from them. Only papers count: what a number table or an opinion says of the same body would be learnt twice. So a date from
this curve is "learnt from N cars" and stands beside a maker's table, never inside it.

``survivors_of`` gathers the numbers of a series that stand on lists, and has ``decoder.population`` estimate how many were
made and how many are left.

A car is of a series where every opinion that stands says so; where nobody has given one, where its number is one of that
series and of no other. A copy that carries a number of the maker's is not of the series, whatever its plate says.

A number on a list may be dated in its note: "dated March 1967 (receipt)", "dated before 1970 (photograph)", any date as
people write it. A list on which every number is dated is a file of papers, no list of what survives.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from decoder.errors import DecoderError
from registry import knowing
from registry.dated import EVENTS, RULES, papers_of
from registry.errors import NoAnswer

if TYPE_CHECKING:
    from decoder import Tables
    from decoder.curve import Curve, DatedCar
    from decoder.population import Survivors
    from registry.knowing import Source

#: A list with fewer cars of the series than this, or than this share of the longest, is left out of the count unless it is
#: named: a chance few say nothing of how many there are (own choice).
FEWEST_ON_A_LIST = 10
LEAST_SHARE = 0.1

#: The beginning of a note that dates a number on a list, and what paper does.
_DATED = re.compile(r"dated\s+(?P<when>[^();]+?)\s*(?:\((?P<paper>[^)]*)\))?\s*(?:;|$)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Listed:
    """A number of the series on a list or on a car of this registry.

    ``identity`` is the same wherever the same number stands: its serial, where the number has one, else its key. ``note``
    is the list's; ``car`` the id of a car of this registry.
    """

    where: str
    as_typed: str
    identity: int | str
    serial: int | None
    note: str | None = None
    car: int | None = None
    number: str | None = None
    issue: str | None = None


@dataclass(frozen=True, slots=True)
class SeriesCurve:
    """The curve of one series of this registry; ``left_out`` says which of its cars teach nothing, and why."""

    series: dict[str, Any]
    curve: Curve
    left_out: tuple[str, ...] = ()

    @property
    def status(self) -> int:
        return self.curve.status

    @property
    def period(self) -> str:
        """The years the registry gives the series, which the curve does not use."""
        return _period(self.series, "the curve does not use that.")

    @property
    def says(self) -> list[str]:
        said = [*self.curve.says, *self.curve.problems, *self.left_out]
        return [*said, self.period] if self.period else said

    def as_dict(self, points: int = 80) -> dict[str, Any]:
        """The JSON document of ``tubmark curve``."""
        found = self.curve.as_dict(points)
        return {
            "series": self.series["id"],
            "name": self.series["name"],
            **{key: value for key, value in found.items() if key != "series"},
            "left_out": list(self.left_out),
            "says": self.says,
        }


@dataclass(frozen=True, slots=True)
class SeriesSurvivors:
    """How many of a series were made and are left; ``left_out`` says which lists were not counted with, and why."""

    series: dict[str, Any]
    found: Survivors
    left_out: tuple[str, ...] = ()
    table: str = ""

    @property
    def status(self) -> int:
        return self.found.status

    @property
    def says(self) -> list[str]:
        said = [self.found.made.says, self.table, self.found.surviving.says]
        return [sentence for sentence in said if sentence]

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of ``tubmark survivors``."""
        return {
            "series": self.series["id"],
            "name": self.series["name"],
            **self.found.as_dict(),
            "says": self.says,
            "left_out": list(self.left_out),
        }


# --- the two answers -------------------------------------------------------------------------------------------------


def curve_of(db: Source, series: str) -> SeriesCurve:
    """The curve that the dated cars and lists of a series teach (``series``: its id or name).

    Too few dated cars is an answer (status 1). Raises NoAnswer where there is no such series, or where its numbers date
    themselves.
    """
    from decoder.curve import learn

    row = series_row(db, series)
    tables = knowing.house_tables(db)
    if _dates_itself(row, tables):
        raise NoAnswer(
            f"A number of the {row['name']} says itself when the body was made, so no curve is needed: "
            "tubmark decode 'NUMBER' --on body"
        )
    cars: list[DatedCar] = []
    left_out: list[str] = []
    without = 0
    for one in (*cars_of(db, row, tables, left_out), *numbers_on_lists(db, row, tables, left_out)):
        if one.serial is None:
            without += bool(one.as_typed)
            continue
        dated = _dated(db, one, left_out)
        if dated is not None:
            cars.append(dated)
    if without:
        left_out.append(f"{_count(without, 'number')} without one certain serial teach{'es' * (without == 1)} nothing.")
    return SeriesCurve(row, learn(_without_echoes(cars), series=row["name"]), tuple(dict.fromkeys(left_out)))


def survivors_of(
    db: Source, series: str, *, lists: tuple[str, ...] = (), first: int | None = None, level: float = 0.95
) -> SeriesSurvivors:
    """How many of a series were made, by the serials seen, and how many are left, by the lists.

    Args:
        series: its id or name.
        lists: the names of the lists to count with ("Loft Book"); the registry's own name is its own cars. Without any,
            every list that has enough of the series.
        first: the number with which the maker began, where that is known.
        level: of the intervals, between 0 and 1.

    Raises NoAnswer where there is no such series or list.
    """
    from decoder.population import Block, survivors

    row = series_row(db, series)
    tables = knowing.house_tables(db)
    left_out: list[str] = []
    on: dict[str, list[Listed]] = {}
    for one in (*numbers_on_lists(db, row, tables, left_out), *cars_of(db, row, tables, left_out)):
        on.setdefault(one.where, []).append(one)
    own = knowing.info(db)["name"]
    counted = _counted(db, on, own, lists, left_out)
    serials = {one.serial for found in on.values() for one in found if one.serial is not None}
    blocks = [Block(first=first)] if first is not None else []
    found = survivors(
        {name: _each_once(on.get(name, [])) for name in counted},
        serials=serials if not _dates_itself(row, tables) else (),
        blocks=blocks,
        level=level,
    )
    if len(counted) < 2:
        # What is listed is listed, though it is too little to count with.
        every = {name: {one.identity for one in seen} for name, seen in on.items() if not _is_papers(seen, name == own)}
        times = Counter(car for cars in every.values() for car in cars)
        listed = {"cars": len(times), "on_more_than_one": sum(count > 1 for count in times.values())}
        found = replace(
            found, listed={**listed, "lists": [{"name": name, "cars": len(cars)} for name, cars in every.items()]}
        )
    if _dates_itself(row, tables):
        says = f"The numbers of the {row['name']} carry their date and begin again, so how many were made cannot be told from the highest."
        found = replace(found, made=replace(found.made, says=says))
    return SeriesSurvivors(row, found, tuple(dict.fromkeys(left_out)), _issued(row, tables))


# --- gathering -------------------------------------------------------------------------------------------------------


def series_row(db: Source, text: str) -> dict[str, Any]:
    """The series of that id or name, in any case. Raises NoAnswer, with those there are."""
    wanted = text.strip().casefold()
    every = knowing.rows(db, "SELECT * FROM series ORDER BY id")
    for row in every:
        if row["id"].casefold() == wanted or row["name"].casefold() == wanted:
            return row
    known = ", ".join(f"{row['id']} ({row['name']})" for row in every) or "none yet"
    raise NoAnswer(f"There is no series {text.strip()} on file. There are: {known}.")


def cars_of(db: Source, series: dict[str, Any], tables: Tables, left_out: list[str] | None = None) -> Iterator[Listed]:
    """The cars of this registry that are of a series, each with its body's number where it was read (identity: the car)."""
    family = series["serial_family"]
    own = knowing.info(db)["name"]
    candidates = knowing.rows(
        db,
        """
        SELECT car FROM decisions WHERE series = ?
        UNION
        SELECT fittings.car FROM number_keys
        JOIN readings ON readings.id = number_keys.subject AND number_keys.subject_kind = 'reading'
        JOIN fittings ON fittings.thing = readings.thing
        WHERE number_keys.family = ? AND readings.stamped_on IN ('body', 'plate')
        ORDER BY car
        """,
        [series["id"], family or ""],
    )
    only = _only_one_with(db, series)
    for car in dict.fromkeys(knowing.stays(db, found["car"]) for found in candidates):
        opinions = [one for one in knowing.standing_decisions(db, car) if one["opinion"] != "open"]
        if opinions:
            if any(one["series"] != series["id"] or one["opinion"] == "two bodies joined" for one in opinions):
                continue
        elif not only:
            continue
        name = knowing.car_number(db, car)
        number = None
        for thing in sorted(knowing.things_on(db, car), key=lambda thing: thing["kind"] != "body"):
            reading = knowing.best_reading(db, thing["id"]) if thing["kind"] in ("body", "plate") else None
            if reading is None or family is None:
                continue
            found = identity(reading["as_typed"], series, tables, reading["direction"])
            if found is not None:
                number = Listed(
                    own, reading["as_typed"], found[0], found[1], car=car, number=name, issue=thing["issue"]
                )
                break
            if left_out is not None:
                left_out.append(f"{name}: {reading['as_typed']} is not, or not for certain, one number of this series.")
        yield number or Listed(own, "", name, None, car=car, number=name)


def numbers_on_lists(
    db: Source, series: dict[str, Any], tables: Tables, left_out: list[str] | None = None
) -> Iterator[Listed]:
    """The numbers of a series that stand on other lists."""
    for row in knowing.rows(
        db,
        """
        SELECT list_numbers.as_typed, list_numbers.note, lists.name AS list FROM list_numbers
        JOIN lists ON lists.id = list_numbers.list WHERE list_numbers.series = ? ORDER BY lists.id, list_numbers.id
        """,
        [series["id"]],
    ):
        found = identity(row["as_typed"], series, tables, None)
        if found is None:
            if left_out is not None:
                left_out.append(
                    f"{row['list']}: {row['as_typed']} is not, or not for certain, one number of this series."
                )
            continue
        yield Listed(row["list"], row["as_typed"], found[0], found[1], note=row["note"])


def _only_one_with(db: Source, series: dict[str, Any]) -> bool:
    """Whether a number of this series' family tells the series by itself."""
    if not series["serial_family"] or series["kind"] == "continuation":
        return False
    sql = "SELECT count(*) AS n FROM series WHERE serial_family = ? AND kind <> 'continuation'"
    found = knowing.row(db, sql, [series["serial_family"]])
    return found is not None and found["n"] == 1


def identity(
    text: str, series: dict[str, Any], tables: Tables, direction: str | None
) -> tuple[int | str, int | None] | None:
    """What identifies a number of a series, and its serial where it has one; None where it is not one number for certain.

    Lists write numbers without their letters ("2034" for KB 2034): figures alone are taken for the serial, since the list
    says of which series they are.
    """
    from decoder import decode

    family = series["serial_family"]
    if family is None or family not in tables:
        plain = "".join(char for char in text.upper() if char.isalnum())
        return (int(plain), int(plain)) if plain.isdigit() else (plain, None) if plain else None
    # 66 and 99: figures that can be read from both sides are decoded like any other number.
    turned = tables[family].raw.get("turned")
    if text.strip().isdigit() and not turned and not _dates_itself(series, tables):
        return int(text), int(text)
    try:
        answer = decode(text, on="body", families=[family], direction=direction, tables=tables)
    except DecoderError:
        return None
    decoding = answer.decodings[0] if answer.decodings else None
    if decoding is None or decoding.number is None:
        return None
    serial = _serial(decoding)
    return (decoding.number if serial is None else serial), serial


def _serial(decoding: Any) -> int | None:
    """The running number, where it is all of the number that is ordered; None where the number carries its date."""
    template = decoding.candidates[0].template
    if template is None or template.running is None or [tuple(part) for part in template.ordered] != [template.running]:
        return None
    first, last = template.running
    return int(decoding.number[first:last])


def _dates_itself(series: dict[str, Any], tables: Tables) -> bool:
    """Whether the numbers of a series carry year and month, and begin again."""
    family = series["serial_family"]
    if family is None or family not in tables:
        return False
    templates = tables[family].templates
    return bool(templates) and all([tuple(p) for p in one.ordered] != [one.running] for one in templates)


# --- dating ----------------------------------------------------------------------------------------------------------


def _dated(db: Source, one: Listed, left_out: list[str]) -> DatedCar | None:
    """When the papers allow the body with this number to have been moulded; None where they do not bound it."""
    if one.car is not None:
        return _dated_car(db, one, left_out)
    return _dated_on_list(one, left_out)


def _dated_car(db: Source, one: Listed, left_out: list[str]) -> DatedCar | None:
    from decoder.curve import DatedCar
    from decoder.dating import reconcile

    assert one.car is not None and one.serial is not None
    # An inference ("believed to be of 1968") was drawn from something, often from the number itself: it teaches nothing.
    papers = [paper for paper in papers_of(db, one.car, events=EVENTS) if paper.nature != "inference"]
    if not papers:
        return None
    body = reconcile(papers, events=EVENTS, rules=RULES).events["body_moulded"]
    if body.is_disputed:
        left_out.append(f"{one.number}: its own papers do not agree when the body was moulded, so it teaches nothing.")
        return None
    if body.span is None:
        return None
    earliest, latest = body.span.earliest, body.span.latest
    # That it existed when it first came in is known of every car; a paper of later than that teaches nothing.
    came = min(entry["entry_date"] for entry in knowing.entries_of(db, one.car))
    if latest is not None and latest.isoformat() >= came:
        latest = None
    return DatedCar(one.serial, earliest, latest, f"{one.as_typed} ({one.number})") if earliest or latest else None


def _dated_on_list(one: Listed, left_out: list[str]) -> DatedCar | None:
    from decoder.curve import DatedCar
    from decoder.dates import parse_written

    found = _DATED.match(one.note or "")
    if found is None:
        return None
    assert one.serial is not None
    try:
        span = parse_written(found["when"])
    except DecoderError as error:
        left_out.append(f"{one.where}, {one.as_typed}: {error}")
        return None
    about = ", ".join(part for part in (one.where, found["paper"]) if part)
    return DatedCar(one.serial, span.earliest_about, span.latest_about, f"{one.as_typed} ({about})")


def _without_echoes(cars: list[DatedCar]) -> list[DatedCar]:
    """The dated cars, a paper that two lists repeat word for word counted once."""
    met = {(car.serial, car.earliest, car.latest): car for car in reversed(cars)}
    return [car for car in reversed(list(met.values()))]


# --- lists -----------------------------------------------------------------------------------------------------------


def _counted(
    db: Source, on: dict[str, list[Listed]], own: str, named: tuple[str, ...], left_out: list[str]
) -> list[str]:
    """The lists to count with: those named, or those that have enough cars of the series."""
    known = {row["name"] for row in knowing.rows(db, "SELECT name FROM lists")} | {own}
    if named:
        by_name = {name.casefold(): name for name in known}
        for name in named:
            if name.casefold() not in by_name:
                raise NoAnswer(f"There is no list '{name}' on file. There are: {', '.join(sorted(known))}.")
        return list(dict.fromkeys(by_name[name.casefold()] for name in named))
    sizes = {name: len({one.identity for one in found}) for name, found in on.items()}
    papers = {name for name, found in on.items() if _is_papers(found, name == own)}
    longest = max((size for name, size in sizes.items() if name not in papers), default=0)
    least = max(FEWEST_ON_A_LIST, LEAST_SHARE * longest)
    counted = []
    for name, size in sizes.items():
        if name in papers:
            left_out.append(
                f"{name}: a file of dated papers, no list of what survives; its numbers count among those seen."
            )
        elif size < least:
            what = "The cars of this registry" if name == own else name
            left_out.append(
                f"{what}: {size} of this series, too few to count with unless named (--list '{name}'); seen all the same."
            )
        else:
            counted.append(name)
    return counted


def _is_papers(found: list[Listed], own: bool) -> bool:
    """Whether a list is a file of dated papers: each of its numbers is dated."""
    return not own and all(_DATED.match(one.note or "") for one in found)


def _each_once(found: list[Listed]) -> list[int | str]:
    """The identities on one list. A car that came twice under one number is one car, and so is a number that stands twice."""
    return list(dict.fromkeys(one.identity for one in found))


def _issued(series: dict[str, Any], tables: Tables) -> str:
    """What the number table itself gives, beside the estimate and never inside it."""
    family = series["serial_family"]
    if family is None or family not in tables or _dates_itself(series, tables):
        return ""
    rows = tables[family].rows
    if not rows or any(not row["last"] for row in rows):
        return ""
    house = "house table" if tables[family].house else "table"
    blocks = " and ".join(f"{row['first']} to {row['last']}" for row in rows[:4])
    return f"The {house} {family} gives the numbers {blocks}; the estimate does not use it."


# --- words -----------------------------------------------------------------------------------------------------------


def _period(series: dict[str, Any], use: str) -> str:
    from decoder.dates import parse

    if not series["made_edtf"]:
        return ""
    return f"This registry gives the {series['name']} as made {parse(series['made_edtf']).when()}; {use}"


def _count(n: int, noun: str) -> str:
    return f"{n:,} {noun}" + ("" if n == 1 else "s")
