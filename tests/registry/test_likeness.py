"""Finding a car by what can be seen of it: ranked, with why each fits, and "none of these" among the answers."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from furnishing import AT
from hypothesis import given
from hypothesis import strategies as st
from sqlite_utils import Database

from registry import likeness, store
from registry.cli import run
from registry.errors import NoAnswer, WrongInput
from registry.models import (
    DecisionIn,
    EntryIn,
    EvidenceIn,
    JoinIn,
    ObservationIn,
    PersonIn,
    ReadingIn,
    StatementIn,
    StopIn,
    TellIn,
    check,
)
from registry.opening import open_registry

SAMPLE = Path(__file__).resolve().parents[2] / "sample_registry.db"
DAY = "2026-02-03"


@pytest.fixture
def sample() -> Iterator[Database]:
    database = open_registry(SAMPLE)
    yield database
    database.close()


@pytest.fixture
def seen(db: Database) -> Database:
    """Five cars, and tells with words of their own."""
    tells = [
        {"code": "R01", "sheet": "K", "grp": "mould", "name": "Ribbed sill", "looks_like": "three parallel ribs along the sill"},
        {"code": "R02", "sheet": "K", "grp": "mould", "name": "Twin dimples", "looks_like": "two hollows in the luggage-well floor"},
        {"code": "R03", "sheet": "K", "grp": "finish", "name": "Pink gel", "looks_like": "salmon-pink gel at chips"},
    ]  # fmt: skip
    store.record_tells(db, [check(TellIn, **tell) for tell in tells], at=AT)
    for number, now, under, town, name, states, words in (
        ("E26-001", "Rain Grey", "Quarry Green", "Lowmere", "Ada Brook", {"R01": "present", "R02": "present"}, "it came with a tow bar"),
        ("E26-002", "Bilberry", "Bilberry", "Lowmere", "Ben Crane", {"R01": "absent"}, "from the estate"),
        ("E26-003", "Quarry Green", None, "Cask Point", "Cleo Dunn", {"R01": "not visible"}, "barn find"),
        ("E26-004", "Ink over Oat", "Oat", "Cask Point", "Ada Brook", {"R03": "gone with traces left"}, "barn find"),
        ("E26-005", None, None, None, None, {}, None),
    ):  # fmt: skip
        store.record_entry(
            db,
            check(
                EntryIn,
                number=number,
                entry_date=DAY,
                colour_now=now,
                colour_under=under,
                claim_words=words,
                left_by=check(PersonIn, name=name, town=town, ref=f"{name}{number}") if name else None,
                readings=(check(ReadingIn, stamped_on="plate", as_typed="KP 0147"),) if number == "E26-001" else (),
                observations=tuple(check(ObservationIn, tell=tell, state=state) for tell, state in states.items()),
            ),
            by="Orla Thrennick",
            at=AT,
        )
    return db


def cars(answer: likeness.Likeness) -> list[str]:
    return [one.car for one in answer.near]


def first(db: Database, text: str, **more: object) -> tuple[str, list[str], list[str]]:
    one = likeness.like(db, text, **more).near[0]
    return one.car, one.fits, one.against


# --- what is understood -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "kinds"),
    [
        ("grey over green", [("colour", "grey"), ("under", "green")]),
        (
            "Rain Grey over Ink over Quarry Green",
            [("colour", "rain grey"), ("under", "ink"), ("under", "quarry green")],
        ),
        ("green underneath", [("under", "green")]),
        ("under it: oat", [("under", "oat")]),
        ("dark blue", [("colour", "dark blue")]),
        ("Lowmere", [("town", "Lowmere")]),
        ("from Cask Point", [("town", "Cask Point")]),
        ("Lowmear", [("town", "Lowmere")]),  # one letter wrong
        ("ribs on the sill", [("tell", (("R01",), "present"))]),
        ("no ribs on the sill", [("tell", (("R01",), "absent"))]),
        ("R02", [("tell", (("R02",), "present"))]),
        ("no plate", [("without", ("plate",))]),
        ("without a floor", [("without", ("pan",))]),
        ("sixties", [("time", (1960, 1969))]),
        ("the '70s", [("time", (1970, 1979))]),
        ("late 1960s", [("time", (1966, 1969))]),
        ("early seventies", [("time", (1970, 1973))]),
        ("1968", [("time", (1968, 1968))]),
        ("tow bar", [("words", ("tow", "bar"))]),
        ("grey, Lowmere; ribs on the sill", [("colour", "grey"), ("town", "Lowmere"), ("tell", (("R01",), "present"))]),
    ],
)
def test_how_it_is_understood(seen, said, kinds):
    """Each clue by what it names; what names nothing is words."""
    assert kinds == [(clue.kind, clue.value) for clue in likeness.like(seen, said).clues]


def test_clues_without_commas(seen):
    """Words that are clues by themselves are taken so."""
    assert ["colour", "town"] == [clue.kind for clue in likeness.like(seen, "blue Lowmere").clues]


# --- what fits --------------------------------------------------------------------------------------------------


def test_each_kind_of_clue_finds_its_car_and_says_why(seen):
    """Colour, colour under it, town, tell, what is missing, words."""
    assert first(seen, "grey over green, Lowmere, ribs on the sill") == (
        "E26-001",
        ["Rain Grey now (x2.4)", "Quarry Green under it (x1.9)", "Lowmere (x1.6)", "R01 present (x1.8)"],
        [],
    )
    assert first(seen, "pink gel at the chips")[:2] == ("E26-004", ["R03 gone with traces left (x1.4)"])
    assert first(seen, "tow bar")[0] == "E26-001"
    assert "E26-001" not in cars(likeness.like(seen, "no plate"))


def test_akin_colours_fit_less(seen):
    """Nobody calls a car "Ink": it is blue to whoever sees it, though less surely than one that is named blue."""
    answer = likeness.like(seen, "blue")
    assert {"E26-002", "E26-004"} == set(cars(answer))
    assert likeness.like(seen, "bilberry").near[0].probability > answer.near[0].probability


def test_a_colour_under_the_paint_may_be_the_one_it_had_here(seen):
    """Seen green in 2026 and painted since: green underneath fits."""
    assert "E26-003" in cars(likeness.like(seen, "red over green"))


def test_not_examined_is_not_absent(seen):
    """Not visible and not looked for say nothing; absent speaks against it."""
    answer = likeness.like(seen, "ribs on the sill, barn find")
    by_car = {one.car: one for one in answer.near}
    assert by_car["E26-003"].against == []
    assert by_car["E26-003"].unknown == ["R01, Ribbed sill not looked for"]
    against = next(one for one in likeness.like(seen, "ribs on the sill, Lowmere").near if one.car == "E26-002")
    assert against.against == ["R01 absent (x0.2)"]


def test_a_rare_clue_weighs_more_than_a_common_one(seen):
    """Of two that fit one car each, the one that fits few others counts."""
    common, rare = likeness.like(seen, "barn find").clues[0], likeness.like(seen, "tow bar").clues[0]
    assert rare.factor(1.0) > common.factor(1.0) > 1.0
    assert rare.factor(0.0) < 1.0
    assert rare.factor(None) == 1.0


def test_tells_of_one_body_count_once(seen):
    """Two marks of one maker's mould come together: the second adds nothing."""
    one, two = likeness.like(seen, "ribs on the sill"), likeness.like(seen, "ribs on the sill, twin dimples")
    assert one.near[0].probability == pytest.approx(two.near[0].probability, rel=0.35)
    assert sum("(comes with the others)" in fit for fit in two.near[0].fits) == 1


