"""Counts of what was made and what is left, against figures printed elsewhere.

Where a figure's original was not read here it is from memory and was computed again by another way (direct
summation).
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from decoder.population import (
    Block,
    chao1,
    chao1_interval,
    chapman,
    how_many_made,
    how_many_survive,
    petersen,
    sample_coverage,
    tank_bayes,
    tank_estimate,
    tank_upper,
)


class TestFourTanks:
    """Serials 19, 40, 42 and 60, the usual example of the estimate (encyclopedia article, from memory)."""

    def test_the_usual_estimate_is_74(self):
        assert tank_estimate(60, 4) == 74
        assert how_many_made([19, 40, 42, 60], [Block(1)]).estimate == 74

    def test_the_flat_prior_says_89_give_or_take_50(self):
        bayes = tank_bayes(60, 4)
        assert round(bayes["mean"], 1) == 88.5
        assert round(bayes["sd"], 1) == 50.2
        assert bayes["median"] == 75
        assert bayes["upper"] == 159

    def test_the_flat_prior_agrees_with_summing_it(self):
        """Sum the posterior term by term, far out, in exact fractions where it matters."""
        beyond_74 = Fraction(math.comb(59, 3), math.comb(74, 3))
        assert round(float(beyond_74), 4) == 0.5015
        weights = {n: 1 / math.comb(n, 4) for n in range(60, 60_000)}
        total = sum(weights.values())
        assert sum(n * w for n, w in weights.items()) / total == pytest.approx(tank_bayes(60, 4)["mean"], rel=1e-3)
        assert (
            sum(w for n, w in weights.items() if n > 159) / total
            <= 0.05
            < sum(w for n, w in weights.items() if n > 158) / total
        )

    def test_the_exact_upper_limit_is_125(self):
        assert tank_upper(60, 4) == 125
        assert (
            Fraction(math.comb(60, 4), math.comb(125, 4))
            > Fraction(1, 20)
            >= Fraction(math.comb(60, 4), math.comb(126, 4))
        )


class TestTwoCatches:
    """23 marked, 28 caught later, 9 of them marked (numeracy-bank.net, which prints 72)."""

    def test_lincoln_petersen(self):
        assert round(petersen(23, 28, 9)) == 72

    def test_chapman(self):
        assert round(chapman(23, 28, 9), 1) == 68.6


#: Hepatitis A, Taiwan 1995 (R package CARE1, data HAV: 135, 122 and 126 cases, 271 distinct). The pairwise
#: overlaps are from memory; these histories give all four totals.
HEPATITIS = {
    (1, 0, 0): 69,
    (0, 1, 0): 55,
    (0, 0, 1): 63,
    (1, 1, 0): 21,
    (1, 0, 1): 17,
    (0, 1, 1): 18,
    (1, 1, 1): 28,
}


def hepatitis_lists() -> dict[str, list[int]]:
    lists: dict[str, list[int]] = {"P": [], "Q": [], "E": []}
    case = 0
    for history, count in HEPATITIS.items():
        for _ in range(count):
            case += 1
            for name, on in zip(lists, history, strict=True):
                if on:
                    lists[name].append(case)
    return lists


class TestThreeDependentLists:
    """About 545 had it, as a later screen showed (from memory). All three pairs are far too low."""

    def test_the_four_totals(self):
        lists = hepatitis_lists()
        assert [len(cases) for cases in lists.values()] == [135, 122, 126]
        assert len(set().union(*lists.values())) == 271

    def test_pairwise(self):
        lists = {name: set(cases) for name, cases in hepatitis_lists().items()}
        pairs = [("P", "Q"), ("P", "E"), ("Q", "E")]
        found = [petersen(len(lists[a]), len(lists[b]), len(lists[a] & lists[b])) for a, b in pairs]
        assert [round(n, 1) for n in found] == [336.1, 378.0, 334.2]

    def test_the_one_step_sample_coverage_estimate_is_508(self):
        """Chao, Tsay, Lin, Shau and Chao, Statistics in Medicine 20 (2001) 3123-3157, print 508 for it (from
        memory)."""
        found = sample_coverage(HEPATITIS)
        assert round(found.one_step) == 508
        assert round(found.coverage, 3) == 0.513

    def test_the_answer_is_nearer_the_truth_than_any_pair(self):
        answer = how_many_survive(hepatitis_lists())
        assert answer.estimate == 508
        assert answer.low < 545 < answer.high
        pairs = [other for other in answer.others if other.method.startswith("Chapman")]
        assert len(pairs) == 3
        assert all(pair.estimate < 400 for pair in pairs)


class TestSpiders:
    """Girdled canopy: 168 spiders, 26 species, 12 met once, 4 twice (R package iNEXT, ChaoRichness; output
    from memory)."""

    def test_bound_error_and_interval(self):
        assert round(chao1(26, 12, 4, 168), 3) == 43.893
        assert [round(x, 3) for x in chao1_interval(26, 12, 4, 168)] == [14.306, 30.511, 96.971]

    def test_the_other_two_forms(self):
        """scikit-bio gives 39.2 (corrected for bias) and 44.0 (without the factor (n - 1)/n) for the same
        spiders."""
        assert chao1(26, 12, 4, corrected=True) == pytest.approx(39.2)
        assert chao1(26, 12, 4) == pytest.approx(44.0)
        assert [round(x, 2) for x in chao1_interval(26, 12, 4)[1:]] == [30.54, 97.38]

    def test_why_the_printed_interval_without_the_factor_differs(self):
        """scikit-bio prints 30.58 to 96.77: its variance has 0.24 where Chao 1987 has a quarter. With 0.24
        ours is the same."""
        ratio, unseen = 12 / 4, 18.0
        variance = 4 * (ratio**2 / 2 + ratio**3 + 0.24 * ratio**4)
        factor = math.exp(1.959964 * math.sqrt(math.log(1 + variance / unseen**2)))
        assert [round(26 + unseen / factor, 2), round(26 + unseen * factor, 2)] == [30.58, 96.77]
        ours = chao1_interval(26, 12, 4)[0] ** 2
        assert ours - variance == pytest.approx(4 * 0.01 * ratio**4)
