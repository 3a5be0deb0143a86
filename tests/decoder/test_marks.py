"""Dated marks on parts: tyres, lamps, E marks, glass, labels; what is from memory says so; nothing dates
the car.
"""

from __future__ import annotations

import json
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder import dates, families
from decoder.errors import DecoderError
from decoder.marks import NEVER_THE_CARS, MalformedMark, read_mark, week_of


def years(text: str, **kwargs: object) -> list[int]:
    return [r.span.earliest.year for r in read_mark(text, **kwargs).readings if r.kind.startswith("tyre")]


class TestTyres:
    def test_three_figures_leave_the_decade_open(self):
        """031 is week 3 of 1981 or of 1991 (a van's manual of 2006); of 1971 it is not to be expected."""
        answer = read_mark("DOT 4B9H L2K 031")
        assert [r.edtf for r in answer.readings] == [
            "1971-01-17/1971-01-23",
            "1981-01-18/1981-01-24",
            "1991-01-20/1991-01-26",
        ]
        assert [r.standing for r in answer.readings] == ["from memory", "seen", "seen"]
        assert any("hardly to be expected" in fact for fact in answer.readings[0].facts)

    def test_four_figures(self):
        """0301 is the third week of 2001 (the same manual)."""
        answer = read_mark("DOT J3J9 0301")
        assert [(r.edtf, r.standing) for r in answer.readings] == [("2001-01-21/2001-01-27", "seen")]

    def test_the_rule_s_own_example(self):
        """49 CFR 574.5 gives 0109: Sunday 4 to Saturday 10 January 2009."""
        assert read_mark("DOT U2LL LMLR 0109").readings[0].edtf == "2009-01-04/2009-01-10"

    def test_the_letter_of_1996(self):
        """439 is week 43 of 1989 and could be 1979, says a letter of the road safety administration."""
        assert years("439") == [1979, 1989, 1999]

    def test_the_period_of_three_figures_ends_in_2000(self):
        assert years("DOT XX 100") == [1980, 1990, 2000]
        assert years("DOT XX 450") == [1980, 1990]

    def test_the_figures_alone_are_enough(self):
        assert years("031") == years("DOT AB CD 031")
        assert years("4B9H L2K 031") == years("031")

    @pytest.mark.parametrize("text", ["KP 147", "KP 0147", "UF 270", "S6 67967", "blue 123"])
    def test_a_body_serial_is_no_tyre(self, text):
        """Without DOT the groups before the date are asked for; a serial typed here by mistake is not dated as a tyre."""
        assert read_mark(text).status == 1

    @pytest.mark.parametrize("triangle", ["\u25c4", "\u25b2", "<", "triangle"])
    def test_a_triangle_stands_for_the_nineties(self, triangle):
        assert years(f"DOT XX 031 {triangle}") == [1991]

    def test_week_53_only_where_the_year_has_it(self):
        """1972 began with a Saturday and had 53 Sundays; 1982 and 1992 had 52."""
        assert years("532") == [1972]
        assert years("531") == []
        assert "53" in read_mark("531").problems[0]

    @pytest.mark.parametrize("text", ["DOT AB 601", "DOT AB CD 9901", "001"])
    def test_weeks_that_do_not_exist_are_no_date(self, text):
        answer = read_mark(text)
        assert years(text) == []
        assert "Read it again" in answer.problems[0]

    def test_a_figure_that_cannot_be_read(self):
        answer = read_mark("DOT XX 3?1")
        assert [r.edtf for r in answer.readings][1] == "1981-07-26/1981-10-03"
        assert years("DOT XX [38]31") == years("331")

    def test_three_or_four_figures_in_one_group(self):
        """Without a blank before it nobody can tell; both stand, and the person is asked."""
        answer = read_mark("DOT J3J9CH2011")
        assert years("DOT J3J9CH2011") == [2011, 1971, 1981, 1991]
        assert "type a blank before it" in answer.problems[0]

    def test_a_day_of_the_week_before_week_and_year(self):
        """Allowed to a maker by a letter of 24 January 1973; read only where week and year alone give
        nothing.
        """
        answer = read_mark("DOT AB CD EF 5372")
        assert years("DOT AB CD EF 5372") == [1972, 1982, 1992]
        assert all("figure for the day" in r.kind for r in answer.readings)
        assert "figure for the day of the week" in answer.problems[0]

    def test_four_figures_on_an_old_tyre_may_mean_a_day_of_the_week(self):
        """3205 is week 32 of 2005; with a figure for the day first it is week 20 of 1975, 1985 or 1995."""
        answer = read_mark("DOT AB CD EF 3205")
        assert years("DOT AB CD EF 3205") == [2005]
        assert any("1975 or 1985 or 1995" in fact for fact in answer.readings[0].facts)

    def test_thirteen_symbols(self):
        """Allowed from 13 April 2015; with an earlier date they are to be counted again."""
        late, early = read_mark("DOT 3T8 AB12CD 4820"), read_mark("DOT 3T8 AB12CD 4801")
        assert any("13 April 2015" in fact and "count" not in fact for fact in late.readings[0].facts)
        assert any("count them again" in fact for fact in early.readings[0].facts)

    def test_a_line_without_a_date_sends_to_the_other_side(self):
        answer = read_mark("DOT 4B9H")
        assert "other sidewall" in answer.problems[0]
        assert [r.edtf for r in answer.readings] == ["1966-10-15/.."]

    def test_nothing_later_than_the_day_it_was_seen(self):
        """The room reads no clock: the day is an argument."""
        assert years("DOT AB CD 4830", by=date(2026, 11, 25)) == []
        assert years("031", by=date(1975, 5, 1)) == [1971]
        assert years("DOT AB CD 4820", by=date(2026, 11, 25)) == [2020]

    @given(st.integers(1971, 2040), st.integers(1, 53))
    def test_weeks_run_from_sunday_to_saturday(self, year, week):
        days = week_of(year, week)
        if days is None:
            assert week == 53
            return
        sunday, saturday = days
        assert sunday.weekday() == 6
        assert saturday - sunday == timedelta(days=6)
        assert sunday.year == year
        assert (saturday - date(year, 12, 31)).days <= 6
        if week == 1:
            assert sunday - date(year, 1, 1) < timedelta(days=7)
        else:
            assert week_of(year, week - 1)[1] + timedelta(days=1) == sunday

    @given(st.integers(1, 52), st.integers(0, 9))
    def test_every_reading_gives_its_figures_back(self, week, figure):
        for reading in read_mark(f"DOT AB {week:02d}{figure}").readings:
            first = reading.span.earliest
            assert first.year % 10 == figure
            assert week_of(first.year, week)[0] == first


