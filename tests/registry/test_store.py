"""Recording: one action, one transaction, one event; nothing edited, nothing lost, nothing half-written."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from furnishing import AT, BODY_TABLE, PAN_TABLE, furnish
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlite_utils import Database

from registry import knowing, store
from registry.backup import check_file
from registry.errors import NoAnswer, RegistryError, WrongInput
from registry.models import (
    ConflictIn,
    ConsentIn,
    CustodyIn,
    DecisionIn,
    EntryIn,
    EvidenceIn,
    FamilyTableIn,
    FittingIn,
    HoldIn,
    JoinIn,
    ListIn,
    ListNumberIn,
    ObservationIn,
    PersonIn,
    ReadingIn,
    ReleaseIn,
    StatementIn,
    StopIn,
    TheftIn,
    ThingIn,
    check,
)
from registry.opening import create_registry, open_registry

ROOT = Path(__file__).resolve().parents[2]


def reading(stamped_on: str, as_typed: str, **more: object) -> ReadingIn:
    return check(ReadingIn, stamped_on=stamped_on, as_typed=as_typed, **more)


def enter(db: Database, *readings: ReadingIn, day: str = "2026-01-05", **more: object) -> str:
    """Enter a car and return the entry's number."""
    entry = store.record_entry(db, check(EntryIn, entry_date=day, readings=readings, **more), at=AT)
    return knowing.rows(db, "SELECT number FROM entries WHERE id = ?", [entry])[0]["number"]


def events(db: Database) -> int:
    return db.execute("SELECT count(*) FROM events").fetchone()[0]


def sound(db: Database, path: Path) -> list[str]:
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return check_file(path)


# Entries


def test_an_entry_is_one_event_with_everything_in_it(db: Database, registry_path: Path):
    """Who left it, what was read, said and seen come in as one action, and the file agrees with its events."""
    before = events(db)
    entry = check(
        EntryIn,
        entry_date="2026-01-05",
        left_by=PersonIn(name="Ann Vane", town="Lowmere", contact="ann@example.invalid"),
        left_by_kind="owner",
        reason="consign",
        claim_words="Dad built it.",
        readings=(reading("pan", "S8 61077"), reading("body", "KP O147")),
        statements=(
            check(StatementIn, about="body_moulded", kind="receipt", when="21 May 1966", relation="not after"),
        ),
        observations=(
            check(ObservationIn, tell="K01", state="present"),
            check(ObservationIn, tell="K02", state="not examined"),
        ),
        consent="full",
    )
    store.record_entry(db, entry, by="Orla Thrennick", at=AT)
    record = knowing.car_record(db, "E26-001")
    assert events(db) == before + 1
    assert [thing["kind"] for thing in record["things"]] == ["pan", "body"]
    assert record["statements"][0]["edtf"] == "1966-05-21"
    assert [seen["state"] for seen in record["observations"]] == ["present", "not examined"]
    assert record["consent"]["consent"] == "full"
    assert record["entries"][0]["claim_words"] == "Dad built it."
    assert sound(db, registry_path) == []


def test_the_entry_book_counts_by_year(db: Database):
    """The next number of the year is taken; a number that is taken is refused."""
    numbers = [enter(db), enter(db), enter(db, day="2027-03-01"), enter(db, number="E26-017"), enter(db)]
    assert numbers == ["E26-001", "E26-002", "E27-001", "E26-017", "E26-018"]
    with pytest.raises(WrongInput, match="E26-017 is in the book already"):
        enter(db, number="E26-017")


def test_a_car_that_comes_back_is_a_second_entry_of_one_car(db: Database):
    """The later entry's number leads to the same car, and the second reading of the pan is of the same pan."""
    first = enter(db, reading("pan", "S8 6[17]077"))
    second = enter(db, reading("pan", "S8 61077"), day="2026-02-01", car=first)
    record = knowing.car_record(db, second)
    assert record["car"] == first
    assert record["also"] == [second]
    assert len(record["things"]) == 1
    assert [each["as_typed"] for each in record["things"][0]["readings"]] == ["S8 6[17]077", "S8 61077"]
    assert record["things"][0]["number_as_read"] == "S8 61077"


def test_another_number_on_a_car_that_comes_back_is_another_thing(db: Database):
    """Another pan number than before is neither the old pan read again nor silently a new one: it is flagged."""
    first = enter(db, reading("pan", "S8 61077"))
    enter(db, reading("pan", "C9 00012"), day="2026-02-01", car=first)
    record = knowing.car_record(db, first)
    assert len([thing for thing in record["things"] if thing["kind"] == "pan"]) == 2
    assert [conflict["kind"] for conflict in record["conflicts"]] == ["another number than before"]
    assert record["conflicts"][0]["reason"] == "not known yet"


def test_a_body_without_a_pan_is_a_complete_record(db: Database):
    """A car of one body, without a number, has no stop and no conflict."""
    number = enter(db, things=(check(ThingIn, kind="body", note="rectangle of clean gel where the label was"),))
    record = knowing.car_record(db, number)
    assert [thing["kind"] for thing in record["things"]] == ["body"]
    assert record["things"][0]["number_as_read"] is None
    assert [] == record["stops"] == record["conflicts"]


