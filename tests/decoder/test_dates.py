"""Dates: what each form means in days, what is refused, and that printing and reading agree."""

from __future__ import annotations

import csv
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from time import perf_counter

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from decoder.dates import MOST_PIECES, REACH, DateError, between, hull, one_of, parse, parse_written
from decoder.errors import DecoderError
from tests.strategies import days, edtf_texts, masked_dates, qualified_dates, spans, stretches

PUBLISHED = Path(__file__).parent.parent / "published" / "edtf_examples.csv"


def published() -> list[dict[str, str]]:
    lines = [line for line in PUBLISHED.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def iso(day: date | None) -> str:
    return day.isoformat() if day else ""


#: Not read, each for a reason that the sentence gives: outside the calendar, or no form that a paper needs.
REFUSED = {
    "Y170000002": "0001 to 9999",
    "Y-170000002": "0001 to 9999",
    "-1985": "0001 to 9999",
    "Y-17E7": "0001 to 9999",
    "1950S2": "Write X for the figures that are not known: 19XX",
    "Y171010000S3": "Write X",
    "Y3388E2S3": "Write X",
    "XXXX-12-XX": "names no year",
}


class TestPublishedExamples:
    """Each example printed in the specification gets its first and last day, or a sentence."""

    def test_all_of_them_are_here(self):
        assert len(published()) == 64
        assert set(REFUSED) <= {row["edtf"] for row in published()}

    @pytest.mark.parametrize("row", published(), ids=lambda row: row["edtf"])
    def test_example(self, row):
        if row["edtf"] in REFUSED:
            with pytest.raises(DateError, match=REFUSED[row["edtf"]]):
                parse(row["edtf"])
            return
        span = parse(row["edtf"])
        assert (row["earliest"], row["latest"]) == (iso(span.earliest), iso(span.latest))
        assert str(span) == row["edtf"]
        assert span.words()

    @pytest.mark.parametrize(
        "row", [r for r in published() if r["edtf"] not in REFUSED], ids=lambda row: row["edtf"]
    )
    def test_qualifiers(self, row):
        written = {"approximate"} if "~" in row["edtf"] else set()
        written |= {"uncertain"} if "?" in row["edtf"] else set()
        written |= {"approximate", "uncertain"} if "%" in row["edtf"] else set()
        assert written == parse(row["edtf"]).qualifiers


class TestKnownTraps:
    """What other readers of this form get wrong: methods.md tried one."""

    def test_an_unknown_end_is_no_date(self):
        assert parse("1985/").latest is None
        assert parse("/1985").earliest is None

    def test_open_and_unknown_are_told_apart_in_words(self):
        assert parse("1985/..").words() == "from 1985 on"
        assert parse("1985/").words() == "from 1985, end not known"
        assert parse("../1985").words() == "before 1986"
        assert parse("/1985").words() == "until 1985, start not known"

    def test_an_interval_that_runs_backwards_is_refused(self):
        with pytest.raises(DateError, match=r"runs backwards.*Write 1964/2008"):
            parse("2008/1964")

    def test_a_set_that_runs_backwards_is_refused(self):
        with pytest.raises(DateError, match=r"runs backwards.*Write 1964\.\.1968"):
            parse("[1968..1964]")

    def test_winter_is_three_months_and_named_for_its_beginning(self):
        assert (parse("2001-24").earliest, parse("2001-24").latest) == (date(2001, 12, 1), date(2002, 2, 28))
        assert parse("2003-24").latest == date(2004, 2, 29)
        assert parse("2001-24").words() == "winter 2001/02"

    def test_figures_of_a_month_that_is_not_known(self):
        assert parse("1984-1X").pieces == ((date(1984, 10, 1), date(1984, 12, 31)),)
        assert parse("1984-X1").pieces == (
            (date(1984, 1, 1), date(1984, 1, 31)),
            (date(1984, 11, 1), date(1984, 11, 30)),
        )

    def test_a_set_is_printed_without_spaces(self):
        assert str(parse("[1667,1668,1670..1672]")) == "[1667,1668,1670..1672]"

    def test_about_a_month_does_not_stretch_a_year(self):
        about = parse("1979-08~")
        assert (about.earliest_about, about.latest_about) == (date(1979, 7, 1), date(1979, 9, 30))

    def test_a_date_and_about_it_are_not_the_same(self):
        assert parse("1966") != parse("1966~")

    @pytest.mark.parametrize(
        "text", ["1966-06-31", "1966-02-29", "1900-02-29", "1966-04-3X-", "1966-02-3X", "1966-2X"]
    )
    def test_no_such_day(self, text):
        with pytest.raises(DateError):
            parse(text)

    @pytest.mark.parametrize("text", ["196u", "open/1966", "1966/unknown", "uuuu", "196u-05"])
    def test_the_draft_of_2012_is_named(self, text):
        with pytest.raises(DateError, match="draft of 2012"):
            parse(text)

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("", "no date here"),
            ("/", "no date at either end"),
            ("../", "no date at either end"),
            ("1966/1967/1968", "more than one stroke"),
            ("[1966,1967", "not a whole set"),
            ("[1966, 1967]", r"Write \[1966,1967\]"),
            ("[]", "not a whole set"),
            ("[1966,,1967]", "between two commas"),
            ("[1966,..1967]", "open start stands first"),
            ("[1966..,1967]", "open start stands first"),
            ("[1966..1967-02]", "as years, as months or as days"),
            ("[[1966]]", "not a date"),
            ("1966-00", "Months run from 01 to 12"),
            ("1966-13", "Months run from 01 to 12"),
            ("1966-21-01", "has no days"),
            ("2001-21/2001-22", "2001-03 to 2001-05"),
            ("1966-05-21T25:00:00", "no clock shows"),
            ("1966-05-21T10:00:00/1967", "Write the day alone"),
            ("0000", "0001 to 9999"),
            ("0XXX", "Years are kept from 0001"),
            ("1966..1967", "outside a set"),
            ("66", "not a date in this form"),
            ("21 May 1966", "has a space"),
            ("9" * 300, "at most 200"),
        ],
    )
    def test_refused_with_a_sentence(self, text, says):
        with pytest.raises(DateError, match=says) as caught:
            parse(text)
        assert isinstance(caught.value, DecoderError)
        assert str(caught.value).endswith((".", "?"))

    def test_figures_not_known_in_a_long_text_take_no_time(self):
        """No grammar that tries again: a text made to be slow is refused at once."""
        for text in ("X" * 200, "[" + "1966," * 39, "?~%" * 60, "1966-" * 40):
            with pytest.raises(DateError):
                parse(text)

    def test_the_edges_of_the_calendar(self):
        assert parse("0001~").earliest_about == date.min
        assert parse("9999~").latest_about == date.max
        with pytest.raises(DateError):
            parse("9999-24")


