"""Conflicts: both sides, what speaks here for each ordinary explanation, what to ask for; and none settled but by a person."""

from __future__ import annotations

import itertools
import random
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from parted import BY, DAY, car, plated
from sqlite_utils import Database

from registry import knowing, parting, store
from registry.alike import Book, one_car
from registry.claims import at_one_time
from registry.conflicts import Conflict, conflicts, settle
from registry.errors import NoAnswer, WrongInput
from registry.misfits import ALIKE_BITS, _same_pictures, plates_began
from registry.models import ConflictIn, ObservationIn, ReadingIn, StatementIn, check
from registry.opening import open_registry
from registry.sides import look_alikes

SAMPLE = Path(__file__).resolve().parents[2] / "sample_registry.db"


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """The registry of the invented scenario, to be read."""
    path = tmp_path_factory.mktemp("sample") / "sample.db"
    shutil.copy(SAMPLE, path)
    db = open_registry(path)
    yield db
    db.close()


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Database]:
    """The same, to be written in."""
    shutil.copy(SAMPLE, tmp_path / "yard.db")
    db = open_registry(tmp_path / "yard.db", write=True)
    yield db
    db.close()


def of(db: Any, *cars: str, kind: str | None = None) -> Conflict:
    """The one conflict of exactly these cars."""
    (found,) = [
        one for one in conflicts(db, cars[0]) if set(one.cars) == set(cars) and (kind is None or one.kind == kind)
    ]
    return found


def explained(one: Conflict) -> dict[str, tuple[str, str]]:
    """What speaks for and against each explanation, as two texts."""
    return {each.name: (" ".join(each.speaks_for), " ".join(each.speaks_against)) for each in one.explanations}


# the scenario


def test_two_cars_one_serial_both_are_shown_and_the_tool_decides_nothing(sample):
    """E22-001 and E22-009: each side with what it has; what a person settled is told as that person's word."""
    one = of(sample, "E22-001", "E22-009")
    assert ("two cars claim one number", ("the same serial twice",), "KP 0555") == (one.kind, one.what, one.key)
    assert ("settled", 1) == (one.state, one.by_person)
    assert "KP 0555 (plate, left of gauge recess)" in one.sides[0].says
    assert "KP 0555 (crayon inside scuttle)" in one.sides[1].says
    assert all(side.ask.startswith("Ask ") for side in one.sides)
    assert "fixings" in one.sides[0].ask and "crayon under the resin" in one.sides[0].ask
    told = explained(one)
    assert {"one car entered twice", "double issue", "moved plate", "copied plate", "misreading"} == set(told)
    assert "not as the maker's are: K12" in told["copied plate"][0]
    assert "on its plate alone, E22-009 on the body itself" in told["copied plate"][0]
    assert "not as the maker's are: K12" in told["moved plate"][1]
    assert "The pan numbers differ" in told["one car entered twice"][1]
    assert "The colour underneath is Damson on both." in told["one car entered twice"][0]
    assert "once" in told["double issue"][1] and "" == told["double issue"][0]
    for says in (one.says, *(f"{a} {b}" for a, b in told.values())):
        for word in ("genuine", "fake", "false", "likely", "probab", "certainly"):
            assert word not in says.lower()


def test_the_car_that_came_back_under_another_name_and_colour(sample):
    """E23-014 and E24-021: O for 0, the same pan, the colour under the paint, the sale between; open until a person says so."""
    one = of(sample, "E23-014", "E24-021")
    assert one.is_open
    assert ("the same serial twice", "the same pan under two cars at one time") == one.what
    assert (("KB 2034", "E23-014, plate"), ("KB 2O34", "E24-021, plate")) == one.beside
    name, (speaks_for, against) = next(iter(explained(one).items()))
    assert "one car entered twice" == name
    for what in ("S8 61077", "two spellings of one number", "painted since", "changed hands (9 December 2023)"):
        assert what in speaks_for
    assert "K04 (lamination)" in against
    assert "the pan is the same" in explained(one)["moved plate"][1].lower()
    assert "bill of sale" in one.sides[0].ask and "bill of sale that leads to E23-014" in one.sides[1].ask