def test_finishing_keeps_what_was_there_before(db: Database, registry_path: Path):
    """An entry begun with three answers is filled in later; the event says from what to what."""
    number = enter(db, reason="consign", claim_words="Dad built it.", condition="fair")
    store.finish_entry(db, number, {"terms": "30 days", "condition": "good"}, by="Orla Thrennick", at=AT)
    row = knowing.entry_row(db, number)
    assert (row["terms"], row["condition"], row["finished_at"]) == ("30 days", "good", AT)
    last = knowing.history(db, number)[-1]
    assert last["action"] == "entry finished"
    assert last["payload"]["was"] == {"condition": "fair"}
    assert [["entries", row["id"], {"condition": "good", "finished_at": AT, "terms": "30 days"}]] == last["payload"][
        "changed"
    ]
    assert sound(db, registry_path) == []


@pytest.mark.parametrize(
    ("changes", "says"),
    [({"number": "E26-900"}, "no number"), ({"until": "31/02"}, "a day is written as"), ({}, "would change")],
)
def test_what_cannot_be_put_right_in_an_entry(db: Database, changes: dict[str, object], says: str):
    """Its number, a day that is none, and nothing at all."""
    number = enter(db)
    before = events(db)
    with pytest.raises(WrongInput, match=says):
        store.amend_entry(db, number, changes)
    assert before == events(db)


# All or nothing


def test_a_failure_half_way_leaves_nothing(db: Database, registry_path: Path):
    """A statement with an impossible date takes the whole entry with it."""
    before = knowing.counts(db)
    bad = check(StatementIn, about="assembled", kind="letter", when="31/02", relation="not after")
    with pytest.raises(WrongInput, match="not a day"):
        enter(db, reading("pan", "S8 61077"), left_by=PersonIn(name="Ann Vane"), statements=(bad,))
    assert before == knowing.counts(db)
    assert sound(db, registry_path) == []


def test_a_guard_that_refuses_leaves_nothing(db: Database):
    """An error of SQLite's in the middle of an action is a sentence, and nothing of the action is kept."""
    before = knowing.counts(db)
    with (
        pytest.raises(WrongInput, match="The registry refuses this"),
        store._recording(db, "try", "Wim Quillory", AT, "u", None) as record,
    ):
        record.add("cars", number="E26-900")
        record.add("stops", car=1, kind="no such kind", says="x", ask="y", found_by="tool", at="2026-01-05")
    assert before == knowing.counts(db)


_KILLED = """
import os, sys
from registry import store
from registry.models import EntryIn, ReadingIn, check
from registry.opening import open_registry

db = open_registry(sys.argv[1], write=True)
entry = check(EntryIn, entry_date="2026-01-05", readings=(check(ReadingIn, stamped_on="pan", as_typed="S8 61077"),))
store.record_entry(db, entry)
with store.transaction(db):
    store.record_entry(db, entry)
    os._exit(9)
"""


def test_the_power_goes_in_the_middle(db: Database, registry_path: Path):
    """A process that dies before it has finished an action leaves the one before it whole and nothing of its own."""
    ran = subprocess.run([sys.executable, "-c", _KILLED, str(registry_path)], check=False, cwd=ROOT)
    assert ran.returncode == 9
    counts = knowing.counts(db)
    assert (counts["entries"], counts["cars"], counts["readings"]) == (1, 1, 1)
    assert sound(db, registry_path) == []
    assert enter(db) == "E26-002"


def test_two_writers_wait_for_each_other(db: Database, registry_path: Path):
    """A second writer is told that the file is in use, and what it meant to write is not half there."""
    other = open_registry(registry_path, write=True)
    other.execute("PRAGMA busy_timeout = 10")
    try:
        with store.transaction(db), pytest.raises(RegistryError, match="could not be written to"):
            enter(other)
        assert enter(other) == "E26-001"
    finally:
        other.close()


def test_transactions_nest(db: Database):
    """Several actions inside one transaction stand or fall together, each with its own event."""
    before = events(db)
    with pytest.raises(RuntimeError), store.transaction(db):
        enter(db)
        enter(db)
        assert before + 2 == events(db)
        raise RuntimeError
    assert before == events(db)


def test_the_same_records_come_out_twice(tmp_path: Path):
    """With times and uids given, neither clock nor chance is asked."""
    dumps = []
    for name in ("one.db", "two.db"):
        path = create_registry(tmp_path / name, name="Try", origin="try", at=AT, uid="0")
        db = open_registry(path, write=True)
        furnish(db)
        entry = check(
            EntryIn, entry_date="2026-01-05", left_by=PersonIn(name="Ann Vane"), readings=(reading("pan", "S8 61077"),)
        )
        store.record_entry(db, entry, at=AT, uid="e1", by="Orla Thrennick")
        store.record_theft(db, check(TheftIn, as_typed="S8 61078", source="Loft Book"), at=AT, uid="t1")
        dumps.append("\n".join(db.conn.iterdump()))
        db.close()
    assert dumps[0] == dumps[1]


