"""The pan numbers of the air-cooled platform pan, against the figures printed elsewhere.

``aircooled-platform.csv`` beside this file holds every first and last number with its source and its standing (seen in
the source, read off the pattern of a sister series, or from memory). It was not made from the table that it checks.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from decoder import decode, load_tables

FAMILY = "aircooled-platform"
LINES = (Path(__file__).parent / "aircooled-platform.csv").read_text(encoding="utf-8").splitlines()
LIMITS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
SEEN = [limit for limit in LIMITS if limit["standing"] == "seen"]


def of_family(number, on="pan"):
    """What the family says of ``number``, or None."""
    return next(
        (d for d in decode(number, on=on, families=[FAMILY], doubt="none").decodings if d.family.id == FAMILY), None
    )


def row_ids(number):
    found = of_family(number)
    return [row["id"] for row in found.rows] if found else []


def named(limit):
    return f"{limit['basis']}-{limit['year']}-{limit['limit']}"


def test_the_list_is_whole():
    """Calendar 1945 to 1964 and model years 1956 to 1979 have a first number; the nine of these figures that were read say so."""
    firsts = {(limit["basis"], int(limit["year"])) for limit in LIMITS if limit["limit"] == "first"}
    assert firsts == {("calendar", y) for y in range(1945, 1965)} | {("model", y) for y in range(1956, 1980)}
    assert len(SEEN) == 9


@pytest.mark.parametrize("limit", LIMITS, ids=named)
def test_each_printed_limit_lies_in_its_year(limit):
    """First and last number of each row, and the day span inside the row's year."""
    found = of_family(limit["number"])
    assert found is not None
    assert f"{limit['basis']}-{limit['year']}" in [row["id"] for row in found.rows]
    assert limit["from"] <= found.earliest <= found.latest <= limit["to"]
    if limit["basis"] == "model":
        assert found.model_years == [(int(limit["year"]), 1.0)]


@pytest.mark.parametrize("limit", LIMITS, ids=named)
def test_one_number_further_is_another_row(limit):
    step = -1 if limit["limit"] == "first" else 1
    assert f"{limit['basis']}-{limit['year']}" not in row_ids(str(int(limit["number"]) + step))


@pytest.mark.parametrize("limit", LIMITS, ids=named)
def test_the_table_says_of_each_limit_how_it_stands(limit):
    found = of_family(limit["number"])
    row = next(row for row in found.rows if row["id"] == f"{limit['basis']}-{limit['year']}")
    where = (
        "memory" if limit["limit"] in row["memory"] else "structure" if limit["limit"] in row["structure"] else "seen"
    )
    assert limit["standing"] == where


class TestStructureFromModelYear1965:
    """Type, year figure, running number (enthusiasts' page on the plate, V. Molenaar; J. Rodgers; J. Adney, 2004; all seen)."""

    @pytest.mark.parametrize("year", range(1965, 1970))
    @pytest.mark.parametrize("code", ["11", "13", "14", "15", "18"])
    def test_nine_figures_to_1969(self, code, year):
        found = of_family(f"{code}{year % 10} 000 001")
        assert found.model_years == [(year, 1.0)]
        assert [text for _, text, _ in found.parts] == [code, str(year % 10), "000001"]

    @pytest.mark.parametrize("year", range(1970, 1980))
    @pytest.mark.parametrize("code", ["11", "13", "14", "15", "18"])
    def test_ten_figures_with_a_2_from_1970(self, code, year):
        found = of_family(f"{code}{year % 10} 2 000 001")
        assert found.model_years == [(year, 1.0)]
        assert [text for _, text, _ in found.parts] == [code, str(year % 10), "2000001"]

    @pytest.mark.parametrize(
        ("number", "year"),
        [
            ("115 1 000 042", 1965),  # the page's own pattern of a number beyond a million in a year
            ("118 1 000 001", 1968),
            ("110 3 000 001", 1970),  # fourth figure 3: from memory
            ("111 3 000 001", 1971),
        ],
    )
    def test_beyond_a_million_a_year(self, number, year):
        assert of_family(number).model_years == [(year, 1.0)]

    def test_the_same_figures_ten_years_apart_are_told_by_the_fourth(self):
        assert of_family("117 000 001").model_years == [(1967, 1.0)]
        assert of_family("117 1 000 001").model_years == [(1967, 1.0)]
        assert of_family("117 2 000 001").model_years == [(1977, 1.0)]

    @pytest.mark.parametrize(
        ("number", "year", "type_"),
        [
            ("115 2 000 100", 1975, "saloon"),  # S. Bartnik, 1997: 115 is a saloon of 1975
            ("144 2 000 100", 1974, "Type 14"),  # S. Bartnik, 1997: 144 is a Type 14 of 1974
        ],
    )
    def test_worked_examples_of_the_type_figures(self, number, year, type_):
        found = of_family(number)
        assert found.model_years == [(year, 1.0)]
        assert type_ in found.parts[0][2]

    def test_before_1965_the_third_figure_means_nothing(self):
        """J. Rodgers, seen: 1154321 is a number of 1956, whatever its third figure."""
        assert of_family("1154321").model_years == [(1956, 1.0)]

    @pytest.mark.parametrize("code", ["14", "15", "18", "13"])
    def test_that_other_types_share_the_limits_is_not_known_and_is_said(self, code):
        raw = load_tables()[FAMILY].raw
        notes = [codes[code][1] for t in raw["templates"] for _, _, codes in t["codes"]]
        assert notes
        assert all("not known" in note for note in notes)

    @pytest.mark.parametrize("number", ["12 5 000 001", "215 000 001", "315 000 001", "B 123456", "B7 123456"])
    def test_numbers_of_other_makes_of_number_are_not_of_this_family(self, number):
        """Sister series begin with 2 and 3 (J. Rodgers, J. Adney); Brazilian ones with B (a Brazilian blog, 20 August 2014). Seen."""
        assert of_family(number) is None