class TestReach:
    """How far "about" goes is one constant, apart from the first and last day."""

    @pytest.mark.parametrize(
        ("text", "first", "last"),
        [
            ("1966~", "1965-01-01", "1967-12-31"),
            ("1966?", "1965-01-01", "1967-12-31"),
            ("1966%", "1964-01-01", "1968-12-31"),
            ("1966-06~", "1966-05-01", "1966-07-31"),
            ("1966-05-21~", "1966-05-14", "1966-05-28"),
            ("2004?-06-11", "2003-06-11", "2005-06-11"),
            ("2004-06-~11", "2004-06-04", "2004-06-18"),
            ("196X~", "1955-01-01", "1974-12-31"),
            ("1966-21~", "1965-12-01", "1966-08-31"),
            ("1966~/..", "1965-01-01", ""),
            ("[1964~,1974]", "1963-01-01", "1974-12-31"),
        ],
    )
    def test_about(self, text, first, last):
        assert (first, last) == (iso(parse(text).earliest_about), iso(parse(text).latest_about))

    def test_the_units_are_all_there(self):
        assert set(REACH) == {"day", "month", "part of a year", "year", "decade", "century"}

    @given(edtf_texts)
    def test_about_never_narrows(self, text):
        span = parse(text)
        assert span.earliest_about is None or (
            span.earliest is not None and span.earliest_about <= span.earliest
        )
        assert span.latest_about is None or (span.latest is not None and span.latest_about >= span.latest)
        if not span.qualifiers:
            assert (span.earliest, span.latest) == (span.earliest_about, span.latest_about)


class TestMaskedDates:
    @given(masked_dates())
    def test_the_days_are_those_that_fit_the_figures(self, text):
        """Against the plain rule: a day is allowed if its figures are the written ones or an X."""
        years = [year for year in range(1900, 2100) if fits(f"{year}", text[:4])]
        every = (date(year, 1, 1) + timedelta(day) for year in years for day in range(366))
        fitting = sorted({day for day in every if fits(day.isoformat(), text)})
        if not fitting:
            with pytest.raises(DateError, match=r"fits no day|is not a day|Months run"):
                parse(text)
            return
        span = parse(text)
        assert (span.earliest, span.latest) == (fitting[0], fitting[-1])
        breaks = sum((later - earlier).days > 1 for earlier, later in pairwise(fitting))
        assert len(span.pieces) == (breaks + 1 if breaks < MOST_PIECES else 1)
        if breaks < MOST_PIECES:
            assert sum((end - start).days + 1 for start, end in span.pieces) == len(fitting)