class TestLamps:
    @pytest.mark.parametrize(
        ("text", "year"),
        [
            ("SAE AIST 67", 1967),
            ("SAE A-I-S-P-T 69 DOT", 1969),
            ("SAE-P2-73", 1973),
            ("SAEAIST71", 1971),
            ("sae (2) ist 70", 1970),
            ("SAE HR 05", 2005),
            ("SAE A 1968", 1968),
        ],
    )
    def test_the_year_of_the_standard_is_a_not_before(self, text, year):
        reading = read_mark(text).readings[0]
        assert reading.kind == "lamp code"
        assert (reading.span.earliest, reading.span.latest) == (date(year, 1, 1), None)
        assert any("no date of making" in fact for fact in reading.facts)

    def test_what_the_letters_mean_is_from_memory(self):
        facts = read_mark("SAE AXP2 67").readings[0].facts
        assert any("A reflector" in fact and "P2 clearance" in fact and "from memory" in fact for fact in facts)
        assert any(fact.startswith("X: not in the table") for fact in facts)

    @pytest.mark.parametrize("text", ["SAE J588e", "SAE AIP"])
    def test_without_a_year_no_date_follows(self, text):
        reading = read_mark(text).readings[0]
        assert reading.edtf is None


class TestEMarks:
    def test_no_e_mark_is_older_than_the_agreement(self):
        reading = read_mark("E1").readings[0]
        assert (reading.edtf, reading.standing) == ("1959-06-20/..", "seen")
        assert any("Germany" in fact for fact in reading.facts)

    @pytest.mark.parametrize(
        ("text", "earliest", "standing"),
        [
            ("E11 R6 0123", date(1967, 10, 15), "from memory"),
            ("E3 57R-001", date(1983, 6, 15), "seen"),
            ("(E4) 10 R 02 1234", date(1968, 12, 17), "seen"),
            ("E2 R1", date(1960, 8, 8), "from memory"),
        ],
    )
    def test_the_regulation_moves_the_bound(self, text, earliest, standing):
        reading = read_mark(text).readings[0]
        assert (reading.span.earliest, reading.standing) == (earliest, standing)

    def test_a_regulation_or_a_country_not_in_the_table(self):
        reading = read_mark("E15 R99").readings[0]
        assert reading.edtf == "1959-06-20/.."
        assert any("Country number 15 is not in the table" in fact for fact in reading.facts)
        assert any("Regulation 99 is not in the table" in fact for fact in reading.facts)

    def test_a_small_e_may_stand_in_a_rectangle(self):
        answer = read_mark("e4 0123")
        assert [r.span.earliest for r in answer.readings] == [date(1959, 6, 20), date(1970, 2, 6)]
        assert "in a circle" in answer.problems[0]


