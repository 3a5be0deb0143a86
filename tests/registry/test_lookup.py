"""Looking a number up: every spelling, every kind, one slip of the eye aside, and what must be seen before anything else."""

from __future__ import annotations

import sqlite3

import pytest
from furnishing import AT
from hypothesis import given
from hypothesis import strategies as st
from sqlite_utils import Database

from decoder import MalformedReading
from registry import knowing, lookup, store
from registry.models import (
    EntryIn,
    FittingIn,
    JoinIn,
    ListIn,
    ListNumberIn,
    ReadingIn,
    ReleaseIn,
    StopIn,
    TheftIn,
    check,
)

DAY = "2026-02-03"


def visit(db: Database, number: str, *readings: tuple[str, str], **more: object) -> None:
    """A car with what was read on it: (stamped on, as typed)."""
    read = tuple(check(ReadingIn, stamped_on=on, as_typed=typed) for on, typed in readings)
    store.record_entry(
        db, check(EntryIn, number=number, entry_date=DAY, readings=read, **more), by="Orla Thrennick", at=AT
    )


def found(db: Database, text: str, **more: object) -> list[tuple[str | None, str, str, str]]:
    """(car, kind, number, how) of all that is found."""
    return [(hit.car, hit.kind, hit.number, hit.how) for hit in lookup.find(db, text, **more).near]


@pytest.mark.parametrize("asked", ["KP 0147", "KP O147", "kp0147", "KP147", "147 KP", "KP-01.47", " K P 0 1 4 7 "])
@pytest.mark.parametrize("typed", ["KP 0147", "KP O147", "147 KP"])
def test_every_spelling_is_one_number(db, asked, typed):
    """However it was written down and however it is asked for, it is the same record."""
    visit(db, "E26-001", ("plate", typed))
    assert ("E26-001", "plate", typed, "exact") in found(db, asked)


@pytest.mark.parametrize(
    ("on", "typed"),
    [("body", "KP 0147"), ("plate", "KP 0147"), ("pan", "S8 00123"), ("engine", "H 0204417"), ("title", "S8 00123")],
)
def test_every_kind_of_thing(db, on, typed):
    """Body, plate, pan, engine and title: whatever carries the number."""
    visit(db, "E26-001", (on, typed))
    assert [("E26-001", on, typed, "exact")] == found(db, typed)


def test_asked_for_as_another_kind(db):
    """An engine's number given as the pan's is found, and said to be the engine's."""
    visit(db, "E26-001", ("engine", "H 0204417"))
    answer = lookup.find(db, "H 0204417", on="pan")
    assert [hit.car for hit in answer.cars] == ["E26-001"]
    assert "E26-001 has the engine number H 0204417. You asked for a pan number." in answer.says


@pytest.mark.parametrize(
    ("asked", "differs"),
    [
        ("KP 0148", [{"at": 5, "asked": "8", "listed": "7", "change": "misread"}]),
        ("KP 01147", [{"at": 3, "asked": "1", "listed": "", "change": "extra"}]),
        ("KP 0174", [{"at": 4, "asked": "7", "listed": "4", "change": "swapped"}, {"at": 5, "asked": "4", "listed": "7", "change": "swapped"}]),
        ("RP 0147", [{"at": 0, "asked": "R", "listed": "K", "change": "misread"}]),
    ],
)  # fmt: skip
def test_one_slip_aside(db, asked, differs):
    """A misread, doubled or swapped character still finds the car, and the place is named for the strips."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    answer = lookup.find(db, asked)
    (hit,) = answer.near
    assert (hit.car, hit.how) == ("E26-001", "near")
    assert hit.probability > 0
    assert hit.probability + answer.not_on_list == pytest.approx(1, abs=1e-5)
    if asked != "KP 01147":  # of two equal characters either may be the one too many
        assert differs == hit.differs
    assert lookup.find(db, asked, near=False).near == []


def test_nothing_two_slips_aside(db):
    """Two misread characters are another number."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    answer = lookup.find(db, "KP 0258")
    assert answer.near == []
    assert answer.status == 1
    assert answer.says == ["No car with this number is on record here, exactly or one character off."]


def test_a_theft_report_with_a_wrong_figure_stands_above_all(db):
    """LO-3: the report has one figure wrong; an exact look-up would miss it, and the car is found as well."""
    store.record_theft(
        db,
        check(
            TheftIn, as_typed="KP 0238", source="police of Vell", stamped_on="plate", reported="2009", ask="the police"
        ),
        at=AT,
    )
    visit(db, "E26-001", ("plate", "KP 0233"))
    answer = lookup.find(db, "KP 0233")
    assert [(hit.kind, hit.how) for hit in answer.near] == [("theft", "near"), ("plate", "exact")]
    assert answer.near[0].differs == [{"at": 5, "asked": "3", "listed": "8", "change": "misread"}]
    assert answer.stops[0]["kind"] == "near a theft report"
    assert answer.says[0].startswith("KP 0238 stands in a report of theft of 2009 (police of Vell).")
    assert "A report is not proof of anything." in answer.says[0]
    stops = lookup.theft_stops(db.conn, "KP 0233", lookup.tables_of(db))
    assert [(stop["kind"], stop["ask"]) for stop in stops] == [("near a theft report", "Before anything else ask the police.")]
    assert lookup.theft_stops(db.conn, "KP 0699", lookup.tables_of(db)) == []


