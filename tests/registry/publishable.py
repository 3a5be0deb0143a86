"""A list that can be published: one series with serials, and cars with whatever a test wants of them."""

from __future__ import annotations

from typing import Any

from furnishing import AT
from sqlite_utils import Database

from registry import store
from registry.models import (
    ConsentIn,
    DecisionIn,
    EntryIn,
    EvidenceIn,
    PersonIn,
    ReadingIn,
    SeriesIn,
    StatementIn,
    check,
)

DAY = "2026-02-03"
EDITION_DAY = "2026-11-25"
BY = "Orla Thrennick"
KEY = bytes(range(32))


def stock(db: Database, *, key: bytes | None = KEY) -> None:
    """A series of 612 bodies with serials KP 0101 and on, and the list's key."""
    from registry import publish

    series = {
        "id": "PA",
        "name": "Pantile A",
        "kind": "maker",
        "maker": "K",
        "serial_family": "try-body",
        "donor_family": "try-pan",
    }
    store.record_series(db, check(SeriesIn, made_edtf="1965-03/1969-06", **series), at=AT)
    if key is not None:
        with store.transaction(db):
            publish.make_key(db, key)


def car(
    db: Database, number: str, serial: str | None = "KP 0147", *, consent: str | None = "full", opinion: str | None = "maker's series",
    pan: str | None = "S8 00123", stamped_on: str = "plate", owner: str = "Hesper Quillory", papers: tuple[StatementIn, ...] = (), **more: Any,
) -> None:  # fmt: skip
    """One visit of a car, with its numbers, its keeper's word, and an opinion that rests on the first reading."""
    readings = []
    if serial:
        readings.append(check(ReadingIn, stamped_on=stamped_on, as_typed=serial))
    if pan:
        readings.append(check(ReadingIn, stamped_on="pan", as_typed=pan))
    person = check(PersonIn, name=owner, town="Sennickby", contact=f"{number.lower()}@example.invalid")
    values = {
        "colour_now": "Bilberry",
        "colour_under": "Oat",
        "reason": "consign",
        "claim_words": "Dad built it when I was one.",
    }
    entry = check(
        EntryIn,
        number=number,
        entry_date=DAY,
        readings=tuple(readings),
        statements=papers,
        left_by=person,
        **(values | more),
    )
    store.record_entry(db, entry, by=BY, at=AT, look=False)
    if consent is not None:
        agree(db, number, consent)
    if opinion is not None:
        decide(db, number, opinion)


def agree(db: Database, number: str, consent: str, day: str = DAY) -> None:
    """What the keeper of a car says to its being published."""
    store.record_consent(db, check(ConsentIn, car=number, consent=consent, at=day), by=BY, at=AT)


def decide(db: Database, number: str, opinion: str, series: str | None = "PA", by: str = BY, **more: Any) -> int:
    """An opinion that rests on any reading of the car, or on its decisions."""
    reading = db.execute(
        "SELECT r.id FROM readings r JOIN entries e ON e.id = r.entry JOIN cars c ON c.id = e.car WHERE c.number = ?",
        [number],
    ).fetchone()
    evidence = (check(EvidenceIn, kind="reading", ref=reading[0]),)
    series = None if opinion in ("open", "other") else series
    decision = {
        "car": number,
        "opinion": opinion,
        "reason": "As it should be on the back face.",
        "by": by,
        "at": DAY,
        "series": series,
        "second_series": "NC" if opinion == "two bodies joined" else None,
    }
    return store.record_decision(db, check(DecisionIn, evidence=evidence, **decision, **more), by=by, at=AT)
