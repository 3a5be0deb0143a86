"""Another pan, another plate, two records that are one car: nothing is edited, every number leads on, and it can be undone."""

from __future__ import annotations

import itertools
import random
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from parted import BY, DAY, car, knowledge, rows_of
from sqlite_utils import Database

from registry import knowing, parting, store
from registry.backup import check_file
from registry.errors import NoAnswer, WrongInput
from registry.models import ConsentIn, DecisionIn, EvidenceIn, ObservationIn, StatementIn, StopIn, check
from registry.opening import open_registry

SAMPLE = Path(__file__).resolve().parents[2] / "sample_registry.db"
NOW = {"by": BY, "on": DAY, "at": "2026-03-02T09:00:00Z"}
LATER = {"by": BY, "at": "2026-03-02T09:00:00Z"}


@pytest.fixture
def sample(tmp_path: Path) -> Iterator[Database]:
    """The registry of the invented scenario, to be written in."""
    shutil.copy(SAMPLE, tmp_path / "sample.db")
    db = open_registry(tmp_path / "sample.db", write=True)
    yield db
    db.close()


def events(db: Database) -> int:
    return db["events"].count


def on(db: Database, number: str, kind: str) -> list[tuple[str | None, str | None, bool]]:
    """The things of a kind as they stand: number, span, whether it is gone."""
    return [
        (thing["number_as_read"], thing["edtf"], thing["former"])
        for thing in knowledge(db, number)["things"]
        if thing["kind"] == kind
    ]


# merge


@pytest.mark.parametrize("order", [("E26-002", "E26-001"), ("E26-001", "E26-002")])
def test_the_record_that_was_entered_first_stays_in_whichever_order_they_are_named(db, order):
    """A car is known by its first entry's number; the other number leads to it."""
    car(db, "E26-001", pan="S8 61077", day="2026-01-10")
    car(db, "E26-002", pan="S8 61077", day="2026-02-10", owner="Marlo Vane")
    before = events(db)
    assert "E26-001" == parting.merge(db, *order, reason="One car, painted since.", **NOW)
    assert 1 == events(db) - before
    assert ["E26-001", "E26-001"] == [knowing.resolve_car(db, text)["number"] for text in ("E26-001", "e26 2")]
    record = knowledge(db, "E26-002")
    assert ("E26-001", ["E26-002"]) == (record["car"], record["also"])
    assert ["E26-001", "E26-002"] == [entry["number"] for entry in record["entries"]]


def test_merge_touches_no_row_that_was_there(db):
    """Both records stay whole: only the event and the join are new."""
    car(db, "E26-001", pan="S8 61077", plate="KP 0147")
    car(db, "E26-002", pan="S8 61077", plate="KP O147")
    tables = [
        name for name in db.table_names() if name not in ("events", "car_joins", "_sqlite_migrations", "registry_info")
    ]
    tables = [name for name in tables if "id" in db[name].columns_dict]
    before = rows_of(db, *tables)
    parting.merge(db, "E26-002", "E26-001", reason="One car.", **NOW)
    assert before == rows_of(db, *tables)


def test_what_a_merge_will_touch_is_told_before(db):
    """Numbers that lead on, the conflict that rests, the consent that holds, the way back; and what speaks for it."""
    car(db, "E26-001", pan="S8 61077", day="2026-01-10", consent="full", colour_now="Ink", colour_under="Oat")
    car(
        db,
        "E26-002",
        pan="S8 61077",
        day="2026-02-20",
        consent="none",
        colour_now="Rain Grey",
        colour_under="Ink over Oat",
    )
    plan = parting.plan_merge(db, "E26-002", "E26-001")
    told = " ".join(plan.says)
    assert "From then on E26-002 leads to E26-001." in told
    assert "conflict between them" in told and "at rest" in told
    assert "the stricter word holds: none" in told
    assert "tubmark split E26-002" in told
    assert plan.alike is not None
    assert any("The pan number is the same" in says for says in plan.alike.speaks_for)
    assert any("painted since" in says for says in plan.alike.speaks_for)
    assert 0 == db["car_joins"].count


