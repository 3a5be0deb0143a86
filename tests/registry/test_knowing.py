"""Reading a registry: every number leads to its car, stops come first, and no two dates are made into one."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from furnishing import AT
from sqlite_utils import Database

from registry import knowing, store
from registry.errors import NoAnswer
from registry.models import (
    DATED,
    SIDE_BY_SIDE,
    EntryIn,
    JoinIn,
    ObservationIn,
    PersonIn,
    ReadingIn,
    StatementIn,
    StopIn,
    check,
)


def enter(db: Database, day: str = "2026-01-05", **more: object) -> str:
    entry = store.record_entry(db, check(EntryIn, entry_date=day, **more), at=AT, by="Orla Thrennick")
    return knowing.rows(db, "SELECT number FROM entries WHERE id = ?", [entry])[0]["number"]


def pan(text: str, **more: object) -> ReadingIn:
    return check(ReadingIn, stamped_on="pan", as_typed=text, **more)


@pytest.mark.parametrize("text", ["E26-001", "e26-001", "E26 1", " e26-1 "])
def test_a_car_is_found_by_its_number_however_it_is_typed(db: Database, text: str):
    """Case, spaces and leading zeros do not matter."""
    enter(db)
    assert knowing.resolve_car(db, text)["number"] == "E26-001"


def test_every_number_leads_to_the_car_that_stays(db: Database):
    """A later entry, a joined record, and one joined to that one."""
    first, second, third = enter(db), enter(db), enter(db)
    later = enter(db, car=second)
    for car, into in ((second, first), (third, second)):
        store.record_join(db, check(JoinIn, car=car, into_car=into, kind="merge", reason="one car", at="2026-01-07"))
    for number in (first, second, third, later):
        assert first == knowing.resolve_car(db, number)["number"]
    assert sorted(knowing.members(db, 3)) == [1, 2, 3]
    assert [second, third, later] == sorted(knowing.car_record(db, third)["also"])


@pytest.mark.parametrize("text", ["E26-999", "nonsense", "", "S8 61077"])
def test_an_unknown_car_is_no_answer_with_what_to_do(db: Database, text: str):
    """The sentence says how cars are known and how a number is looked up."""
    with pytest.raises(NoAnswer, match="tubmark find"):
        knowing.resolve_car(db, text)


def test_a_plain_read_only_connection_will_do(db: Database, registry_path: Path):
    """The web asks through a connection of its own."""
    number = enter(db, readings=(pan("S8 61077"),))
    connection = sqlite3.connect(f"file:{registry_path}?mode=ro", uri=True)
    connection.row_factory = sqlite3.Row
    try:
        assert knowing.car_record(db, number) == knowing.car_record(connection, number)
        assert knowing.history(db, number) == knowing.history(connection, number)
    finally:
        connection.close()


def test_the_dates_stand_side_by_side(db: Database):
    """Pan, body, assembly, registration and title each have their own place; what nobody speaks of is empty."""
    number = enter(
        db,
        readings=(pan("S8 61077"),),
        statements=(
            check(
                StatementIn, about="assembled", kind="owner's word", when="about 1971", relation="equals", seen="told"
            ),
            check(
                StatementIn,
                about="title_year",
                kind="title",
                value="1985",
                when="1985",
                relation="equals",
                seen="original",
            ),
        ),
    )
    events = knowing.dates_of(db, 1)
    assert set(DATED) == set(events) and set(SIDE_BY_SIDE) <= set(events)
    assert (
        events["pan_made"]["says"][0]["earliest"],
        events["pan_made"]["says"][0]["latest"],
    ) == ("1967-09-01", "1968-08-31")
    assert [piece["edtf"] for piece in events["assembled"]["says"]] == ["1971~"]
    assert [piece["earliest"] for piece in events["title_year"]["says"]] == ["1985-01-01"]
    assert [] == events["body_moulded"]["says"] == events["first_registered"]["says"]
    assert "year" not in knowing.car_record(db, number)


def test_the_record_holds_no_names(db: Database):
    """People stand in a record by id; who may name them asks for them."""
    number = enter(db, left_by=PersonIn(name="Ann Vane", town="Lowmere", contact="ann@example.invalid"))
    said = str(knowing.car_record(db, number)) + str(knowing.history(db, number))
    for value in ("Ann Vane", "Lowmere", "ann@example.invalid", "Orla Thrennick"):
        assert value not in said
    left_by = knowing.car_record(db, number)["entries"][0]["left_by"]
    assert knowing.people(db, [left_by])[left_by]["said"] == "Ann Vane"


def test_the_history_says_who_when_and_from_what(db: Database):
    """Each action on the car, and none on another."""
    number = enter(db, readings=(pan("S8 61077"),))
    other = enter(db)
    store.record_observations(db, [check(ObservationIn, tell="K01", state="absent")], car=number, by="Wim Quillory")
    store.record_stop(db, check(StopIn, kind="lien", says="x", ask="y", car=other, by="Orla Thrennick"))
    found = knowing.history(db, number)
    assert [event["action"] for event in found] == ["entry", "observations"]
    people = knowing.people(db)
    assert [people[event["by_person"]]["name"] for event in found] == ["Orla Thrennick", "Wim Quillory"]


def test_a_theft_report_that_stops_a_car_is_in_its_history(db: Database):
    """The event is about a report and not about a car; the car's history has it all the same."""
    from registry.models import TheftIn

    number = enter(db, readings=(check(ReadingIn, stamped_on="body", as_typed="KP 0233"),))
    store.record_theft(db, check(TheftIn, as_typed="KP 0238", source="Loft Book"))
    assert [event["action"] for event in knowing.history(db, number)] == ["entry", "theft report"]


def test_the_reading_with_fewest_doubts_is_gone_by(db: Database):
    """Of two readings of one pan the certain one counts, whichever came first; both are kept."""
    for readings in (("S8 61077", "S8 6[17]0??"), ("S8 6[17]0??", "S8 61077")):
        number = enter(db, readings=tuple(pan(text) for text in readings))
        thing = knowing.things_on(db, knowing.resolve_car(db, number)["id"])[0]["id"]
        assert knowing.best_reading(db, thing)["as_typed"] == "S8 61077"
        assert len(knowing.readings_of(db, thing)) == 2


def test_house_tables_decode_wherever_the_file_is(db: Database):
    """The registry's own tables come with it and are named as house tables."""
    tables = knowing.house_tables(db)
    assert tables["try-pan"].house and tables["try-body"].house
    assert tables is knowing.house_tables(db)