def test_a_double_issue_is_an_ordinary_explanation_from_the_table(sample):
    """E22-015 and E22-016: 73H001 to 73H029 were given out twice, says the table; both may be right."""
    one = of(sample, "E22-015", "E22-016")
    speaks_for, against = explained(one)["double issue"]
    assert "August 1973 and September 1973 (second issue)" in speaks_for
    assert "Each has a pan of its own." in speaks_for and "" == against
    assert all("oldest dated paper" in side.ask for side in one.sides)


def test_a_plate_on_an_early_body_is_odd_and_not_false(sample):
    """E26-002: the maker's exception comes first, with the letter and the crayon number that speak for it."""
    one = of(sample, "E26-002")
    assert ("a plate on a body moulded before plates", True) == (one.kind, one.is_open)
    assert "Odd is not false." in one.says and "some forty plates" in one.says
    assert "the maker's own exception" == one.explanations[0].name
    told = explained(one)
    assert "letter from the maker" in told["the maker's own exception"][0]
    assert "The body itself has the number as well, KP 0118." in told["the maker's own exception"][0]
    assert "" == told["moved plate"][0] and "" == told["copied plate"][0]
    assert ["E26-002"] == [
        one.cars[0] for one in conflicts(sample) if one.kind == "a plate on a body moulded before plates"
    ]


def test_a_plate_on_the_wrong_body(sample):
    """E25-012: the other list's entry and the plate are the two sides; a maker's plate on another body is what the record bears."""
    one = of(sample, "E25-012")
    assert "burnt out, seen 1988" in one.sides[1].says
    told = explained(one)
    assert "moved plate" == one.explanations[0].name
    for what in ("as the maker's are: K12", "K13 (Crayon number)", "unnamed copy of the Pantile", "rivets not screws"):
        assert what in told["moved plate"][0]
    assert "as the maker's are: K12" in told["copied plate"][1]


def test_a_title_that_goes_with_the_pan_that_is_gone(sample):
    """E23-009: three objects, three histories, and an invoice that explains it; nobody is accused."""
    one = of(sample, "E23-009")
    assert "a title number of another pan" == one.kind and "P 511294" == one.key
    assert "the floor was changed" == one.explanations[0].name
    assert "invoice, second-hand pan" in explained(one)["the floor was changed"][0]
    assert {"E23-009"} == {side.car for side in one.sides}


@pytest.mark.parametrize("number", ["E21-003", "E21-012", "E23-021", "E24-001", "E24-010", "E25-008", "E26-009"])
def test_where_nothing_is_at_odds_nothing_is_found(sample, number):
    """Among them a body without a pan, an assigned title, a pan that a second invoice explains, and two figures turned."""
    assert [] == conflicts(sample, number)


def test_open_ones_come_first_and_each_has_two_sides_and_an_explanation(sample):
    """In the list as for one car."""
    found = conflicts(sample)
    assert [one.is_open for one in found] == sorted((one.is_open for one in found), reverse=True)
    for one in found:
        assert 2 <= len(one.sides) and one.explanations
        assert all(side.ask and side.says for side in one.sides)
        assert one.as_dict() in [each.as_dict() for each in conflicts(sample, one.cars[-1])]


