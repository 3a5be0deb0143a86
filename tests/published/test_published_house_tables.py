"""The invented house tables, against the scenario they belong to (``house-numbers.csv``; no real maker's number among them)."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from decoder import compile_table, decode, load_tables

HERE = Path(__file__).parent
FOLDER = HERE.parent.parent / "sample" / "tables"
LINES = (HERE / "house-numbers.csv").read_text(encoding="utf-8").splitlines()
NUMBERS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
LAST_OF_MONTH = [n for n in NUMBERS if n["what"] == "last of month"]
CARS = [n for n in NUMBERS if n["what"] != "last of month"]
HOUSE = ["corbel", "finial", "h-engine", "p-early", "p-late", "pantile-a", "pantile-b", "purlin", "q-tag", "quoin"]


@pytest.fixture(scope="module")
def tables():
    compiled = [compile_table(path.read_text(encoding="utf-8"), path.name) for path in sorted(FOLDER.glob("*.yml"))]
    return load_tables(extra=compiled)


def months_of(tables, family, number, **more):
    found = next(
        (d for d in decode(number, families=[family], tables=tables, **{"doubt": "none", **more}).decodings), None
    )
    return found and found.months


def test_the_ten_house_tables_say_that_they_are(tables):
    assert sorted(path.stem for path in FOLDER.glob("*.yml")) == HOUSE
    for family in HOUSE:
        raw = tables[family].raw
        assert raw["house"] is True
        assert "invented" in raw["title"]
        assert {source["standing"] for source in raw["sources"].values()} == {"house"}


@pytest.mark.parametrize("entry", LAST_OF_MONTH, ids=lambda n: f"{n['family']} {n['month']}")
def test_the_last_pan_of_each_month_and_the_next(tables, entry):
    months = dict(months_of(tables, entry["family"], entry["number"]))
    assert entry["month"] in months
    assert not any(month.endswith("-07") for month in months)
    head, figures = entry["number"].split(" ")
    after = months_of(tables, entry["family"], f"{head} {int(figures) + 1:0{len(figures)}d}")
    assert entry["month"] not in dict(after or [])


@pytest.mark.parametrize("entry", CARS, ids=lambda n: f"{n['what']} {n['number']}")
def test_the_scenarios_cars(tables, entry):
    """Month where the table has months, else a span that holds the month."""
    found = next(d for d in decode(entry["number"], families=[entry["family"]], tables=tables).decodings)
    if entry["family"] in ("p-early", "p-late", "corbel"):
        assert entry["month"] in dict(found.months)
    else:
        assert found.earliest[: len(entry["month"])] <= entry["month"] <= found.latest[: len(entry["month"])]
        assert found.months == []
    if entry["model_year"]:
        assert int(entry["model_year"]) in dict(found.model_years)


def test_the_repeating_year_figure_gives_both_years(tables):
    """S4 37961: model year 1964 or 1974; a sequence beyond a year's last number rules that year out."""
    found = next(d for d in decode("S4 37961", families=["p-late"], tables=tables).decodings)
    assert [year for year, _ in found.model_years] == [1964, 1974]
    found = next(d for d in decode("S4 58403", families=["p-late"], tables=tables).decodings)
    assert [year for year, _ in found.model_years] == [1964]


@pytest.mark.parametrize(
    ("family", "number"),
    [
        ("pantile-a", "KP 0713"),
        ("pantile-a", "KP 0100"),
        ("pantile-b", "KB 2000"),
        ("pantile-b", "KB 2804"),
        ("quoin", "319"),
        ("purlin", "TLP 4000"),
    ],
)
def test_numbers_that_were_never_issued(tables, family, number):
    assert not [
        d
        for d in decode(number, families=[family], tables=tables, direction=None).decodings
        if d.number == number.replace(" ", "")
    ]


@pytest.mark.parametrize("number", ["73H001", "73H029"])
def test_issued_twice(tables, number):
    assert [month for month, _ in months_of(tables, "corbel", number)] == ["1973-08", "1973-09"]


def test_issued_once(tables):
    assert [month for month, _ in months_of(tables, "corbel", "73H030")] == ["1973-08"]


def test_a_month_letter_i_does_not_exist(tables):
    assert all("I" not in t["cells"][2] for t in tables["corbel"].raw["templates"])


def test_the_check_letter_rules_a_misread_figure_out(tables):
    """412 leaves 5 when divided by 11: F."""
    assert [d.number for d in decode("UF-0412F", families=["finial"], tables=tables).decodings] == ["UF0412F"]
    assert "UF0472F" not in [d.number for d in decode("UF-0472F", families=["finial"], tables=tables).decodings]
    found = decode("UF-0[47]12F", families=["finial"], tables=tables).decodings[0]
    assert max(found.candidates, key=lambda c: c.probability).number == "UF0412F"


def test_a_number_read_from_the_wrong_side(tables):
    """66 is 99 from the other side; both are in the range."""
    numbers = {c.number for d in decode("99", families=["quoin"], tables=tables).decodings for c in d.candidates}
    assert numbers == {"66", "99"}


def test_an_engine_number_is_no_pan_number(tables):
    answer = decode("H 0204417", on="pan", families=None, tables=tables)
    assert answer.status == 1
    assert any("engine" in sentence for sentence in answer.problems)
