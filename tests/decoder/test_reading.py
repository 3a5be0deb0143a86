"""Readings: what somebody saw is kept as he saw it, and what is no reading is refused with a sentence."""

from __future__ import annotations

import pytest
import strategies
from hypothesis import example, given
from hypothesis import strategies as st

from decoder import Cell, DecoderError, MalformedReading, read
from decoder.reading import LONGEST


def cells(text: str) -> list[str]:
    """Each place as it is printed: "8", "[38]", "?", "8~", "*" for a stretch."""
    return [str(cell) for cell in read(text).cells]


class TestGrammar:
    @pytest.mark.parametrize(
        ("text", "expected"),
        [
            ("118", ["1", "1", "8"]),
            ("s6 2", ["S", "6", "2"]),
            ("1?8", ["1", "?", "8"]),
            ("1_8", ["1", "?", "8"]),
            ("1[38]8", ["1", "[38]", "8"]),
            ("1[83]8", ["1", "[38]", "8"]),
            ("1[3,8]8", ["1", "[38]", "8"]),
            ("1[3/8]8", ["1", "[38]", "8"]),
            ("1[3 8]8", ["1", "[38]", "8"]),
            ("1[33]8", ["1", "3", "8"]),
            ("13/88", ["1", "[38]", "8"]),
            ("13/8/58", ["1", "[358]", "8"]),
            ("1[38]/58", ["1", "[358]", "8"]),
            ("118~", ["1", "1", "8~"]),
            ("1[38]~8", ["1", "[38]~", "8"]),
            ("13/8~8", ["1", "[38]~", "8"]),
            ("1*8", ["1", "*", "8"]),
            ("1...8", ["1", "*", "8"]),
            ("1…8", ["1", "*", "8"]),
            ("1* *8", ["1", "*", "8"]),
        ],
    )
    def test_places(self, text, expected):
        """One character a place; ? and _ unreadable; a set or a slash for either; ~ for a doubt; a star inside for a stretch."""
        assert expected == cells(text)

    @pytest.mark.parametrize(
        "text", ["118012345", "118 012 345", " 1 1 8 0 1 2 3 4 5 ", "118\t012\n345", "118\u00a0012\u2009345"]
    )
    def test_spaces_are_nothing(self, text):
        """However it is spaced it is the same number."""
        assert read("118012345").cells == read(text).cells

    @pytest.mark.parametrize("dash", list("-.–—‐‑·"))
    def test_a_dash_is_kept_where_it_stood(self, dash):
        """A dash or a dot is no character, and it is not dropped: it may stand where a character was."""
        reading = read(f"118{dash}123")
        assert reading.separators == (3,)
        assert [str(cell) for cell in reading.cells] == ["1", "1", "8", "1", "2", "3"]

    def test_dashes_at_both_ends_and_two_together(self):
        """Each dash counts the places before it."""
        assert read("-1--2-").separators == (0, 1, 1, 2)

    @pytest.mark.parametrize("mark", list("*◊◇◆♦⬧⬨⬦★☆✱⬥"))
    def test_a_mark_at_the_edge_closes_the_stamping(self, mark):
        """A star or a lozenge at an edge is the stamping's, and is no place of the number."""
        reading = read(f"{mark} 118 012 345 {mark}")
        assert (mark, mark) == reading.end_marks
        assert len(reading.cells) == 9

    def test_dots_at_the_edge_are_a_stretch(self):
        """Three dots are no end mark: there the beginning or the end is gone."""
        assert cells("...12") == ["*", "1", "2"]
        assert cells("12...") == ["1", "2", "*"]
        assert read("...12").end_marks == ("", "")

    def test_where_it_is_uncertain(self):
        """Places are counted from 0; a doubtful character is uncertain, a set of one is not."""
        assert read("S6 2[71]96?").uncertain_at == (3, 6)
        assert read("18~").uncertain_at == (1,)
        assert read("1[8]").is_certain
        assert not read("1*8").is_certain

    def test_what_was_typed_is_kept(self):
        """The text as typed stands beside what was read of it."""
        assert read(" s6 2[71]96? ").typed == " s6 2[71]96? "


class TestOtherScripts:
    @pytest.mark.parametrize(
        ("text", "expected"),
        [
            ("１１８", "118"),
            ("ＫＰ０１４７", "KP0147"),
            ("①②", "12"),
            ("1²", "12"),
            ("Ⅷ8", "VIII8"),
            ("٣٤", "34"),
            ("1٣8", "138"),
        ],
    )
    def test_are_read_and_it_is_said(self, text, expected):
        """Full-width, circled and raised figures and those of another script are taken for ordinary ones, with a note."""
        reading = read(text)
        assert expected == reading.text
        assert reading.notes

    def test_ordinary_text_has_no_note(self):
        """Small letters and spaces change nothing that has to be said."""
        assert read("kp 0147").notes == ()