def test_of_two_consents_the_stricter_holds_until_the_keeper_is_asked_again(db):
    """In the record as in an edition."""
    from registry.publish import _Books

    for number, consent in (("E26-001", "full"), ("E26-002", "none")):
        car(db, number, consent=consent)
    parting.merge(db, "E26-002", "E26-001", reason="One car.", **NOW)
    root = knowing.resolve_car(db, "E26-001")["id"]
    assert "none" == knowing.consent_of(db, root)["consent"] == _Books(db, None).consents()[root]
    store.record_consent(db, check(ConsentIn, car="E26-001", consent="number hidden", at="2026-03-05"), by=BY)
    assert "number hidden" == knowing.consent_of(db, root)["consent"] == _Books(db, None).consents()[root]


def test_a_conflict_rests_while_its_two_records_are_one_car(db):
    """They cannot be at odds with one another; split, they are again, with the words that were put down."""
    car(db, "E26-001", pan="S8 61077")
    car(db, "E26-002", pan="S8 61077", conflict_reason="not known yet: the keeper differs")
    (before,) = knowledge(db, "E26-001")["conflicts"]
    parting.merge(db, "E26-002", "E26-001", reason="One car.", **NOW)
    assert [] == knowledge(db, "E26-001")["conflicts"]
    parting.split(db, "E26-002", reason="Two after all.", **NOW)
    assert [before] == knowledge(db, "E26-001")["conflicts"]


@pytest.mark.parametrize(
    ("one", "other", "error", "says"),
    [
        ("E26-001", "E26-001", WrongInput, "one car already"),
        ("E26-003", "E26-001", WrongInput, "one car already, E26-001"),
        ("E26-001", "E26-009", NoAnswer, "no car E26-009"),
    ],
)
def test_a_merge_that_cannot_be(db, one, other, error, says):
    """The same car, a later visit of it, one that is not on file: a sentence, and nothing is written."""
    car(db, "E26-001")
    car(db, "E26-003", car="E26-001")
    before = events(db)
    with pytest.raises(error, match=says):
        parting.merge(db, one, other, reason="One car.", **NOW)
    assert before == events(db)


@pytest.mark.parametrize(
    ("reason", "by", "says"), [(" ", BY, "reason"), ("One car.", None, "name"), ("One car.", " ", "name")]
)
def test_neither_is_done_without_a_reason_and_a_name(db, reason, by, says):
    """A person says so, and why."""
    car(db, "E26-001"), car(db, "E26-002")
    with pytest.raises(WrongInput, match=says):
        parting.merge(db, "E26-002", "E26-001", reason=reason, by=by, on=DAY)
    with pytest.raises(WrongInput, match=says):
        parting.split(db, "E26-002", reason=reason, by=by, on=DAY)
    with pytest.raises(WrongInput, match=says):
        parting.repan(db, "E26-002", number="S8 61077", reason=reason, by=by)
    assert 0 == db["car_joins"].count


# split, and the two in any order


def _some_cars(db: Database) -> list[str]:
    for place, number in enumerate(("E26-001", "E26-002", "E26-003", "E26-004", "E26-005"), 1):
        numbers = {"pan": f"S8 0010{place}", "plate": f"KP 020{place}", "title": f"S8 0010{place}"}
        if place in (2, 4):
            numbers |= {"pan": "S8 61077"}
        car(db, number, day=f"2026-01-{10 + place}", owner=f"Keeper {place}", consent="full", **numbers)
        statement = {"about": "seen", "kind": "photograph", "relation": "not after", "edtf": f"197{place}"}
        store.record_statement(db, check(StatementIn, car=number, **statement), by=BY)
        seen = check(ObservationIn, tell="K01", state="present")
        (observation,) = store.record_observations(db, [seen], car=number, by=BY)
        evidence = (check(EvidenceIn, kind="observation", ref=observation),)
        decision = {"opinion": "maker's series", "series": "KA", "reason": "A ridge.", "at": DAY}
        store.record_decision(db, check(DecisionIn, car=number, by=BY, evidence=evidence, **decision))
        stop = {"kind": "lien", "says": "A loan.", "ask": "Ask the lender.", "by": BY}
        store.record_stop(db, check(StopIn, car=number, **stop))
    car(db, "E26-006", car="E26-003", day="2026-02-01", owner="Keeper 3")
    return ["E26-001", "E26-002", "E26-003", "E26-004", "E26-005"]