ACTIONS = st.lists(
    st.sampled_from(
        ["enter", "again", "read", "say", "look", "decide", "stop", "consent", "hold", "steal", "erase", "bad"]
    ),
    max_size=12,
)


@settings(max_examples=12)
@given(ACTIONS, st.data())
def test_whatever_is_done_the_file_agrees_with_its_events(actions: list[str], data: st.DataObject):
    """Any order of actions, refused ones among them: the chain holds, every row is as recorded, a row of events each."""
    with tempfile.TemporaryDirectory() as folder:
        path = create_registry(
            Path(folder) / "try.db", name="Try", origin="try", keeper="Orla Thrennick", at=AT, uid="0"
        )
        db = open_registry(path, write=True)
        try:
            furnish(db)
            for action in actions:
                before, failed = events(db), False
                try:
                    _do(db, action, data)
                except (WrongInput, NoAnswer):
                    failed = True
                assert events(db) == before + (0 if failed else 1)
            assert sound(db, path) == []
        finally:
            db.close()


def _do(db: Database, action: str, data: st.DataObject) -> None:
    number = data.draw(st.sampled_from(["E26-001", "E26-002"]))
    pan = data.draw(st.sampled_from(["S8 61077", "S8 6[17]077", "C9 00012", "S8 61070"]))
    if action in ("enter", "again"):
        enter(db, reading("pan", pan), left_by=PersonIn(name="Ann Vane"), car=number if action == "again" else None)
    elif action == "read":
        store.record_reading(db, reading("pan", pan, car=number, surface=data.draw(st.sampled_from([None, "ground"]))))
    elif action == "say":
        store.record_statement(
            db, check(StatementIn, about="assembled", kind="letter", car=number, when="1971", relation="not after")
        )
    elif action == "look":
        store.record_observations(db, [check(ObservationIn, tell="K01", state="absent")], car=number)
    elif action == "decide":
        decide(db, number)
    elif action == "stop":
        store.record_stop(db, check(StopIn, kind="lien", says="x", ask="y", car=number, by="Wim Quillory"))
    elif action == "consent":
        store.record_consent(db, check(ConsentIn, car=number, consent="full", at="2026-01-06"))
    elif action == "hold":
        store.record_hold(db, check(HoldIn, car=number, held=True, reason="x", at="2026-01-06"))
    elif action == "steal":
        store.record_theft(db, check(TheftIn, as_typed=pan, source="Loft Book"))
    elif action == "erase":
        store.erase_person(db, store.person_id(db, "Ann Vane"), by="Orla Thrennick")
    else:
        enter(db, reading("pan", "%%%"), left_by=PersonIn(name="Nobody"))


# Events


def test_the_chain_and_what_it_never_holds(db: Database):
    """Each event carries the hash of the one before, and no personal value."""
    person = PersonIn(name="Ann Vane", town="Lowmere", contact="ann@example.invalid", note="rings on Sundays")
    enter(db, left_by=person)
    rows = knowing.rows(db, "SELECT * FROM events ORDER BY id")
    previous = store.NO_HASH
    for row in rows:
        assert previous == row["previous_hash"]
        parts = {key: row[key] for key in ("uid", "origin", "at", "by_person", "action", "payload")}
        assert row["hash"] == store.event_hash(previous, **parts)
        previous = row["hash"]
    said = " ".join(row["payload"] for row in rows)
    for value in ("Ann Vane", "Lowmere", "ann@example.invalid", "rings on Sundays", "Orla Thrennick"):
        assert value not in said


def test_a_person_named_twice_is_one_person(db: Database):
    """By name, by initials once they are on file, by ref, and by the same model in one action."""
    store.record_person(db, check(PersonIn, name="Teodor Pascowe", initials="TP", ref="SHOP-TP"))
    for by in ("teodor  pascowe", "TP", "SHOP-TP"):
        store.record_hold(db, check(HoldIn, car=enter(db), held=True, reason="x", at="2026-01-05"), by=by)
    new = PersonIn(name="Wim Quillory")
    enter(db, left_by=new, examined_by=new)
    assert [
        each["name"] for each in knowing.people(db).values()
    ] == ["Orla Thrennick", "Teodor Pascowe", "Wim Quillory"]
    assert len({row["by_person"] for row in knowing.rows(db, "SELECT by_person FROM holds")}) == 1


# Readings and what they set off


def test_the_reading_is_kept_as_typed_and_found_in_every_spelling(db: Database):
    """O for 0, the spaces and the order are kept as typed; the keys are what is compared."""
    from registry import lookup

    number = enter(db, reading("body", "KP O147"))
    for spelling in ("KP 0147", "kp147", "147 KP", "KP-O147"):
        near = lookup.find(db, spelling, on="body").as_dict()["near"]
        assert [number, "exact"] == [near[0]["car"], near[0]["how"]], spelling
    assert knowing.car_record(db, number)["things"][0]["number_as_read"] == "KP O147"


def test_junk_is_refused_and_nothing_is_saved(db: Database):
    """A number with signs that no number has is wrong input."""
    before = knowing.counts(db)
    with pytest.raises(WrongInput, match="which no number has"):
        enter(db, reading("pan", "'; DROP TABLE cars"))
    assert before == knowing.counts(db)


