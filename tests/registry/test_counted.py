"""Serial to date and how many, from what a registry holds: which cars and lists count, and which teach nothing."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from furnishing import AT, uids
from sqlite_utils import Database

from decoder import population
from decoder.dates import parse
from registry import counted, knowing, store
from registry.errors import NoAnswer
from registry.models import (
    DecisionIn,
    EntryIn,
    EvidenceIn,
    ListIn,
    ListNumberIn,
    ReadingIn,
    SeriesIn,
    StatementIn,
    check,
)
from registry.opening import open_registry

ROOT = Path(__file__).resolve().parents[2]


class Book:
    """A registry to put cars and lists into."""

    def __init__(self, db: Database) -> None:
        self.db = db
        self.count = (f"counted-{uid}" for uid in uids())

    def write(self, record: Any, what: Any, **more: Any) -> Any:
        return record(self.db, what, at=AT, uid=next(self.count), **more)

    def car(
        self, number: str | None, *papers: tuple[str, str, str], on: str = "body", day: str = "2026-01-05", **more: Any
    ) -> str:
        """A car with a body number and papers: (event, relation, date)."""
        readings = (check(ReadingIn, stamped_on=on, as_typed=number),) if number else ()
        said = tuple(
            check(StatementIn, about=about, relation=relation, edtf=edtf, kind="receipt", **more)
            for about, relation, edtf in papers
        )
        ident = self.write(store.record_entry, check(EntryIn, entry_date=day, readings=readings, statements=said))
        return knowing.rows(self.db, "SELECT number FROM entries WHERE id = ?", [ident])[0]["number"]

    def decide(self, car: str, opinion: str, series: str | None, **more: str) -> None:
        row = knowing.resolve_car(self.db, car)
        (found, *_) = knowing.rows(
            self.db, "SELECT readings.id FROM readings JOIN fittings USING (thing) WHERE car = ?", [row["id"]]
        )
        decision = check(
            DecisionIn, car=car, opinion=opinion, series=series, reason="seen", by="Orla Thrennick", at="2026-01-05",
            evidence=(check(EvidenceIn, kind="reading", ref=found["id"]),), **more,
        )  # fmt: skip
        self.write(store.record_decision, decision)

    def list(self, name: str, *numbers: str | tuple[str, str], series: str = "KP") -> None:
        """Another list; a number with a note is a pair."""
        self.write(store.record_list, check(ListIn, name=name))
        rows = []
        for number in numbers:
            text, note = number if isinstance(number, tuple) else (number, None)
            rows.append(check(ListNumberIn, list=name, as_typed=text, series=series, note=note))
        self.write(store.record_list_numbers, rows)


@pytest.fixture
def book(db: Database) -> Iterator[Book]:
    made = Book(db)
    row = check(
        SeriesIn,
        id="KP",
        name="Trial body",
        kind="maker",
        maker="K",
        serial_family="try-body",
        made_edtf="1965-03/1969-06",
    )
    made.write(store.record_series, row)
    yield made


# Which cars


def test_a_series_is_found_by_its_id_or_its_name_in_any_case(book: Book):
    assert {"KP"} == {counted.series_row(book.db, text)["id"] for text in ("KP", "kp", " Trial Body ")}


def test_a_series_that_is_not_there_is_answered_with_those_that_are(book: Book):
    with pytest.raises(NoAnswer, match=r"no series XX.*KP \(Trial body\)"):
        counted.curve_of(book.db, "XX")


def test_opinions_say_which_series_a_car_is_of_and_its_plate_does_not(book: Book):
    """A copy with a maker's plate is not counted among the maker's; an undecided car is, by its number."""
    book.car("KP 0101")
    copy = book.car("KP 0102", on="plate")
    book.decide(copy, "copy taken from a body", "NC")
    joined = book.car("KP 0103", on="plate")
    book.decide(joined, "two bodies joined", "KP", second_series="KP")
    tables = knowing.house_tables(book.db)
    row = counted.series_row(book.db, "KP")
    assert [101] == [one.serial for one in counted.cars_of(book.db, row, tables)]


def test_where_two_series_share_their_numbers_an_opinion_is_needed(book: Book):
    book.write(
        store.record_series, check(SeriesIn, id="K2", name="second series", kind="maker", serial_family="try-body")
    )
    decided = book.car("KP 0101")
    book.decide(decided, "maker's series", "K2")
    book.car("KP 0102")
    tables = knowing.house_tables(book.db)
    found = {
        ident: [one.serial for one in counted.cars_of(book.db, counted.series_row(book.db, ident), tables)]
        for ident in ("KP", "K2")
    }
    assert {"KP": [], "K2": [101]} == found


# Serial to date


def test_papers_of_cars_and_notes_of_lists_teach_one_curve(book: Book):
    """A number between two dated ones lies between their dates, and the answer says from how many cars that was learnt."""
    book.car("KP 0101", ("body_moulded", "equals", "1965-04"))
    book.car("KP 0300", ("first_registered", "not after", "1967-06"))
    book.list("Old papers", ("KP 0200", "dated March 1966 (receipt)"), ("400 KP", "dated 1968 (slide)"))
    learnt = counted.curve_of(book.db, "KP")
    assert 0 == learnt.status
    (one,) = learnt.curve.date(250)
    assert ("1966-03/1967-06", "learnt from 4 cars") == (one.span.edtf, one.label)
    assert learnt.as_dict()["series"] == "KP"
    json.dumps(learnt.as_dict())


def test_the_makers_table_and_the_years_of_the_series_stay_outside_the_curve(book: Book):
    """The table says 1965 to 1969; beyond the dated cars the curve says nothing all the same."""
    for number, when in (("KP 0200", "1966"), ("KP 0300", "1967"), ("KP 0400", "1968")):
        book.car(number, ("body_moulded", "equals", when))
    learnt = counted.curve_of(book.db, "KP")
    assert "../1966" == learnt.curve.date(101)[0].span.edtf
    assert "the curve does not use that" in learnt.period and learnt.period in learnt.says


@pytest.mark.parametrize("cars", [0, 1, 2])
def test_two_dated_cars_are_no_curve(book: Book, cars: int):
    for number in range(cars):
        book.car(f"KP 020{number}", ("body_moulded", "equals", "1966"))
    learnt = counted.curve_of(book.db, "KP")
    assert (1, ()) == (learnt.status, learnt.curve.runs)
    assert "a curve needs three at least" in learnt.says[0]


def test_an_inference_and_a_paper_of_after_the_car_came_in_teach_nothing(book: Book):
    """What was concluded from the number would be learnt twice; that a car existed when it came in is known anyway."""
    book.car("KP 0101", ("body_moulded", "equals", "1966"), nature="inference")
    book.car("KP 0102", ("sold", "equals", "2026-03"), day="2026-01-05")
    assert 0 == counted.curve_of(book.db, "KP").curve.cars


def test_a_car_whose_own_papers_clash_teaches_nothing_and_is_named(book: Book):
    car = book.car("KP 0101", ("body_moulded", "equals", "1966"), ("body_moulded", "equals", "1968"))
    assert any(
        sentence.startswith(f"{car}: its own papers do not agree")
        for sentence in counted.curve_of(book.db, "KP").left_out
    )


def test_a_wrong_paper_is_named_and_not_followed(book: Book):
    for number, when in (("KP 0101", "1965"), ("KP 0200", "1966"), ("KP 0300", "1967"), ("KP 0400", "1968")):
        book.car(number, ("body_moulded", "equals", when))
    wrong = book.car("KP 0150", ("body_moulded", "equals", "1969"))
    learnt = counted.curve_of(book.db, "KP")
    assert [150] == [one.car.serial for one in learnt.curve.set_aside]
    assert any(wrong in sentence for sentence in learnt.says)


def test_a_note_that_is_no_date_is_told_and_the_rest_is_used(book: Book):
    book.list(
        "Old papers", ("KP 0200", "dated 31/02 (receipt)"), ("KP 0300", "dated 1967"), ("KP 0301", "dark red, dated")
    )
    learnt = counted.curve_of(book.db, "KP")
    assert 1 == learnt.curve.cars
    assert any("KP 0200" in sentence and "is not a day" in sentence for sentence in learnt.left_out)


def test_a_number_that_is_not_one_for_certain_teaches_nothing_and_is_named(book: Book):
    car = book.car("KP 0[17]00", ("body_moulded", "equals", "1966"))
    assert any(sentence.startswith(f"{car}: KP 0[17]00") for sentence in counted.curve_of(book.db, "KP").left_out)


# How many


MANY = [f"KP {number:04d}" for number in range(101, 341, 20)]  # 12 cars
OTHERS = [f"KP {number:04d}" for number in range(101, 401, 30)]  # 10 cars, four of them on both


def test_two_lists_give_the_number_surviving_by_the_published_estimator(book: Book):
    """Spelt differently on the second list, the same cars are the same."""
    book.list("First", *MANY)
    book.list("Second", *(f"{int(number[3:])} KP" for number in OTHERS))
    found = counted.survivors_of(book.db, "KP")
    both = len(set(MANY) & set(OTHERS))
    assert 4 == both and 0 == found.status
    assert round(population.chapman(12, 10, 4)) == found.found.surviving.estimate
    assert {"cars": 18, "on_more_than_one": 4} == {key: found.found.listed[key] for key in ("cars", "on_more_than_one")}
    assert "not independent" in found.found.surviving.says
    json.dumps(found.as_dict())


def test_the_serials_seen_give_the_number_made_wherever_the_numbering_began(book: Book):
    book.list("First", *MANY)
    found = counted.survivors_of(book.db, "KP")
    serials = [int(number[3:]) for number in MANY]
    assert population.how_many_made(serials).estimate == found.found.made.estimate
    known = counted.survivors_of(book.db, "KP", first=101)
    assert population.how_many_made(serials, [population.Block(first=101)]).estimate == known.found.made.estimate


def test_lists_without_overlap_are_no_answer(book: Book):
    book.list("First", *MANY)
    book.list("Second", *(f"KP {number:04d}" for number in range(500, 510)))
    found = counted.survivors_of(book.db, "KP")
    assert (1, None) == (found.status, found.found.surviving.estimate)
    assert "share no car" in found.found.surviving.says


def test_a_list_with_a_chance_few_is_left_out_unless_it_is_named(book: Book):
    book.list("First", *MANY)
    book.list("Second", *OTHERS)
    book.list("Third", "KP 0101", "KP 0360")
    assert ["First", "Second"] == [one["name"] for one in counted.survivors_of(book.db, "KP").found.listed["lists"]]
    named = counted.survivors_of(book.db, "KP", lists=("first", "THIRD"))
    assert ["First", "Third"] == [one["name"] for one in named.found.listed["lists"]]
    # Its numbers were seen all the same.
    seen = {int(number[3:]) for number in (*MANY, *OTHERS)} | {360}
    assert f"from {len(seen)} serial numbers seen" in counted.survivors_of(book.db, "KP").found.made.says


def test_what_is_listed_is_said_though_it_is_too_little_to_count_with(book: Book):
    book.list("First", *MANY[:3])
    book.list("Second", *MANY[2:4])
    found = counted.survivors_of(book.db, "KP").found
    assert found.surviving.estimate is None
    assert (4, 1) == (found.listed["cars"], found.listed["on_more_than_one"])


def test_a_list_that_is_not_there_is_answered_with_those_that_are(book: Book):
    book.list("First", *MANY)
    with pytest.raises(NoAnswer, match="no list 'Fourth'.*First"):
        counted.survivors_of(book.db, "KP", lists=("Fourth",))


def test_a_file_of_dated_papers_is_no_list_of_what_survives(book: Book):
    book.list("First", *MANY)
    book.list("Second", *OTHERS)
    book.list("Papers", *((f"KP {number:04d}", "dated 1966 (receipt)") for number in range(101, 130)))
    found = counted.survivors_of(book.db, "KP")
    assert ["First", "Second"] == [one["name"] for one in found.found.listed["lists"]]
    assert any("file of dated papers" in sentence for sentence in found.left_out)


def test_the_cars_of_the_registry_are_a_list_of_their_own(book: Book):
    """A club whose registry is the list itself counts with it, each car once."""
    book.list("First", *MANY)
    for number in OTHERS:
        book.car(number)
    found = counted.survivors_of(book.db, "KP")
    assert ["First", "Try list"] == sorted(one["name"] for one in found.found.listed["lists"])
    assert round(population.chapman(12, 10, 4)) == found.found.surviving.estimate


def test_the_table_is_said_beside_the_estimate_and_not_used(book: Book):
    book.list("First", *MANY)
    found = counted.survivors_of(book.db, "KP")
    assert any("0001 to 0712" in sentence and "does not use it" in sentence for sentence in found.says)


def test_the_made_and_the_dated_write_nothing(book: Book):
    book.list("First", *MANY)
    before = knowing.counts(book.db)
    counted.survivors_of(book.db, "KP")
    counted.curve_of(book.db, "KP")
    assert before == knowing.counts(book.db)


# The scenario


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """The sample registry with the dated bodies of the scenario on a list beside it."""
    path = shutil.copy(ROOT / "sample_registry.db", tmp_path_factory.mktemp("counted") / "sample.db")
    db = open_registry(Path(path), write=True)
    known = {row["name"] for row in knowing.rows(db, "SELECT name FROM lists")}
    with (ROOT / "tests" / "scenario" / "dated_bodies.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    if not any("dated" in name.casefold() for name in known):
        store.record_list(db, check(ListIn, name="Dated bodies"), at=AT, uid="dated-list")
        numbers = []
        for row in rows:
            when = row["latest"] if row["earliest"] == row["latest"] else f"{row['earliest'] or '..'}/{row['latest']}"
            note = f"dated {when} ({row['paper']})"
            numbers.append(
                check(ListNumberIn, list="Dated bodies", as_typed=row["serial"], series=row["kind"], note=note)
            )
        store.record_list_numbers(db, numbers, at=AT, uid="dated-numbers")
    yield db
    db.close()


@pytest.mark.parametrize(("series", "wrong"), [("KA", set()), ("KB", {2237, 2292}), ("UF", {270})])
def test_the_wrong_papers_of_the_scenario_are_found_and_no_others(sample: Database, series: str, wrong: set[int]):
    assert wrong == {one.car.serial for one in counted.curve_of(sample, series).curve.set_aside}


@pytest.mark.parametrize("series", ["KA", "KB", "UF"])
def test_the_curve_of_the_scenario_holds_the_true_quarters(sample: Database, series: str):
    """Hard bounds allow a day of the quarter in which a body was moulded; the 90 % band holds the day at least 87 times in 100.

    Within a quarter numbers are taken to have gone out evenly.
    """
    with (ROOT / "tests" / "scenario" / "body_quarters.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["kind"] == series]
    begins, before = date.fromisoformat(rows[0]["starts"]), int(rows[0]["first"]) - 1
    curve = counted.curve_of(sample, series).curve
    asked = held = 0
    for row in rows:
        last, ends = int(row["last"]), parse(row["quarter"]).latest
        for number in range(before + 1, last + 1):
            day = begins + (number - before - 0.5) / (last - before) * (ends - begins)
            for one in curve.date(number):
                assert one.earliest is None or one.earliest <= ends, (number, one.says)
                assert one.latest is None or one.latest >= begins, (number, one.says)
                if one.band90:
                    asked += 1
                    held += one.band90[0] <= day <= one.band90[1]
        begins, before = ends + timedelta(1), last
    assert asked > 400
    assert held >= 0.87 * asked


@pytest.mark.parametrize(("series", "made", "living"), [("KA", 612, 252), ("TP", 640, 147)])
def test_the_two_lists_of_the_scenario_hold_the_truth(sample: Database, series: str, made: int, living: int):
    """Made and surviving of the truth lie in the intervals; of the Purlin nobody knows that it began at 4001."""
    found = counted.survivors_of(sample, series).found
    assert (found.made.low or 0) <= made <= (found.made.high or 0)
    assert (found.surviving.low or 0) <= living <= (found.surviving.high or 0)
    assert (found.made.high or 0) < 1.25 * made
    assert ["Loft Book", "Slide survey"] == [one["name"] for one in found.listed["lists"]]


def test_numbers_that_carry_their_month_need_no_curve(sample: Database):
    with pytest.raises(NoAnswer, match="says itself when the body was made"):
        counted.curve_of(sample, "D1")
    assert "begin again" in counted.survivors_of(sample, "D1").says[0]