def test_what_is_known_of_its_kind_stands_in_where_nobody_looked(sample):
    """Fifty-six of fifty-eight of series B have the ribbed sill; none of forty-six of series A."""
    answer = likeness.like(sample, "ribs on the sill, green underneath", limit=40)
    by_car = {one.car: one for one in answer.near}
    assert "K15 not looked for (Pantile, series B: 56 of 58) (x2.7)" in by_car["E23-009"].unknown
    assert by_car["E23-009"].probability > by_car["E24-015"].probability


def test_names_only_for_those_who_may_see_them(seen):
    """Without leave a name is no clue, and no answer tells of it."""
    allowed = likeness.like(seen, "Ada Brook", people=True)
    assert {"E26-001", "E26-004"} == set(cars(allowed))
    assert ["name"] == [clue.kind for clue in allowed.clues]
    plain = likeness.like(seen, "Ada Brook, barn find")
    assert "Ada Brook" not in json.dumps([one.as_dict() for one in plain.near])
    assert ["words"] == [clue.kind for clue in plain.clues]
    assert any("Ada Brook" in problem and "left out" in problem for problem in plain.problems)


def test_an_erased_person_is_found_no_more(seen):
    """Neither by the town nor by the name."""
    person = seen.execute("SELECT id FROM people WHERE name = 'Ben Crane'").fetchone()[0]
    store.erase_person(seen, person, by="Orla Thrennick", at=AT)
    assert cars(likeness.like(seen, "Ben Crane", people=True)) == []
    assert cars(likeness.like(seen, "Lowmere")) == ["E26-001"]


