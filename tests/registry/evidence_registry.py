"""An invented registry with tells, changes, odds and cars, small enough to work its evidence out by hand."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from furnishing import AT, BODY_TABLE, PAN_TABLE
from sqlite_utils import Database

from registry import store
from registry.models import (
    EntryIn,
    FamilyTableIn,
    MakerIn,
    ObservationIn,
    OddsIn,
    PersonIn,
    ReadingIn,
    SeriesIn,
    TellChangeIn,
    TellCountIn,
    TellIn,
    check,
)
from registry.opening import create_registry, opened

SHEET = "Trial body"
OT, WQ = "Orla Thrennick", "Wim Quillory"


def tell(code: str, grp: str, ka: str, nc: str, oth: str = "", **more: object) -> TellIn:
    """A tell with counts as they are spoken: "41/46"."""
    counts = []
    for series, text in (("KA", ka), ("NC", nc), ("OTH", oth)):
        if text:
            seen, of = text.split("/")
            counts.append(
                check(
                    TellCountIn,
                    series=series,
                    seen_on=float(seen),
                    out_of=float(of),
                    kind="counted",
                    source="the trial",
                )
            )
    values = {"name": f"tell {code}", "looks_like": f"what {code} looks like", "how": "torch", "minutes": 2.0} | more
    return check(TellIn, code=code, sheet=SHEET, grp=grp, counts=tuple(counts), **values)


def tells() -> list[TellIn]:
    comma = check(
        TellChangeIn,
        series="KA",
        at="KP 0288",
        before_seen=0.0,
        before_of=14.0,
        after_seen=28.0,
        after_of=32.0,
        source="the trial",
    )
    return [
        tell("K01", "mould", "43/46", "15/23", "1/40", place="rear"),
        tell("K02", "mould", "39/46", "13/23", "2/40", place="rear"),
        tell("K03", "mould", "28/46", "6/23", "0/40", changes=(comma,), place="front"),
        tell("K04", "lamination", "41/46", "1/23", "2/40", minutes=4.0, place="front"),
        tell("K05", "lamination", "40/46", "3/23", "6/40", cautions="Wet glass cuts."),
        tell("K07", "bonded", "42/46", "1/23", "1/40", minutes=5.0, place="rear"),
        tell("K10", "size", "42/46", "3/23", "4/40"),
        tell("K12", "plate", "21/46", "2/23", "0/40", carries="plate"),
        tell("K13", "plate", "31/46", "0/23", "0/40", carries="body"),
    ]


def make(folder: Path) -> Path:
    """A closed registry: two people, the trial body with its copy, nine tells, odds, and E26-001 with a body number."""
    path = create_registry(folder / "try.db", name="Try list", origin="try", keeper=OT, at=AT, uid="0")
    with opened(path, write=True) as db:
        store.record_person(db, check(PersonIn, name=WQ, initials="WQ"), at=AT, uid="wq")
        for name, text in (("try-pan.yml", PAN_TABLE), ("try-body.yml", BODY_TABLE)):
            store.record_family_table(db, check(FamilyTableIn, text=text, name=name), at=AT, uid=name)
        store.record_maker(db, check(MakerIn, id="K", name="Kelderwick"), at=AT, uid="maker")
        series = (
            {
                "id": "KA",
                "name": "Trial body",
                "kind": "maker",
                "maker": "K",
                "serial_family": "try-body",
                "made_edtf": "1965-03/1969-06",
            },
            {"id": "NC", "name": "unnamed copy of the Trial body", "kind": "copy", "copied_from": "KA"},
            {"id": "OTH", "name": "any other body", "kind": "other"},
        )
        for one in series:
            store.record_series(db, check(SeriesIn, **one), at=AT, uid=one["id"])
        store.record_tells(db, tells(), at=AT, uid="tells")
        odds = [
            check(OddsIn, sheet=SHEET, hypothesis=h, weight=w, source="the last forty")
            for h, w in (("KA", 20.0), ("NC", 15.0), ("OTH", 5.0))
        ]
        store.record_odds(db, odds, at=AT, uid="odds")
        add_car(db, "E26-001", body="KP 0400")
    return path


def add_car(db: Database, number: str, *, body: str = "", plate: str = "", **more: object) -> None:
    """One more car, claimed to be a Trial body."""
    readings = [
        check(ReadingIn, stamped_on=on, as_typed=text) for on, text in (("body", body), ("plate", plate)) if text
    ]
    values = {"entry_date": "2026-01-05", "claimed_as": "Trial body", "claim_words": "It is a Trial body."} | more
    store.record_entry(
        db, check(EntryIn, number=number, readings=tuple(readings), **values), at=AT, uid=number, look=False
    )


def see(db: Database, car: str, states: dict[str, str], *, by: str = OT, at: str = AT, **more: object) -> list[int]:
    """What somebody saw on a car: K01 to present."""
    seen: Iterable[ObservationIn] = [
        check(ObservationIn, tell=code, state=state, **more) for code, state in states.items()
    ]
    return store.record_observations(db, seen, car=car, by=by, at=at)


ALL_THERE = dict.fromkeys(("K01", "K02", "K03", "K04", "K05", "K07", "K10", "K13"), "present")
COPY = dict.fromkeys(("K01", "K02"), "present") | dict.fromkeys(("K04", "K05", "K07", "K10", "K12", "K13"), "absent")
