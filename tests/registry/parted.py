"""Cars that part company, for the tests of merging, splitting, changed pans and conflicts."""

from __future__ import annotations

from typing import Any

from furnishing import AT
from sqlite_utils import Database

from registry import knowing, store
from registry.models import EntryIn, FamilyTableIn, PersonIn, ReadingIn, check

BY = "Orla Thrennick"
DAY = "2026-03-01"

#: A serial with plates from a number on, and one block given out twice.
PLATED = """\
# Invented for the tests: plates from KD 0200 on, and KD 0500 to KD 0510 given out twice.
family: try-plated
title: "Body serials of another trial maker (invented)"
house: true
carried_by: [body, plate]
where: "in crayon under the resin; from KD 0200 on a plate as well"
sources:
  sheet: {title: "Trial sheet", edition: "1st", supports: "all", standing: house, read: "2026-01-05"}
schemes:
  - id: kd
    parts:
      - {name: "letters", literal: "KD"}
      - {name: "running number", figures: 4}
    print: "KD {running number}"
rows:
  - {id: "1965", scheme: kd, run: "", basis: calendar, first: "0001", last: "0499", built: "1965-03-01/1966-06-30", source: "sheet"}
  - {id: "1966", scheme: kd, run: "", basis: calendar, first: "0500", last: "0900", built: "1966-07-01/1966-12-31", source: "sheet"}
  - {id: "1967", scheme: kd, run: "second issue", basis: calendar, first: "0500", last: "0510", built: "1967-06-01/1967-06-30", source: "sheet"}
change_points:
  - {at: "KD 0200", what: "plate with four rivets from here on", exceptions: ["plates were sent later to owners who asked"], source: "sheet"}
"""


def plated(db: Database) -> None:
    """Put the second body table on file."""
    store.record_family_table(db, check(FamilyTableIn, text=PLATED, name="try-plated.yml"), at=AT)


def car(db: Database, number: str, *, owner: str = "Ann Vane", day: str = DAY, look: bool = True, **more: Any) -> str:
    """A visit; numbers as pan=, body=, plate=, title=, each a text or a dict of a reading. Returns the car's number."""
    readings = []
    for kind in ("pan", "body", "plate", "title", "engine"):
        given = more.pop(kind, None)
        for each in given if isinstance(given, list) else [given] if given else []:
            fields = {"as_typed": each} if isinstance(each, str) else each
            readings.append(check(ReadingIn, stamped_on=kind, **fields))
    entry = check(
        EntryIn,
        number=number,
        entry_date=day,
        left_by=check(PersonIn, name=owner),
        claim_words=f"Said of {number}.",
        readings=tuple(readings),
        **more,
    )
    store.record_entry(db, entry, by=BY, at=f"{day}T10:00:00Z", look=look)
    return str(knowing.resolve_car(db, number)["number"])


def knowledge(db: Database, number: str) -> dict[str, Any]:
    """Everything that is known of a car, to be compared."""
    return knowing.car_record(db, number)


def rows_of(db: Database, *tables: str) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of some tables, to see that none was edited or taken away."""
    return {table: db.execute(f"SELECT * FROM {table} ORDER BY id").fetchall() for table in tables}