class TestChangeOverDates:
    """When what changed, against the sources named; the numbers at the change points where one was read."""

    def test_the_first_number_of_12_volts_is_of_august_1967(self):
        """German note on 6 V and 12 V radio sets, seen: 12 volts standard from 118 000 001, August 1967."""
        assert of_family("118 000 001").earliest == "1967-08-01"
        assert of_family("118 000 001").likeliest_month == "1967-08"
        assert "118 000 001" in [point["at"] for point in load_tables()[FAMILY].raw["change_points"]]

    @pytest.mark.parametrize(
        ("feature", "first", "last"),
        [
            ("two-pane-rear-window", None, "1953-03-31"),  # 'end of February' to 'during 1953': three pages, seen
            (
                "oval-rear-window",
                "1953-02-01",
                "1957-07-31",
            ),  # from March 1953 (an essay), to July 1957 (a chronicle), seen
            ("rectangular-rear-window", "1957-08-01", None),  # the same chronicle, seen
            ("oval-dash-with-two-panes", "1952-10-01", "1953-02-28"),  # Brazilian blog, July 2009, seen
            ("vent-flaps", "1951-01-01", None),  # Swedish page, seen: the year only
            ("quarter-lights", "1952-10-01", None),  # Swedish page, seen
            ("larger-windows", "1964-08-01", None),  # an essay, seen: 'in 1965', read as the model year
            ("twelve-volts", "1967-08-01", None),  # German note, seen
            ("upright-headlamps", "1967-08-01", None),  # Swiss pages, seen
        ],
    )
    def test_dated_features(self, feature, first, last):
        found = next(f for f in load_tables()[FAMILY].raw["features"] if f["id"] == feature)
        assert (found["from"], found["to"]) == (first, last)

    def test_the_large_rear_window_begins_with_model_year_1958(self):
        """French owners' club, history page 58 to 60, seen: 1 August, from chassis 1 600 440."""
        assert of_family("1 600 440").earliest == "1957-08-01"
        assert of_family("1 600 439").latest == "1957-07-31"

    def test_the_model_year_turns_on_the_first_of_august(self):
        """V. Molenaar's page (1 August to 31 July) and a Japanese coachbuilder's blog, seen."""
        for row in load_tables()[FAMILY].raw["rows"]:
            if row["basis"] == "model":
                assert (row["earliest"], row["latest"]) == (
                    f"{row['model_year'] - 1}-08-01",
                    f"{row['model_year']}-07-31",
                )


class TestDocumentedCarsAndMilestones:
    def test_the_last_saloon(self):
        """118 2 034 030: classic-parts specialist, 12 September 2015, seen; it left Emden on 19 January 1978 (news pages, seen)."""
        found = of_family("118 2 034 030")
        assert found.earliest <= "1978-01-19" <= found.latest
        assert found.model_years == [(1978, 1.0)]
        assert "model-1978" not in row_ids("118 2 034 031")

    def test_the_last_of_1954_was_made_in_december(self):
        """1-0781884: French owners' forum, seen."""
        found = of_family("1-0781884")
        assert found.earliest <= "1954-12-01" <= found.latest
        assert found.likeliest_month == "1954-12"

    def test_a_number_of_march_1958_is_of_model_year_1958(self):
        """A birth certificate of March 1958 was put into the 1959 model by a parts seller's list (Japanese blog, eid 78, seen)."""
        march = [n for n in range(1_774_681, 2_007_616, 500) if of_family(str(n)).likeliest_month == "1958-03"]
        assert len(march) > 20
        assert {tuple(of_family(str(n)).model_years) for n in march} == {((1958, 1.0),)}

    def test_the_millionth_vehicle_is_not_chassis_1000000(self):
        """The count reached a million on 5 August 1955 (two pages, seen); chassis 1000000 is of October by the table."""
        found = of_family("1000000")
        assert found.earliest == "1955-08-01"
        assert found.latest == "1955-12-31"
        assert found.likeliest_month == "1955-10"

    def test_the_five_millionth_is_not_chassis_5000000(self):
        """The count: 4 December 1961 (American magazine, April 2007, seen). The table: chassis 4400051 ends 1961 (from memory)."""
        assert of_family("4 400 051").latest == "1961-12-31"
        assert of_family("5 000 000").earliest > "1961-12-04"

    def test_the_pitfalls_are_told_in_the_notes(self):
        text = " ".join(note["text"] for note in load_tables()[FAMILY].raw["notes"])
        for word in ("milestones are counts", "five-millionth", "Brazilian", "birth certificate", "31.6.77"):
            assert word in text

    def test_two_printed_ends_of_model_year_1958_both_stand(self):
        """A French owners' club prints 2 007 617; 2 007 615 is from memory."""
        row = next(row for row in of_family("2 007 615").rows if row["id"] == "model-1958")
        assert "2007617" in row["disputed"][0]["says"]

    @pytest.mark.parametrize("written", ["1-0781884", "1-0 781 884", "0781884", "781884", "781 884", "781.884"])
    def test_the_ways_the_number_is_written(self, written):
        """Written 1-0781884 at first, later without the 1- (V. Molenaar's page, seen)."""
        assert "calendar-1954" in row_ids(written)

    @pytest.mark.parametrize("number", ["116 1 021 299", "116 1 500 000", "6 502 400", "7 000 000", "51 999"])
    def test_a_number_in_no_row_gets_no_year(self, number):
        assert of_family(number) is None