@pytest.mark.parametrize("surface", ["ground", "restamped", "cut-away"])
def test_an_altered_surface_is_a_stop(db: Database, surface: str):
    """The reading is kept, the stop says what not to do and whom to ask, nothing is dated from it, nobody is accused."""
    number = enter(db, reading("pan", "S9 30418", surface=surface))
    record = knowing.car_record(db, number)
    (stop,) = record["stops"]
    assert stop["kind"] == "number looks altered"
    assert "Do not clean" in stop["says"] and "vehicle office" in stop["ask"]
    for word in ("thief", "fraud", "stolen", "forge", "fake", "crime"):
        assert word not in (stop["says"] + stop["ask"]).casefold()
    assert record["things"][0]["number_as_read"] == "S9 30418"
    assert all(piece["earliest"] is None and piece["altered"] for piece in record["events"]["pan_made"]["says"])


@pytest.mark.parametrize("surface", ["untouched", "painted", "pitted", None])
def test_an_honest_surface_is_no_stop(db: Database, surface: str | None):
    """Rust and paint stop nobody, and the number is dated."""
    record = knowing.car_record(db, enter(db, reading("pan", "S9 30418", surface=surface)))
    assert record["stops"] == []
    piece = record["events"]["pan_made"]["says"][0]
    assert (piece["family"], piece["earliest"], piece["latest"]) == ("try-pan", "1968-09-01", "1969-08-31")


def test_one_character_from_a_theft_report(db: Database):
    """An exact look-up would miss it; the near one must not. It says so without accusing."""
    store.record_theft(db, check(TheftIn, as_typed="KP 0238", source="Loft Book", reported="2009", stamped_on="body"))
    (stop,) = knowing.open_stops(db, knowing.resolve_car(db, enter(db, reading("plate", "KP 0233")))["id"])
    assert stop["kind"] == "near a theft report"
    assert "one character from" in stop["says"] and "KP 0238" in stop["says"] and "Loft Book, 2009" in stop["says"]
    assert "Do not buy" in stop["says"] and "police" in stop["ask"]
    far = knowing.resolve_car(db, enter(db, reading("plate", "KP 0511")))["id"]
    assert knowing.open_stops(db, far) == []


def test_a_theft_report_that_comes_later_stops_the_car_on_file(db: Database):
    """A report made after the car came in is met by the car on file."""
    number = enter(db, reading("body", "KP 0233"))
    store.record_theft(db, check(TheftIn, as_typed="KP 0238", source="Loft Book", ask="the keeper of the Loft Book"))
    (stop,) = knowing.open_stops(db, knowing.resolve_car(db, number)["id"])
    assert stop["ask"] == "Ask the keeper of the Loft Book."


def test_a_title_that_belongs_to_another_pan_on_file(db: Database):
    """The title of one car carries the number of another car's pan."""
    first = enter(db, reading("pan", "S8 61077"))
    second = enter(db, reading("pan", "S9 00007"), reading("title", "S8 61077"))
    (stop,) = knowing.open_stops(db, knowing.resolve_car(db, second)["id"])
    assert stop["kind"] == "title of another thing"
    assert first in stop["says"] and "no sale papers" in stop["says"]
    assert knowing.open_stops(db, knowing.resolve_car(db, first)["id"]) == []


@pytest.mark.parametrize(
    ("pan", "title", "stops"),
    [
        ("S8 61077", "S8 61077", 0),
        ("S8 61077", "S8 61[17]77", 0),  # a doubtful copy of the same
        ("S8 61077", "S8 61707", 0),  # two figures the other way round: a clerk's slip, shown and not stopped
        ("S8 6107", "S8 61077", 0),  # one figure not read
        ("S8 61077", "VA 0085-311", 0),  # an assigned number says nothing about the pan
        ("S8 61077", "C9 00012", 1),
    ],
)
def test_the_title_against_the_metal(db: Database, pan: str, title: str, stops: int):
    """Only a title that plainly is another pan's stops the car; the order in which the two are read is no matter."""
    for pair in ((("pan", pan), ("title", title)), (("title", title), ("pan", pan))):
        number = enter(db, *(reading(on, text) for on, text in pair))
        found = [
            stop
            for stop in knowing.open_stops(db, knowing.resolve_car(db, number)["id"])
            if "speaks of another pan" in stop["says"]
        ]
        assert stops == len(found)
        db.conn.execute("DELETE FROM number_keys")  # so that the second round does not meet the first one's car
        db.conn.commit()


def test_a_car_entered_twice_is_a_double_claim_and_no_wrong_title(db: Database):
    """Pan, title and plate all agree with another record: one conflict names both numbers, and the title stops nobody."""
    first = enter(db, reading("pan", "S8 61077"), reading("plate", "KP 0234"), reading("title", "S8 61077"))
    second = enter(
        db,
        reading("pan", "S8 61077"),
        reading("pan", "S8 6107[17]"),
        reading("plate", "KP O234"),
        reading("title", "S8 61077"),
    )
    record = knowing.car_record(db, second)
    assert record["stops"] == []
    (conflict,) = record["conflicts"]
    assert first == conflict["with"]
    assert "S8 61077" in conflict["says"] and "KP O234" in conflict["says"]
    store.record_reading(db, reading("pan", "S8 61077", car=second, how="rubbing"))
    assert len(knowing.car_record(db, second)["conflicts"]) == 1


