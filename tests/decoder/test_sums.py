"""Sums over stretches of numbers, where a family has an odd shape."""

from __future__ import annotations

import pytest

from decoder import decode


@pytest.mark.parametrize("typed", ["H 0204417", "H 02?4417", "H0 04417"])
def test_a_numbering_without_an_order(typed):
    """An engine's letter and figures have no place that counts upwards: doubt about them is answered, and does not fail."""
    answer = decode(typed, on="engine", doubt="usual")
    assert answer.decodings
    assert sum(one.probability for one in answer.decodings) + answer.none_of_these == pytest.approx(1)
