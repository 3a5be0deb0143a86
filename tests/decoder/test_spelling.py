"""Spellings: one number, however it is written, has one key; and the keys one slip away from it."""

from __future__ import annotations

from pathlib import Path

import pytest
import strategies
from hypothesis import assume, given
from hypothesis import strategies as st

from decoder import MalformedReading, Tables, compile_table, keys, load_tables, neighbours
from decoder.spelling import MOST_KEYS, Key, reads_as

FOLDER = Path(__file__).parent.parent.parent / "sample" / "tables"
PLAIN = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"


@pytest.fixture(scope="module")
def house() -> Tables:
    """The packaged tables with the invented house tables of the sample."""
    return load_tables(
        extra=[compile_table(path.read_text(encoding="utf-8"), path.name) for path in sorted(FOLDER.glob("*.yml"))]
    )


def of_family(found: list[Key], family: str) -> list[str]:
    return [key.key for key in found if key.family == family]


class TestOneKey:
    @pytest.mark.parametrize(
        "text",
        [
            "KP 0147",
            "KP O147",
            "KPO147",
            "kp0147",
            "KP147",
            "147 KP",
            "0147 KP",
            "147KP",
            "KP-01.47",
            " K P 0 1 4 7 ",
            "*KP 0147*",
            "ＫＰ ０１４７",
        ],
    )
    def test_of_every_spelling(self, house, text):
        """Letters behind, zeros left out, O for 0, dashes, spaces, wide characters: one number."""
        assert ["KP0147"] == of_family(keys(text, "body", house), "pantile-a")

    @pytest.mark.parametrize("text", ["1-0053815", "0053815", "53815", "53.815"])
    def test_without_what_is_no_part_of_the_number(self, house, text):
        """The 1- of the early pans, and leading zeros of a numbering that has none."""
        assert ["53815"] == of_family(keys(text, "pan", house), "aircooled-platform")

    def test_of_a_number_that_no_row_has(self, house):
        """A list holds numbers that no table knows: the pattern is enough for the family's key."""
        assert ["KP9999"] == of_family(keys("KP 9999", "body", house), "pantile-a")

    def test_of_a_number_of_no_family(self, house):
        """Letters and figures as they stand, O, I and Q taken for 0, 1 and 0."""
        assert [Key("", "X0X1X0X", True)] == keys("XOXI-XQ X", "body", house)

    def test_plain_key_is_always_there_and_last(self, house):
        """A number of a family is found by its bare characters as well, so that a list typed before the table was known is found."""
        assert Key("", "KP147", True) == keys("KP 147", "body", house)[-1]

    def test_a_check_letter_that_does_not_agree_is_no_number_of_the_family(self, house):
        """Letter 5 of the Finial's letters is F: UF-0412A is kept under its bare characters only."""
        assert ["UF0412F"] == of_family(keys("UF-0412F", "plate", house), "finial")
        assert [] == of_family(keys("UF-0412A", "plate", house), "finial")

    def test_what_it_is_stamped_on_counts(self, house):
        """A body's number on a pan has no family there."""
        assert [Key("", "KP0147", True)] == keys("KP 0147", "pan", house)

    def test_the_17_characters_have_their_bare_key(self):
        """A numbering with rules of its own: the plain key is its key."""
        assert [Key("", "1M8GDM9AXKP042788", True)] == keys("1M8GDM9AXKP042788")


class TestDoubtfulReadings:
    def test_have_a_key_for_each_number_they_can_be(self, house):
        found = keys("KP 01[47]7", "body", house)
        assert ["KP0147", "KP0177"] == of_family(found, "pantile-a") == of_family(found, "")
        assert not any(key.certain for key in found)

    @pytest.mark.parametrize("text", ["KP 014?", "KP 0[14]47", "KP 0148~", "KP 0*7"])
    def test_are_not_certain(self, house, text):
        assert {False} == {key.certain for key in keys(text, "body", house)}

    def test_a_set_holds_the_keys_of_its_members(self, house):
        """KP 01?7 has the keys of KP 0107 to KP 0197."""
        assert {f"KP01{n}7" for n in range(10)} == set(of_family(keys("KP 01?7", "body", house), "pantile-a"))

    @pytest.mark.parametrize(
        "text", ["KP ????", "???????", "1???????????", "*1*", "[0123456789][0123456789][0123456789][0123456789]"]
    )
    def test_of_too_many_numbers_have_few_keys(self, house, text):
        """Beyond 200 numbers they are not written out."""
        assert len(keys(text, None, house)) <= MOST_KEYS + 50

    @pytest.mark.parametrize("text", ["", "'; DROP", "1[38", "*"])
    def test_what_is_no_reading_has_none(self, text):
        with pytest.raises(MalformedReading):
            keys(text)


