"""The sentences of an answer: what the terminal, the page and the printed sheet say alike."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder import Tables, compile_table, decode, load_tables, words

FOLDER = Path(__file__).parent.parent.parent / "sample" / "tables"


@pytest.fixture(scope="module")
def house() -> Tables:
    """The packaged tables with the invented house tables of the sample."""
    return load_tables(
        extra=[compile_table(path.read_text(encoding="utf-8"), path.name) for path in sorted(FOLDER.glob("*.yml"))]
    )


def small(*rows: str, more: str = "", on: str = "pan") -> Tables:
    """One family Z and three figures, with these rows."""
    return Tables({"small": compile_table(f"""\
family: small
title: "A small family (invented)"
carried_by: [{on}]
where: "on it"
sources: {{sheet: {{title: "The sheet", supports: "all", standing: secondary}}, book: {{title: "The book", supports: "all", standing: secondary}}}}
schemes: [{{id: one, parts: [{{name: letter, literal: Z}}, {{name: n, figures: 3}}], print: "Z {{n}}"}}]
{more}
rows: {"[]" if not rows else ""}
""" + "".join(f"  - {{scheme: one, source: sheet, {row}}}\n" for row in rows))})  # fmt: skip


def told(text: str, tables: Tables, **more: object) -> str:
    return " ".join(words.tell(decode(text, tables=tables, doubt="none", **more)))


class TestDaysAndSpans:
    def test_a_day(self):
        assert "1 August 1967" == words.day_in_words("1967-08-01")

    @pytest.mark.parametrize(
        ("earliest", "latest", "expected"),
        [
            ("1967-08-01", "1967-08-31", "August 1967"),
            ("1964-02-01", "1964-02-29", "February 1964"),
            ("1963-02-01", "1963-02-28", "February 1963"),
            ("1966-01-01", "1966-12-31", "1966"),
            ("1967-08-01", "1968-07-31", "August 1967 to July 1968"),
            ("1966-01-01", "1967-12-31", "January 1966 to December 1967"),
            ("1967-02-14", "1967-03-03", "14 February 1967 to 3 March 1967"),
            ("1967-02-14", "1967-02-14", "14 February 1967"),
            ("1968-02-01", "1968-02-28", "1 February 1968 to 28 February 1968"),
        ],
    )
    def test_a_span(self, earliest, latest, expected):
        """Whole months and years by name, odd days in full; a leap year's February ends on the 29th."""
        assert expected == words.span_in_words(earliest, latest)

    @pytest.mark.parametrize(
        ("rows", "expected"),
        [
            (['id: a, basis: month, first: "001", last: "999", built: "1964-09"'], "was made in September 1964."),
            (['id: a, basis: model, interpolate: false, first: "001", last: "999", built: "1964"'], "was made in 1964."),
            (['id: a, basis: model, interpolate: false, first: "001", last: "999", built: "1964-09/1965-02"'], "was made between September 1964 and February 1965."),
            (['id: a, basis: month, first: "001", last: "999", built: "1964-09-14"'], "was made in September 1964."),
            (['id: a, basis: model, first: "001", last: "999", built: "1964-09-14/.."'], "was made not before 14 September 1964; the table leaves the other end open."),
            (['id: a, basis: model, first: "001", last: "999", built: "../1964-09-14"'], "was made not after 14 September 1964; the table leaves the other end open."),
            (['id: a, basis: month, first: "001", last: "499", built: "1964-09"', 'id: b, basis: month, first: "500", last: "999", built: "1964-10"'], "in September or October 1964"),
            (['id: a, basis: month, first: "001", last: "499", built: "1964-12"', 'id: b, basis: month, first: "500", last: "999", built: "1965-01"'], "in December 1964 or January 1965"),
            (['id: a, basis: month, first: "001", last: "499", built: "1964-09"', 'id: b, basis: month, first: "500", last: "999", built: "1966-10"'], "in September 1964 or October 1966"),
            ([f'id: a{n}, basis: month, first: "{n}00", last: "{n}99", built: "1964-0{n}"' for n in (1, 2, 3, 4)], "between January 1964 and April 1964"),
            ([f'id: a{n}, basis: month, first: "{n}00", last: "{n}99", built: "1964-0{n}"' for n in (1, 2, 7)], "in January or February 1964, or in July 1964"),
            ([f'id: a{n}, basis: model, interpolate: false, first: "{n}00", last: "{n}99", built: "196{n}-01/196{n}-06"' for n in (1, 5)],
             "between January 1961 and June 1961, or between January 1965 and June 1965"),
        ],
    )  # fmt: skip
    def test_when_it_was_made(self, rows, expected):
        """Months where the table tells them, else the hard spans; joined where they touch, apart where they do not."""
        assert expected in told("Z ???", small(*rows))

    def test_no_rows_no_date(self):
        """Known for what it is, and said to have no date."""
        assert "This is a number of A small family (invented); the table gives it no date." in told("Z 123", small())

    def test_an_open_end_after_others(self):
        """Rows with and without an end, each open at one side: no day is made up."""
        rows = [
            'id: a, basis: model, interpolate: false, first: "001", last: "499", built: "1964"',
            'id: b, basis: model, first: "500", last: "999", built: "1970/.."',
        ]
        (look,) = decode("Z [16]00", tables=small(*rows)).look_again
        assert {"1": "1964", "6": "not before 1 January 1970"} == {o["character"]: o["then"] for o in look["options"]}


