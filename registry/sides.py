"""What a conflict is made of: two sides, the ordinary explanations, and what to ask each side for.

``registry.claims`` and ``registry.misfits`` find conflicts and put them together from these pieces; ``registry.conflicts``
lists them. Nothing here weighs: a sentence stands under an explanation because it is in the record.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from registry import knowing
from registry.alike import Alike, Book, Held, Record, named

#: The kinds of conflict, as they are kept and said. The first, and the last two, are put down when a number is recorded.
TWO_CLAIM = "two cars claim one number"
EARLY_PLATE = "a plate on a body moulded before plates"
YOUNGER_PAN = "a pan younger than the car's papers"
OTHER_TITLE = "a title number of another pan"
ONE_PICTURE = "one picture under two cars"
ANOTHER_NUMBER = "another number than before"
OTHER_LIST = "number on another list"

SAME_SERIAL = "the same serial twice"
SAME_PAN = "the same pan under two cars at one time"

#: What every conflict starts with, and may stay with.
NOT_KNOWN = "not known yet"


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two sides: of which car, what it claims and from where, and what to ask it for."""

    car: str
    says: str
    ask: str

    def as_dict(self) -> dict[str, str]:
        return {"car": self.car, "says": self.says, "ask": self.ask}


@dataclass(frozen=True, slots=True)
class Explanation:
    """An ordinary explanation, with what speaks for it here and what against it. No figure: nothing is weighed."""

    name: str
    says: str
    speaks_for: tuple[str, ...] = ()
    speaks_against: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "says": self.says,
            "for": list(self.speaks_for),
            "against": list(self.speaks_against),
        }


@dataclass(frozen=True, slots=True)
class Conflict:
    """What does not go together, as the records stand today.

    ``name`` is what to settle it by: the number under which it is on file (``on_file`` holds all of them), or a name made of its
    kind and cars where nobody has put it down yet. ``what`` says more than ``kind`` where two cars claim numbers, ``beside`` are
    two numbers to be laid one above the other, each with where it stands.
    """

    name: str
    kind: str
    cars: tuple[str, ...]
    key: str
    says: str
    sides: tuple[Side, ...]
    explanations: tuple[Explanation, ...]
    what: tuple[str, ...] = ()
    beside: tuple[tuple[str, str], ...] = ()
    on_file: tuple[int, ...] = ()
    state: str = "open"
    reason: str = NOT_KNOWN
    at: str | None = None
    by_person: int | None = None

    @property
    def is_open(self) -> bool:
        return self.state == "open"

    def as_dict(self) -> dict[str, Any]:
        return {
            "id": self.name,
            "kind": self.kind,
            "what": list(self.what or (self.kind,)),
            "state": self.state,
            "reason": self.reason,
            "at": self.at,
            "by_person": self.by_person,
            "on_file": bool(self.on_file),
            "cars": list(self.cars),
            "key": self.key,
            "says": self.says,
            "beside": [{"number": number, "where": where} for number, where in self.beside],
            "sides": [side.as_dict() for side in self.sides],
            "explanations": [one.as_dict() for one in self.explanations],
        }


def for_first(explanations: Iterable[Explanation]) -> tuple[Explanation, ...]:
    """Those that something speaks for first; within that the usual order. Nothing is counted."""
    return tuple(sorted(explanations, key=lambda one: not one.speaks_for))


def claim(held: Held) -> str:
    """A number in words: on what, as it was typed, where and how it was read."""
    where = ", ".join(part for part in (held.reading["place"], held.reading["how"]) if part)
    was = " (no longer on it)" if held.thing["former"] else ""
    where = "" if where == held.kind else where
    return f"the {held.kind} number {held.typed}{f' ({where})' if where else ''}{was}"


#: What to ask for where only the number itself can tell.
NUMBER_TODAY = "Ask for one photograph of the number where it stands, with a card beside it that bears today's date, square on and lit from the side."


def once(alike: Alike) -> Explanation:
    """The explanation that both records are of one car."""
    return Explanation(
        "one car entered twice",
        "Both records may be of one car, under another keeper or in another colour.",
        alike.speaks_for,
        alike.speaks_against,
    )


class Plate(NamedTuple):
    """What the record says of a plate that a car carries, as sentences.

    ``like``: it is as the maker's plates are, so it may be one of them on another body. ``unlike``: it is not, so it may be a
    reproduction. ``elsewhere``: the body says nothing of the plate's number, or is held to be another one; that goes with both.
    """

    like: tuple[str, ...]
    unlike: tuple[str, ...]
    elsewhere: tuple[str, ...]