@pytest.mark.parametrize("seed", range(4))
def test_asked_for_one_car_or_for_all_the_same_is_found(db, seed):
    """Numbers, titles and papers at random, with doubts; the way over all cars leaves none out."""
    plated(db)
    chance = random.Random(seed)
    pans = ["S8 00101", "S8 00102", "S9 00101", "S9 61077", "S8 0010[12]", "77"]
    serials = ["KP 0147", "KP O147", "KP 0148", "KD 0118", "KD 0505", "KD 01[14]8", "66"]
    for place in range(1, 15):
        papers = ()
        if chance.random() < 0.4:
            paper = {
                "about": "first_registered",
                "kind": "slip",
                "relation": "equals",
                "edtf": chance.choice(["1967", "1968-05", "1970"]),
            }
            papers = (check(StatementIn, **paper),)
        numbers: dict[str, Any] = {"pan": pans, "plate": serials, "body": serials, "title": pans}
        numbers = {kind: chance.choice(of_kind) for kind, of_kind in numbers.items() if chance.random() < 0.6}
        car(db, f"E26-{place:03d}", statements=papers, look=False, **numbers)
    parting.merge(db, "E26-001", "E26-002", reason="One car.", by=BY, on=DAY)
    everything = conflicts(db)
    assert everything
    for number in {row["number"] for row in db.query("SELECT number FROM cars")} - {"E26-002"}:
        assert {one.name for one in everything if number in one.cars} == {one.name for one in conflicts(db, number)}


def test_looking_writes_nothing(yard):
    """Conflicts are found anew each time; only a person puts one down."""
    before = knowing.counts(yard)
    conflicts(yard)
    assert before == knowing.counts(yard)


# the same number on two cars


@pytest.mark.parametrize(
    ("one", "other", "together"),
    [
        (None, None, True),
        ("1980/..", None, True),
        ("../1980", "1980/..", False),
        ("../1980-04-14", "1980-04-14/..", False),
        ("../1980", "1975/..", True),
        ("../1980", "1980-06/..", False),
        ("1960/1980", "1970/1990", True),
        ("1960/1970", "1980/1990", False),
        ("1960/", "1970/..", False),
        ("1960/", "1970/", False),
        ("../1980", "../1980", False),
    ],
)
def test_whether_two_fittings_were_at_one_time(one, other, together):
    """Only what is certain: an end that is not known, or no more than a year, leaves it open that one came after the other."""

    def fitting(edtf: str | None) -> dict[str, Any]:
        return {"edtf": edtf, "former": bool(edtf) and not (edtf or "").endswith("/..")}

    assert together is at_one_time(fitting(one), fitting(other))
    assert together is at_one_time(fitting(other), fitting(one))


def test_a_pan_that_left_before_it_came_is_no_conflict(db):
    """And one that is under both is."""
    car(db, "E26-001", pan="S8 00101")
    parting.repan(db, "E26-001", number="S9 61077", when="1980", reason="Swapped.", by=BY, at="2026-03-02T09:00:00Z")
    car(db, "E26-002", pan="S8 00101")
    assert [] == conflicts(db)
    car(db, "E26-003", pan="S8 00101")
    (one,) = conflicts(db)
    assert (("E26-002", "E26-003"), ("the same pan under two cars at one time",)) == (one.cars, one.what)


@pytest.mark.parametrize("seed", range(6))
def test_in_whatever_order_they_were_entered(db, seed):
    """The same cars give the same conflicts, whichever came into the book first on that day."""
    cars = {
        "E26-001": {"pan": "S8 00101", "plate": "KP 0147"},
        "E26-002": {"pan": "S8 00101", "plate": "KP O147"},
        "E26-003": {"pan": "S8 00103", "plate": "147 KP"},
        "E26-004": {"pan": "S8 00104", "body": "KP 0204"},
        "E26-005": {"pan": "S8 00[13]4", "plate": "KP 02?4"},
    }
    order = list(cars)
    random.Random(seed).shuffle(order)
    for number in order:
        car(db, number, **cars[number])
    found = {(one.cars, one.what) for one in conflicts(db)}
    serial, pan = "the same serial twice", "the same pan under two cars at one time"
    assert {
        (("E26-001", "E26-002"), (serial, pan)),
        (("E26-001", "E26-003"), (serial,)),
        (("E26-002", "E26-003"), (serial,)),
    } == found


def test_numbers_that_no_table_knows_are_one_only_within_a_series(db):
    """Two makers may each have stamped a 66."""
    car(db, "E26-001", body={"as_typed": "77", "series": "KA"})
    car(db, "E26-002", body={"as_typed": "77", "series": "NC"}, look=False)
    assert [] == conflicts(db)
    car(db, "E26-003", body={"as_typed": "77", "series": "KA"})
    assert ["two cars claim one number"] == [
        one.kind for one in conflicts(db) if set(one.cars) == {"E26-001", "E26-003"}
    ]


