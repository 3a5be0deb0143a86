"""Conflicts: what in the records cannot all be so, and what would settle it.

A number that two cars claim is no verdict. It may be one car entered twice, a number that the maker gave out twice, a plate
that was moved, a plate that was copied, or a misreading. All records stay as they are. For each conflict this room puts down
the two sides, each of these ordinary explanations with what in *this* record speaks for it and against it, and for each side
the one photograph or paper that would decide. Nothing is weighed and nothing is settled here: a conflict stays open ("not known
yet" is a reason) until a named person settles it, and it never leaves the registry.

What is looked for: a serial that two cars carry, a pan under two cars at one time, a plate on a body that was moulded before
there were plates, a pan younger than the papers of the car on it, a title with the number of another pan, one picture under
two cars. Conflicts that were put down when a number was recorded are shown in the same way.

Other than what a person puts down, nothing here is kept: ask again after a reading, a merge or a table has changed.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from registry import knowing
from registry.alike import Book, Held, Record, named, one_car
from registry.claims import issues_of, side_says, two_claim
from registry.errors import NoAnswer, WrongInput
from registry.metal import compare
from registry.misfits import early_plates, pictures, titles, younger_pans
from registry.sides import (
    ANOTHER_NUMBER,
    NOT_KNOWN,
    NUMBER_TODAY,
    OTHER_LIST,
    TWO_CLAIM,
    Conflict,
    Explanation,
    Plate,
    Side,
    claim,
    for_first,
    how_read,
    once,
    plate_found,
    quoted,
    up,
)

if TYPE_CHECKING:
    from sqlite_utils import Database

    from registry.knowing import Source

#: What looks for conflicts; each takes the book and one car or None.
FINDERS = (two_claim, early_plates, younger_pans, titles, pictures)


def conflicts(db: Source, car: str | None = None) -> list[Conflict]:
    """Every conflict of a registry, or of one car (any number that leads to it): open ones first, settled ones after.

    Two records that were joined are one car and no conflict. Raises NoAnswer where there is no such car. Reads only.
    """
    book = Book(db)
    only = None if car is None else knowing.resolve_car(db, car)["id"]
    found: list[Conflict] = []
    for find in FINDERS:
        found.extend(find(book, only))
    found = _with_the_file(book, _told_apart(found), only)
    return sorted(found, key=lambda one: (not one.is_open, *_in_order(one.name)))


def _told_apart(found: list[Conflict]) -> list[Conflict]:
    """Two conflicts of one kind on one car get names that differ."""
    met: dict[str, int] = defaultdict(int)
    out = []
    for one in found:
        met[one.name] += 1
        out.append(one if met[one.name] == 1 else replace(one, name=f"{one.name}:{met[one.name]}"))
    return out


def _in_order(name: str) -> tuple[int, int, str]:
    return (0, int(name), "") if name.isdigit() else (1, 0, name)


def settle(
    db: Database, name: str, *, reason: str, by: Any, on: str, keep_open: bool = False, at: str | None = None
) -> Conflict:
    """Put down why a conflict is none, or (``keep_open``) how far it is understood; returns it as it stands then.

    ``name`` is as ``conflicts`` gives it, ``by`` a named person, ``on`` an ISO day. What was put down before stays on file. A
    reason that is still not known settles nothing: then it is kept open. One that was settled can be settled otherwise.

    Raises NoAnswer where there is no such conflict, WrongInput without a reason or a name.
    """
    from registry import store
    from registry.models import ConflictIn, check

    if not (reason or "").strip():
        raise WrongInput(
            "Why? A conflict is settled with a reason; it may also stay open with the reason 'not known yet'."
        )
    if by is None or (isinstance(by, str) and not by.strip()):
        raise WrongInput("Who settles it? A conflict is settled by a named person.")
    one = named_conflict(db, name)
    state = "open" if keep_open or is_not_known(reason) else "settled"
    other = one.cars[1] if len(one.cars) > 1 else None
    row = {"kind": one.kind, "car_a": one.cars[0], "car_b": other, "key": one.key, "says": one.says}
    with store.transaction(db):
        for old in one.on_file or (None,):
            new = check(ConflictIn, **row, reason=reason.strip(), state=state, supersedes=old, at=on)
            store.record_conflict(db, new, by=by, at=at)
        kept = [
            each
            for each in conflicts(db, one.cars[0])
            if (each.kind, each.cars, each.key) == (one.kind, one.cars, one.key)
        ]
    return kept[0]


def is_not_known(reason: str) -> bool:
    """Whether a reason says that there is none yet: "not known yet", and what may follow it."""
    return reason.strip().casefold().startswith(NOT_KNOWN)


def named_conflict(db: Source, name: str) -> Conflict:
    """The conflict of that name. Raises NoAnswer where there is none."""
    wanted = name.strip()
    for one in conflicts(db):
        if one.name.casefold() == wanted.casefold() or (wanted.isdigit() and int(wanted) in one.on_file):
            return one
    raise NoAnswer(f"There is no conflict {wanted}. 'tubmark conflicts --all' lists them, each with its name.")


# --- what is on file -------------------------------------------------------------------------------------------------


def _with_the_file(book: Book, found: list[Conflict], only: int | None) -> list[Conflict]:
    """The conflicts found, each with what a person has put down about it, and those on file that the records no longer show."""
    rows = knowing.rows(
        book.db,
        "SELECT * FROM conflicts WHERE NOT EXISTS "
        "(SELECT 1 FROM conflicts AS later WHERE later.supersedes = conflicts.id) ORDER BY id",
    )
    kept: dict[int, tuple[dict[str, Any], frozenset[int]]] = {}
    for row in rows:
        cars = frozenset(knowing.stays(book.db, car) for car in (row["car_a"], row["car_b"]) if car is not None)
        if row["car_b"] is not None and len(cars) == 1:
            continue  # the two records are one car by now
        if only is None or only in cars:
            kept[row["id"]] = (row, cars)
    out = []
    for one in found:
        mine = [row for row, cars in kept.values() if _is_about(book, one, row, cars)]
        for row in mine:
            kept.pop(row["id"])
        out.append(_as_put_down(one, mine))
    out += [_from_the_file(book, row, cars) for row, cars in kept.values()]
    return out


def _is_about(book: Book, one: Conflict, row: dict[str, Any], cars: frozenset[int]) -> bool:
    mine = frozenset(book.record_of(car).id for car in one.cars)
    if row["kind"] != one.kind or cars != mine:
        return False
    return one.kind == TWO_CLAIM or row["key"] == one.key


def _as_put_down(one: Conflict, rows: list[dict[str, Any]]) -> Conflict:
    """A conflict found, with the state, the reason and the name that stand on file."""
    if not rows:
        return one
    last = rows[-1]
    said = " ".join(f"{row['key'] or ''} {row['says']}" for row in rows)
    settled = all(row["state"] == "settled" for row in rows)
    # A number that nobody spoke of when it was settled makes it open again.
    news = [number for number in one.key.split(", ") if _letters(number) not in _letters(said)]
    if settled and news:
        return replace(
            one,
            on_file=tuple(row["id"] for row in rows),
            name=str(rows[0]["id"]),
            reason=f"{NOT_KNOWN}: it was settled before {', '.join(news)} was read ({last['reason'].rstrip('.')})",
        )
    opened = [row for row in rows if row["state"] == "open"]
    shown = opened[-1] if opened else last
    return replace(
        one,
        name=str(shown["id"]),
        on_file=tuple(row["id"] for row in rows),
        state="settled" if settled else "open",
        reason=shown["reason"],
        at=shown["at"],
        by_person=shown["by_person"],
    )


def _letters(text: str) -> str:
    return "".join(c for c in text.upper() if c.isalnum()).replace("O", "0")


def _from_the_file(book: Book, row: dict[str, Any], cars: frozenset[int]) -> Conflict:
    """A conflict that somebody put down and that is not found anew, with its explanations as far as the kind has any."""
    records = [book.record(car) for car in (row["car_a"], row["car_b"]) if car is not None]
    if row["kind"] == ANOTHER_NUMBER:
        sides, explanations = _another_number(book, records[0])
    elif row["kind"] == OTHER_LIST:
        sides, explanations = _on_a_list(book, records[0], row["key"] or "")
    elif len(records) == 2:
        sides = tuple(Side(one.number, _numbers_in_words(one), NUMBER_TODAY) for one in records)
        explanations = (once(one_car(records[0], records[1])),)
    else:
        sides, explanations = (Side(records[0].number, _numbers_in_words(records[0]), NUMBER_TODAY),), ()
    return Conflict(
        name=str(row["id"]),
        kind=row["kind"],
        cars=tuple(one.number for one in records),
        key=row["key"] or "",
        says=row["says"],
        sides=sides,
        explanations=for_first(explanations),
        on_file=(row["id"],),
        state=row["state"],
        reason=row["reason"],
        at=row["at"],
        by_person=row["by_person"],
    )


def _numbers_in_words(record: Record) -> str:
    said = [claim(one) for one in record.held if one.is_here]
    return f"{record.number} has {'; '.join(said)}." if said else f"No number of {record.number} is on file."


# --- conflicts put down when a number was recorded -------------------------------------------------------------------


def _another_number(book: Book, record: Record) -> tuple[tuple[Side, ...], tuple[Explanation, ...]]:
    """A number of one car that was read as another one: the two readings are the sides."""
    groups: dict[str, list[Held]] = defaultdict(list)
    for held in record.here("pan", "body", "plate", "engine", "title"):
        groups[held.kind].append(held)
    kind, several = next(((kind, held) for kind, held in groups.items() if len(held) > 1), ("", []))
    if not several:
        return (Side(record.number, _numbers_in_words(record), NUMBER_TODAY),), ()
    new, old = several[0], several[1]
    slip = compare(new.typed, old.typed, kind, book.tables) == "one slip apart"
    sides = tuple(Side(record.number, f"{up(claim(one))}, read {_day(one)}.", NUMBER_TODAY) for one in (old, new))
    titles = [one for one in record.here("title") if kind == "pan"]
    told = [f"On file: {row['kind']}{quoted(row)}." for row in record.statements if row["about"] == "repanned"]
    told += [f"The title has the number read before, {old.typed}." for one in titles if one.same_as(old)]
    against = [f"The title has the number read now, {new.typed}." for one in titles if one.same_as(new)]
    changed = "repan" if kind == "pan" else "replate"
    explanations = (
        Explanation(
            f"another {kind}",
            f"The {kind} may have been changed since: then tubmark {changed} takes the first one off.",
            tuple(told),
            tuple(against),
        ),
        Explanation(
            "misreading",
            "One of the readings may be a slip.",
            ("They are one slip apart.",) if slip else (),
            () if slip else ("More than one character differs.",),
        ),
        Explanation(
            "two cars in one record",
            "A visit may have been written down for the wrong car: then tubmark split gives it a record of its own.",
            ("The readings are of different visits.",) if new.reading["entry"] != old.reading["entry"] else (),
        ),
    )
    return sides, explanations


def _day(held: Held) -> str:
    from decoder.words import day_in_words

    return f"on {day_in_words(held.reading['at'][:10])}" if held.reading["at"] else "at a time that is not on file"


def _on_a_list(book: Book, record: Record, number: str) -> tuple[tuple[Side, ...], tuple[Explanation, ...]]:
    """A number that another list has for what looks like another car."""
    from decoder import keys

    wanted = (
        named({(key.family, key.key) for key in keys(number, on="body", tables=book.tables)}) if number else frozenset()
    )
    claims = [one for one in record.here("body", "plate") if named(one.keys) & wanted] or record.here("body", "plate")
    families = {family for one in claims for family, _ in named(one.keys) if family}
    listed = []
    for family, key in sorted(wanted):
        listed += knowing.rows(
            book.db,
            "SELECT DISTINCT list_numbers.id, lists.name AS list, as_typed, their_number, list_numbers.note FROM number_keys "
            "JOIN list_numbers ON list_numbers.id = number_keys.subject JOIN lists ON lists.id = list_numbers.list "
            "WHERE subject_kind = 'list' AND family = ? AND key = ? ORDER BY list_numbers.id",
            [family, key],
        )
    told = [
        f"{row['list']} has {row['as_typed']}"
        + (
            f" ({'; '.join(filter(None, (row['their_number'], row['note'])))})"
            if row["their_number"] or row["note"]
            else ""
        )
        for row in listed
    ]
    on_plate = bool(claims) and all(one.kind == "plate" for one in claims)
    plate = plate_found(book, record, claims, families) if on_plate else Plate((), (), ())
    issues = issues_of(book, claims[0]) if claims else []
    slip_for, slip_against = how_read(book, record, claims[0]) if claims else ([], [])
    sides = (
        Side(record.number, side_says(record, claims) if claims else f"No serial of {record.number} is on file.",
             "Ask for a photograph of the number where it stands, with its fixings if it is on a plate, and a rule beside it."),
        Side(record.number, f"{'; '.join(told)}." if told else "The entry of the other list is not on file here.",
             "Ask whoever keeps the other list what its entry rests on: a photograph of that car, with the day on which it was seen."),
    )  # fmt: skip
    not_on_one = () if on_plate else ("The number is not on a plate here.",)
    explanations = (
        Explanation("one car on two lists", "The other list may mean this car.", (), plate.elsewhere),
        Explanation(
            "double issue",
            "The maker may have given the number out twice.",
            (f"The table has {claims[0].typed} more than once.",) if len(issues) > 1 else (),
            ()
            if len(issues) > 1
            else ("The table has it once.",)
            if issues
            else ("No table on file knows the number.",),
        ),
        Explanation(
            "moved plate",
            "The plate may have come from the other car.",
            (*plate.elsewhere, *plate.like),
            (*plate.unlike, *not_on_one),
        ),
        Explanation(
            "copied plate",
            "The plate may be a reproduction.",
            (*plate.elsewhere, *plate.unlike),
            (*plate.like, *not_on_one),
        ),
        Explanation(
            "misreading", "A figure may have been misread, here or there.", tuple(slip_for), tuple(slip_against)
        ),
    )
    return sides, explanations
