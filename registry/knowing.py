"""What a registry knows: reading, and nothing but reading.

The terminal, the web pages and the publishing ask here, so that they give the same answer. Every function takes a
``sqlite_utils.Database`` or a plain ``sqlite3`` connection, also a read-only one, and returns plain dicts. People appear as
ids; their names are asked for by whoever may show them (``people``).
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from registry.errors import NoAnswer
from registry.models import DATED, EVENT_WORDS
from registry.schema import OF_ENTRY

if TYPE_CHECKING:
    from sqlite_utils import Database

    from decoder import Tables

    Source = Database | sqlite3.Connection

#: In what order open stops are said: what can hurt somebody comes first.
_URGENCY = (
    "unsafe to move",
    "unsafe to drive",
    "number looks altered",
    "near a theft report",
    "title of another thing",
    "lien",
)


def rows(db: Source, sql: str, parameters: Sequence[Any] = ()) -> list[dict[str, Any]]:
    """The rows of a SELECT as dicts, whatever kind of connection ``db`` is."""
    cursor = getattr(db, "conn", db).execute(sql, parameters)
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, found, strict=True)) for found in cursor]


def row(db: Source, sql: str, parameters: Sequence[Any] = ()) -> dict[str, Any] | None:
    """The first row of a SELECT as a dict, or None."""
    found = rows(db, sql, parameters)
    return found[0] if found else None


def info(db: Source) -> dict[str, str]:
    """What the file says of itself: ``name``, ``origin``, ``made``, and ``keeper`` (a person's id, as text)."""
    return {found["key"]: found["value"] for found in rows(db, "SELECT key, value FROM registry_info")}


# People


def people(db: Source, ids: Iterable[int | None] | None = None) -> dict[int, dict[str, Any]]:
    """People by id, with ``said``: what to call them where they may be named ("[erased]" where they were)."""
    found = {person["id"]: person for person in rows(db, "SELECT * FROM people ORDER BY id")}
    if ids is not None:
        wanted = set(ids)
        found = {key: person for key, person in found.items() if key in wanted}
    for person in found.values():
        person["said"] = f"[erased {person['erased_at'][:10]}]" if person["erased_at"] else person["name"]
    return found


def people_named(db: Source, text: str) -> list[dict[str, Any]]:
    """The people meant by an id, a ref, initials, or a name in any case; those who were erased only by id or ref."""
    text = text.strip()
    if text.isascii() and text.isdigit():
        return rows(db, "SELECT * FROM people WHERE id = ?", [int(text)])
    found = rows(db, "SELECT * FROM people WHERE ref = ?", [text])
    if found:
        return found
    wanted = " ".join(text.casefold().split())
    named = rows(db, "SELECT * FROM people WHERE name IS NOT NULL ORDER BY id")
    if text.isalpha() and text.isupper() and (found := [person for person in named if person["initials"] == text]):
        return found
    return [person for person in named if " ".join(person["name"].casefold().split()) == wanted]


def entries_left_by(db: Source, person: int) -> list[str]:
    """The numbers of the entries that a person left."""
    return [found["number"] for found in rows(db, "SELECT number FROM entries WHERE left_by = ? ORDER BY id", [person])]


def where_said(db: Source, values: Iterable[str]) -> list[dict[str, Any]]:
    """Where any of ``values`` stands inside words that were kept as they were said: table, row and column."""
    wanted = [value.casefold() for value in values if len(value.strip()) >= 3]
    found: list[dict[str, Any]] = []
    if not wanted:
        return found
    names = rows(db, "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name")
    for table in (named["name"] for named in names if named["name"] not in ("people", "_sqlite_migrations")):
        for kept in rows(db, f'SELECT * FROM "{table}"'):
            for column, value in kept.items():
                if isinstance(value, bytes):
                    value = value.decode("utf-8", "replace")
                if isinstance(value, str) and any(word in value.casefold() for word in wanted):
                    found.append({"table": table, "row": kept.get("id", kept.get("key")), "column": column})
    return found


# Which car


def entry_number(text: str) -> str:
    """An entry's number however it was typed: 'e24 17' is E24-017."""
    match = re.fullmatch(r"([Ee])\s*([0-9]{2})[\s-]*([0-9]{1,6})", text.strip())
    return f"E{match[2]}-{int(match[3]):03d}" if match else text.strip()


def entry_row(db: Source, text: str) -> dict[str, Any]:
    """The entry of that number. Raises NoAnswer where there is none."""
    found = row(db, f"SELECT *, {OF_ENTRY} AS car FROM entries WHERE number = ?", [entry_number(text)])
    if found is None:
        raise NoAnswer(
            f"There is no entry {text.strip()} in this registry. Look a number up with: tubmark find 'NUMBER'"
        )
    return found


def car_row(db: Source, text: str) -> dict[str, Any]:
    """The car that carries this number or had an entry of this number, before any joining. Raises NoAnswer."""
    number = entry_number(text)
    found = row(db, "SELECT * FROM cars WHERE number = ?", [number])
    if found is None:
        found = row(
            db, "SELECT cars.* FROM cars JOIN entries ON entries.car = cars.id WHERE entries.number = ?", [number]
        )
    if found is None:
        raise NoAnswer(
            f"There is no car {text.strip()} in this registry. A car is known by an entry's number, such as E26-017; "
            "look a number on the car up with: tubmark find 'NUMBER'"
        )
    return found


def resolve_car(db: Source, text: str) -> dict[str, Any]:
    """The car meant by any number that leads to it: its own, a later entry's, or one that was joined to it.

    Raises NoAnswer, with what to do, where no car is.
    """
    found = car_row(db, text)
    stayed = stays(db, found["id"])
    if stayed == found["id"]:
        return found
    kept = row(db, "SELECT * FROM cars WHERE id = ?", [stayed])
    assert kept is not None
    return kept


def joined_to(db: Source, car: int) -> int | None:
    """The car that this one's record was joined to, or None; the last merge or split of it counts."""
    last = row(db, "SELECT into_car, kind FROM car_joins WHERE car = ? ORDER BY id DESC LIMIT 1", [car])
    return last["into_car"] if last and last["kind"] == "merge" else None


def stays(db: Source, car: int) -> int:
    """The id of the car whose record stays, for a car that may have been joined to it."""
    met = {car}
    while (into := joined_to(db, car)) is not None and into not in met:
        met.add(into)
        car = into
    return car


def members(db: Source, car: int) -> list[int]:
    """The ids of all records that are this car now, the one that stays first."""
    kept = stays(db, car)
    found = [kept]
    for into in found:
        for joined in rows(db, "SELECT DISTINCT car FROM car_joins WHERE into_car = ? ORDER BY car", [into]):
            if joined["car"] not in found and joined_to(db, joined["car"]) == into:
                found.append(joined["car"])
    return found


def car_number(db: Source, car: int) -> str:
    """The number by which a car is known."""
    found = row(db, "SELECT number FROM cars WHERE id = ?", [car])
    if found is None:
        raise NoAnswer(f"There is no car with the id {car}.")
    return found["number"]


def next_entry_number(db: Source, day: str) -> str:
    """The next free number of the entry book in the year of ``day`` (an ISO day)."""
    year = day[2:4]
    taken = rows(db, "SELECT number FROM entries WHERE number LIKE ?", [f"E{year}-%"])
    last = max((int(found["number"].split("-")[1]) for found in taken), default=0)
    return f"E{year}-{last + 1:03d}"


def _in(ids: Sequence[int]) -> str:
    return f"({', '.join('?' * len(ids))})"


# Things and readings


def things_of(db: Source, car: int) -> list[dict[str, Any]]:
    """Every thing that is or was on a car, with its standing fitting (``edtf``, ``earliest``, ``latest``, ``former``).

    Things on the car now come first, in the order pan, body, plate, engine, title. ``fitting`` is the fitting's id; a fitting that was superseded does not count.
    """
    cars = members(db, car)
    return rows(
        db,
        f"""
        SELECT things.id AS id, things.kind AS kind, things.series AS series, things.issue AS issue, things.note AS note,
               fittings.id AS fitting, fittings.car AS car, fittings.edtf AS edtf, fittings.earliest AS earliest,
               fittings.latest AS latest, fittings.former AS former, fittings.paper AS paper
        FROM fittings JOIN things ON things.id = fittings.thing
        WHERE fittings.car IN {_in(cars)}
          AND NOT EXISTS (SELECT 1 FROM fittings AS later WHERE later.supersedes = fittings.id)
        ORDER BY fittings.former,
                 CASE things.kind WHEN 'pan' THEN 1 WHEN 'body' THEN 2 WHEN 'plate' THEN 3 WHEN 'engine' THEN 4 ELSE 5 END,
                 fittings.id DESC
        """,
        cars,
    )


def things_on(db: Source, car: int) -> list[dict[str, Any]]:
    """The things that are on a car now, the one fitted last first."""
    return [thing for thing in things_of(db, car) if not thing["former"]]


def car_of_thing(db: Source, thing: int) -> int | None:
    """The car a thing is on now, or was on last; None for one in a drawer."""
    found = row(
        db,
        """
        SELECT car FROM fittings WHERE thing = ?
          AND NOT EXISTS (SELECT 1 FROM fittings AS later WHERE later.supersedes = fittings.id)
        ORDER BY former, id DESC LIMIT 1
        """,
        [thing],
    )
    return None if found is None else stays(db, found["car"])


def readings_of(db: Source, thing: int) -> list[dict[str, Any]]:
    """The readings of a thing's number, in the order they were recorded; a reading that was a slip of the pen is left out."""
    return rows(
        db,
        """
        SELECT * FROM readings WHERE thing = ?
          AND NOT EXISTS (SELECT 1 FROM readings AS later WHERE later.slip_of = readings.id) ORDER BY id
        """,
        [thing],
    )


def best_reading(db: Source, thing: int) -> dict[str, Any] | None:
    """The reading to go by: the one with fewest doubts, and of equal ones the last. The others are still on file."""
    from decoder import read

    found = readings_of(db, thing)
    if not found:
        return None
    return min(reversed(found), key=lambda reading: len(read(reading["as_typed"]).uncertain_at))


# Stops, decisions, consent


def stops_of(db: Source, car: int) -> list[dict[str, Any]]:
    """The stops of a car: ``kind``, ``says``, ``ask``, ``open``, ``at``, ``found_by``, ``by_person``, ``released``.

    Open ones come first, and of these what can hurt somebody.
    """
    cars = members(db, car)
    found = rows(
        db,
        f"""
        SELECT stops.id, stops.kind, stops.says, stops.ask, stops.at, stops.found_by, stops.by_person, stops.entry,
               stop_releases.at AS released, stop_releases.reason AS release_reason, stop_releases.by_person AS released_by,
               stop_releases.id IS NULL AS open
        FROM stops LEFT JOIN stop_releases ON stop_releases.stop = stops.id
        WHERE stops.car IN {_in(cars)} ORDER BY stops.id
        """,
        cars,
    )
    for stop in found:
        stop["open"] = bool(stop["open"])
    return sorted(found, key=lambda stop: (not stop["open"], _URGENCY.index(stop["kind"]), stop["id"]))


def open_stops(db: Source, car: int) -> list[dict[str, Any]]:
    """The stops that stand, as every answer about a car carries them: ``kind``, ``says``, ``ask``."""
    return [{key: stop[key] for key in ("kind", "says", "ask")} for stop in stops_of(db, car) if stop["open"]]


def decisions_of(db: Source, car: int) -> list[dict[str, Any]]:
    """The opinions on a car, oldest first, each with its ``evidence`` and whether it ``stands`` (no later one supersedes it).

    ``weighed`` is what the findings bore on that day, as it was kept then; None where nothing could be weighed.
    """
    cars = members(db, car)
    found = rows(db, f"SELECT * FROM decisions WHERE car IN {_in(cars)} ORDER BY id", cars)
    superseded = {decision["supersedes"] for decision in found}
    for decision in found:
        decision["stands"] = decision["id"] not in superseded
        decision["evidence"] = rows(
            db,
            "SELECT kind, ref, weight, frozen FROM decision_evidence WHERE decision = ? ORDER BY id",
            [decision["id"]],
        )
        for piece in decision["evidence"]:
            piece["frozen"] = json.loads(piece["frozen"])
        kept = row(db, "SELECT frozen FROM decision_weighings WHERE decision = ?", [decision["id"]])
        decision["weighed"] = json.loads(kept["frozen"]) if kept else None
    return found


def standing_decisions(db: Source, car: int) -> list[dict[str, Any]]:
    """The opinions that no later one supersedes. More than one stand where people disagree."""
    return [decision for decision in decisions_of(db, car) if decision["stands"]]


def is_about(db: Source, kind: str, found: dict[str, Any], car: int) -> bool:
    """Whether a row of evidence is about this car, or about a thing that is or was on it."""
    cars = members(db, car)
    if kind == "reading":
        return any(thing["id"] == found["thing"] for thing in things_of(db, car))
    if found.get("car") is not None:
        return found["car"] in cars
    return any(thing["id"] == found.get("thing") for thing in things_of(db, car))


#: Consents, the strictest first: of two records that were joined the stricter word holds until the keeper is asked again.
STRICTEST_FIRST = ("withdrawn", "none", "unknown", "number hidden", "full")


def holding(told: Sequence[Mapping[str, Any]]) -> Mapping[str, Any]:
    """Which of the consents told of a car holds: the last by its day, or the last put down if that allows less.

    ``told`` is in the order of recording and not empty. A withdrawal put down today with a day long past counts; so does one of
    March over a consent of February that is put down later. In doubt private.
    """
    by_day = max(enumerate(told), key=lambda one: (one[1]["at"], one[0]))[1]
    return min((by_day, told[-1]), key=lambda each: STRICTEST_FIRST.index(each["consent"]))


def consent_of(db: Source, car: int) -> dict[str, Any]:
    """The consent that holds for a car: ``consent`` (unknown where nobody was asked), ``at``, ``person``, ``reason``.

    Where records were joined, what was said since then; else the strictest of what was said of each (as ``registry.publish``).
    """
    cars = members(db, car)
    found = rows(
        db,
        f"SELECT car, consent, at, person, reason, event FROM consents WHERE car IN {_in(cars)} ORDER BY id",
        cars,
    )
    if len(cars) > 1 and found:
        joins = row(
            db,
            f"SELECT max(event) AS last FROM car_joins WHERE car IN {_in(cars)} OR into_car IN {_in(cars)}",
            [*cars, *cars],
        )
        since = [
            each for each in found if joins is not None and joins["last"] is not None and each["event"] > joins["last"]
        ]
        if since:
            found = since
        elif joins is not None and joins["last"] is not None:
            last = {
                one: holding([each for each in found if each["car"] == one]) for one in {each["car"] for each in found}
            }
            found = [min(last.values(), key=lambda each: STRICTEST_FIRST.index(each["consent"]))]
    if not found:
        return {"consent": "unknown", "at": None, "person": None, "reason": None}
    holds = holding(found)
    return {key: holds[key] for key in ("consent", "at", "person", "reason")}


def hold_of(db: Source, car: int) -> dict[str, Any] | None:
    """The hold on a car, or None where it is not held."""
    cars = members(db, car)
    found = row(db, f"SELECT * FROM holds WHERE car IN {_in(cars)} ORDER BY at DESC, id DESC LIMIT 1", cars)
    return found if found and found["held"] else None


def conflicts_of(db: Source, car: int) -> list[dict[str, Any]]:
    """The conflicts a car is part of that no later word supersedes, open ones first; ``with`` is the other car's number.

    One between two records that are one car by now is at rest, and comes back where they are split.
    """
    cars = members(db, car)
    found = rows(
        db,
        f"""
        SELECT conflicts.* FROM conflicts
        WHERE (car_a IN {_in(cars)} OR car_b IN {_in(cars)})
          AND NOT (car_b IS NOT NULL AND car_a IN {_in(cars)} AND car_b IN {_in(cars)})
          AND NOT EXISTS (SELECT 1 FROM conflicts AS later WHERE later.supersedes = conflicts.id)
        ORDER BY state, id
        """,
        [*cars, *cars, *cars, *cars],
    )
    for conflict in found:
        other = conflict["car_b"] if conflict["car_a"] in cars else conflict["car_a"]
        conflict["with"] = None if other is None or other in cars else car_number(db, stays(db, other))
    return found


def tell_codes(db: Source) -> set[str]:
    """The codes of all tells on file."""
    return {found["code"] for found in rows(db, "SELECT DISTINCT code FROM tells")}


def statements_of(db: Source, car: int) -> list[dict[str, Any]]:
    """Papers and say-so about a car, in the order recorded; one that was a slip of the pen is left out."""
    cars = members(db, car)
    return rows(
        db,
        f"""
        SELECT * FROM statements WHERE car IN {_in(cars)}
          AND NOT EXISTS (SELECT 1 FROM statements AS later WHERE later.slip_of = statements.id) ORDER BY id
        """,
        cars,
    )


def observations_of(db: Source, car: int) -> list[dict[str, Any]]:
    """What was seen of a car's tells, in the order recorded; a slip of the pen is left out."""
    cars = members(db, car)
    return rows(
        db,
        f"""
        SELECT * FROM observations WHERE car IN {_in(cars)}
          AND NOT EXISTS (SELECT 1 FROM observations AS later WHERE later.slip_of = observations.id) ORDER BY id
        """,
        cars,
    )


# House tables


def house_tables(db: Source) -> Tables:
    """The number tables to decode with: the packaged ones and the registry's own (of each family the one added last)."""
    found = rows(
        db,
        """
        SELECT sha256, compiled FROM family_tables
        WHERE NOT EXISTS (SELECT 1 FROM family_tables AS later
                          WHERE later.family = family_tables.family AND later.id > family_tables.id)
        ORDER BY family
        """,
    )
    return _tables(tuple((table["sha256"], table["compiled"]) for table in found))


@lru_cache(maxsize=8)
def _tables(compiled: tuple[tuple[str, str], ...]) -> Tables:
    from decoder import load_tables

    return load_tables(extra=[json.loads(text) | {"origin": "table in the registry"} for _hash, text in compiled])


# All of one car

_NO_DATE = "nothing is dated from this number while its surface looks altered"


def dates_of(db: Source, car: int) -> dict[str, dict[str, Any]]:
    """What is said about when: for each of ``DATED``, ``words`` and ``says``, a list of what the papers and the numbers give.

    The numbers are decoded by the tables; papers are given as they were written. Nothing is reconciled here, and nothing
    becomes "the year": an event nobody speaks of has an empty list. Each piece has ``from`` ("table" or "paper"), ``edtf``,
    ``earliest``, ``latest`` (ISO days, None where open), ``relation``, ``words`` and ``source``; a piece that must not be
    taken as a date, since the metal under the number looks altered, has ``altered`` True and no bounds.
    """
    found: dict[str, dict[str, Any]] = {name: {"words": EVENT_WORDS[name], "says": []} for name in DATED}
    for thing in things_of(db, car):
        event = {"pan": "pan_made", "body": "body_moulded", "plate": "plate_issued", "engine": "engine_made"}.get(
            thing["kind"]
        )
        reading = best_reading(db, thing["id"])
        if event is None or reading is None:
            continue
        found[event]["says"] += _decoded(db, reading, former=bool(thing["former"]))
    for statement in statements_of(db, car):
        if statement["about"] in found:
            found[statement["about"]]["says"].append(
                {
                    "from": "paper",
                    "statement": statement["id"],
                    "edtf": statement["edtf"],
                    "earliest": statement["earliest"],
                    "latest": statement["latest"],
                    "relation": statement["relation"],
                    "words": statement["as_written"] or statement["value"],
                    "source": statement["kind"],
                    "seen": statement["seen"],
                }
            )
    return found


def _decoded(db: Source, reading: dict[str, Any], *, former: bool) -> list[dict[str, Any]]:
    from decoder import decode
    from decoder.decoding import edtf_of
    from decoder.words import main_sentence

    answer = decode(
        reading["as_typed"],
        on=reading["stamped_on"],
        surface=reading["surface"],
        direction=reading["direction"],
        tables=house_tables(db),
    )
    out = []
    for decoding in answer.decodings:
        years = ", ".join(str(year) for year, _chance in decoding.model_years)
        piece = {
            "from": "table",
            "reading": reading["id"],
            "number": decoding.number,
            "family": decoding.family.id,
            "house": decoding.family.house,
            "probability": decoding.probability,
            "edtf": edtf_of(decoding.earliest, decoding.latest),
            "earliest": decoding.earliest,
            "latest": decoding.latest,
            "relation": "equals",
            "words": main_sentence(decoding),
            "model_years": years,
            "source": decoding.family.title,
            "former": former,
            "altered": bool(answer.stops),
        }
        if piece["altered"]:
            piece |= {"edtf": None, "earliest": None, "latest": None, "model_years": "", "words": _NO_DATE}
        out.append(piece)
    if answer.stops and not out:
        out.append({"from": "table", "reading": reading["id"], "number": None, "altered": True, "former": former, "edtf": None,
                    "earliest": None, "latest": None, "relation": None, "words": _NO_DATE, "source": ""})  # fmt: skip
    return out


def entries_of(db: Source, car: int) -> list[dict[str, Any]]:
    """The visits of a car, oldest first."""
    cars = members(db, car)
    return rows(
        db,
        f"""
        SELECT *, {OF_ENTRY} AS car FROM entries
        WHERE (entries.car IN {_in(cars)} OR entries.number IN (SELECT number FROM cars WHERE id IN {_in(cars)}))
          AND {OF_ENTRY} IN {_in(cars)} ORDER BY entry_date, id
        """,
        [*cars, *cars, *cars],
    )


def car_record(db: Source, car: dict[str, Any] | int | str) -> dict[str, Any]:
    """Everything on file of one car, stops first. People stand in it as ids.

    ``car`` is a row of ``resolve_car``, an id or any number that leads to it.
    """
    if isinstance(car, str):
        car = resolve_car(db, car)["id"]
    elif isinstance(car, dict):
        car = car["id"]
    car = stays(db, car)
    things = things_of(db, car)
    for thing in things:
        thing["former"] = bool(thing["former"])
        thing["readings"] = readings_of(db, thing["id"])
        best = best_reading(db, thing["id"])
        thing["number_as_read"] = best["as_typed"] if best else None
    cars = members(db, car)
    return {
        "car": car_number(db, car),
        "stops": open_stops(db, car),
        "also": [
            number
            for number in dict.fromkeys(
                [entry["number"] for entry in entries_of(db, car)] + [car_number(db, member) for member in cars]
            )
            if number != car_number(db, car)
        ],
        "decisions": decisions_of(db, car),
        "entries": entries_of(db, car),
        "things": things,
        "events": dates_of(db, car),
        "statements": statements_of(db, car),
        "observations": observations_of(db, car),
        "conflicts": conflicts_of(db, car),
        "consent": consent_of(db, car),
        "held": hold_of(db, car),
        "custody": rows(db, f"SELECT * FROM custody WHERE car IN {_in(cars)} ORDER BY id", cars),
        "photographs": rows(
            db,
            f"SELECT id, sha256, media_type, view, taken, hazards, may_publish FROM photographs WHERE car IN {_in(cars)} ORDER BY id",
            cars,
        ),
        "released_stops": [stop for stop in stops_of(db, car) if not stop["open"]],
        "papers_issued": rows(
            db,
            f"SELECT id, kind, version, to_person, at, sha256 FROM papers_issued WHERE car IN {_in(cars)} ORDER BY id",
            cars,
        ),
    }


def history(db: Source, car: dict[str, Any] | int | str) -> list[dict[str, Any]]:
    """Who did what to a car's record and when, oldest first: ``event``, ``at``, ``by_person``, ``action``, ``payload``, ``hash``."""
    if isinstance(car, str):
        car = resolve_car(db, car)["id"]
    elif isinstance(car, dict):
        car = car["id"]
    cars = members(db, car)
    marks = _in(cars)
    ids = {
        found["event"]
        for sql, times in (
            (f"SELECT id AS event FROM events WHERE json_extract(payload, '$.car') IN {marks}", 1),
            (f"SELECT event FROM conflicts WHERE car_a IN {marks} OR car_b IN {marks}", 2),
            (f"SELECT event FROM car_joins WHERE car IN {marks} OR into_car IN {marks}", 2),
            (f"SELECT event FROM stops WHERE car IN {marks}", 1),
        )
        for found in rows(db, sql, cars * times)
    }
    wanted = sorted(ids)
    found = []
    for start in range(0, len(wanted), 500):
        some = wanted[start : start + 500]
        found += rows(
            db,
            f"SELECT id AS event, at, by_person, action, payload, hash FROM events WHERE id IN {_in(some)} ORDER BY id",
            some,
        )
    for event in found:
        event["payload"] = json.loads(event["payload"])
    return found


def counts(db: Source) -> dict[str, int]:
    """How many rows each table has."""
    names = rows(db, "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name")
    return {named["name"]: rows(db, f'SELECT count(*) AS n FROM "{named["name"]}"')[0]["n"] for named in names}
