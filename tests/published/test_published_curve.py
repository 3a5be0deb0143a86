"""Serial to date, against figures printed elsewhere and programs written by others."""

from __future__ import annotations

import random

import pytest

from decoder.curve import conformal_rank, isotonic

#: Potthoff and Roy's girls, age to fissure; the data of R's isotone package (from memory; the fit was computed twice elsewhere).
PITUITARY = {8: [21, 23.5, 23], 10: [24, 21, 25], 12: [21.5, 22, 19], 14: [23.5, 25]}


def test_pituitary_fissures():
    means = [sum(girls) / len(girls) for girls in PITUITARY.values()]
    assert [round(x, 3) for x in means] == [22.5, 23.333, 20.833, 24.25]
    fit = isotonic(means, [len(girls) for girls in PITUITARY.values()])
    assert [round(x, 4) for x in fit] == [22.2222, 22.2222, 22.2222, 24.25]


def test_pituitary_fissures_girl_by_girl():
    """Weights are what repeated girls do: the same fit where each girl counts by herself and ages are merged first."""
    fit = isotonic([sum(girls) / len(girls) for girls in PITUITARY.values()], [3, 3, 3, 2])
    # The least squares of a constant over the first nine girls is their mean.
    nine = [girl for age in (8, 10, 12) for girl in PITUITARY[age]]
    assert fit[0] == pytest.approx(sum(nine) / 9)


@pytest.mark.parametrize("seed", range(20))
def test_against_scikit_learn(seed):
    """An independent program gives the same sequence, with and without weights."""
    regression = pytest.importorskip("sklearn.isotonic").isotonic_regression
    rng = random.Random(seed)
    n = rng.randint(1, 60)
    values = [i * rng.random() + rng.gauss(0, 8) for i in range(n)]
    weights = [rng.choice([0.01, 0.5, 1.0, 900.0]) for _ in range(n)]
    assert isotonic(values, weights) == pytest.approx(list(regression(values, sample_weight=weights)), abs=1e-9)
    assert isotonic(values) == pytest.approx(list(regression(values)), abs=1e-9)


def test_how_many_cars_a_band_needs():
    """A conformal band exists from 9 for 90 % and from 19 for 95 % (ceil((n + 1) level) must not exceed n)."""
    assert next(n for n in range(1, 40) if conformal_rank(n, 0.9)) == 9
    assert next(n for n in range(1, 40) if conformal_rank(n, 0.95)) == 19
    assert conformal_rank(99, 0.9) == 90