@pytest.mark.parametrize(
    ("one", "other", "speaks_for", "against"),
    [
        ("1966-08-03", "1967-06-20", "leave July 1966 to December 1966", ""),
        ("1966-08-03", "1966-09-01", "", "both would be of one issue"),
        (None, None, "The table has KD 0505 more than once", ""),
    ],
)
def test_a_double_issue_with_the_papers_of_the_two(db, one, other, speaks_for, against):
    """Papers that leave an issue each speak for it; papers that leave the same one to both speak against it."""
    plated(db)
    for number, day in (("E26-001", one), ("E26-002", other)):
        papers = ()
        if day:
            papers = (check(StatementIn, about="body_moulded", kind="invoice", relation="equals", edtf=day),)
        car(db, number, body="KD 0505", statements=papers)
    told = explained(of(db, "E26-001", "E26-002"))["double issue"]
    assert speaks_for.replace("July 1966 to December 1966", "") in told[0].replace("between July and December 1966", "")
    assert against in told[1]
    if one and not against:
        assert "The papers of E26-001 leave" in told[0] and "The papers of E26-002 leave" in told[0]


def test_a_doubtful_reading_claims_nothing(db):
    """It may be the other's number, and it may not."""
    car(db, "E26-001", plate="KP 0147"), car(db, "E26-002", plate="KP 01[14]7")
    assert [] == conflicts(db)


def test_a_reading_that_was_a_slip_claims_nothing_any_more(db):
    """What was put down stays on file, and is told as what it was."""
    car(db, "E26-001", plate="KP 0147"), car(db, "E26-002", plate="KP 0147")
    (reading,) = [
        row["id"]
        for row in db.query("SELECT r.id FROM readings r JOIN entries e ON e.id = r.entry WHERE e.number = 'E26-002'")
    ]
    slip = {"car": "E26-002", "stamped_on": "plate", "as_typed": "KP 0177", "slip_of": reading}
    store.record_reading(db, check(ReadingIn, **slip), by=BY)
    (one,) = conflicts(db)
    assert ("two cars claim one number", True) == (one.kind, one.is_open)
    assert any("KP 0177" in side.says for side in one.sides)


# one car


def test_what_speaks_for_one_car_and_against_it(db):
    """Colour under the paint, keepers, tells and numbers; a sentence each, in both orders."""
    tells = ("K01", "K02", "K03")
    first = tuple(check(ObservationIn, tell=tell, state="present") for tell in tells)
    car(db, "E26-001", pan="S8 00101", colour_now="Ink", day="2026-01-10", observations=first)
    other = (*first[:2], check(ObservationIn, tell="K03", state="absent"))
    car(
        db,
        "E26-002",
        pan="S9 61077",
        colour_now="Oat",
        colour_under="Pink",
        day="2026-01-20",
        owner="Bo",
        observations=other,
    )
    book = Book(db)
    a, b = book.record_of("E26-001"), book.record_of("E26-002")
    assert one_car(a, b) == one_car(b, a)
    told = one_car(a, b)
    assert () == told.speaks_for, "Ink is no part of Pink"
    against = " ".join(told.speaks_against)
    for what in ("pan numbers differ", "within 10 days", "K03 (mould)"):
        assert what in against


# plates, pans, titles, pictures


@pytest.mark.parametrize(
    ("what", "began"),
    [
        ("etched plate with a double border from here on, 14 February 1967", True),
        ("plate with four rivets from here on; none before", True),
        ("etched plate with four rivets from here on; embossed before (October 1971)", False),
        ("foil label from about here on, January 1977; riveted plate before", False),
        ("comma-shaped flaw under the right headlamp bowl from here on; never on earlier bodies", False),
        ("no plate from here on", False),
        ("Mk II from here on, July 1972", False),
    ],
)
def test_from_which_number_on_there_were_plates(what, began):
    """A change of one kind of plate for another is not the beginning of plates."""
    assert began is bool(plates_began({"change_points": [{"what": what}]}))


