"""Masks, and the attack on them: what is shown of a car never leaves fewer serials than the policy says."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder import Tables, compile_table, load_tables
from registry import masking

SAMPLE_TABLES = Path(__file__).resolve().parents[2] / "sample" / "tables"

#: Bodies of the Pantile A moulded by the end of each quarter (the scenario's truth; nobody in the scenario has it).
PANTILE_A = [
    ("1965-09", 106), ("1965-12", 123), ("1966-03", 139), ("1966-06", 156), ("1966-09", 176), ("1966-12", 204), ("1967-03", 242),
    ("1967-06", 288), ("1967-09", 344), ("1967-12", 406), ("1968-03", 473), ("1968-06", 540), ("1968-09", 604), ("1968-12", 662),
    ("1969-03", 712),
]  # fmt: skip


@pytest.fixture(scope="module")
def tables() -> Tables:
    """The packaged families with the house tables of the sample."""
    texts = [path.read_text(encoding="utf-8") for path in sorted(SAMPLE_TABLES.glob("*.yml"))]
    return load_tables(extra=[compile_table(text, "sample") for text in texts])


SERIES = {
    "Pantile, series A": masking.Series("pantile-a", "1965-09-01", "1969-03-31"),
    "Corbel Mk I": masking.Series("corbel", "1969-05-01", "1972-06-30"),
    "Quoin": masking.Series("quoin", "1962-04-01", "1967-08-31"),
}


def row(**shown: str) -> dict[str, str]:
    return {"car": "E26-001", "series": "Pantile, series A", **shown}


@pytest.mark.parametrize(
    ("family", "key", "figures", "mask"),
    [
        ("pantile-a", "KP0147", 2, "KP …47"),
        ("pantile-a", "KP0147", 1, "KP …7"),
        ("pantile-a", "KP0147", 0, None),
        ("finial", "UF0412F", 2, "UF …12?"),
        ("corbel", "70F018", 2, "…18"),
        ("quoin", "181", 2, "…81"),
        # The last two of "66" would be all of it: how long a number is must not show either.
        ("quoin", "66", 2, "…6"),
        ("quoin", "6", 2, None),
        ("pantile-a", "TLP4008", 2, None),
    ],
)
def test_mask(tables, family, key, figures, mask):
    """The maker's letters and the last figures stand; nothing tells how many are hidden."""
    assert mask == masking.mask(tables[family], key, figures)


@pytest.mark.parametrize(
    ("serial", "made", "left"),
    [
        (None, None, 612),
        ("KP …7", None, 61),
        ("KP …07", None, 7),
        ("KP …07", "1960s", 7),
        # 31 of 1,308 days of 612 bodies, in a period a third as busy as the average
        (None, "1967-01", 4),
        ("KP …07", "1967-01", 1),
        ("KP 0207", None, 1),
    ],
)
def test_count_of_the_pantile_a(tables, serial, made, left):
    """What is left is what the maker issued and what agrees with all that is shown."""
    stretches = masking.stretches_of(SERIES["Pantile, series A"], tables)
    assert left == masking.count(stretches, serial, made)


def test_the_curve_tells_an_attacker_more(tables):
    """Whoever knows how many were made by when needs no guess: of 38 bodies of early 1967 one ends in 07."""
    known = masking.stretches_of(SERIES["Pantile, series A"], tables, {"pantile-a": PANTILE_A})
    assert sum(s.high - s.low + 1 for s in known) == 612
    assert [s for s in known if s.earliest == "1967-01-01"] == [
        masking.Stretch("", 205, 242, 4, "KP", 0, 1, "1967-01-01", "1967-03-31")
    ]
    assert masking.count(known, "KP …07", "1967") == 2
    assert masking.count(known, "KP …7", "1967") == 20


def test_the_attack_finds_month_and_figures_shown_together(tables):
    """The Pantile A of early 1967: month or figures alone may pass, both together name one car."""
    both = row(body_serial="KP …07", body_made="1967-01")
    assert [masking.Found("E26-001", "serials", 1)] == masking.attack([both], tables, SERIES)
    curves = {"pantile-a": PANTILE_A}
    assert [masking.Found("E26-001", "serials", 1)] == masking.attack([both], tables, SERIES, curves=curves)