def test_joined_records_are_one_car(seen):
    """What was seen at either visit counts for the car that stays."""
    join = check(JoinIn, kind="merge", car="E26-003", into_car="E26-001", reason="one car", at=DAY)
    store.record_join(seen, join, at=AT)
    answer = likeness.like(seen, "barn find, tow bar")
    assert "E26-003" not in cars(answer)
    assert answer.near[0].car == "E26-001"
    assert len(answer.near[0].fits) == 2
    assert answer.cars == 4


def test_a_slip_of_the_pen_does_not_count(seen):
    """The observation that was put in its place does."""
    (slip,) = seen.execute("SELECT id FROM observations WHERE tell = 'R01' AND state = 'absent'").fetchone()
    store.record_observations(
        seen, [check(ObservationIn, tell="R01", state="present", slip_of=slip)], car="E26-002", at=AT
    )
    assert "E26-002" in cars(likeness.like(seen, "ribs on the sill"))


def test_papers_date_a_car(seen):
    """A letter of 1968 makes a car one of the sixties; one of the seventies speaks against it."""
    for car, year in (("E26-001", "1968"), ("E26-002", "1974")):
        paper = check(
            StatementIn, car=car, about="assembled", relation="equals", edtf=year, kind="letter", source="owner"
        )
        store.record_statement(seen, paper, at=AT)
    answer = likeness.like(seen, "sixties, Lowmere")
    assert ["E26-001", "E26-002"] == cars(answer)
    assert ["assembled 1968 (x1.8)", "Lowmere (x1.6)"] == answer.near[0].fits
    assert ["assembled 1974 (x0.2)"] == answer.near[1].against


def test_opinions_say_what_a_car_is(seen):
    """The opinion that stands counts for more than the claim."""
    seen.execute("SELECT 1")
    (reading,) = seen.execute("SELECT id FROM readings").fetchone()
    evidence = (check(EvidenceIn, kind="reading", ref=reading),)
    decision = check(
        DecisionIn,
        car="E26-001",
        opinion="maker's series",
        series="KA",
        reason="the plate",
        by="Orla Thrennick",
        at=AT,
        evidence=evidence,
    )
    store.record_decision(seen, decision, at=AT)
    answer = likeness.like(seen, "series KA")
    assert ["E26-001"] == cars(answer)
    assert answer.near[0].title == "series KA"


def test_stops_come_with_the_cars(seen):
    """Every answer about a car carries its open stops."""
    stop = check(StopIn, kind="lien", says="A lien.", ask="Vell Thrift", car="E26-001", by="Orla Thrennick")
    store.record_stop(seen, stop, at=AT)
    assert [("E26-001", "lien")] == [(stop["car"], stop["kind"]) for stop in likeness.like(seen, "grey").stops]


# --- none of these ----------------------------------------------------------------------------------------------


@given(
    st.lists(
        st.sampled_from(
            [
                "grey",
                "blue",
                "green underneath",
                "Lowmere",
                "sixties",
                "no plate",
                "ribs on the sill",
                "Finial",
                "shoebox",
                "xyzzy",
            ]
        ),
        min_size=1,
        max_size=6,
    )
)
def test_all_answers_together_are_one(said):
    """A property: the cars and "none of these" add up to one, whatever is said; what fits nothing stands nowhere."""
    db = open_registry(SAMPLE)
    try:
        answer = likeness.like(db, ", ".join(said), limit=1000)
    finally:
        db.close()
    total = answer.none_of_these + sum(one.probability for one in answer.near)
    assert 0 < answer.none_of_these < 1
    assert total <= 1 + 1e-5
    assert all(one.fits for one in answer.near)
    assert [one.probability for one in answer.near] == sorted((one.probability for one in answer.near), reverse=True)


def test_what_is_on_no_record_is_said_and_left_out(seen):
    """An empty answer is "none of these", status 1, and the word is named."""
    answer = likeness.like(seen, "xyzzy")
    assert (answer.status, cars(answer), answer.none_of_these) == (1, [], 0.5)
    assert answer.problems == [
        "Nothing here is called \u201cxyzzy\u201d: no town, colour, feature or word in a record. It was left out."
    ]


@pytest.mark.parametrize("number", ["KB 2034", "S9 2??06", "73H024", "KP [01]147"])
def test_numbers_are_not_described(seen, number):
    """A number goes to the look-up of numbers, and is no word of a description."""
    answer = likeness.like(seen, f"grey, {number}")
    assert ["colour"] == [clue.kind for clue in answer.clues]
    assert [f"{number} looks like a number: look it up by itself, tubmark find '{number}'."] == answer.problems


@pytest.mark.parametrize("said", ["", "  ", ",", " ; , .", ", ".join(["grey"] * 41)])
def test_nothing_said_is_refused(seen, said):
    """Wrong input, with a sentence that shows how."""
    with pytest.raises(WrongInput):
        likeness.like(seen, said)