@pytest.mark.parametrize(
    ("plate", "body", "found"),
    [
        ("KD 0118", "KD 0118", True),
        ("KD 0200", None, False),
        ("KD 0118", None, True),
        (None, "KD 0118", False),
        ("KD 0[12]18", None, False),
    ],
)
def test_a_plate_from_before_plates(db, plate, body, found):
    """Found where the plate's number is before the change point for certain; the exceptions of the table are told."""
    plated(db)
    car(db, "E26-001", plate=plate, body=body)
    told = [one for one in conflicts(db) if one.kind == "a plate on a body moulded before plates"]
    assert found is bool(told)
    if found:
        assert "the maker's own exception" in explained(told[0])
        assert "No letter from the maker is on file." in explained(told[0])["the maker's own exception"][1]


def test_a_pan_younger_than_the_registration(db):
    """The two sides are the pan and the paper; another floor, another paper and a misreading are the explanations."""
    paper = {"about": "first_registered", "kind": "registration slip", "relation": "equals", "edtf": "1967-05-02"}
    car(db, "E26-001", pan="S9 61077", statements=(check(StatementIn, as_written="2 May 1967", **paper),))
    (one,) = conflicts(db)
    assert ("a pan younger than the car's papers", True) == (one.kind, one.is_open)
    assert "S9 61077" in one.sides[0].says and "2 May 1967" in one.sides[1].says
    assert {"another floor put under it later", "a paper of another thing", "misreading"} == set(explained(one))
    # A paper for another floor explains it, and then there is no conflict.
    parting.repan(db, "E26-001", present=True, when="1970", reason="An invoice.", by=BY, at="2026-03-02T09:00:00Z")
    assert [] == conflicts(db)


@pytest.mark.parametrize("edtf", ["1968-10", "1970", "1967/.."])
def test_a_pan_that_may_be_older_is_no_conflict(db, edtf):
    """Only what cannot be."""
    paper = {"about": "first_registered", "kind": "registration slip", "relation": "equals", "edtf": edtf}
    car(db, "E26-001", pan="S9 61077", statements=(check(StatementIn, **paper),))
    assert [] == conflicts(db)


def test_a_title_with_the_number_of_another_cars_pan(db):
    """Both cars are sides of it, and one car entered twice is among the explanations."""
    car(db, "E26-001", pan="S8 00101", title="S8 00101")
    car(db, "E26-002", pan="S9 61077", title="S8 00101")
    one = of(db, "E26-002", "E26-001")
    assert ("a title number of another pan", ("E26-002", "E26-001")) == (one.kind, one.cars)
    assert "S8 00101 is the number of the pan of E26-001" in one.says or "pan of E26-001" in one.says
    told = explained(one)
    assert "the pan of E26-001" in told["a title of another car"][0]
    assert "one car entered twice" in told
    assert [one.as_dict()] == [each.as_dict() for each in conflicts(db, "E26-001")]


def test_a_title_one_slip_from_its_pan_is_no_conflict_unless_it_is_anothers(db):
    """Two figures turned are shown elsewhere; another car's pan is told all the same."""
    car(db, "E26-001", pan="S8 00101", title="S8 00110")
    assert [] == conflicts(db)
    car(db, "E26-002", pan="S8 00110")
    (one,) = conflicts(db)
    assert "one slip apart" in explained(one)["misreading"][0]


def _picture(db: Database, number: str, sha: str, dhash: str | None = None, **more: Any) -> None:
    event = db.execute("SELECT max(id) FROM events").fetchone()[0]
    known = {"origin": "try", "media_type": "image/jpeg", "bytes": 1, "event": event}
    row = {
        "uid": f"{number}{sha}{dhash}{more}",
        "car": knowing.resolve_car(db, number)["id"],
        "sha256": sha,
        "dhash": dhash,
    }
    with store.transaction(db):
        db["photographs"].insert(known | row | more)