def test_two_cars_that_claim_one_number_are_kept_and_flagged(db: Database, registry_path: Path):
    """Both rows stay, both cars show the conflict, and the reason is what was said or 'not known yet'."""
    first = enter(db, reading("plate", "KP 0555"))
    second = enter(db, reading("plate", "555 KP"), conflict_reason="The plate is of another make.")
    third = enter(db, reading("body", "KP O555"))
    assert [
        each["reason"]
        for each in knowing.conflicts_of(db, knowing.resolve_car(db, second)["id"])
        if each["with"] == first
    ] == ["The plate is of another make."]
    met = knowing.conflicts_of(db, knowing.resolve_car(db, third)["id"])
    assert [(first, "not known yet"), (second, "not known yet")] == [(each["with"], each["reason"]) for each in met]
    assert len(knowing.conflicts_of(db, knowing.resolve_car(db, first)["id"])) == 2
    assert sound(db, registry_path) == []


def test_a_doubtful_reading_claims_nobody_elses_number(db: Database):
    """A number that may be another car's is shown as near, and is no claim on it."""
    enter(db, reading("body", "KP 0101"))
    number = enter(db, reading("body", "KP 0[17]0[01]"))
    assert knowing.conflicts_of(db, knowing.resolve_car(db, number)["id"]) == []


def test_looking_can_be_left_to_the_list_that_is_brought_in(db: Database):
    """With look=False neither stops nor conflicts are made."""
    enter(db, reading("pan", "S8 61077"))
    entry = check(EntryIn, entry_date="2026-01-06", readings=(reading("pan", "S8 61077", surface="ground"),))
    store.record_entry(db, entry, look=False)
    record = knowing.car_record(db, "E26-002")
    assert [] == record["stops"] == record["conflicts"]


def test_a_slip_of_the_pen_is_marked_as_one(db: Database):
    """The mistyped reading stays on file and no longer counts; it does not look like a second opinion."""
    number = enter(db, reading("pan", "S8 61070"))
    thing = knowing.car_record(db, number)["things"][0]
    old = thing["readings"][0]["id"]
    store.record_reading(db, reading("pan", "S8 61077", slip_of=old))
    record = knowing.car_record(db, number)
    assert [each["as_typed"] for each in record["things"][0]["readings"]] == ["S8 61077"]
    assert len(record["things"]) == 1
    assert db.execute("SELECT count(*) FROM readings").fetchone()[0] == 2


def test_body_pan_and_car_part_company(db: Database):
    """The body moved to another floor: each thing keeps its number, and the car is the span of their being together."""
    number = enter(
        db,
        reading("body", "KP 0507"),
        reading("pan", "S8 11294", fitted="1968/1980", former=True),
        reading("pan", "S9 17283", fitted="1980/.."),
    )
    things = knowing.things_of(db, knowing.resolve_car(db, number)["id"])
    pans = [(thing["edtf"], bool(thing["former"])) for thing in things if thing["kind"] == "pan"]
    assert pans == [("1980/..", False), ("1968/1980", True)]
    fitting = next(thing["fitting"] for thing in things if thing["kind"] == "body")
    store.unfit_thing(db, fitting, edtf="1968/2026")
    now = knowing.things_of(db, knowing.resolve_car(db, number)["id"])
    assert [
        (t["kind"], bool(t["former"]), t["latest"]) for t in now if t["kind"] == "body"
    ] == [("body", True, "2026-12-31")]
    body = next(thing["id"] for thing in now if thing["kind"] == "body")
    other = enter(db)
    store.fit_thing(db, check(FittingIn, thing=body, car=other))
    assert knowing.resolve_car(db, other)["id"] == knowing.car_of_thing(db, body)


# Statements, observations, decisions


def test_a_date_that_cannot_be_is_refused_with_an_offer(db: Database):
    """31/02 is no date; the sentence says how to write one that is not certain."""
    number = enter(db)
    with pytest.raises(WrongInput, match="about 1966") as refused:
        store.record_statement(
            db, check(StatementIn, about="assembled", kind="letter", car=number, when="31/02", relation="not after")
        )
    assert "31/02" in str(refused.value)
    both = check(StatementIn, about="first_registered", kind="slip", car=number, when="12/11/73", relation="equals")
    store.record_statement(db, both)
    (kept,) = knowing.statements_of(db, knowing.resolve_car(db, number)["id"])
    assert (
        kept["edtf"],
        kept["earliest"],
        kept["latest"],
        kept["as_written"],
    ) == ("[1973-11-12,1973-12-11]", "1973-11-12", "1973-12-11", "12/11/73")


def test_a_paper_without_a_readable_date_is_kept_word_for_word(db: Database):
    """A rubber stamp '66' dates nothing and is still on file."""
    number = enter(db)
    store.record_statement(db, check(StatementIn, about="seen", kind="card", car=number, as_written="rubber stamp 66"))
    (kept,) = knowing.statements_of(db, knowing.resolve_car(db, number)["id"])
    assert (kept["as_written"], kept["edtf"]) == ("rubber stamp 66", None)