@pytest.mark.parametrize("seed", range(8))
def test_merges_and_splits_in_any_order_lose_nothing(db, registry_path, seed):
    """Whatever was joined to what: each number leads to a car, each car to all its numbers, and split again all is as it was."""
    numbers = _some_cars(db)
    before = {number: knowledge(db, number) for number in numbers}
    ever = rows_of(db, "cars", "entries", "things", "fittings", "readings", "statements", "observations", "decisions")
    chance = random.Random(seed)
    for _ in range(12):
        joined = [number for number in numbers if knowing.joined_to(db, knowing.car_row(db, number)["id"])]
        if joined and chance.random() < 0.4:
            parting.split(db, chance.choice(joined), reason="Two after all.", **NOW)
        else:
            one, other = chance.sample(numbers, 2)
            if knowing.resolve_car(db, one)["id"] == knowing.resolve_car(db, other)["id"]:
                continue
            parting.merge(db, one, other, reason="One car.", **NOW)
        groups: dict[str, set[str]] = {}
        for number in numbers:
            groups.setdefault(knowing.resolve_car(db, number)["number"], set()).add(number)
        for root, group in groups.items():
            assert min(group) == root, "the one that was entered first is not the one that stays"
            record = knowledge(db, root)
            visits = group | ({"E26-006"} if "E26-003" in group else set())
            assert visits == {record["car"], *record["also"]}
            assert visits == {entry["number"] for entry in record["entries"]}
            for part in ("statements", "observations", "decisions", "things", "stops"):
                assert len(record[part]) == sum(len(before[number][part]) for number in group)
    while joined := [number for number in numbers if knowing.joined_to(db, knowing.car_row(db, number)["id"])]:
        parting.split(db, chance.choice(joined), reason="Two after all.", **NOW)
    assert before == {number: knowledge(db, number) for number in numbers}
    assert ever == rows_of(db, *ever)
    assert [] == check_file(registry_path)


def test_what_was_recorded_while_they_were_one_stays_and_is_told(db):
    """A visit of that time may belong to either; a person looks."""
    car(db, "E26-001", day="2026-01-10"), car(db, "E26-002", day="2026-01-11")
    parting.merge(db, "E26-002", "E26-001", reason="One car.", by=BY, on=DAY, at="2026-01-12T09:00:00Z")
    car(db, "E26-003", car="E26-002", day="2026-01-20")
    told = " ".join(parting.plan_split(db, "E26-002").says)
    assert "stays with E26-001: visit E26-003 (2026-01-20)" in told
    parting.split(db, "E26-002", reason="Two after all.", **NOW)
    assert "E26-001" == knowing.resolve_car(db, "E26-003")["number"]
    assert ["E26-002"] == [entry["number"] for entry in knowledge(db, "E26-002")["entries"]]


def test_a_car_that_one_record_was_joined_to_may_be_named_as_well(db):
    """Where several were, it says which there are."""
    for number in ("E26-001", "E26-002", "E26-003"):
        car(db, number)
    parting.merge(db, "E26-001", "E26-002", reason="One car.", **NOW)
    assert ("E26-002", "E26-001") == parting.split(db, "E26-001", reason="Two after all.", **NOW)
    parting.merge(db, "E26-001", "E26-002", reason="One car.", **NOW)
    parting.merge(db, "E26-001", "E26-003", reason="One car.", **NOW)
    with pytest.raises(WrongInput, match="Joined to it: E26-002, E26-003"):
        parting.split(db, "E26-001", reason="Two after all.", **NOW)


@pytest.mark.parametrize(
    ("which", "error", "says"),
    [("E26-001", WrongInput, "nothing to split"), ("E26-009", NoAnswer, "no car E26-009"), ("x", NoAnswer, "no car x")],
)
def test_a_split_that_cannot_be(db, which, error, says):
    """One record with one visit, or nothing on file: a sentence."""
    car(db, "E26-001")
    with pytest.raises(error, match=says):
        parting.split(db, which, reason="Two cars.", **NOW)


