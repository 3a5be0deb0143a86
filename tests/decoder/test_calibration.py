"""Calibration: properties; the printed figures stand in tests/published."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.calibration import brier, cllr, cllr_min, murphy, reliability
from decoder.errors import DecoderError

forecasts = st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=40)
ratios = st.lists(st.floats(-6, 6), min_size=1, max_size=25)


@given(forecasts)
def test_murphys_parts_add_up_where_equal_forecasts_go_together(pairs):
    found = murphy(*zip(*pairs, strict=True))
    assert found.reliability - found.resolution + found.uncertainty == pytest.approx(found.brier, abs=1e-9)


@given(forecasts, st.integers(1, 20))
def test_every_forecast_is_in_one_bin(pairs, bins):
    found = reliability(*zip(*pairs, strict=True), bins=bins)
    assert sum(each.cases for each in found) == len(pairs)
    assert all(each.low <= each.said + 1e-9 and each.said <= each.high + 1e-9 for each in found)


@given(ratios, ratios)
def test_the_best_stretching_is_never_worse(one, other):
    assert cllr_min(one, other) <= cllr(one, other) + 1e-9
    assert cllr_min(one, other) <= 1 + 1e-9


@given(ratios, ratios, st.floats(0.2, 5), st.floats(-3, 3))
def test_the_best_stretching_asks_only_for_the_order(one, other, times, more):
    moved = [[times * x + more for x in side] for side in (one, other)]
    if len({*moved[0], *moved[1]}) == len({*one, *other}):  # rounding may make two ratios one
        assert cllr_min(*moved) == pytest.approx(cllr_min(one, other), abs=1e-9)


def test_pool_adjacent_violators_by_hand():
    """Ratios -1 (other), 0 (one), 1 (other), 2 (one): the middle two are pooled at one in two."""
    pooled = math.log2(1 + 1)  # ratio 1 by equal numbers on both sides: one bit each
    assert cllr_min([0, 2], [-1, 1]) == pytest.approx((pooled / 2 + pooled / 2) / 2)


def test_saying_too_much_costs():
    honest, loud = cllr([1, 1, 1, -1], [-1, -1, -1, 1]), cllr([3, 3, 3, -3], [-3, -3, -3, 3])
    assert honest < 1 < loud


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: brier([], []), "as many outcomes as forecasts"),
        (lambda: brier([0.5], [True, False]), "as many outcomes as forecasts"),
        (lambda: brier([1.2], [True]), "from 0 to 1"),
        (lambda: cllr([], [0.0]), "cases of both kinds"),
        (lambda: cllr_min([0.0], []), "cases of both kinds"),
    ],
)
def test_what_cannot_be_counted_is_refused_in_a_sentence(call, says):
    with pytest.raises(DecoderError, match=says):
        call()