def test_tells_are_known_or_refused(db: Database):
    """A mistyped tell is refused with the whole sheet; once known, states are kept apart."""
    number = enter(db)
    before = knowing.counts(db)
    seen = [check(ObservationIn, tell="K01", state="not visible"), check(ObservationIn, tell="K99", state="absent")]
    with pytest.raises(WrongInput, match="K99"):
        store.record_observations(db, seen, car=number)
    assert before == knowing.counts(db)
    store.record_observations(db, seen[:1], car=number, by="Orla Thrennick")
    assert [each["state"] for each in knowing.observations_of(db, 1)] == ["not visible"]


def decide(db: Database, car: str, **more: object) -> int:
    values = {
        "car": car, "opinion": "maker's series", "series": "KA", "reason": "The plate agrees.", "by": "Orla Thrennick",
        "at": "2026-01-06", "evidence": (check(EvidenceIn, kind="reading", ref=1),),
    }  # fmt: skip
    return store.record_decision(db, check(DecisionIn, **(values | more)))


def test_a_decision_freezes_what_it_rests_on(db: Database):
    """The evidence stands in the decision as it stood that day."""
    number = enter(db, reading("body", "KP 0147"))
    decide(db, number)
    (decision,) = knowing.decisions_of(db, 1)
    assert decision["evidence"][0]["frozen"]["as_typed"] == "KP 0147"
    assert decision["stands"]


@pytest.mark.parametrize(
    ("missing", "says"),
    [
        ({"evidence": ()}, "at least one"),
        ({"opinion": "genuine"}, "not one of the words"),
        ({"reason": " "}, "reason"),
        ({"at": "31/02"}, "a day is written"),
        ({"series": "XX"}, "no series XX"),
        ({"by": 99}, "no person 99"),
        ({"evidence": (check(EvidenceIn, kind="statement", ref=77),)}, "no statement 77"),
    ],
)
def test_no_decision_without_evidence_name_day_and_the_words_of_the_design(
    db: Database, missing: dict[str, object], says: str
):
    """Under pressure, too: what is missing is named and nothing is saved."""
    number = enter(db, reading("body", "KP 0147"))
    before = knowing.counts(db)
    with pytest.raises(WrongInput, match=says):
        decide(db, number, **missing)
    assert before == knowing.counts(db)


def test_evidence_of_another_car_is_refused(db: Database):
    """A reading of one car is no evidence on another."""
    enter(db, reading("body", "KP 0147"))
    other = enter(db, reading("body", "KP 0200"))
    with pytest.raises(WrongInput, match="about another car"):
        decide(db, other)


def test_a_later_decision_supersedes_and_two_people_may_disagree(db: Database):
    """The same person's later opinion stands in place of the earlier; another person's stands beside it."""
    number = enter(db, reading("body", "KP 0147"))
    first = decide(db, number)
    second = decide(db, number, opinion="open", series=None, reason="The lamination is not seen.")
    third = decide(db, number, by="Teodor Pascowe")
    standing = {decision["id"]: decision["supersedes"] for decision in knowing.standing_decisions(db, 1)}
    assert {second: first, third: None} == standing
    fourth = decide(db, number, by="Teodor Pascowe", supersedes=second)
    assert {third, fourth} == {decision["id"] for decision in knowing.standing_decisions(db, 1)}
    slip = decide(db, number, slip_of=fourth, by="Teodor Pascowe")
    rows = {row["id"]: row for row in knowing.decisions_of(db, 1)}
    assert (fourth, fourth) == (rows[slip]["supersedes"], rows[slip]["slip_of"])


# Stops, consent, hold, custody


def test_a_stop_is_released_by_a_person_with_a_reason(db: Database):
    """The stop stays on file; it no longer stands. It is released once."""
    number = enter(db)
    stop = store.record_stop(
        db, check(StopIn, kind="lien", says="A loan.", ask="Ask the lender.", car=number, by="Orla Thrennick")
    )
    assert len(knowing.open_stops(db, 1)) == 1
    store.release_stop(db, check(ReleaseIn, stop=stop, reason="Release of 5 March seen.", by="Orla Thrennick"))
    assert knowing.open_stops(db, 1) == []
    (kept,) = knowing.stops_of(db, 1)
    assert kept["release_reason"] == "Release of 5 March seen."
    with pytest.raises(WrongInput, match="released already"):
        store.release_stop(db, check(ReleaseIn, stop=stop, reason="again", by="Orla Thrennick"))
    with pytest.raises(WrongInput, match="Who puts this stop"):
        store.record_stop(db, check(StopIn, kind="lien", says="x", ask="y", car=number))


def test_what_can_hurt_somebody_is_said_first(db: Database):
    """A lien that was recorded first stands below unsafe brakes."""
    number = enter(db)
    for kind in ("lien", "unsafe to drive"):
        store.record_stop(db, check(StopIn, kind=kind, says="x", ask="y", car=number, by="Orla Thrennick"))
    assert [stop["kind"] for stop in knowing.open_stops(db, 1)] == ["unsafe to drive", "lien"]