def test_the_attack_lets_what_is_coarse_pass(tables):
    """One figure and the decade leave sixty serials, to whoever knows the curve as well."""
    coarse = row(body_serial="KP …7", body_made="1960s")
    assert masking.attack([coarse], tables, SERIES) == []
    assert masking.attack([coarse], tables, SERIES, curves={"pantile-a": PANTILE_A}) == []


def test_the_attack_uses_the_order_of_months_that_a_table_gives(tables):
    """A Corbel's serial begins with year and month: the month alone leaves that month's bodies, a figure with it two or three."""
    corbel = {"car": "E26-001", "series": "Corbel Mk I"}
    assert masking.attack([{**corbel, "body_made": "1970-06"}], tables, SERIES, least=20) == []
    assert masking.attack([{**corbel, "body_made": "1970-06", "body_serial": "…8"}], tables, SERIES)


def test_the_attack_refuses_what_it_cannot_count(tables):
    """Figures of a serial whose rules are not known here cannot be shown to be harmless."""
    strange = row(series="Somebody's own", body_serial="X …7")
    assert [masking.Found("E26-001", "serials", 1)] == masking.attack([strange], tables, SERIES)
    assert masking.attack([row(series="Somebody's own")], tables, SERIES) == []


def test_a_number_issued_twice_counts_once(tables):
    """73H001 to 73H029 were issued twice; an attacker who may pick either has no more numbers to pick from."""
    august = masking.stretches_of(masking.Series("corbel", "1973-08-01", "1973-09-30"), tables)
    single = {(s.block, n) for s in august for n in range(s.low, s.high + 1)}
    assert len(single) == masking.count(august, None, None)


def test_pan_and_model_year_are_attacked_as_well():
    """A small family of pans: a model year with four numbers in it may not be named."""
    few = load_tables(extra=[compile_table(FEW_PANS, "few")])
    rows = [{"car": "E26-001", "pan": "Pans of a short run (invented)", "pan_model_year": "1968"}]
    assert [masking.Found("E26-001", "pan numbers", 4)] == masking.attack(rows, few, {})
    rows[0]["pan_model_year"] = "1969"
    assert masking.attack(rows, few, {}) == []


@given(
    low=st.integers(1, 400),
    size=st.integers(0, 400),
    shown=st.text("0123456789", max_size=3),
)
def test_endings_are_counted_as_by_hand(low, size, shown):
    """The arithmetic against counting one by one."""
    by_hand = sum(1 for n in range(low, low + size + 1) if f"{n:04d}".endswith(shown))
    stretch = masking.Stretch("", low, low + size, 4, "KP", 0, 1, "1965-01-01", "1969-12-31")
    assert max(1, by_hand) == masking.count([stretch], f"KP …{shown}", None)


@given(st.sampled_from(masking.MADE_LEVELS), st.dates(), st.dates())
def test_a_date_made_coarser_still_holds_the_true_one(level, one, other):
    """Whatever is said of when a body was made, the whole span it was made in lies inside it."""
    earliest, latest = sorted((one.isoformat(), other.isoformat()))
    words = masking.made_in_words(earliest, latest, level)
    span = masking.span_of(words)
    if span is not None:
        assert span[0] <= earliest and latest <= span[1]
    elif level == "month":
        assert earliest[:3] != latest[:3]


FEW_PANS = """\
family: few-pans
title: "Pans of a short run (invented)"
house: true
carried_by: [pan]
where: "on the tunnel"
sources:
  sheet: {title: "Sheet", edition: "1st", supports: "all", standing: house, read: "2026-01-05"}
schemes:
  - id: one
    parts:
      - {name: "letter", literal: "X"}
      - {name: "running number", figures: 4}
    print: "X {running number}"
rows:
  - {id: "1968", scheme: one, basis: model, first: "0001", last: "0004", model_year: 1968, built: "1967-09/1968-08", source: "sheet"}
  - {id: "1969", scheme: one, basis: model, first: "0005", last: "0100", model_year: 1969, built: "1968-09/1969-08", source: "sheet"}
"""