def test_two_cars_with_one_serial_are_both_shown(db):
    """LO-4: nobody is overwritten, nobody is preferred."""
    visit(db, "E26-001", ("plate", "KP 0555"))
    visit(db, "E26-002", ("body", "KP 0555"))
    assert {"E26-001", "E26-002"} == {hit.car for hit in lookup.find(db, "KP 0555").cars}


def test_other_lists_stand_apart_with_their_names(db):
    """Somebody else's number is theirs: no car, their name, their own number."""
    store.record_list(db, check(ListIn, name="Loft Book"), at=AT)
    number = check(ListNumberIn, list="Loft Book", as_typed="147 KP", their_number="A/9", series="KA")
    store.record_list_numbers(db, [number], at=AT)
    visit(db, "E26-001", ("plate", "KP 0147"))
    answer = lookup.find(db, "KP 0147")
    assert [(hit.car, hit.kind) for hit in answer.near] == [("E26-001", "plate"), (None, "list")]
    assert "147 KP is on another list, Loft Book as their A/9." in answer.says
    assert (answer.other_lists[0].source, answer.other_lists[0].their_number) == ("Loft Book", "A/9")


def test_former_fittings_and_refused_entries(db):
    """A pan that has gone from the car, and a car that was not taken in, are found and said to be that."""
    visit(db, "E26-001", ("pan", "S8 00123"))
    (thing,) = knowing.things_on(db, knowing.resolve_car(db, "E26-001")["id"])
    fitting = check(
        FittingIn, thing=thing["id"], car="E26-001", edtf="1967/1980", former=True, supersedes=thing["fitting"]
    )
    store.fit_thing(db, fitting, at=AT)
    visit(db, "E26-002", ("plate", "KP 0147"), received="refused", reason="stolen, he thought")
    assert lookup.find(db, "S8 00123").says == ["E26-001 had the pan number S8 00123."]
    assert lookup.find(db, "KP 0147").says == ["E26-002 has the plate number KP 0147. Entry E26-002 was refused."]


def test_a_joined_record_leads_to_the_car_that_stays(db):
    """Both entries are kept; the number leads to one car, and after a split to two again."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    visit(db, "E26-002", ("plate", "KP O147"))
    join = {"car": "E26-002", "into_car": "E26-001", "reason": "one car", "at": DAY}
    store.record_join(db, check(JoinIn, kind="merge", **join), at=AT)
    assert {"E26-001"} == {hit.car for hit in lookup.find(db, "KP 0147").cars}
    store.record_join(db, check(JoinIn, kind="split", **join), at=AT)
    assert {"E26-001", "E26-002"} == {hit.car for hit in lookup.find(db, "KP 0147").cars}


def test_open_stops_come_with_the_answer_released_ones_do_not(db):
    """Every answer about a car carries its open stops, those of joined records too."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    visit(db, "E26-002", ("engine", "H 0204417"))
    stop = check(StopIn, kind="lien", says="A lien of Vell Thrift.", ask="Vell Thrift", car="E26-002")
    ident = store.record_stop(db, stop, by="Orla Thrennick", at=AT)
    join = check(JoinIn, car="E26-002", into_car="E26-001", kind="merge", reason="one car", at=DAY)
    store.record_join(db, join, at=AT)
    (found_stop,) = lookup.find(db, "KP 0147").stops
    assert found_stop == {"kind": "lien", "says": "A lien of Vell Thrift.", "ask": "Vell Thrift", "car": "E26-001"}
    store.release_stop(db, check(ReleaseIn, stop=ident, reason="paid", by="Orla Thrennick"), at=AT)
    assert lookup.find(db, "KP 0147").stops == []