def test_consent_is_unknown_until_given_and_the_last_word_holds(db: Database):
    """What was allowed before stays on file."""
    number = enter(db)
    assert knowing.consent_of(db, 1)["consent"] == "unknown"
    for day, consent in (("2026-01-05", "full"), ("2026-03-01", "withdrawn"), ("2026-02-01", "number hidden")):
        store.record_consent(db, check(ConsentIn, car=number, consent=consent, at=day))
    assert knowing.consent_of(db, 1)["consent"] == "withdrawn"
    assert db.execute("SELECT count(*) FROM consents").fetchone()[0] == 3


def test_a_hold_is_lifted_by_a_later_one(db: Database):
    """Held until it is lifted."""
    number = enter(db)
    store.record_hold(db, check(HoldIn, car=number, held=True, reason="two claims", at="2026-01-05"))
    assert knowing.hold_of(db, 1)["reason"] == "two claims"
    store.record_hold(db, check(HoldIn, car=number, held=False, reason="settled", at="2026-01-06"))
    assert knowing.hold_of(db, 1) is None


def test_ownership_is_said_only_where_a_paper_says_it(db: Database):
    """A keeper needs no paper; an owner does."""
    number = enter(db)
    store.record_custody(db, check(CustodyIn, car=number, person="Ann Vane", role="keeper", edtf="2001/.."))
    with pytest.raises(WrongInput, match="only where a paper says it"):
        store.record_custody(db, check(CustodyIn, car=number, person="Ann Vane", role="owner"))
    paper = store.record_statement(
        db, check(StatementIn, about="ownership", kind="bill of sale", car=number, seen="original")
    )
    store.record_custody(db, check(CustodyIn, car=number, person="Ann Vane", role="owner", paper=paper))
    assert [row["role"] for row in knowing.car_record(db, number)["custody"]] == ["keeper", "owner"]


# Conflicts and joins


def test_two_records_of_one_car_are_joined_and_parted_without_loss(db: Database, registry_path: Path):
    """Both numbers lead to the one that stays; a split undoes it, and the history shows both."""
    first, second = enter(db, reading("body", "KP 0234")), enter(db, reading("body", "KP 0235"))
    before = knowing.car_record(db, second)
    store.record_join(
        db, check(JoinIn, car=second, into_car=first, kind="merge", reason="one car, repainted", at="2026-01-07")
    )
    joined = knowing.car_record(db, second)
    assert (first, [second]) == (joined["car"], joined["also"])
    assert 2 == len(joined["entries"]) == len(joined["things"])
    with pytest.raises(WrongInput, match="joined already"):
        store.record_join(db, check(JoinIn, car=first, into_car=second, kind="merge", reason="x", at="2026-01-07"))
    store.record_join(db, check(JoinIn, car=second, into_car=first, kind="split", reason="by mistake", at="2026-01-08"))
    assert before == knowing.car_record(db, second)
    with pytest.raises(WrongInput, match="nothing to split"):
        store.record_join(db, check(JoinIn, car=second, into_car=first, kind="split", reason="x", at="2026-01-08"))
    assert [event["action"] for event in knowing.history(db, second)][-2:] == ["merge", "split"]
    assert sound(db, registry_path) == []


def test_a_conflict_is_settled_by_a_later_word(db: Database):
    """Two bodies with one serial that are both right: the conflict stays on file, settled."""
    enter(db, reading("plate", "KP 0024"))
    second = enter(db, reading("plate", "KP 0024"))
    (conflict,) = knowing.conflicts_of(db, 2)
    settled = check(
        ConflictIn, kind=conflict["kind"], car_a=second, car_b="E26-001", says=conflict["says"], reason="The maker issued it twice.",
        state="settled", supersedes=conflict["id"], at="2026-01-09", by="Teodor Pascowe",
    )  # fmt: skip
    store.record_conflict(db, settled)
    (now,) = knowing.conflicts_of(db, 1)
    assert ("settled", "The maker issued it twice.", second) == (now["state"], now["reason"], now["with"])


# Lists and tables


def test_another_list_comes_in_whole_or_not_at_all(db: Database):
    """One action for a batch, with the file's hash in the event; a bad number names its place."""
    store.record_list(db, check(ListIn, name="Slide survey"))
    good = check(ListNumberIn, list="Slide survey", as_typed="KP 0147", their_number="S 12")
    with pytest.raises(WrongInput, match="Number 2 of the list"):
        store.record_list_numbers(db, [good, check(ListNumberIn, list="Slide survey", as_typed="%")])
    assert db.execute("SELECT count(*) FROM list_numbers").fetchone()[0] == 0
    store.record_list_numbers(db, [good], source={"file": "slides.csv", "sha256": "0" * 64})
    payload = json.loads(knowing.rows(db, "SELECT payload FROM events ORDER BY id DESC LIMIT 1")[0]["payload"])
    assert payload["source"]["file"] == "slides.csv"