class TestChances:
    @pytest.mark.parametrize(
        ("p", "expected"),
        [
            (1.0, "as good as certain (1.00)"), (1.0000001, "as good as certain (1.00)"), (0.97, "more than 19 in 20 (0.97)"), (0.95, "about 19 in 20 (0.95)"),
            (0.9, "about 9 in 10 (0.90)"), (0.66, "about 2 in 3 (0.66)"), (0.5, "about 1 in 2 (0.50)"), (0.333, "about 1 in 3 (0.33)"), (0.1, "about 1 in 10 (0.10)"),
            (0.05, "about 1 in 20 (0.05)"), (0.01, "about 1 in 100 (0.01)"), (0.003, "less than 1 in 100 (0.003)"), (0.0, "less than 1 in 100 (0)"),
        ],
    )  # fmt: skip
    def test_in_words_and_figures_together(self, p, expected):
        assert expected == words.chance(p)

    @given(st.floats(0, 1))
    def test_the_words_are_near_the_figure(self, p):
        """Never off by more than one in ten of the whole, and never a percentage."""
        said = words.chance(p)
        match = re.match(r"(about|more than|less than) (\d+) in (\d+) ", said)
        if match:
            assert abs(int(match[2]) / int(match[3]) - p) < 0.06
        else:
            assert said.startswith("as good as certain")
            assert p >= 0.995
        assert "%" not in said

    def test_greater_chances_are_never_called_lesser(self):
        """Said in tenths or so, the words go up with the figure."""
        steps = [words.chance(n / 200) for n in range(2, 190)]
        values = [int(m[1]) / int(m[2]) for m in (re.match(r"about (\d+) in (\d+)", s) for s in steps)]
        assert all(a <= b for a, b in pairwise(values))


class TestOrdinals:
    @pytest.mark.parametrize(
        ("n", "expected"),
        [
            (1, "first"),
            (12, "twelfth"),
            (13, "13th"),
            (20, "20th"),
            (21, "21st"),
            (22, "22nd"),
            (23, "23rd"),
            (24, "24th"),
            (111, "111th"),
            (112, "112th"),
        ],
    )
    def test_places(self, n, expected):
        assert expected == words.ordinal(n)


class TestWhatIsSaid:
    """How the year a car is said to have been put together goes with its floor."""

    ONE = 'id: a, basis: model, interpolate: false, first: "001", last: "999", built: "1967-08-01/1968-07-31"'

    @pytest.mark.parametrize(
        ("year", "verdict"),
        [
            (1966, "the floor is younger than that"),
            (1967, "agrees"),
            (1968, "agrees"),
            (1969, "put together later"),
        ],
    )
    def test_the_three_verdicts(self, year, verdict):
        """In conflict only where the earliest day is after the year's 31 December."""
        said = decode("Z 123", tables=small(self.ONE), says=year).as_dict()["says"]
        assert (year, verdict) == (said["year"], said["verdict"])

    def test_a_younger_floor_names_its_day_and_what_to_ask(self):
        said = told("Z 123", small(self.ONE), says=1960)
        assert "The floor is younger than 1960: it was made 1 August 1967 or later. Was the floor changed?" in said

    def test_put_together_later_is_called_normal(self):
        assert "The floor is older than 1975. Put together later is normal" in told("Z 123", small(self.ONE), says=1975)

    def test_an_open_end_is_no_older_floor(self):
        """Where the table knows no last day, a later year agrees."""
        open_end = small('id: a, basis: model, first: "001", last: "999", built: "1967-08/.."')
        assert "agrees" == decode("Z 123", tables=open_end, says=1990).says["verdict"]
        open_start = small('id: a, basis: model, first: "001", last: "999", built: "../1967-08"')
        assert "agrees" == decode("Z 123", tables=open_start, says=1950).says["verdict"]
        assert "put together later" == decode("Z 123", tables=open_start, says=1970).says["verdict"]

    def test_between_two_decades_neither_is_taken_for_granted(self, house):
        """S4 37961 is of January 1964 or April 1974: a car said to be of 1969 has a used floor or a changed one."""
        said = told("S4 37961", house, on="pan", says=1969)
        assert "in January 1964, put together later is normal" in said
        assert "if in April 1974, it is younger than 1969" in said

    @pytest.mark.parametrize("year", [1960, 1969, 1990])
    def test_an_engine_is_compared_with_nothing(self, year):
        """It is changed in an afternoon."""
        said = decode("Z 123", tables=small(self.ONE, on="engine"), on="engine", says=year).says
        assert "nothing to compare" == said["verdict"]
        assert said["sentence"].startswith("An engine dates nothing but itself")

    def test_a_body_is_called_a_body(self):
        said = decode("Z 123", tables=small(self.ONE, on="body"), on="body", says=1960).says
        assert "the body is younger than that" == said["verdict"]
        assert "The body is younger than 1960: it was moulded 1 August 1967 or later" in said["sentence"]

    @pytest.mark.parametrize("text", ["Z 000", "Q"])
    def test_without_a_date_nothing_is_said_for_or_against(self, text):
        tables = small() if text == "Z 000" else small(self.ONE)
        assert "nothing to compare" == decode(text, tables=tables, says=1969, doubt="none").says["verdict"]

    def test_not_asked_not_answered(self):
        assert decode("Z 123", tables=small(self.ONE)).as_dict()["says"] is None


