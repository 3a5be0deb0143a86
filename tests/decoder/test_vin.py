"""The 17-character number: its check character, its parts, and what is left when some of it cannot be read.

The published examples and tables are in ``tests/published/test_published_vin17.py``; here is what must hold of any number.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder import Decoding, decode
from decoder.vin import ALPHABET, LENGTH, check_character

#: 49 CFR 565.15, Table III and Table IV, as published lists print them; written out a second time here.
VALUES = {**{str(n): n for n in range(10)},
          **dict(zip("ABCDEFGH", range(1, 9), strict=True)), **dict(zip("JKLMN", range(1, 6), strict=True)), "P": 7, "R": 9,
          **dict(zip("STUVWXYZ", range(2, 10), strict=True))}  # fmt: skip
WEIGHTS = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2]

any_number = st.text(ALPHABET, min_size=LENGTH, max_size=LENGTH)


def with_check(number: str) -> str:
    return number[:8] + check_character(number) + number[9:]


def of_vin(text: str) -> Decoding | None:
    return next((d for d in decode(text, families=["vin17"], doubt="none").decodings), None)


@given(any_number)
def test_the_check_character_is_the_weighted_sum_by_11(number):
    """By the published values and weights: the remainder, 10 being X."""
    remainder = sum(VALUES[c] * w for c, w in zip(number, WEIGHTS, strict=True)) % 11
    assert "0123456789X"[remainder] == check_character(number)


@given(any_number, st.text(ALPHABET, min_size=1, max_size=1))
def test_what_stands_ninth_does_not_matter(number, ninth):
    assert check_character(number) == check_character(number[:8] + ninth + number[9:])


@given(any_number)
def test_small_letters_and_spaces_do_not_matter(number):
    assert check_character(number) == check_character(f" {number[:9].lower()} {number[9:]} ")


@pytest.mark.parametrize("number", ["", "1", "1" * 16, "1" * 18, "I" + "1" * 16, "-" + "1" * 16, "\u0661" + "1" * 16])
def test_what_has_no_check_character(number):
    """Another length, or a character that has no value."""
    with pytest.raises(ValueError, match="17 characters|no character of such a number"):
        check_character(number)


@given(any_number)
def test_any_17_legal_characters_are_such_a_number(number):
    """Refusing a true number is the worse mistake: where the check does not agree it is still answered, and it is said."""
    found = of_vin(number)
    assert found is not None
    assert number == found.number
    agrees = check_character(number) == number[8]
    assert agrees == any("check character agrees" in fact for fact in found.facts)


@given(any_number, st.sets(st.integers(0, 16), max_size=2))
def test_unreadable_characters_never_lose_the_number(number, places):
    """With one or two places unreadable the number itself is among the candidates, its model year among the years."""
    number = with_check(number)
    found = of_vin("".join("?" if i in places else c for i, c in enumerate(number)))
    whole = of_vin(number)
    assert found is not None
    assert whole is not None
    assert dict(whole.model_years).keys() <= dict(found.model_years).keys()
    if found.total_candidates <= 33:
        assert number in [candidate.number for candidate in found.candidates]
    assert sum(p for _, p in found.model_years) <= 1 + 1e-9
    assert 1 == pytest.approx(sum(weight for _, weight in found.weights))


@given(any_number.filter(lambda n: n[0] in "12345"), st.integers(0, 16).filter(lambda n: n != 8))
def test_where_the_check_binds_it_finds_the_unreadable_character(number, place):
    """In North America a number that agrees weighs a hundred times one that does not: those that agree come first."""
    number = with_check(number)
    if place == 0:
        number = "1" + number[1:]
        number = with_check(number)
    found = of_vin(number[:place] + "?" + number[place + 1 :])
    agreeing = {c.number for c in found.candidates if check_character(c.number) == c.number[8]}
    assert number in agreeing
    if place:
        assert agreeing == {c.number for c in found.candidates[: len(agreeing)]}
        best, other = found.candidates[0].probability, found.candidates[-1].probability
        assert 100 == pytest.approx(best / other)


def test_too_much_open_is_said():
    """Four unreadable places are more numbers than are tried one by one: the year is kept apart, and it says so."""
    found = of_vin("1M8GDM9A?KP0????8")
    assert found.number is None
    assert [(1989, 1.0)] == found.model_years
    assert 33**5 == found.total_candidates
    assert any("Too much is open" in fact for fact in found.facts)


def test_many_open_years_are_all_named():
    """Nothing but the length is known: both cycles, told apart by place 7 for the five first characters of North America alone."""
    found = of_vin("?" * 17)
    years = dict(found.model_years)
    assert set(range(1980, 2040)) == set(years)
    american = 5 / 33
    letters, figures = (american * n / 33 + (1 - american) / 2 for n in (23, 10))
    assert max(years.values()) / min(years.values()) == pytest.approx(letters / figures)


@pytest.mark.parametrize("text", ["1M8GDM9AXKP04278", "1M8GDM9AXKP0427881", "1M8GDM9AXKP*", "1M8GDM9AXKP04278*"])
def test_another_length_or_a_stretch_is_not_read_as_one(text):
    """17 places, all of them there: a star at the edge is no 17th character."""
    assert of_vin(text) is None


def test_a_model_year_is_no_calendar_year():
    """Model year 1989 lies between 2 January 1988 and 31 December 1989, whatever the number."""
    found = of_vin("1M8GDM9AXKP042788")
    assert ("1988-01-02", "1989-12-31") == (found.earliest, found.latest)
    assert [] == found.months


def test_asking_again_gives_the_same_answer():
    """What is built on the way is kept and shared; it changes no answer."""
    first = decode("1M8GDM9A?KP042788").as_dict()
    decode("?" * 17)
    assert first == decode("1M8GDM9A?KP042788").as_dict()


def test_a_dash_divides_nothing():
    """Dashes between the parts are spelling."""
    assert "1M8GDM9AXKP042788" == of_vin("1M8-GDM9AX-KP042788").number