def test_a_house_table_with_a_fault_is_refused_with_its_row(db: Database):
    """A row turned round: file, line and reason, and nothing is kept."""
    before = knowing.counts(db)
    turned = PAN_TABLE.replace('first: "8 00001", last: "8 90000"', 'first: "8 90000", last: "8 00001"')
    with pytest.raises(WrongInput, match=r"mine\.yml"):
        store.record_family_table(db, check(FamilyTableIn, text=turned, name="mine.yml"))
    assert before == knowing.counts(db)


def test_a_later_house_table_is_used_and_numbers_are_spelt_anew(db: Database):
    """A table that came later than a number makes it findable in the table's own spellings."""
    from registry import lookup

    later = BODY_TABLE.replace("try-body", "try-later").replace("KP", "UB")
    number = enter(db, reading("body", "UB 0147"))
    assert lookup.find(db, "147 UB", on="body").as_dict()["near"] == []
    store.record_family_table(db, check(FamilyTableIn, text=later, name="later.yml"))
    assert number == lookup.find(db, "147 UB", on="body").as_dict()["near"][0]["car"]


# People


def test_a_person_is_erased_bytes_and_all(db: Database, registry_path: Path):
    """Nothing of the person is left in the file or its WAL; the history stands and the chain holds."""
    values = ("Briony Tindalwick", "Hasp Sands", "ow06@example.invalid", "rings at six")
    person = PersonIn(name=values[0], town=values[1], contact=values[2], note=values[3], initials="BT")
    number = enter(db, left_by=person, claim_words="Just want it on the list.")
    found = store.person_id(db, values[0])
    assert any(values[2].encode() in each.read_bytes() for each in registry_path.parent.iterdir())
    done = store.erase_person(db, found, by="Orla Thrennick", at=AT)
    assert {"person": found, "bytes_gone": True, "still_said": []} == done
    for file in registry_path.parent.iterdir():
        for value in values:
            assert value.encode() not in file.read_bytes(), (file.name, value)
    entry = knowing.entry_row(db, number)
    assert (found, "Just want it on the list.") == (entry["left_by"], entry["claim_words"])
    last = knowing.rows(db, "SELECT * FROM events ORDER BY id DESC LIMIT 1")[0]
    assert (last["action"], last["by_person"], last["at"]) == ("person erased", 1, AT)
    assert sound(db, registry_path) == []
    with pytest.raises(WrongInput, match="erased already"):
        store.erase_person(db, found, by="Orla Thrennick")
    with pytest.raises(WrongInput, match="nothing is written back"):
        store.amend_person(db, found, {"name": values[0]})
    with pytest.raises(NoAnswer):
        store.person_id(db, values[0])


def test_words_that_name_an_erased_person_are_pointed_out(db: Database):
    """What was said is kept as said; that a name stands in it is told, so that a person can decide."""
    enter(db, left_by=PersonIn(name="Briony Tindalwick"), claim_words="Briony Tindalwick had it new.")
    done = store.erase_person(db, store.person_id(db, "Briony Tindalwick"), by="Orla Thrennick")
    assert [
        (place["table"], place["column"]) for place in done["still_said"]
    ] == [("entries", "claim_words"), ("events", "payload")]


def test_an_erasure_says_when_another_program_holds_the_old_bytes(db: Database, registry_path: Path):
    """A reader that has the file open keeps old pages in the WAL; this is said, not passed over."""
    enter(db, left_by=PersonIn(name="Briony Tindalwick"))
    reader = sqlite3.connect(registry_path)
    try:
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM people").fetchall()
        db.execute("PRAGMA busy_timeout = 10")
        done = store.erase_person(db, store.person_id(db, "Briony Tindalwick"), by="Orla Thrennick")
        assert not done["bytes_gone"]
    finally:
        reader.close()
    assert store.scrub(db)
    for file in registry_path.parent.iterdir():
        assert b"Briony Tindalwick" not in file.read_bytes()


def test_putting_a_person_right_names_the_fields_alone(db: Database):
    """The event says that the town changed, not from what to what."""
    person = store.record_person(db, check(PersonIn, name="Ann Vane", town="Lowmere"))
    store.amend_person(db, person, {"town": "Cask Point"}, by="Orla Thrennick")
    assert knowing.people(db)[person]["town"] == "Cask Point"
    payload = knowing.rows(db, "SELECT payload FROM events ORDER BY id DESC LIMIT 1")[0]["payload"]
    assert [["people", person, ["town"]]] == json.loads(payload)["changed"]
    assert "Lowmere" not in payload and "Cask Point" not in payload


def test_an_edition_is_written_down_and_its_rows_replace_the_ones_before(db: Database, registry_path: Path):
    """What is public now is the last edition's; that it went out is an event."""
    for car in ("E26-001", "E26-002"):
        store.record_edition(
            db,
            dated="2026-01-10",
            sha256="0" * 64,
            policy="{}",
            rows=f'["{car}"]',
            published=[{"car": car, "edition": "2026-01-10"}],
        )
    assert [row["car"] for row in knowing.rows(db, "SELECT car FROM public_cars")] == ["E26-002"]
    assert db.execute("SELECT count(*) FROM editions").fetchone()[0] == 2
    assert sound(db, registry_path) == []