class TestRefused:
    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("", "There is no number here"),
            (" \t\n", "There is no number here"),
            ("*", "no letter or figure"),
            ("...", "no letter or figure"),
            ("-", "no letter or figure"),
            ("[]", "empty set"),
            ("1[ ]2", "empty set"),
            ("1[,]2", "empty set"),
            ("1[38", "not closed"),
            ("1[[38]]", "inside a set"),
            ("1[3[8]]", "inside a set"),
            ("138]", "] without a ["),
            ("1[3?]", "? inside a set"),
            ("~1", "must follow"),
            ("1 ~", "must follow"),
            ("1~~", "must follow"),
            ("?~", "must follow"),
            ("*1*~2", "must follow"),
            ("/8", "both sides"),
            ("3/", "both sides"),
            ("3//8", "both sides"),
            ("3 /8", "both sides"),
            ("3/ 8", "both sides"),
            ("?/8", "both sides"),
            ("3~/8", "both sides"),
            ("'; DROP", "which no number has"),
            ("118,012", "which no number has"),
            ("1\x008", "a control character (0)"),
            ("1\u200b8", "a control character (8203)"),
            ("\ud800", "a control character (55296)"),
            ("Straße 8", "has ß in it"),
            ("<b>8</b>", "has < in it"),
        ],
    )
    def test_with_a_sentence(self, text, says):
        """Each says what is wrong with it and how it is to be typed."""
        with pytest.raises(MalformedReading) as refused:
            read(text)
        assert says in str(refused.value)
        assert str(refused.value).endswith(".")

    @pytest.mark.parametrize("what", [None, 118, 1.5, b"118", ["1"]])
    def test_what_is_no_text(self, what):
        """A number out of a table of numbers has lost its leading zeros already; it has to be given as text."""
        with pytest.raises(MalformedReading, match=r"A reading is text"):
            read(what)

    def test_the_longest(self):
        """64 places are taken, 65 are not; a long text is not shown back whole."""
        assert LONGEST == len(read("1" * LONGEST).cells) == len(read("[38]" * LONGEST).cells)
        with pytest.raises(MalformedReading, match="more than 64 places"):
            read("1" * (LONGEST + 1))
        with pytest.raises(MalformedReading, match="600 characters long"):
            read("1" * 600)
        with pytest.raises(MalformedReading) as refused:
            read("!" + "1" * 300)
        assert len(str(refused.value)) < 250


class TestPrintingAndReading:
    @given(strategies.readings())
    @example("...1")
    @example("1...")
    @example("*...1")
    @example("-...1-*")
    @example("1....2")
    @example("3/8~-[17]")
    def test_return_the_same(self, text):
        """What is printed reads back as the same places, dashes and end marks."""
        reading = read(text)
        again = read(str(reading))
        assert (reading.cells, reading.separators, reading.end_marks) == (
            again.cells,
            again.separators,
            again.end_marks,
        )
        assert str(reading) == str(again)
        assert reading.cells == read(reading.text).cells

    @given(st.text(max_size=40))
    def test_any_text_is_a_reading_or_a_sentence(self, text):
        """Whatever is typed, it is read or refused; and what is read has places of known characters, in order, each once."""
        try:
            reading = read(text)
        except MalformedReading as refused:
            assert str(refused).endswith(".")
            return
        assert 1 <= len(reading.cells) <= LONGEST
        for cell in reading.cells:
            assert all(c.isascii() and (c.isdigit() or c.isupper()) for c in cell.chars)
            assert list(cell.chars) == sorted(set(cell.chars))
            assert not (cell.stretch and cell.chars)
        assert reading.cells == read(str(reading)).cells


def test_a_malformed_reading_is_one_of_the_decoders_errors():
    """Whoever catches the decoder's errors catches this one."""
    assert issubclass(MalformedReading, DecoderError)


def test_a_cell_prints_as_it_is_typed():
    """Certain, either, unreadable, doubtful, a stretch."""
    made = [
        Cell("8"),
        Cell("38"),
        Cell(""),
        Cell("8", doubtful=True),
        Cell("38", doubtful=True),
        Cell("", stretch=True),
    ]
    assert [str(cell) for cell in made] == ["8", "[38]", "?", "8~", "[38]~", "*"]