def _wrongly_come_back(db: Database) -> dict[str, Any]:
    car(db, "E26-001", pan="S8 00101", plate="KP 0201", day="2026-01-10", consent="full")
    first = knowledge(db, "E26-001")
    car(
        db, "E26-002", car="E26-001", pan="S9 61077", plate="KP 0201", title="S9 61077", day="2026-02-10", owner="Marlo Vane",
        consent="none", things=(), statements=(check(StatementIn, about="lien", kind="owner's word", as_written="A loan."),),
        observations=(check(ObservationIn, tell="K01", state="present"),),
        stops=(check(StopIn, kind="lien", says="A loan.", ask="Ask the lender.", by=BY),),
    )  # fmt: skip
    return first


def test_a_visit_that_was_written_down_for_the_wrong_car_gets_a_record_of_its_own(db, registry_path):
    """Under its own number, with what was read, said and seen then; the other car is as it was. Nothing is lost."""
    first = _wrongly_come_back(db)
    both = knowledge(db, "E26-001")
    before = events(db)
    assert ("E26-002", "E26-001") == parting.split(db, "E26-002", reason="Another car: the pan differs.", **NOW)
    assert 1 == events(db) - before
    own, other = knowledge(db, "E26-002"), knowledge(db, "E26-001")
    assert ("E26-002", ["E26-002"]) == (own["car"], [entry["number"] for entry in own["entries"]])
    assert {("pan", "S9 61077"), ("plate", "KP 0201"), ("title", "S9 61077")} == {
        (thing["kind"], thing["number_as_read"]) for thing in own["things"]
    }
    assert ["A loan."] == [row["as_written"] for row in own["statements"]]
    assert [("K01", "present")] == [(row["tell"], row["state"]) for row in own["observations"]]
    assert ("none", "full") == (own["consent"]["consent"], other["consent"]["consent"])
    assert "lien" in [stop["kind"] for stop in own["stops"]] and [] == other["stops"]
    for part in ("entries", "statements", "observations", "also"):
        assert first[part] == other[part]
    assert [(t["kind"], t["number_as_read"], t["former"]) for t in first["things"]] == [
        (t["kind"], t["number_as_read"], t["former"]) for t in other["things"]
    ]
    assert [] == check_file(registry_path)
    # And undone: one car with both visits and every number again.
    assert "E26-001" == parting.merge(db, "E26-002", "E26-001", reason="One car after all.", **NOW)
    again = knowledge(db, "E26-001")
    assert ["E26-001", "E26-002"] == [entry["number"] for entry in again["entries"]]
    assert {(t["kind"], t["number_as_read"]) for t in both["things"]} == {
        (t["kind"], t["number_as_read"]) for t in again["things"]
    }
    assert [row["as_written"] for row in both["statements"]] == [row["as_written"] for row in again["statements"]]


def test_what_is_recorded_for_that_visit_later_goes_to_its_own_record(db):
    """The number of the entry leads to the car that it was of."""
    _wrongly_come_back(db)
    parting.split(db, "E26-002", reason="Another car.", **NOW)
    store.record_statement(db, check(StatementIn, entry="E26-002", about="seen", kind="letter"), by=BY)
    assert ["lien", "seen"] == [row["about"] for row in knowledge(db, "E26-002")["statements"]]
    with pytest.raises(WrongInput, match="nothing to split"):
        parting.split(db, "E26-002", reason="Another car.", **NOW)


def test_the_first_visit_is_the_car_and_is_not_split_off(db):
    """It says which visits could be."""
    _wrongly_come_back(db)
    with pytest.raises(WrongInput, match="Later visits of it: E26-002"):
        parting.split(db, "E26-001", reason="Another car.", **NOW)


# repan