def fits(figures: str, mask: str) -> bool:
    return all(m in ("X", c) for m, c in zip(mask, figures, strict=False))


class TestTwoSpans:
    def test_where_two_have_no_day_in_common(self):
        assert parse("1966") & parse("1968") is None

    def test_a_set_of_two_days_is_settled_by_a_month(self):
        settled = parse("[1971-07-11,1971-11-07]") & parse("1971-11-07")
        assert settled is not None and settled.edtf == "1971-11-07"

    @given(stretches(), stretches(), days)
    def test_intersection_is_the_days_of_both(self, one, other, day):
        both = one & other
        assert (both is not None and both.allows(day)) == (one.allows(day) and other.allows(day))

    @given(stretches(), stretches(), days)
    def test_union_is_the_days_of_either(self, one, other, day):
        assert (one | other).allows(day) == (one.allows(day) or other.allows(day))

    @given(spans, spans)
    def test_intersection_narrows(self, one, other):
        both = one & other
        if both is not None:
            for wide in (one, other):
                assert wide.earliest is None or (both.earliest is not None and both.earliest >= wide.earliest)
                assert wide.latest is None or (both.latest is not None and both.latest <= wide.latest)

    @given(stretches(), stretches(), stretches())
    def test_the_order_of_intersecting_does_not_matter(self, one, other, third):
        assert one & other == other & one
        first, second = one & other, other & third
        left = None if first is None else first & third
        right = None if second is None else one & second
        assert left == right

    @given(spans, spans)
    def test_hull_covers_both(self, one, other):
        covering = hull([one, other])
        assert len(covering.pieces) == 1
        assert (covering | one).pieces == covering.pieces == (covering | other).pieces

    @given(spans, spans, days, days)
    def test_before_means_every_day_before(self, one, other, day, later):
        if one.is_before(other) and one.allows(day) and other.allows(later):
            assert day < later
        if one.is_before(other) is False and one.allows(day) and other.allows(later):
            assert day >= later

    def test_a_list_is_in_order_with_open_starts_first(self):
        texts = ["1968", "1966-05-21", "1966", "../1970", "1966-05"]
        assert [s.edtf for s in sorted(map(parse, texts))] == [
            "../1970",
            "1966",
            "1966-05",
            "1966-05-21",
            "1968",
        ]

    def test_backwards_is_refused(self):
        with pytest.raises(DateError, match="Change the two about"):
            between(date(1967, 1, 1), date(1966, 1, 1))
        with pytest.raises(DateError):
            one_of([])
        with pytest.raises(DateError):
            hull([])


class TestPrintAndRead:
    @given(edtf_texts)
    def test_the_text_is_kept(self, text):
        assert str(parse(text)) == text
        assert parse(str(parse(text))) == parse(text)

    @given(stretches())
    def test_a_computed_span_reads_back(self, span):
        again = parse(span.edtf)
        assert again.pieces == span.pieces
        assert (again.earliest, again.latest) == (span.earliest, span.latest)

    @given(st.one_of(edtf_texts, stretches().map(str)))
    def test_what_people_are_shown_can_be_typed(self, text):
        """Our own words are read back as the same days."""
        assume(text != "../..")
        assert parse_written(parse(text).words()).pieces == parse(text).pieces

    @given(qualified_dates())
    def test_about_and_perhaps_survive_the_words(self, text):
        assert parse_written(parse(text).words()).qualifiers == parse(text).qualifiers

    def test_as_dict_is_iso_or_nothing(self):
        assert parse("1966/..").as_dict() == {"edtf": "1966/..", "earliest": "1966-01-01", "latest": None}

    @pytest.mark.parametrize(
        ("text", "words", "when"),
        [
            ("1967-02-14", "14 February 1967", "on 14 February 1967"),
            ("1967-08/1968-07", "between August 1967 and July 1968", "between August 1967 and July 1968"),
            ("1966-05", "May 1966", "in May 1966"),
            ("196X", "1960s", "in the 1960s"),
            ("200X", "some year from 2000 to 2009", "in some year from 2000 to 2009"),
            ("1966?", "perhaps 1966", "perhaps in 1966"),
            ("1966%", "perhaps about 1966", "perhaps about 1966"),
            ("2001-34", "second quarter of 2001", "in the second quarter of 2001"),
            ("[1966-03-04,1966-04-03]", "4 March 1966 or 3 April 1966", "on 4 March 1966 or 3 April 1966"),
            ("../1967-05-20", "on or before 20 May 1967", "on or before 20 May 1967"),
            ("1985-XX-XX", "some day in 1985", "on some day in 1985"),
            (
                "156X-12-25",
                "some day from 25 December 1560 to 25 December 1569, only those that read 156X-12-25",
                None,
            ),
            ("2004-06~-11", "11 June 2004 (year and month approximate)", None),
            ("?2004-06-~11", "11 June 2004 (day approximate, year uncertain)", None),
            ("{1960,1961-12}", "both 1960 and December 1961", None),
        ],
    )
    def test_words(self, text, words, when):
        assert parse(text).words() in (words, "11 June 2004 (year uncertain, day approximate)")
        if when:
            assert parse(text).when() == when