def test_one_picture_under_two_cars(db):
    """The same file, or one that looks the same; not one without anything in it, and not two of one car."""
    for number in ("E26-001", "E26-002", "E26-003"):
        car(db, number)
    _picture(db, "E26-001", "a" * 64, "0f0f0f0f0f0f0f0f", view="left side")
    _picture(db, "E26-001", "b" * 64, "0000000000000000")
    _picture(db, "E26-002", "c" * 64, "0f0f0f0f0f0f0f0e")
    _picture(db, "E26-003", "d" * 64, "0000000000000000")
    _picture(db, "E26-003", "e" * 64, "f0f0f0f0f0f0f0f0", clean_sha256="a" * 64)
    found = {one.cars: one for one in conflicts(db)}
    assert {("E26-001", "E26-002"), ("E26-001", "E26-003")} == set(found)
    assert "the same file" in found["E26-001", "E26-003"].says
    assert "not the same file" in found["E26-001", "E26-002"].says
    assert "left side" in found["E26-001", "E26-002"].sides[0].says
    parting.merge(db, "E26-001", "E26-002", reason="One car.", by=BY, on=DAY)
    assert {("E26-001", "E26-003")} == {one.cars for one in conflicts(db)}


@pytest.mark.parametrize("seed", range(5))
def test_pictures_that_look_alike_are_found_as_by_comparing_all(seed):
    """The bands leave none out."""
    chance = random.Random(seed)
    seeds = [chance.getrandbits(64) for _ in range(12)]
    rows = []
    for place in range(60):
        bits = chance.choice(seeds)
        for _ in range(chance.randrange(10)):
            bits ^= 1 << chance.randrange(64)
        rows.append(
            {"id": place, "car": place % 7, "sha256": f"{place}", "clean_sha256": None, "dhash": f"{bits:016x}"}
        )
    expected = {
        (a["id"], b["id"])
        for a, b in itertools.combinations(rows, 2)
        if a["car"] != b["car"] and (int(a["dhash"], 16) ^ int(b["dhash"], 16)).bit_count() <= ALIKE_BITS
    }
    assert expected
    assert expected == {tuple(sorted((a["id"], b["id"]))) for a, b, _ in _same_pictures(rows)}


def test_numbers_that_look_alike_differ_in_one_figure_and_were_issued(db):
    """The same as by trying every number of the family."""
    plated(db)
    book = Book(db)
    table = yaml.safe_load((SAMPLE.parent / "decoder/tables/confusion.yml").read_text(encoding="utf-8"))
    pairs = {frozenset(str(pair["pair"])) for pair in table["pairs"]}
    expected = {
        f"KD{number:04d}"
        for number in range(1, 901)
        if sum(a != b for a, b in zip(f"{number:04d}", "0188", strict=True)) == 1
        and all(a == b or frozenset((a, b)) in pairs for a, b in zip(f"{number:04d}", "0188", strict=True))
    }
    assert {"KD0138", "KD0183"} <= expected
    assert expected == set(look_alikes(book, "try-plated", "KD0188"))


# settling


def test_a_conflict_is_settled_by_a_named_person_with_a_reason(db):
    """What was put down before stays; the settled one is shown as settled, with the name."""
    car(db, "E26-001", plate="KP 0147"), car(db, "E26-002", plate="KP 0147")
    (one,) = conflicts(db)
    kept = settle(db, one.name, reason="Two plates were made.", by="Zoe Last", on=DAY)
    assert ("settled", "Two plates were made.") == (kept.state, kept.reason)
    assert "Zoe Last" == knowing.people(db)[kept.by_person or 0]["name"]
    assert [("open", "not known yet"), ("settled", "Two plates were made.")] == [
        (row["state"], row["reason"]) for row in db.query("SELECT state, reason FROM conflicts ORDER BY id")
    ]
    assert [kept.as_dict()] == [each.as_dict() for each in conflicts(db)]
    # A later word stands in its place.
    again = settle(db, kept.name, reason="One of them is a copy.", by=BY, on=DAY)
    assert "One of them is a copy." == again.reason and 3 == db["conflicts"].count