def test_a_doubtful_question_finds_what_it_may_be(db):
    """[17] asks for both numbers; each is as likely as the other."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    visit(db, "E26-002", ("plate", "KP 0141"))
    answer = lookup.find(db, "KP 014[17]")
    assert {("E26-001", "exact"), ("E26-002", "exact")} == {(h.car, h.how) for h in answer.near}
    assert [h.probability for h in answer.near] == pytest.approx([0.49, 0.49], abs=0.01)
    assert 0 < answer.not_on_list < 0.05


def test_a_doubtful_record_is_found_and_said_to_be_doubtful(db):
    """A reading with doubts is on record under every number it may be."""
    visit(db, "E26-001", ("plate", "KP 0[14]47"))
    answer = lookup.find(db, "KP 0447")
    (hit,) = answer.near
    assert (hit.car, hit.how, hit.certain) == ("E26-001", "exact", False)
    # Half of the record is this number: four to one for a listed number is then two to one, less what else it may be.
    assert hit.probability == pytest.approx(4 * 0.5 * 0.85 / (4 * 0.5 * 0.85 + 1 - 0.5 * 0.85), abs=0.05)
    assert hit.probability + answer.not_on_list == pytest.approx(1, abs=1e-5)
    assert hit.says.endswith("That reading is itself doubtful.")


@pytest.mark.parametrize("asked", ["KP ????", "KP 0*", "KP ...", "KP 01??"])
def test_much_unread(db, asked):
    """With three and more unread places the shape is looked for."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    visit(db, "E26-002", ("pan", "S8 00123"))
    assert [hit.car for hit in lookup.find(db, asked).near] == ["E26-001"]


def test_short_numbers_have_no_near_ones(db):
    """One slip aside of 66 is most of what was ever issued: of no use to anybody."""
    visit(db, "E26-001", ("body", "66"))
    assert [hit.car for hit in lookup.find(db, "66").near] == ["E26-001"]
    assert lookup.find(db, "67").near == []


def test_what_is_no_number_is_refused_in_a_sentence(db):
    """Junk is the asker's to mend; it is not an empty answer."""
    with pytest.raises(MalformedReading, match="not closed"):
        lookup.find(db, "KP [01")


def test_what_was_recorded_but_is_no_reading_is_still_found(db):
    """A text that no grammar reads is kept under its letters and figures."""
    assert lookup.keys_for("KP [014 (a?)", None, lookup.tables_of(db)) == [("", "KP014A", False)]


def test_a_check_letter_that_settles_a_doubt_makes_the_number_sure(db):
    """Of 412 and 712 only one has the letter F: the reading is then no longer doubtful."""
    table = FINIAL_LIKE
    from registry.models import FamilyTableIn

    store.record_family_table(db, check(FamilyTableIn, text=table, name="try-check.yml"), at=AT)
    visit(db, "E26-001", ("plate", "UF-0[47]12F"))
    (hit,) = lookup.find(db, "UF-0412F").near
    assert hit.certain
    assert hit.probability > 0.9
    assert lookup.find(db, "UF-0712J", near=False).near == []
    # "I think so" is not settled by anything.
    assert not any(certain for _, _, certain in lookup.keys_for("UF-04~12F", None, lookup.tables_of(db)))


@pytest.mark.parametrize("text", ["S8 0??23", "S8 ???23", "S? ??123", "K? 0??7"])
def test_a_reading_with_much_unread_is_never_sure(db, text):
    """Keys are written out up to a limit; that a family has only one within it settles nothing."""
    assert not any(certain for _, _, certain in lookup.keys_for(text, "pan", lookup.tables_of(db)))


def test_a_slip_of_the_pen_stays_to_be_found(db):
    """A reading that was put right is on file, and says what it is."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    (first,) = db.execute("SELECT id FROM readings").fetchone()
    store.record_reading(
        db, check(ReadingIn, stamped_on="plate", as_typed="KP 0699", car="E26-001", slip_of=first), at=AT
    )
    (hit,) = lookup.find(db, "KP 0147").near
    assert hit.slip
    assert hit.says.endswith("That reading was marked as a slip.")


def test_on_a_connection_that_can_only_read(db, registry_path):
    """The same answer from a plain read-only connection, and nothing is written."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    conn = sqlite3.connect(f"file:{registry_path}?mode=ro", uri=True)
    try:
        assert lookup.find(db, "KP 0147").as_dict() == lookup.find(conn, "KP 0147").as_dict()
    finally:
        conn.close()


def test_keys_can_be_made_anew(db):
    """They are derived: dropped and made again they answer as before, with the rule they were made by."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    store.record_theft(db, check(TheftIn, as_typed="KP 0148", source="police"), at=AT)
    kept = db.execute(
        "SELECT subject_kind, subject, kind, family, key, certain, rule FROM number_keys ORDER BY 1, 2, 4, 5"
    ).fetchall()
    with store.transaction(db):
        db.execute("UPDATE number_keys SET key = 'X', rule = 'old'")
        assert len(kept) == lookup.rebuild_keys(db)
    assert (
        kept
        == db.execute(
            "SELECT subject_kind, subject, kind, family, key, certain, rule FROM number_keys ORDER BY 1, 2, 4, 5"
        ).fetchall()
    )
    assert {lookup.RULE} == {row[-1] for row in kept}


def test_the_exact_question_is_one_search_of_the_index(db):
    """Nothing but the index is searched, whatever the size of the list."""
    plan = db.execute("EXPLAIN QUERY PLAN " + lookup.EXACT, ["KP0147"]).fetchall()
    assert len(plan) == 1
    assert "USING INDEX number_keys_key (key=?)" in plan[0][3]
    visit(db, "E26-001", ("plate", "KP 0147"))
    assert {("reading", 1)} == {row[:2] for row in lookup.exact(db.conn, "KP0147")}
    assert lookup.exact(db.conn, "KP0148") == []


def test_the_document_has_the_fields_that_other_programs_rely_on(db):
    """``find --json``: reading, near with its fields, stops."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    document = lookup.find(db, "KP 0148").as_dict()
    assert {"reading", "near", "stops"} <= set(document)
    assert {"car", "kind", "number", "how", "differs", "probability"} <= set(document["near"][0])