def test_a_body_moves_to_another_pan(db):
    """Three objects: the body keeps its number, the first pan its own and leaves, the title speaks of the first pan."""
    car(db, "E26-001", pan="S8 00101", plate="KP 0201", title="S8 00101")
    before, fittings = events(db), rows_of(db, "fittings")["fittings"]
    paper = {"paper": "invoice, second-hand pan", "seen": "original"}
    parting.repan(db, "E26-001", number="S9 61077", when="14 Apr 1980", reason="A better floor.", **paper, **LATER)
    assert 1 == events(db) - before
    assert fittings == rows_of(db, "fittings")["fittings"][: len(fittings)], "a fitting was edited"
    assert [("S9 61077", "1980-04-14/..", False), ("S8 00101", "../1980-04-14", True)] == on(db, "E26-001", "pan")
    assert [("KP 0201", None, False)] == on(db, "E26-001", "plate")
    assert [("S8 00101", None, False)] == on(db, "E26-001", "title")
    record = knowledge(db, "E26-001")
    assert ["title of another thing"] == [stop["kind"] for stop in record["stops"]]
    (statement,) = record["statements"]
    assert ("repanned", "1980-04-14", "14 Apr 1980", "invoice, second-hand pan") == tuple(
        statement[key] for key in ("about", "edtf", "as_written", "kind")
    )
    assert {statement["id"]} == {thing["paper"] for thing in record["things"] if thing["kind"] == "pan"}


def test_the_body_of_the_scenario_that_was_moved_is_told_without_a_lie(sample):
    """E23-009 as it would be put down today: body, first pan and present pan each keep their own."""
    from registry import dated

    car(sample, "E26-901", pan="P 511294", plate="KB 2507", title="P 511294", look=False)
    parting.repan(
        sample, "E26-901", number="S2 17283", when="14 Apr 1980", relation="not before", paper="invoice, second-hand pan",
        reason="A better floor.", **LATER,
    )  # fmt: skip
    answer = dated.date_car(sample, "E26-901")
    assert any("whose number was read" in one.says for one in answer.conflicts), answer.says
    assert [("S2 17283", "1980-04-14/..", False), ("P 511294", None, True)] == on(sample, "E26-901", "pan")


@pytest.mark.parametrize(
    ("when", "relation", "new", "old"),
    [
        (None, "equals", None, None),
        ("1980", "equals", "1980/..", "../1980"),
        ("about 1980", "equals", "1980~/..", "../1980~"),
        ("1980", "not before", "1980/..", None),
        ("1980", "not after", None, "../1980"),
        ("04/03/66", "equals", "1966-03-04/..", "../1966-04-03"),
    ],
)
def test_how_a_date_bounds_the_change(db, when, relation, new, old):
    """Each side gets what the date allows, and no more; of two days that it could be, the outer bounds."""
    car(db, "E26-001", pan="S8 00101")
    parting.repan(db, "E26-001", number="S9 61077", when=when, relation=relation, reason="A better floor.", **LATER)
    assert [("S9 61077", new, False), ("S8 00101", old, True)] == on(db, "E26-001", "pan")


def test_a_body_without_a_pan_gets_one_and_may_lose_it_again(db):
    """A body without a pan is a complete record."""
    car(db, "E26-001", plate="KP 0201")
    parting.repan(db, "E26-001", number="S9 61077", when="2026-01-02", reason="Put on a floor.", **LATER)
    parting.repan(db, "E26-001", off=True, when="2026-02-03", reason="It rusted away.", **LATER)
    assert [("S9 61077", "2026-01-02/2026-02-03", True)] == on(db, "E26-001", "pan")
    assert [("KP 0201", None, False)] == on(db, "E26-001", "plate")


def test_a_pan_goes_from_one_car_to_another_in_one_action(db):
    """It is one thing with one history; the car that it leaves has none then, and no conflict arises."""
    from registry.conflicts import conflicts

    car(db, "E26-001", pan="S8 00101"), car(db, "E26-002", pan="S9 61077")
    things, before = db["things"].count, events(db)
    parting.repan(db, "E26-001", from_car="E26-002", when="2026-02-03", reason="Swapped.", **LATER)
    assert (things, 1) == (db["things"].count, events(db) - before)
    assert [("S9 61077", "2026-02-03/..", False), ("S8 00101", "../2026-02-03", True)] == on(db, "E26-001", "pan")
    assert [("S9 61077", "../2026-02-03", True)] == on(db, "E26-002", "pan")
    assert [] == conflicts(db)