@pytest.mark.parametrize(
    ("reason", "keep"), [("not known yet", False), ("Not known yet: asked the keeper", False), ("Ask in May.", True)]
)
def test_a_conflict_may_be_put_down_and_stay_open(db, reason, keep):
    """With the reason as far as it is known; an open one on file keeps the cars out of an edition."""
    from registry.publish import _Books

    plated(db)
    car(db, "E26-001", plate="KD 0118")
    (one,) = conflicts(db)
    assert () == one.on_file and {} == _Books(db, None).held()
    kept = settle(db, one.name, reason=reason, by=BY, on=DAY, keep_open=keep)
    assert ("open", reason) == (kept.state, kept.reason) and kept.name.isdigit()
    assert 1 == len(_Books(db, None).held())
    settle(db, kept.name, reason="The maker's letter is here.", by=BY, on=DAY)
    assert {} == _Books(db, None).held()
    assert ["settled"] == [each.state for each in conflicts(db)]


def test_a_number_that_was_read_after_it_was_settled_opens_it_again(db):
    """Nobody has spoken of that one yet."""
    car(db, "E26-001", plate="KP 0147", pan="S8 00101"), car(db, "E26-002", plate="KP 0147")
    settle(db, conflicts(db)[0].name, reason="Two plates were made.", by=BY, on=DAY)
    store.record_reading(db, check(ReadingIn, car="E26-002", stamped_on="pan", as_typed="S8 00101"), by=BY, look=False)
    (one,) = conflicts(db)
    assert one.is_open and "S8 00101" in one.reason and "Two plates were made" in one.reason


def test_settled_and_split_apart_and_joined(yard):
    """The word of a person on two records is there again when they are two again."""
    before = [one.as_dict() for one in conflicts(yard, "E22-001")]
    parting.merge(yard, "E22-001", "E22-009", reason="Trying.", by="OT", on=DAY)
    assert [] == [one for one in conflicts(yard, "E22-001") if one.kind == "two cars claim one number"]
    parting.split(yard, "E22-009", reason="Trying.", by="OT", on=DAY)
    assert before == [one.as_dict() for one in conflicts(yard, "E22-001")]


@pytest.mark.parametrize(
    ("name", "reason", "by", "error", "says"),
    [
        ("99", "Why not.", BY, NoAnswer, "no conflict 99"),
        ("number:E26-001:E26-009", "Why not.", BY, NoAnswer, "--all"),
        ("1", " ", BY, WrongInput, "with a reason"),
        ("1", "Why not.", None, WrongInput, "named person"),
    ],
)
def test_what_cannot_be_settled(db, name, reason, by, error, says):
    """No such conflict, no reason, no name: a sentence, and nothing is written."""
    car(db, "E26-001", plate="KP 0147"), car(db, "E26-002", plate="KP 0147")
    before = knowing.counts(db)
    with pytest.raises(error, match=says):
        settle(db, name, reason=reason, by=by, on=DAY)
    assert before == knowing.counts(db)


def test_one_that_somebody_put_down_is_shown_though_nothing_finds_it(db):
    """Another number than before: the two readings are its sides."""
    car(db, "E26-001", pan="S8 00101")
    car(db, "E26-002", car="E26-001", pan="S9 61077", day="2026-03-05")
    (one,) = conflicts(db)
    assert "another number than before" == one.kind
    assert "S8 00101" in one.sides[0].says and "S9 61077" in one.sides[1].says
    told = explained(one)
    assert "different visits" in told["two cars in one record"][0]
    assert "More than one character differs." in told["misreading"][1]
    other = {"kind": "two letters", "car_a": "E26-001", "says": "Two letters differ.", "at": DAY}
    store.record_conflict(db, check(ConflictIn, **other), by=BY)
    assert "two letters" in [each.kind for each in conflicts(db)]