# --- for any number -------------------------------------------------------------------------------------------------

serials = st.integers(101, 712).map(lambda n: f"KP{n:04d}")


def _spaced(draw: st.DrawFn, number: str) -> str:
    out = ""
    for character in number:
        out += character + draw(st.sampled_from(["", "", " ", "-", "  "]))
    return out.rstrip("- ")


@given(st.data(), serials)
def test_every_number_is_found_however_it_was_spaced(listed, data, number):
    """A property: recorded with any spaces and dashes, asked for with any others."""
    conn, tables = listed
    typed, asked = _spaced(data.draw, number), _spaced(data.draw, number)
    conn.execute("DELETE FROM number_keys")
    lookup.write_keys(conn, "theft", 1, typed, "plate", tables)
    conn.execute("UPDATE theft_reports SET as_typed = ?", (typed,))
    assert [("theft", typed, "exact")] == [
        (h.kind, h.number, h.how) for h in lookup.find(conn, asked, tables=tables).near
    ]


@given(st.data(), serials)
def test_every_single_slip_is_near(listed, data, number):
    """A property: any one character misread, dropped, doubled or swapped with the next finds the number, exactly or near."""
    conn, tables = listed
    place = data.draw(st.integers(2, 5))
    slip = data.draw(st.sampled_from(["misread", "dropped", "doubled", "swapped"]))
    if slip == "misread":
        asked = number[:place] + data.draw(st.sampled_from("0123456789")) + number[place + 1 :]
    elif slip == "dropped":
        asked = number[:place] + number[place + 1 :]
    elif slip == "doubled":
        asked = number[: place + 1] + number[place:]
    else:
        place = min(place, 4)
        asked = number[:place] + number[place + 1] + number[place] + number[place + 2 :]
    conn.execute("DELETE FROM number_keys")
    lookup.write_keys(conn, "theft", 1, number, "plate", tables)
    assert [hit.kind for hit in lookup.find(conn, asked, tables=tables).near] == ["theft"], (number, asked)


@given(st.text("KP0123456789", max_size=8), st.text("KP0123456789", max_size=8))
def test_differences_are_what_differs(asked, listed):
    """Where two numbers part is empty exactly when they are equal, and every named place is a place of the number asked for."""
    parted = lookup.differs(asked, listed)
    assert (parted == []) == (asked == listed)
    for place in parted:
        assert 0 <= place["at"] <= len(asked)
        assert asked[place["at"] :].startswith(place["asked"])


@pytest.fixture(scope="module")
def listed(tmp_path_factory):
    """A registry with one theft report, in one long transaction that is thrown away."""
    from furnishing import furnish

    from registry.opening import create_registry, open_registry

    path = create_registry(
        tmp_path_factory.mktemp("listed") / "try.db", name="Try list", origin="try", at=AT, uid="0000"
    )
    db = open_registry(path, write=True)
    furnish(db)
    tables = lookup.tables_of(db)
    store.record_theft(db, check(TheftIn, as_typed="KP 0147", source="police", stamped_on="plate"), at=AT)
    db.conn.execute("BEGIN")
    db.conn.execute("DROP TRIGGER theft_reports_keep_update")
    yield db.conn, tables
    db.conn.rollback()
    db.close()


FINIAL_LIKE = """\
family: try-check
title: "Serials with a check letter (invented)"
house: true
carried_by: [body, plate]
where: "on a plate"
sources:
  sheet: {title: "Sheet", edition: "1st", supports: "all", standing: house, read: "2026-01-05"}
schemes:
  - id: number
    parts:
      - {name: "letters", literal: "UF"}
      - {name: "running number", figures: 4}
      - {name: "check letter", check: {modulus: 11, letters: "ABCDEFGHJKL", of: ["running number"]}}
    print: "{letters}-{running number}{check letter}"
rows:
  - {id: "all", scheme: number, basis: calendar, first: "UF-0001B", last: "UF-0941G", built: "1972-06/1979-10", interpolate: false, source: "sheet"}
"""