WORDS = [
    *(
        "about",
        "before",
        "after",
        "between",
        "and",
        "or",
        "late",
        "winter",
        "sixties",
        "to",
        "from",
        "may",
        "x",
    ),
    *("1966", "66", "21", "/", "-", ".", ",", "'", "~", "?", "[", "]"),
]


class TestAsPeopleWrite:
    @pytest.mark.parametrize(
        ("written", "edtf"),
        [
            ("21 May 1966", "1966-05-21"),
            ("21st of May, 1966", "1966-05-21"),
            ("May 21, 1966", "1966-05-21"),
            ("21-May-66", "1966-05-21"),
            ("21.V.1966", "1966-05-21"),
            ("Sat 21 May 1966", "1966-05-21"),
            ("May 1966", "1966-05"),
            ("Aug '67", "1967-08"),
            ("AUG ’67", "1967-08"),
            ("MAR 74", "1974-03"),
            ("sept. 71", "1971-09"),
            ("3/74", "1974-03"),
            ("03/1974", "1974-03"),
            ("7.11.1971", "1971-11-07"),
            ("04/03/66", "[1966-03-04,1966-04-03]"),
            ("12/11/73", "[1973-11-12,1973-12-11]"),
            ("11/7/71", "[1971-07-11,1971-11-07]"),
            ("05/05/66", "1966-05-05"),
            ("21/05/66", "1966-05-21"),
            ("05/21/66", "1966-05-21"),
            ("1966/03/04", "1966-03-04"),
            ("66.03.04", "1966-03-04"),
            ("1966 or 1967", "[1966,1967]"),
            ("either 1964 or 1974", "[1964,1974]"),
            ("May or June 1966", "[1966-05,1966-06]"),
            ("21 or 22 May 1966", "[1966-05-21,1966-05-22]"),
            ("1964, 1965 or 1974", "[1964,1965,1974]"),
            ("May/June 1966", "[1966-05,1966-06]"),
            ("before 1967", "../1966"),
            ("before May 1966", "../1966-04"),
            ("before 21 May 1966", "../1966-05-20"),
            ("before 04/03/66", "../1966-04-02"),
            ("no later than 1966", "../1966"),
            ("by 1966", "../1966"),
            ("not before 14 Apr 1980", "1980-04-14/.."),
            ("after 1966", "1967/.."),
            ("after 04/03/66", "1966-03-05/.."),
            ("1966 or later", "1966/.."),
            ("from 1966 on", "1966/.."),
            ("between 1964 and 1967", "1964/1967"),
            ("from May 1966 to June 1967", "1966-05/1967-06"),
            ("May to July 1966", "1966-05/1966-07"),
            ("1966/67", "1966/1967"),
            ("1964–1967", "1964/1967"),
            ("c. 1966", "1966~"),
            ("c1966", "1966~"),
            ("about 65", "1965~"),
            ("'about 65'", "1965~"),
            ("circa May 1966", "1966-05~"),
            ("perhaps 1966", "1966?"),
            ("1966 (uncertain)", "1966?"),
            ("perhaps about 1966", "1966%"),
            ("before about 1966", "../1965~"),
            ("spring 1966", "1966-21"),
            ("in the summer of 66", "1966-22"),
            ("fall 1971", "1971-23"),
            ("winter 1966/67", "1966-24"),
            ("winter 1967", "[1966-12..1967-02,1967-12..1968-02]"),
            ("the sixties", "196X"),
            ("1960s", "196X"),
            ("late sixties", "1966/1969"),
            ("early 1966", "1966-37"),
            ("second quarter of 1966", "1966-34"),
            ("Q2 1966", "1966-34"),
            ("first half of 1966", "1966-40"),
            ("early May 1966", "1966-05-01/1966-05-10"),
            ("15. März 1967", "1967-03-15"),
            ("3 août 1966", "1966-08-03"),
            ("21 de mayo de 1966", "1966-05-21"),
            ("[1966, 1967]", "[1966,1967]"),
            ("1966~", "1966~"),
        ],
    )
    def test_written(self, written, edtf):
        assert parse_written(written).edtf == edtf

    @pytest.mark.parametrize(
        ("written", "says"),
        [
            ("31/02", "'31/02' is not a day.*'about 1966', 'before March 1966'.*either of two"),
            ("31/02/66", "is not a day.*either of two"),
            ("1966-02-31", "February 1966 has 28 days.*either of two"),
            ("29 Feb 1967", "February 1967 has 28 days.*either of two"),
            ("13/13/66", "whether the day comes first or the month"),
            ("21 May", "has no year"),
            ("3/7", "has no year"),
            ("04/05", "Write the year in four figures"),
            ("xyz", "cannot be read as a date"),
            ("21 Smarch 1966", "'smarch' where a month should be"),
            ("unknown", "Leave the date empty"),
            ("n.d.", "Leave the date empty"),
            ("  ", "no date here"),
            ("model 1961", "a model year, which is not a date"),
            ("MY68", "a model year, which is not a date"),
            ("1900s", "ten years or a hundred"),
            ("19660521", "eight figures in a row"),
            ("0466", "before there were motor vehicles"),
            ("winter 1966/68", "is no winter"),
            ("2008/1964", "runs backwards"),
            ("between 1967 and 1964", "runs backwards"),
            ("196u", "draft of 2012"),
            ("x" * 201, "at most 200"),
        ],
    )
    def test_refused_with_a_sentence(self, written, says):
        with pytest.raises(DateError, match=says):
            parse_written(written)

    def test_no_later_than_is_an_end_not_a_start(self):
        """A reader that was tried turned it round."""
        assert parse_written("no later than 1966").latest == date(1966, 12, 31)

    def test_spring_67_is_not_2067(self):
        assert parse_written("spring 67").edtf == "1967-21"

    def test_the_order_of_figures_can_be_said(self):
        assert parse_written("04/03/66", day_first=True).edtf == "1966-03-04"
        assert parse_written("04/03/66", day_first=False).edtf == "1966-04-03"
        assert parse_written("7.11.1971", day_first=False).edtf == "1971-07-11"
        with pytest.raises(DateError, match="with the month first it is 13 April 1966"):
            parse_written("04/13/66", day_first=True)

    def test_what_was_assumed_is_said(self):
        assert parse_written("21 May 1966").notes == ()
        assert parse_written("oct 24").notes == (
            "'24' is read as 2024; write four figures for another century, or add the year if it is a day.",
        )
        assert "both are kept" in parse_written("04/03/1966").notes[0]
        assert "day first" in parse_written("7.11.1971").notes[0]
        assert "Saturday" in parse_written("Sunday 21 May 1966").notes[0]
        assert "may be the winter that ended" in parse_written("winter 1967").notes[0]

    def test_today_settles_the_century_and_refuses_what_is_to_come(self):
        assert parse_written("oct 24", today=date(1990, 1, 1)).edtf == "1924-10"
        with pytest.raises(DateError, match="after 25 November 2026"):
            parse_written("21 May 2066", today=date(2026, 11, 25))

    @given(days, st.sampled_from(["/", "-", " "]))
    def test_figures_hold_the_true_day_whichever_comes_first(self, day, separator):
        """However the paper orders day and month, the day meant is among those kept."""
        for figures in (
            f"{day.day}{separator}{day.month}{separator}{day.year}",
            f"{day.month:02}{separator}{day.day:02}{separator}{day.year}",
        ):
            span = parse_written(figures)
            assert span.allows(day)
            assert len(span.pieces) <= 2

    @given(st.text(max_size=60))
    def test_any_text_is_a_span_or_a_sentence(self, text):
        try:
            span = parse_written(text)
        except DateError as error:
            assert str(error)
        else:
            assert parse(span.edtf).pieces == span.pieces

    @given(st.lists(st.sampled_from(WORDS), max_size=8))
    def test_any_words_of_a_date_are_a_span_or_a_sentence(self, words):
        for text in (" ".join(words), "".join(words)):
            try:
                parse_written(text)
            except DateError as error:
                assert str(error)

    @pytest.mark.parametrize(
        "text", ["x to " * 39, "1966 to " * 24, "may or " * 28, "between " * 24, "about " * 33]
    )
    def test_a_text_made_to_be_slow_is_refused_soon(self, text):
        started = perf_counter()
        with pytest.raises(DateError):
            parse_written(text)
        assert perf_counter() - started < 1