def test_the_first_pan_comes_back(db):
    """Which also undoes a change; where several came off its number says which."""
    car(db, "E26-001", pan="S8 00101")
    parting.repan(db, "E26-001", number="S9 61077", when="2026-01-02", reason="A better floor.", **LATER)
    parting.repan(db, "E26-001", from_car="E26-001", when="2026-02-03", reason="Back on its own.", **LATER)
    assert ("S8 00101", "2026-02-03/..", False) == on(db, "E26-001", "pan")[0]
    parting.repan(db, "E26-001", number="S9 00007", when="2026-02-10", reason="Another.", **LATER)
    with pytest.raises(WrongInput, match="Give the number of the one"):
        parting.repan(db, "E26-001", from_car="E26-001", reason="Back.", **LATER)
    parting.repan(db, "E26-001", from_car="E26-001", number="S9 61077", reason="Back.", **LATER)
    assert "S9 61077" == on(db, "E26-001", "pan")[0][0]


def test_the_pan_on_file_turns_out_to_be_the_second_one(db):
    """It gets its day, and the one before becomes a thing of its own, with the number that a paper gives."""
    car(db, "E26-001", pan="S9 61077"), car(db, "E26-002", pan="S9 61078")
    parting.repan(db, "E26-001", present=True, before="S8 00101", when="Nov 1968", reason="A second invoice.", **LATER)
    parting.repan(db, "E26-002", present=True, when="Nov 1968", reason="A second invoice.", **LATER)
    assert [("S9 61077", "1968-11/..", False), ("S8 00101", "../1968-11", True)] == on(db, "E26-001", "pan")
    assert [("S9 61078", "1968-11/..", False), (None, "../1968-11", True)] == on(db, "E26-002", "pan")


def test_of_records_that_were_joined_both_pans_come_off(db):
    """They are one pan, recorded twice."""
    car(db, "E26-001", pan="S8 00101"), car(db, "E26-002", pan="S8 00101")
    parting.merge(db, "E26-002", "E26-001", reason="One car.", **NOW)
    parting.repan(db, "E26-001", number="S9 61077", reason="A better floor.", **LATER)
    assert [("S9 61077", False), ("S8 00101", True), ("S8 00101", True)] == [
        (number, gone) for number, _, gone in on(db, "E26-002", "pan")
    ]


def test_what_is_on_file_under_the_new_number_is_told_before(db):
    """Another car's pan, and a theft report as a stop first."""
    from registry.models import TheftIn

    car(db, "E26-001", pan="S8 00101"), car(db, "E26-002", pan="S9 61077")
    store.record_theft(db, check(TheftIn, as_typed="S9 61078", source="a report", stamped_on="pan"), by=BY)
    before = events(db)
    change = parting.change_of(db, "pan", "E26-001", number="S9 61077", reason="A better floor.")
    plan = parting.plan_change(db, change)
    assert ["near a theft report"] == [stop["kind"] for stop in plan.stops]
    assert any("--from E26-002" in says for says in plan.looked_up)
    assert before == events(db)


@pytest.mark.parametrize(
    ("how", "error", "says"),
    [
        ({}, WrongInput, "What is on the car now"),
        ({"number": "S9 61077", "off": True}, WrongInput, "What is on the car now"),
        ({"number": "S8 00101"}, WrongInput, "on E26-001 already"),
        ({"number": "[S8"}, WrongInput, r"\["),
        ({"number": "S9 61077", "when": "31/02/1980"}, WrongInput, "31/02/1980"),
        ({"number": "S9 61077", "when": "2026-03-09"}, WrongInput, "not over yet"),
        ({"number": "S9 61077", "statement": 99}, WrongInput, "statement 99"),
        ({"number": "S9 61077", "before": "S8 00102"}, WrongInput, "before"),
        ({"from_car": "E26-009"}, NoAnswer, "no car E26-009"),
        ({"from_car": "E26-001"}, NoAnswer, "No pan came off"),
        ({"from_car": "E26-002"}, NoAnswer, "No pan is or was on"),
        ({"present": True, "before": "S8 00101"}, WrongInput, "on E26-001 now"),
    ],
)
def test_a_change_that_cannot_be(db, how, error, says):
    """A sentence that says what to do, and nothing is written: not the paper, not the half of it."""
    car(db, "E26-001", pan="S8 00101"), car(db, "E26-002", plate="KP 0202")
    before = knowing.counts(db)
    with pytest.raises(error, match=says):
        parting.repan(db, "E26-001", reason="A better floor.", paper="invoice", **how, **LATER)
    assert before == knowing.counts(db)