class TestOtherMarks:
    def test_glass(self):
        reading = read_mark("AS1 DOT 25 M123").readings[0]
        assert (reading.kind, reading.edtf, reading.standing) == ("safety glazing mark", None, "from memory")
        assert any("no date" in fact and fact.startswith("DOT 25") for fact in reading.facts)

    def test_glass_with_an_e_mark_shows_both(self):
        answer = read_mark("AS2 (E2) 43R-00123")
        assert [r.kind for r in answer.readings] == ["safety glazing mark", "E mark"]

    def test_a_label_that_names_a_standard(self):
        reading = read_mark("belt label, FMVSS 209").readings[0]
        assert (reading.edtf, reading.standing) == ("1967-03/..", "seen")

    def test_a_label_with_month_and_year_is_the_donors(self):
        reading = read_mark("MFD BY ACME 08/71").readings[0]
        assert reading.edtf == "1971-08"
        assert any("donor" in fact for fact in reading.facts)
        assert "no month" in read_mark("MFD 13/71").problems[0]

    @pytest.mark.parametrize("text", ["seat belts", "head restraints", "side marker", "number on dash"])
    def test_what_cars_had_to_have_is_no_bound_for_a_part(self, text):
        reading = read_mark(text).readings[0]
        assert reading.edtf is None
        assert "no date follows" in reading.says()


class TestAnswers:
    def test_the_document(self):
        document = read_mark("E11 R6").as_dict()
        json.dumps(document)
        assert document["mark"] == "E11 R6"
        reading = document["readings"][0]
        assert {"kind", "edtf", "earliest", "latest", "facts", "sources", "standing"} <= reading.keys()
        assert (reading["earliest"], reading["latest"]) == ("1967-10-15", None)
        assert {source["standing"] for source in reading["sources"]} >= {"memory", "official"}
        assert document["says"][-1] == NEVER_THE_CARS

    def test_text_that_fits_no_rule(self):
        answer = read_mark("blue, with a scratch")
        assert (answer.status, answer.readings, answer.says) == (1, (), [])
        assert "fits no mark" in answer.problems[0]

    @pytest.mark.parametrize("text", ["", "   ", "'; --", "x" * 200, "DOT 0[]1", "DOT 0[31", "\u0007\u0007", None])
    def test_what_cannot_be_a_mark(self, text):
        with pytest.raises(MalformedMark, match=r"\.$"):
            read_mark(text)

    @given(st.text(max_size=40))
    def test_any_text_is_answered_or_refused_with_a_sentence(self, text):
        try:
            answer = read_mark(text)
        except DecoderError as error:
            assert str(error).endswith(".")
            return
        assert answer.readings or answer.problems
        for reading in answer.readings:
            assert reading.sources
            assert reading.span is None or dates.parse(reading.span.edtf).as_dict() == reading.span.as_dict()


class TestTable:
    def test_every_row_names_a_source_and_says_how_it_stands(self):
        table = families.load_data("marks")
        e_mark = table["e_mark"]
        rows = [*table["tyre"]["rows"], *table["presence"], *table["requirements"]]
        rows += [table["certification_label"], table["lamp_code"], table["glazing"]]
        rows += [e_mark["agreement"], e_mark["small_e"], *e_mark["regulations"].values()]
        assert len(rows) > 25
        for row in rows:
            named = [part.split("[")[0].strip() for part in row["source"].split(";")]
            assert set(named) <= table["sources"].keys(), row
            assert row["standing"] in {"seen", "memory"}, row
            # A row read nowhere has no source but memory, and one that was read has another.
            assert (named == ["mem"]) == (row["standing"] == "memory"), row
            for end in ("from", "to"):
                if row.get(end):
                    dates.parse(row[end])

    def test_no_rule_dates_a_car(self):
        """The sentence stands under every answer that says anything."""
        for text in ("031", "SAE A 67", "E1", "AS1", "label FMVSS 209", "MFD 8/71", "seat belts"):
            assert read_mark(text).says[-1] == NEVER_THE_CARS