class TestStandingAndSource:
    ROW = 'id: a, basis: month, first: "001", last: "999", built: "1964-09"'

    @pytest.mark.parametrize(
        ("more", "expected"),
        [
            ("", ""),
            (", memory: [last]", 'standing: range from memory; confirm it with a handbook: tubmark families confirm small a --source "handbook, page"'),
            (", structure: [first]", 'standing: range read off the pattern of a sister series; confirm it with a handbook: tubmark families confirm small a --source "handbook, page"'),
        ],
    )  # fmt: skip
    def test_a_row_from_memory_says_so(self, more, expected):
        (found,) = decode("Z 123", tables=small(self.ROW + more)).decodings
        assert expected == words.standing(found)

    def test_the_foot_names_the_rows_and_their_sources(self):
        """DE-16: where does that come from?"""
        (found,) = decode("Z 123", tables=small(self.ROW)).decodings
        assert "Source: table small, September 1964. The sheet." == words.source_line(found)
        assert [{"id": "sheet", "title": "The sheet", "standing": "seen in a secondary source"}] == found.as_dict()[
            "sources"
        ]

    def test_sources_at_odds_are_both_shown(self):
        """What another source says stands in the answer with the reason for the choice; it is named among the sources."""
        row = (
            self.ROW
            + ', disputed: [{source: "book[p. 3]", says: "1964-08", kept_because: "the sheet is the maker\'s own"}]'
        )
        (found,) = decode("Z 123", tables=small(row)).decodings
        assert ["The book says 1964-08 instead; the sheet is the maker's own."] == found.warnings
        assert ["sheet", "book"] == [source["id"] for source in found.as_dict()["sources"]]

    def test_a_house_table_is_never_taken_for_a_real_one(self, house):
        """Every answer from one says so, in the sentences, in the foot and in the data."""
        answer = decode("KP 0147", on="body", tables=house)
        assert any("house table" in sentence for sentence in words.tell(answer))
        assert words.source_line(answer.decodings[0]).startswith("Source: house table pantile-a")
        assert answer.as_dict()["decodings"][0]["house_table"]


class TestFacts:
    def test_the_parts_of_the_number(self, house):
        """What a code letter means."""
        assert "body letter C: open" in decode("C6 67967", tables=house).decodings[0].facts

    def test_change_points_say_which_side(self, house):
        """Before, from there on, or open where the reading leaves it open; known exceptions stand with it."""

        def flaw(text: str) -> str:
            return next(
                fact for fact in decode(text, on="body", tables=house).decodings[0].facts if "comma-shaped" in fact
            )

        assert flaw("KP 0287").startswith("It is before KP 0288, so as a rule without this")
        assert flaw("KP 0288").startswith("It is KP 0288 or later")
        assert flaw("KP 028?").startswith("Whether it is before or after KP 0288 is open")
        assert any("Known exception" in fact for fact in decode("KP 0147", on="body", tables=house).decodings[0].facts)

    def test_a_number_issued_twice(self, house):
        """73H012 was given out in August and again in September 1973: both, and that neither is wrong."""
        (found,) = decode("73H012", on="body", tables=house).decodings
        assert [("1973-08", 0.5), ("1973-09", 0.5)] == found.months
        assert any("second issue" in fact for fact in found.facts)


class TestTone:
    @settings(max_examples=60)
    @given(data=st.data())
    def test_no_sentence_says_more_than_it_may(self, house, data):
        """A number dates what carries it: never "built" alone, never a word of warranty; every sentence ends as one."""
        text = data.draw(
            st.sampled_from(
                [
                    "118 012 345",
                    "S4 37961",
                    "KP 0147",
                    "6[17]967",
                    "S9 2??06",
                    "H 0204417",
                    "66",
                    "FC 123",
                    "118-12345",
                    "Q",
                    "AA",
                    "UF-04?2F",
                ]
            )
        )
        on = data.draw(st.sampled_from([None, "pan", "body", "engine"]))
        answer = decode(text, on, tables=house, says=data.draw(st.sampled_from([None, 1960, 1968, 1990])), doubt="none")
        for sentence in [*words.tell(answer), *answer.problems]:
            assert sentence[-1] in ".?)"
            assert not re.search(r"\b(genuine|authentic|verified|certified|score|invalid|smart)\b", sentence, re.I)
            assert not re.search(r"\b(car|it) was built\b", sentence)

    def test_stops_come_alone(self):
        """With a surface that was ground nothing is dated, and the sentences say that and no more."""
        answer = decode("118 012 345", on="pan", surface="ground")
        assert ["Nothing is dated from this number while its surface looks altered."] == words.tell(answer)
