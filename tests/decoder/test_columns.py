"""A list of numbers at once gives, row by row, what each number gives alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import strategies
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder import DecoderError, Tables, UnknownFamily, compile_table, decode, decode_many, load_tables
from decoder.columns import COLUMNS

FOLDER = Path(__file__).parent.parent.parent / "sample" / "tables"
HOUSE = [compile_table(path.read_text(encoding="utf-8"), path.name) for path in sorted(FOLDER.glob("*.yml"))]
TABLES = {"packaged": load_tables(), "with the sample's": load_tables(extra=HOUSE)}


def alone(text: Any, **more: Any) -> dict[str, Any]:
    """The row that ``decode`` gives for one reading, put together here from its answer."""
    row: dict[str, Any] = dict.fromkeys(COLUMNS, "") | {"probability": 0.0, "model_year": 0, "estimated": False}
    try:
        answer = decode(text, **{"doubt": "none", **more})
    except DecoderError as error:
        return row | {"status": 2, "problem": str(error)}
    row |= {"status": answer.status, "problem": " ".join(answer.problems)}
    if answer.decodings:
        first, *others = (d.as_dict() for d in answer.decodings)
        built = first["built"]
        row |= {
            "family": first["family"], "number": first["number"] or "", "probability": first["probability"],
            "earliest": built["earliest"] or "", "latest": built["latest"] or "", "likeliest_month": built["likeliest_month"] or "",
            "model_year": likeliest(first["model_years"]),
            "estimated": built["months_estimated"], "also": " ".join(d["family"] for d in others),
        }  # fmt: skip
    return row


def likeliest(years: list[dict[str, Any]]) -> int:
    """The likeliest model year, 0 where several are equally likely: a list names none of them then."""
    ranked = sorted(years, key=lambda y: -y["probability"])
    if not ranked or (len(ranked) > 1 and ranked[0]["probability"] < 1.05 * ranked[-1]["probability"]):
        return 0
    return max(years, key=lambda y: y["probability"])["year"]


def rows(readings: list[Any], **more: Any) -> list[dict[str, Any]]:
    columns = decode_many(readings, **more)
    assert set(COLUMNS) == set(columns)
    assert {len(readings)} == {len(column) for column in columns.values()}
    return [{name: columns[name][i] for name in COLUMNS} for i in range(len(readings))]


MIXED = [
    "118 012 345", "118012345", "118-12345", "115 000 001", "115 1 000 042", "111 2 000 001", "117 2 500 000", "1-0053815", "53815", "6502399", "6502400",
    "S4 37961", "S4 58403", "s4 58403", "C6 67967", "KP 0147", "KP O147", "147 KP", "KP147", "KP 0713", "KB 2001", "UF-0412F", "UF-0412A", "UF0412F",
    "73H001", "73H030", "70F018", "70I018", "66", "99", "68", "318", "319", "TLP 4001", "TLP 4000", "HA 12345", "H 0204417", "P 153821",
    "6[17]967", "S6 2?967", "11? 012 345", "3*", "118 012 34?", "118~012345", "?", "AA", "MA", "GHN3-101", "FC 12345", "1M8GDM9AXKP042788", "1M8GDM9A?KP042788",
    "１１８０１２３４５", "KP\n0147", "118\t012 345", "\u0661\u0661\u0668012345", "", " ", "'; DROP", "1[38", "8" * 65, "x" * 600, None, 118012345, 1.5, ["118"], b"118",
]  # fmt: skip


@pytest.mark.parametrize("which", TABLES)
@pytest.mark.parametrize("on", [None, "pan", "body", "engine", "plate", "title"])
def test_a_mixed_list_agrees_row_by_row(which, on):
    """Spaces, dashes, doubts, junk, letters for figures, wide characters, line breaks, what is no text at all."""
    assert [alone(text, on=on, tables=TABLES[which]) for text in MIXED] == rows(MIXED, on=on, tables=TABLES[which])


@pytest.mark.parametrize("on", [None, "pan"])
def test_a_plain_list_agrees_row_by_row(on):
    """Only figures and capital letters, which is laid out and searched in columns: the ends of rows and the numbers beside them."""
    tables = TABLES["with the sample's"]
    limits = [
        row[end].replace(" ", "").replace("-", "")
        for family in tables
        for row in family.rows
        for end in ("first", "last")
        if row[end]
    ]
    texts = [
        text
        for limit in limits
        for text in (limit, str(int(limit) + 1) if limit.isdigit() else limit, f"S{limit}", f"HA{limit}")
    ]
    texts = texts[::3]
    assert len(texts) > 700
    assert [alone(text, on=on, tables=tables) for text in texts[::5]] == rows(texts, on=on, tables=tables)[::5]


@pytest.mark.parametrize("on", [None, "engine"])
def test_numbers_without_an_order_agree(on):
    """Engine numbers: a letter and figures that no row orders, in a list where all is plainly written."""
    texts = ["H0204417", "H9999999", "D0123456", "AS123456", "AS1234567", "B6123456", "6234567", "H020441"]
    assert [alone(text, on=on) for text in texts] == rows(texts, on=on)


@pytest.mark.parametrize(
    "shape",
    [
        ["118012345"] * 5,
        ["118 012 345"] * 5,
        ["118012345", "118 012 345"],
        ["118012345", "53815", "S458403"],
        ["118012345", "?"],
        ["q"] * 3,
    ],
)
def test_however_the_list_is_made_up(shape):
    """All of one length, all spaced, some spaced, several lengths, with a doubt among them, all unknown."""
    assert [alone(text, on="pan") for text in shape] == rows(shape, on="pan")


@settings(max_examples=60)
@given(st.data())
def test_numbers_of_a_small_family_agree(data):
    """Codes, year figures, check letters, two runs, figures read from both sides, alone and among others."""
    family = data.draw(strategies.small_families())
    tables = Tables({"small": compile_table(family.text)})
    number = st.builds("".join, st.tuples(*(st.sampled_from(alphabet) for alphabet in family.alphabets)))
    issued = st.sampled_from([one.number for one in family.issued] or ["0"])
    texts = data.draw(
        st.lists(
            st.one_of(issued, number, number.map(lambda n: f"{n[:1]} {n[1:]}"), number.map(lambda n: n[:-1] + "?")),
            max_size=12,
        )
    )
    assert [alone(text, on="pan", tables=tables) for text in texts] == rows(texts, on="pan", tables=tables)


@settings(max_examples=25)
@given(st.lists(st.one_of(st.text(max_size=12), strategies.readings(), st.none()), max_size=6))
def test_any_list_is_answered(texts):
    """Whatever stands in it, each row has its answer or its sentence, and none stops the list."""
    assert [alone(text, families=["aircooled-platform", "mgb", "ford-europe-date-letters"]) for text in texts] == rows(
        texts, families=["aircooled-platform", "mgb", "ford-europe-date-letters"]
    )


def test_families_limit_the_search():
    """A number of two tables is answered from the one that was named."""
    assert ["fiat-500"] == [row["family"] for row in rows(["1167967"], families=["fiat-500"])]
    assert [2] == [row["status"] for row in rows(["'"], families=["fiat-500"])]


@pytest.mark.parametrize("readings", [[], (), iter([])])
def test_an_empty_list(readings):
    """Columns of no length, of their usual kinds."""
    columns = decode_many(readings)
    assert set(COLUMNS) == set(columns)
    assert all(0 == len(column) for column in columns.values())
    assert ("f", "i", "i", "b") == tuple(
        columns[name].dtype.kind for name in ("probability", "model_year", "status", "estimated")
    )


@pytest.mark.parametrize("readings", [("118012345", "x"), iter(["118012345", "x"]), {"118012345": 1, "x": 2}])
def test_any_iterable_is_taken(readings):
    assert [0, 1] == decode_many(readings, "pan")["status"].tolist()


def test_a_column_of_numpy():
    """An array of texts, as a data frame holds them."""
    numpy = pytest.importorskip("numpy")
    assert rows(["118012345", "x"], on="pan") == rows(numpy.array(["118012345", "x"], dtype=object), on="pan")
    assert rows(["118012345", "x"], on="pan") == rows(numpy.array(["118012345", "x"]), on="pan")


@pytest.mark.parametrize(("more", "error", "says"), [
    ({"on": "roof"}, DecoderError, "stamped on one of pan, body"),
    ({"families": ["nonesuch"]}, UnknownFamily, "no family 'nonesuch'"),
    ({"doubt": "some"}, DecoderError, "one of none, low, usual, high"),
])  # fmt: skip
@pytest.mark.parametrize("readings", [[], ["118012345"]])
def test_a_wrong_option_is_no_fault_of_the_rows(readings, more, error, says):
    """It is said once and at once, not a thousand times in the rows."""
    with pytest.raises(error, match=says):
        decode_many(readings, **more)


def test_no_misreading_is_guessed_at_down_a_list():
    """A number that no table has is answered with what is nearest and no date; where doubt is asked for it is weighed."""
    (plain,) = rows(["6502400"], families=["aircooled-platform"])
    assert (1, "", "", "") == (plain["status"], plain["family"], plain["earliest"], plain["number"])
    assert "1 above the last of model year 1964" in plain["problem"]
    (doubted,) = rows(["6502400"], families=["aircooled-platform"], doubt="usual")
    assert doubted == alone("6502400", families=["aircooled-platform"], doubt="usual")
    assert "aircooled-platform" == doubted["family"]