@pytest.mark.parametrize(
    "said",
    [
        "'; DROP TABLE cars",
        "%",
        "(",
        "[",
        "\\",
        "over",
        "over over over",
        "no",
        "under it",
        "é",
        "ribs" * 500,
        "\u0000",
    ],
)
def test_odd_words_are_answered(seen, said):
    """Whatever is typed there is an answer, if only that none of these fits."""
    assert 0 < likeness.like(seen, said).none_of_these <= 1


def test_an_empty_registry(registry_path):
    """Nothing on file: none of these, for certain."""
    db = open_registry(registry_path)
    try:
        answer = likeness.like(db, "grey, ribs on the sill")
    finally:
        db.close()
    assert (answer.status, answer.none_of_these, answer.near) == (1, 1.0, [])


# --- the stories ------------------------------------------------------------------------------------------------


def test_lo_6_only_a_photograph(sample):
    """ "Blue, ribs on the sill, no plate": candidates with how much each fits, and none of these as one of the answers."""
    answer = likeness.like(sample, "blue, ribs on the sill, no plate")
    assert answer.status == 0
    assert {"E23-014", "E25-010"} == set(cars(answer)[:2])  # the two blue ones with the ribs
    assert answer.none_of_these > answer.near[0].probability
    assert any("a number on its plate" in said for said in answer.near[0].against)


def test_in_5_grey_over_green(sample):
    """Both visits of the car that was repainted stand first, whichever colour and town is told."""
    answer = likeness.like(sample, "grey over green, Lowmere, ribs on the sill")
    assert {"E23-014", "E24-021"} == set(cars(answer)[:2])
    assert answer.near[1].probability > 5 * answer.near[2].probability


@pytest.mark.parametrize(("car", "other"), [("E24-021", "E23-014"), ("E23-014", "E24-021")])
def test_in_5_a_car_without_a_number_by_what_it_looks_like(sample, car, other):
    """Each of the two visits finds the other first, by its colours and its kind alone."""
    answer = likeness.like_car(sample, car)
    assert other == answer.near[0].car
    assert car not in cars(answer)
    assert answer.near[0].probability > 5 * answer.near[1].probability


def test_a_car_that_is_not_there(sample):
    with pytest.raises(NoAnswer, match="no car E99-001"):
        likeness.like_car(sample, "E99-001")


def test_the_command(sample, capsys):
    """Cars with what fits and what does not, none of these, and how each clue was taken; JSON with the contract's fields."""
    said = "grey over green, Lowmere, ribs on the sill"
    assert run(["find", "--like", said, "-r", str(SAMPLE)]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    for words in ("E23-014  about", "    against    Ink now", "None of these: about", "K15, Ribbed sill: true of"):
        assert words in out
    assert run(["find", "--like", said, "--json", "-r", str(SAMPLE)]) == 0
    document = json.loads(capsys.readouterr().out)
    assert {"like", "clues", "near", "none_of_these", "beforehand", "stops", "says", "problems"} <= set(document)
    assert {"car", "kind", "number", "how", "differs", "probability", "fits", "against", "unknown"} <= set(
        document["near"][0]
    )
    assert run(["find", "--like", "xyzzy", "-r", str(SAMPLE)]) == 1
    capsys.readouterr()
    assert run(["find", "--like", " ", "-r", str(SAMPLE)]) == 2
    assert capsys.readouterr().err.startswith("Error: Say what can be seen")


def test_a_body_without_a_number_at_the_door(tmp_path, capsys):
    """Before anything is saved the cars it looks like are named; with a number of the body on it they are not."""
    path = tmp_path / "ours.db"
    shutil.copy(SAMPLE, path)
    door = [
        "intake",
        "-r",
        str(path),
        "--date",
        "2026-11-25",
        "--by",
        "Orla Thrennick",
        "--why",
        "register",
        "--claim",
        "None.",
    ]
    car = ["--town", "Lowmere", "--colour", "Grey", "--colour-under", "Quarry Green", "--yes"]
    assert run([*door, "--who", "Ann Vane", *car]) == 0
    out = capsys.readouterr().out
    assert out.index("It looks like E23-014: about") < out.index("Saved as")
    assert "It looks like E24-021: about" in out
    assert run([*door, "--who", "Ivo Vane", *car, "--body", "KB 2799"]) == 0
    assert "It looks like" not in capsys.readouterr().out
    assert run([*door, "--who", "Una Vane", "--town", "Lowmere", "--yes"]) == 0
    assert "It looks like" not in capsys.readouterr().out
