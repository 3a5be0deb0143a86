"""The 17-character number against published worked examples, the published tables and Faker's generator."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from faker import Faker

from decoder import decode
from decoder.vin import check_character

LINES = (Path(__file__).parent / "vin17.csv").read_text(encoding="utf-8").splitlines()
EXAMPLES = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
#: Table VII of 49 CFR 565.15 as three owners' pages print it (1980-2005, 2005-2018, 2020-2039), seen. I, O, Q, U, Z and 0 are not used.
YEAR_LETTERS = "ABCDEFGHJKLMNPRSTVWXY123456789"


def with_check(number):
    return number[:8] + check_character(number) + number[9:]


def of_vin(number, **more):
    return next((d for d in decode(number, families=["vin17"], **{"doubt": "none", **more}).decodings), None)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e["number"])
def test_published_worked_examples(example):
    assert check_character(example["number"]) == example["wanted"]
    assert (example["number"][8] == example["wanted"]) == (example["passes"] == "yes")


def test_the_published_trap_fails():
    """A page says that the misread SGZCZ43D13S812715 passes like 5GZCZ43D13S812715. With S as 2 the sum is 384: an X is wanted."""
    assert check_character("5GZCZ43D13S812715") == "1"
    assert check_character("SGZCZ43D13S812715") == "X"


def test_ten_thousand_numbers_of_another_program():
    """Faker makes the check character with code of its own; every number agrees, and none does with its check character turned."""
    fake = Faker()
    fake.seed_instance(20261125)
    numbers = [fake.vin() for _ in range(10_000)]
    assert len(set(numbers)) > 9_900
    assert [n for n in numbers if check_character(n) != n[8]] == []
    for number in numbers[:500]:
        turned = "1" if number[8] != "1" else "2"
        assert check_character(number[:8] + turned + number[9:]) != turned


@pytest.mark.parametrize("place", range(17))
def test_one_changed_character_changes_the_check_nearly_everywhere(place):
    """Position 9 carries no weight; in every other place a figure one higher gives another character."""
    base = "11111111111111111"
    changed = base[:place] + "2" + base[place + 1 :]
    assert (check_character(changed) == check_character(base)) == (place == 8)


def made_up(seventh="1", tenth="A", first="1", third="A"):
    """A number of no maker, with its check character."""
    return with_check(f"{first}A{third}AA1{seventh}A0{tenth}A000001")


@pytest.mark.parametrize(("at", "letter"), list(enumerate(YEAR_LETTERS)))
def test_year_letters_and_their_second_cycle(at, letter):
    """A figure in position 7 means 1980 to 2009, a letter 2010 to 2039 (73 FR 23367, footnote to Table VII, seen)."""
    assert of_vin(made_up("1", letter)).model_years == [(1980 + at, 1.0)]
    assert of_vin(made_up("B", letter)).model_years == [(2010 + at, 1.0)]


@pytest.mark.parametrize("character", "UZ0")
def test_characters_that_are_no_year_letter(character):
    """Not used in position 10 (an exercise page, seen): such a number gets no year, and that is said."""
    answer = decode(made_up(tenth=character), families=["vin17"])
    assert answer.decodings[0].model_years == []
    assert any("no year letter" in sentence for sentence in answer.problems)


@pytest.mark.parametrize(("letter", "figure"), [("I", "1"), ("O", "0"), ("Q", "0")])
def test_letters_that_stand_nowhere(letter, figure):
    """I, O and Q are in no such number (two pages, seen): they have no value, and are read as figures with a sentence."""
    number = made_up()
    with pytest.raises(ValueError, match="no character"):
        check_character(number[:16] + letter)
    answer = decode(number[:16] + letter, families=["vin17"])
    assert answer.decodings[0].number == number[:16] + figure
    assert any(f"letter {letter} was read as {figure}" in sentence for sentence in answer.problems)


@pytest.mark.parametrize(
    ("first", "region"),
    [
        *[(c, "Africa") for c in "AH"],  # from memory, as are the next four
        *[(c, "Asia") for c in "JR"],
        *[(c, "Europe") for c in "SZ"],
        *[(c, "North America") for c in "15"],
        *[(c, "Oceania") for c in "67"],
        *[(c, "South America") for c in "89"],  # edmotors.com.br, 30 May 2016, seen
    ],
)
def test_regions(first, region):
    assert region in " ".join(of_vin(made_up(first=first)).facts)


def test_the_check_binds_in_north_america_and_is_a_hint_elsewhere():
    """Section 9 is mandatory in North America; in Europe it is often any character (published list, seen)."""
    american, european = made_up(first="1"), made_up(first="S")
    wrong = [n[:8] + ("5" if n[8] != "5" else "6") + n[9:] for n in (american, european)]
    assert any("it binds" in sentence for sentence in decode(wrong[0], families=["vin17"]).problems)
    assert not any("it binds" in sentence for sentence in decode(wrong[1], families=["vin17"]).problems)
    assert any("hint" in fact for fact in of_vin(wrong[1]).facts)
    assert decode(american, families=["vin17"]).problems == []


def test_a_9_in_place_3_marks_a_low_volume_maker():
    """73 FR 23367, seen: places 12 to 14 then belong to the maker's identifier."""
    told = of_vin(made_up(third="9")).facts
    assert any("low volume" in fact for fact in told)
    assert not any("low volume" in fact for fact in of_vin(made_up()).facts)


@pytest.mark.parametrize("number", ["1AAAA11A0AA00001", "1AAAA11A0AA0000001"])
def test_another_length_is_no_such_number(number):
    """17 characters: 49 CFR 565.4(b), seen."""
    assert of_vin(number) is None
    with pytest.raises(ValueError, match="17 characters"):
        check_character(number)