def plate_found(book: Book, record: Record, claims: Sequence[Held], families: Iterable[str]) -> Plate:
    """What speaks for and against a plate's being the maker's, and this body's. ``families`` are those of the plate's number."""
    families = set(families)
    like, unlike, elsewhere = [], [], []
    plates, numbers = book.tells_of_plates(families)
    looked = {code: record.states[code] for code in sorted(plates) if code in record.states}
    found = [code for code, state in looked.items() if state != "absent"]
    if found:
        like.append(f"The plate of {record.number} is as the maker's are: {_tells(book, found)}.")
    elif plates and len(looked) == len(plates):
        unlike.append(
            f"The plate of {record.number} is not as the maker's are: {_tells(book, looked)} not found on it."
        )
    missing = [code for code in sorted(numbers) if record.states.get(code) == "absent"]
    if missing:
        elsewhere.append(
            f"On {record.number} the number was looked for on the body itself and not found: {_tells(book, missing)}."
        )
    for opinion in record.opinions:
        series = book.series.get(opinion["series"] or "")
        if families and (series is None or series["serial_family"] not in families):
            what = series["name"] if series else opinion["opinion"]
            elsewhere.append(f"In an opinion that stands the body of {record.number} is another one: {what}.")
    for plate in record.here("plate"):
        if any(plate.same_as(claim) for claim in claims):
            for text in (plate.reading["place"], plate.reading["note"], plate.thing["note"]):
                if text and re.search(r"\b(rivet|screw|glue|hole|fixing)", text, re.IGNORECASE):
                    elsewhere.append(f"Of the plate of {record.number} is noted: {text.rstrip('.')}.")
    return Plate(*(tuple(dict.fromkeys(said)) for said in (like, unlike, elsewhere)))


def _tells(book: Book, codes: Iterable[str]) -> str:
    return ", ".join(f"{code} ({book.tells[code]['name']})" for code in codes)


def how_read(book: Book, record: Record, held: Held) -> tuple[list[str], list[str]]:
    """What the readings of one number say for a slip in it, and against."""
    readings = knowing.readings_of(book.db, held.thing["id"])
    speaks_for, against = [], []
    elsewhere = [
        one
        for one in record.here(held.kind, *_kin(held.kind))
        if one.thing["id"] != held.thing["id"] and one.same_as(held)
    ]
    if elsewhere:
        against.append(f"On {record.number} the {held.kind} number and the {elsewhere[0].kind} number agree.")
    elif len(readings) == 1:
        speaks_for.append(f"The {held.kind} number of {record.number} was read once.")
    else:
        alike = sum(1 for row in readings if named(book.keys_of(row["id"])) & named(held.keys))
        if alike > 1:
            against.append(f"The {held.kind} number of {record.number} was read {alike} times with the same result.")
        if alike < len(readings):
            other = next(row for row in readings if not named(book.keys_of(row["id"])) & named(held.keys))
            speaks_for.append(f"On {record.number} it was also read as {other['as_typed']}.")
    if held.reading["surface"] == "pitted":
        speaks_for.append(f"The metal under the {held.kind} number of {record.number} is pitted.")
    for family, key in named(held.keys):
        if family in book.tables and any(t.checks and t.fits(key) for t in book.tables[family].of_length(len(key))):
            against.append(f"The check letter of {held.typed} agrees.")
    return speaks_for, against


def _kin(kind: str) -> tuple[str, ...]:
    return {"pan": ("title",), "body": ("plate",), "plate": ("body",)}.get(kind, ())


def listed_beside(book: Book, one: Held) -> list[str]:
    """Numbers that look like this one, stand on another list, and are of no car here: what it may have been. A sentence or none."""
    found: dict[str, str] = {}
    for family, key in sorted(named(one.keys)):
        if family not in book.tables or len(key) < 4:
            continue
        near = look_alikes(book, family, key)
        marks = ", ".join("?" * len(near))
        here = {
            row["key"]
            for row in knowing.rows(
                book.db, f"SELECT key FROM number_keys WHERE subject_kind = 'reading' AND key IN ({marks})", near
            )
        }
        for row in knowing.rows(
            book.db,
            f"SELECT key, as_typed, lists.name AS list FROM number_keys JOIN list_numbers ON list_numbers.id = number_keys.subject "
            f"JOIN lists ON lists.id = list_numbers.list WHERE subject_kind = 'list' AND family = ? AND key IN ({marks}) ORDER BY key",
            [family, *near],
        ):
            if row["key"] not in here:
                found.setdefault(row["key"], f"{row['as_typed']} ({row['list']})")
    if not found:
        return []
    told = list(found.values())
    more = f" and {len(told) - 4} more" if len(told) > 4 else ""
    return [f"One look-alike figure away, on another list and on no car here: {', '.join(told[:4])}{more}."]


def look_alikes(book: Book, family: str, key: str) -> list[str]:
    """The issued numbers of a family that differ from ``key`` in one figure that wears or reads alike (3 and 8, 1 and 7, 5 and 6)."""
    partners: dict[str, str] = defaultdict(str)
    for one in (book.tables.confusion or _packaged_confusion())["pairs"]:
        a, b = one["pair"]
        partners[a] += b
        partners[b] += a
    out = []
    for place, character in enumerate(key):
        for other in partners[character]:
            text = key[:place] + other + key[place + 1 :]
            if any(t.fits(text) and t.find(text) for t in book.tables[family].of_length(len(text))):
                out.append(text)
    return out


def _packaged_confusion() -> dict[str, Any]:
    from decoder.families import load_data

    return load_data("confusion")


def placed(held: Held) -> str:
    """Where a number stands, in brackets, if that says more than what it is on."""
    place = held.reading["place"]
    return f" ({place})" if place and place != held.kind else ""


def quoted(row: dict[str, Any]) -> str:
    """The words of a paper, to stand behind what it is."""
    return f", \u201c{row['as_written']}\u201d" if row["as_written"] else ""


def up(text: str) -> str:
    """With a capital, for the beginning of a sentence."""
    return text[:1].upper() + text[1:]


def down(text: str) -> str:
    """Without one, for the middle of a sentence."""
    return text[:1].lower() + text[1:]
