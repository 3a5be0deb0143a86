"""What the tests of registry/ record in and with: one invented donor pan, one invented maker, fixed times and uids."""

from __future__ import annotations

from collections.abc import Iterator

from sqlite_utils import Database

from registry import store
from registry.models import FamilyTableIn, MakerIn, SeriesIn, TellIn, check

AT = "2026-01-05T09:00:00Z"

PAN_TABLE = """\
# Invented for the tests of registry/: a pan with a body letter, a year figure and a running number.
family: try-pan
title: "Pan numbers of the trial platform (invented)"
house: true
carried_by: [pan]
where: "stamped on the tunnel"
sources:
  sheet: {title: "Trial sheet", edition: "1st", supports: "all", standing: house, read: "2026-01-05"}
schemes:
  - id: late
    parts:
      - {name: "body letter", codes: {S: "closed", C: "open"}}
      - {name: "year figure", figures: 1}
      - {name: "running number", figures: 5}
    print: "{body letter}{year figure} {running number}"
rows:
  - {id: "1968", scheme: late, run: "a", basis: model, first: "8 00001", last: "8 90000", model_year: 1968, built: "1967-09-01/1968-08-31", source: "sheet"}
  - {id: "1969", scheme: late, run: "a", basis: model, first: "9 00001", last: "9 90000", model_year: 1969, built: "1968-09-01/1969-08-31", source: "sheet"}
"""

BODY_TABLE = """\
# Invented for the tests of registry/: a body serial.
family: try-body
title: "Body serials of the trial maker (invented)"
house: true
carried_by: [body, plate]
where: "on a plate left of the gauges"
sources:
  sheet: {title: "Trial sheet", edition: "1st", supports: "all", standing: house, read: "2026-01-05"}
schemes:
  - id: kp
    parts:
      - {name: "letters", literal: "KP"}
      - {name: "running number", figures: 4}
    print: "KP {running number}"
    also: ["{running number} KP"]
rows:
  - {id: "all", scheme: kp, run: "a", basis: calendar, first: "0001", last: "0712", built: "1965-03-01/1969-06-30", source: "sheet"}
"""


def uids() -> Iterator[str]:
    """Uids that count: 0001, 0002 and so on."""
    number = 0
    while True:
        number += 1
        yield f"{number:04d}"


def furnish(database: Database) -> None:
    """Put tables, a maker, series and tells into an empty registry."""
    count = (f"furnish-{uid}" for uid in uids())
    for name, text in (("try-pan.yml", PAN_TABLE), ("try-body.yml", BODY_TABLE)):
        store.record_family_table(database, check(FamilyTableIn, text=text, name=name), at=AT, uid=next(count))
    store.record_maker(database, check(MakerIn, id="K", name="Kelderwick"), at=AT, uid=next(count))
    for ident, kind in (("KA", "maker"), ("NC", "copy")):
        series = check(SeriesIn, id=ident, name=f"series {ident}", kind=kind, maker="K")
        store.record_series(database, series, at=AT, uid=next(count))
    tells = [
        check(TellIn, code=code, sheet="K", grp="mould", name=f"tell {code}", looks_like="a ridge")
        for code in ("K01", "K02", "K03")
    ]
    store.record_tells(database, tells, at=AT, uid=next(count))