@given(st.text(max_size=20), st.sampled_from([None, "pan", "body", "engine", "plate", "title"]))
def test_any_text_has_keys_or_is_no_reading(text, on):
    """Nothing else comes out: keys are figures and capital letters, each once."""
    try:
        found = keys(text, on)
    except MalformedReading:
        return
    assert len(found) == len({(key.family, key.key) for key in found})
    assert all(key.key.isascii() and key.key.isalnum() and key.key == key.key.upper() for key in found)


@given(st.data())
def test_a_widened_reading_keeps_the_key_of_the_number(data):
    """Whatever is doubtful of a number, its own key is among those of the reading, where they are written out."""
    family = data.draw(strategies.small_families(turned=False))
    assume(family.issued)
    number = data.draw(st.sampled_from(family.issued)).number
    text = data.draw(strategies.widened(number, family.alphabets))
    found = [
        key.key for key in keys(text, "pan", Tables({"small": compile_table(family.text)})) if key.family == "small"
    ]
    assume(found and len(found) < MOST_KEYS and "*" not in text)
    assert number in found


class TestNeighbours:
    def test_are_one_slip_away(self):
        """A character misread, dropped, put in or swapped with the next."""
        found = set(neighbours("KP12"))
        assert {"KP13", "KB12", "P12", "KP1", "KP2", "PK12", "KP21", "KP112", "KP122", "KP012"} <= found
        assert not {"KP12", "KP34", "K1", "", "12KP"} & found

    @given(st.text(PLAIN, min_size=1, max_size=10))
    def test_each_once_and_never_the_key_itself(self, key):
        found = list(neighbours(key))
        assert len(found) == len(set(found))
        assert key not in found
        assert all(abs(len(other) - len(key)) <= 1 for other in found)

    @given(st.text(PLAIN, min_size=2, max_size=10), st.data())
    def test_one_dropped_doubled_or_swapped_is_among_them(self, key, data):
        """What happens in typing, wherever it happens."""
        at = data.draw(st.integers(0, len(key) - 2))
        found = set(neighbours(key))
        for other in (
            key[:at] + key[at + 1 :],
            key[: at + 1] + key[at:],
            key[:at] + key[at + 1] + key[at] + key[at + 2 :],
        ):
            assert other == key or other in found

    @given(st.text(PLAIN, min_size=1, max_size=10), st.data())
    def test_one_misread_for_another_of_its_kind_is_among_them(self, key, data):
        at = data.draw(st.integers(0, len(key) - 1))
        kind = "0123456789" if key[at].isdigit() else "ABCDEFGHJKLMNPRSTUVWXYZ"
        other = key[:at] + data.draw(st.sampled_from(kind)) + key[at + 1 :]
        assert other == key or other in set(neighbours(key))

    @given(st.text("0123456789", min_size=2, max_size=7), st.data())
    def test_work_both_ways(self, key, data):
        """Of two numbers of figures one is the other's neighbour or neither is."""
        assert key in set(neighbours(data.draw(st.sampled_from(sorted(neighbours(key))))))

    @pytest.mark.parametrize(
        ("figure", "letter"), [("0", "O"), ("1", "I"), ("5", "S"), ("8", "B"), ("2", "Z"), ("6", "G"), ("0", "D")]
    )
    def test_a_letter_for_a_figure_is_a_slip(self, figure, letter):
        assert f"K{letter}7" in set(neighbours(f"K{figure}7"))

    def test_with_a_family_only_what_can_stand_there(self, house):
        """In KP and four figures the letters have no neighbours but their dropping and swapping."""
        found = set(neighbours("KP0147", house, "pantile-a"))
        assert {"KP0148", "P0147", "PK0147"} <= found
        assert not {"KB0147", "KPO147"} & found

    def test_nothing_has_none(self):
        assert [] == list(neighbours(""))
        assert "" not in set(neighbours("1"))


@pytest.mark.parametrize(
    ("char", "alphabet", "expected"),
    [("O", "0123456789", True), ("8", "ABC", True), ("3", "ABC", False), ("A", "ABC", True)],
)
def test_reads_as(char, alphabet, expected):
    """A character stands for itself or for a look-alike of the alphabet."""
    assert expected == reads_as(char, alphabet)
