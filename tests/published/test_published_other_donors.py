"""The other donors' numbers, against the lists as printed.

``other-donors.csv`` beside this file holds each first and last number, milestone and documented car with its source; what
is odd about a printed row stands in its note.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from decoder import decode, load_tables

LINES = (Path(__file__).parent / "other-donors.csv").read_text(encoding="utf-8").splitlines()
PRINTED = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
LIMITS = [p for p in PRINTED if p["limit"] in ("first", "last")]


def of_family(family, number):
    return next((d for d in decode(number, families=[family], doubt="none").decodings), None)


def row(family, id_):
    return next(r for r in load_tables()[family].raw["rows"] if r["id"] == id_)


@pytest.mark.parametrize("printed", PRINTED, ids=lambda p: f"{p['family']} {p['number']}")
def test_each_printed_number_gets_its_days_or_model_year(printed):
    found = of_family(printed["family"], printed["number"])
    assert found is not None
    if printed["model_year"]:
        assert found.model_years == [(int(printed["model_year"]), 1.0)]
    if printed["limit"] == "milestone":  # the printed day lies inside the answer
        assert found.earliest <= printed["from"] <= printed["to"] <= found.latest
    else:  # the answer lies inside the printed span
        assert printed["from"] <= found.earliest
        assert not printed["to"] or found.latest <= printed["to"]


@pytest.mark.parametrize("printed", LIMITS, ids=lambda p: f"{p['family']} {p['number']}")
def test_one_number_further_is_not_in_the_same_row(printed):
    found = of_family(printed["family"], printed["number"])
    letters = printed["number"].rstrip("0123456789")
    step = -1 if printed["limit"] == "first" else 1
    figures = int(printed["number"][len(letters) :]) + step
    beside = of_family(printed["family"], f"{letters}{figures}")
    rows = {r["id"] for r in beside.rows} if beside else set()
    assert {r["id"] for r in found.rows} - rows


class TestFiat500:
    """Fiat 500 Club Sicilia, "Telai dal 1957 al 1975", seen."""

    @pytest.mark.parametrize(
        "number",
        ["1333078", "1500000", "1674690", "181138", "182000", "2001358", "2011357", "5057790", "6081302", "3096092"],
    )
    def test_gaps_in_the_list_stay_gaps(self, number):
        assert of_family("fiat-500", number) is None

    @pytest.mark.parametrize(("id_", "label"), [("1965-f", "1966"), ("1966-f", "1967")])
    def test_the_shifted_labels_are_kept_beside_the_row(self, id_, label):
        assert row("fiat-500", id_)["disputed"][0]["says"] == label

    def test_the_last_chassis_number_is_no_count(self):
        """An encyclopaedia prints 5,231,518 as the number built (seen): it is the last number of the SicilFiat series."""
        assert of_family("fiat-500", "5 231 518").latest == "1975-12-31"
        assert any("5,231,518" in note["text"] for note in load_tables()["fiat-500"].raw["notes"])

    def test_the_printed_form_with_leading_zeros(self):
        assert of_family("fiat-500", "000.101").earliest == "1957-01-01"


class TestMidget1500:
    """bridgeclassiccars.co.uk quoting "MG Midget Last 500", seen."""

    def test_the_first_number_a_figure_short_stays_beside_the_one_that_is_used(self):
        first = row("sprite-midget", "gan6-1975")
        assert "15410" in first["disputed"][0]["says"]
        assert "first" in first["memory"]

    def test_181663_is_of_summer_1976_not_january(self):
        """Printed "Jan 76"; 171356 is the first number of calendar 1976, so read August."""
        found = of_family("sprite-midget", "GAN6-181663")
        assert found.earliest >= "1976-01-01"
        assert found.latest == "1976-08-31"
        assert "January 1976" in row("sprite-midget", "gan6-1976")["disputed"][0]["says"]

    @pytest.mark.parametrize(
        ("before", "first", "year"),
        [
            (156669, 156670, 1975),
            (171355, 171356, 1976),
            (188819, 188820, 1977),
            (204349, 204350, 1978),
            (219816, 219817, 1979),
        ],
    )
    def test_the_first_number_of_each_calendar_year(self, before, first, year):
        assert of_family("sprite-midget", f"GAN6-{before}").latest[:4] == str(year - 1)
        assert of_family("sprite-midget", f"GAN6-{first}").earliest[:4] == str(year)


class TestSpitfire:
    def test_the_count_and_the_last_number_both_stand(self):
        """FC1 to FC44656 (a catalogue, seen), 45,753 built (an encyclopaedia, seen)."""
        assert "45,753" in row("triumph-spitfire", "fc-mk1")["disputed"][0]["says"]

    @pytest.mark.parametrize(
        ("number", "earliest", "latest"),
        [
            ("FC50001", "1964-12-01", "1967-01-31"),  # Mk II by prefix; years from an encyclopaedia, seen
            ("FD12345", "1967-01-01", "1970-12-31"),  # Mk III
            ("FDU12345", "1967-01-01", "1970-12-31"),  # Mk III for the USA
            ("FL1234", "1970-11-01", "1974-12-31"),  # Mk IV for Sweden
        ],
    )
    def test_the_prefix_alone_gives_the_mark(self, number, earliest, latest):
        found = of_family("triumph-spitfire", number)
        assert (found.earliest, found.latest) == (earliest, latest)

    @pytest.mark.parametrize("number", ["FH 25001", "FH25001L", "FH25001LO", "FH25001 U"])
    def test_suffix_letters_say_nothing_of_the_date(self, number):
        """spitlist.info, seen."""
        assert of_family("triumph-spitfire", number).model_years == [(1972, 1.0)]

    def test_the_block_that_holds_two_model_years_names_neither(self):
        assert of_family("triumph-spitfire", "FM15000").latest == "1974-12-31"


class TestAustinSeven:
    @pytest.mark.parametrize(
        ("car", "first"), [("A8 101", 77535), ("A9 101", 87434), ("B1 101", 107228), ("B3 101", 127026)]
    )
    def test_pairs_of_chassis_and_factory_numbers(self, car, first):
        """Dorset A7 club, part 3, seen: 9,899 numbers to each letter and figure."""
        found = of_family("austin-seven", str(first))
        assert car in found.rows[0]["facts"][0]
        assert found.rows[0]["last"] == str(first + 9999 - 101)

    @pytest.mark.parametrize("number", ["102", "5000", "77534", "97333", "100000", "120000", "200000", "290571"])
    def test_what_lies_between_is_not_guessed(self, number):
        assert of_family("austin-seven", number) is None

    @pytest.mark.parametrize(
        ("at", "what"),
        [("101", "747 cc"), ("3145", "shock absorbers"), ("17074", "6-inch brake drums"), ("286571", "Girling")],
    )
    def test_changes_by_number(self, at, what):
        """theaustinsevenmotoringpages.info; Motor Sport, May 1977 (Wyatt). Seen."""
        assert what in next(p["what"] for p in load_tables()["austin-seven"].raw["change_points"] if p["at"] == at)

    def test_the_refuted_end_stands_beside_the_others(self):
        """Abbey has 290135 in July 1938; the last saloon was 290570 on 17 January 1939 (Motor Sport, May 1977, seen)."""
        assert "290135" in row("austin-seven", "last-saloon")["disputed"][0]["says"]
        assert of_family("austin-seven", "290570").earliest == "1939-01-17"


class TestCounts:
    """Where a count was printed beside the numbers, the row holds so many."""

    def test_renault_4cv_of_1955(self):
        """138,150 cars (cediye.wordpress.com, seen)."""
        found = row("renault-4cv", "1955")
        assert int(found["last"]) - int(found["first"]) + 1 == 138_150

    def test_corvair_of_1969(self):
        """6,000 cars (corvair.org, seen), the last on 14 May 1969 (automotivehistory.org, seen)."""
        found = row("corvair", "1969")
        assert int(found["last"][-6:]) - int(found["first"][-6:]) + 1 == 6_000
        assert of_family("corvair", "105379W706000").latest == "1969-05-14"

    @pytest.mark.parametrize(("letter", "plant"), [("K", "Kansas City"), ("N", "Norwood"), ("O", "Oakland")])
    def test_corvair_plants(self, letter, plant):
        """A muscle-parts seller's page, seen; serials from 100001 are from memory."""
        found = of_family("corvair", f"20927{letter}123456")
        assert found.model_years == [(1962, 1.0)]
        assert plant in [means for _, _, means in found.parts]


@pytest.mark.parametrize("family", ["triumph-herald", "triumph-vitesse", "ford-sidevalve"])
def test_series_without_a_readable_list_have_no_family(family):
    assert family not in load_tables()