def test_a_pan_does_not_leave_before_it_came(db):
    """A change dated before the one before it is refused."""
    car(db, "E26-001", pan="S8 00101")
    parting.repan(db, "E26-001", number="S9 61077", when="1980", reason="A better floor.", **LATER)
    with pytest.raises(WrongInput, match="1980-01-01 at the earliest"):
        parting.repan(db, "E26-001", number="S9 00007", when="1975", reason="Another.", **LATER)


# replate


def test_a_plate_comes_off_and_another_on(db):
    """The plate keeps its number and its readings; the body stands without it."""
    car(db, "E26-001", body="KP 0201", plate="KP 0333")
    parting.replate(db, "E26-001", off=True, when="2026-01-02", reason="It is another body's.", **LATER)
    assert [("KP 0333", "../2026-01-02", True)] == on(db, "E26-001", "plate")
    assert [("KP 0201", None, False)] == on(db, "E26-001", "body")
    parting.replate(
        db, "E26-001", number="KP 0201", when="2026-02-03", reason="Found in a drawer.", place="dash", **LATER
    )
    assert ("KP 0201", "2026-02-03/..", False) == on(db, "E26-001", "plate")[0]
    with pytest.raises(WrongInput, match="nothing to take off"):
        for _ in range(2):
            parting.replate(db, "E26-001", off=True, reason="Off.", **LATER)


def test_a_plate_is_no_pan(db):
    """A thing of another kind is refused."""
    from registry.models import ChangeIn

    car(db, "E26-001", pan="S8 00101", plate="KP 0201")
    pan = next(thing for thing in knowledge(db, "E26-001")["things"] if thing["kind"] == "pan")
    with pytest.raises(WrongInput, match="is a pan"):
        store.record_change(db, check(ChangeIn, car="E26-001", kind="plate", reason="x", thing=pan["id"]), by=BY)


# the scenario


def test_the_two_cards_of_the_scenario_that_are_one_car(sample, tmp_path):
    """E23-014 and E24-021: joined, both numbers lead to the first, and split again the record is what it was."""
    numbers = ("E23-014", "E24-021")
    before = {number: knowledge(sample, number) for number in numbers}
    plan = parting.plan_merge(sample, *numbers)
    assert plan.alike is not None
    told = " ".join(plan.alike.speaks_for)
    for what in ("S8 61077", "two spellings of one number", "painted since", "changed hands"):
        assert what in told
    assert "E23-014" == parting.merge(
        sample, *reversed(numbers), reason="One car, painted since.", by="OT", on="2026-11-25"
    )
    assert ["E23-014"] * 2 == [knowing.resolve_car(sample, number)["number"] for number in numbers]
    parting.split(sample, "E24-021", reason="Only trying.", by="OT", on="2026-11-25")
    assert before == {number: knowledge(sample, number) for number in numbers}
    assert [] == check_file(tmp_path / "sample.db")


def test_every_pair_of_the_scenario_can_be_joined_and_split(sample):
    """A few of all pairs, each given back as it was."""
    numbers = [row["number"] for row in sample.query("SELECT number FROM cars ORDER BY number")]
    for one, other in list(itertools.combinations(numbers, 2))[::97]:
        before = [knowledge(sample, number) for number in (one, other)]
        stays = parting.merge(sample, one, other, reason="Trying.", by="OT", on="2026-11-25")
        assert stays == min(one, other)
        parting.split(sample, max(one, other), reason="Trying.", by="OT", on="2026-11-25")
        assert before == [knowledge(sample, number) for number in (one, other)]
