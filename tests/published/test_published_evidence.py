"""Strength of evidence and calibration, against figures printed elsewhere.

``verbal_scales.csv`` holds published scales with the standing of each row. Figures marked "own" were computed by two ways
outside this project; the others name where they are printed.
"""

from __future__ import annotations

import csv
import math
from fractions import Fraction
from pathlib import Path

import pytest

from decoder.calibration import brier, cllr, cllr_min, murphy
from decoder.errors import DecoderError
from decoder.evidence import (
    ENFSI_2015,
    Assumptions,
    Hypothesis,
    Observation,
    Sheet,
    Tell,
    lr_from_counts,
    rate,
    upper_rate,
    weigh,
)

HERE = Path(__file__).resolve().parent
NONE = "no support for one proposition over the other"


def printed(scale: str) -> list[dict[str, str]]:
    with (HERE / "verbal_scales.csv").open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["scale_id"] == scale]


class TestTheScale:
    """ENFSI 2015, row by row."""

    def test_every_row_is_the_printed_one(self):
        rows = printed("enfsi2015")
        assert len(rows) == len(ENFSI_2015.bands) == 7
        for row, band in zip(rows, ENFSI_2015.bands, strict=True):
            assert (float(row["lr_low"]), float(row["lr_high"] or "inf")) == (band.low, band.high)
            assert row["phrase"].startswith(band.word)
            assert row["alternative_phrase"].endswith(band.second)

    @pytest.mark.parametrize(
        ("lr", "word"),
        [
            (1, NONE),
            (1.99, NONE),
            (2, "weak support"),
            (9.99, "weak support"),
            (10, "moderate support"),
            (99.9, "moderate support"),
            (100, "moderately strong support"),
            (999.9, "moderately strong support"),
            (1000, "strong support"),
            (9999, "strong support"),
            (1e4, "very strong support"),
            (999_999, "very strong support"),
            (1e6, "extremely strong support"),
            (math.inf, "extremely strong support"),
        ],
    )
    def test_look_up(self, lr, word):
        assert ENFSI_2015.band(lr).word == word

    def test_a_thousand_by_powers_of_ten_is_strong(self):
        """math.log(1000, 10) falls short of 3; the ratio itself is compared."""
        assert math.log(1000, 10) < 3
        assert ENFSI_2015.band(10**3.0).word == "strong support"

    def test_below_one_the_propositions_change_places(self):
        with pytest.raises(DecoderError, match="turn the two propositions round"):
            ENFSI_2015.band(0.05)
        assert ENFSI_2015.band(1 / 0.05).word == "moderate support"

    def test_the_scale_says_how_it_stands(self):
        assert "from memory" in ENFSI_2015.standing
        assert "2015" in ENFSI_2015.source


class TestRatiosFromCounts:
    @pytest.mark.parametrize(("one", "other", "ratio"), [((18, 20), (1, 40), 18.14), ((20, 20), (0, 40), 40.09)])
    def test_add_one(self, one, other, ratio):
        """Own figures: 18 of 20 against 1 of 40 is 36 by the bare counts."""
        assert round(lr_from_counts(one, other), 2) == ratio

    @pytest.mark.parametrize(("n", "exact"), [(30, 0.0950), (100, 0.0295), (300, 0.00994)])
    def test_none_seen(self, n, exact):
        """Exact upper limits beside the rule of three (Hanley and Lippman-Hand 1983; from memory, computed again)."""
        assert upper_rate(n) == pytest.approx(exact, abs=5e-5)
        assert upper_rate(n) < 3 / n

    def test_none_of_a_hundred_bears_no_more_than_about_33(self):
        assert 1 / upper_rate(100) == pytest.approx(33.9, abs=0.1)

    def test_the_mean_of_the_beta_distribution_by_numerical_integration(self):
        """Jeffreys' prior and 28 of 46, summed over ten thousand rates."""
        grid = [(i + 0.5) / 10_000 for i in range(10_000)]
        density = [p ** (28 - 0.5) * (1 - p) ** (46 - 28 - 0.5) for p in grid]
        mean = sum(p * d for p, d in zip(grid, density, strict=True)) / sum(density)
        assert rate((28, 46)) == pytest.approx(mean, rel=1e-6)


class TestCollins:
    """People v. Collins, 68 Cal.2d 319 (1968): six traits multiplied as if they did not hang together."""

    TRAITS = (10, 4, 10, 3, 10, 1000)

    def test_the_product(self):
        assert math.prod(Fraction(1, n) for n in self.TRAITS) == Fraction(1, 12_000_000)

    def test_rare_is_not_alone(self):
        """The court's appendix: given one such couple among twelve million, a second one is over 40 per cent likely."""
        n = 12_000_000
        p = 1 / n
        none, one = (1 - p) ** n, n * p * (1 - p) ** (n - 1)
        assert round((1 - none - one) / (1 - none), 4) == 0.4180


class TestThreeKindsOfNo:
    """Absent is evidence; not examined and not visible are none."""

    SHEET = Sheet(
        [Hypothesis("ONE", "maker"), Hypothesis("OTHER", "other")],
        [Tell("t", "tell", "trim", 1, {"ONE": (80, 100), "OTHER": (10, 100)})],
        Assumptions(examiner_error=0.0, sheet_error=0.0, none_of_these=0.0),
    )

    def ratio(self, state):
        return 10 ** weigh(self.SHEET, [Observation("t", state)], pair=("ONE", "OTHER")).pair.log10_lr

    def test_present(self):
        assert self.ratio("present") == pytest.approx(rate((80, 100)) / rate((10, 100)))

    def test_absent(self):
        assert self.ratio("absent") == pytest.approx((1 - rate((80, 100))) / (1 - rate((10, 100))))
        assert self.ratio("absent") < 0.3

    @pytest.mark.parametrize("state", ["not examined", "not visible"])
    def test_no_evidence(self, state):
        assert self.ratio(state) == 1.0

    @pytest.mark.parametrize("state", ["altered", "gone with traces left"])
    def test_unclear_is_a_mixture_over_what_was_there(self, state):
        """P(unclear | kind) is summed over the true state."""
        there = {"altered": 2 / 3, "gone with traces left": 0.9}[state]
        one, other = rate((80, 100)), rate((10, 100))
        mixed = (there * one + (1 - there) * (1 - one)) / (there * other + (1 - there) * (1 - other))
        assert self.ratio(state) == pytest.approx(mixed)


class TestCalibration:
    def test_four_forecasts(self):
        """0, 1, 1, 0 with 0.1, 0.9, 0.8, 0.3: the example of a general library's documentation."""
        assert brier([0.1, 0.9, 0.8, 0.3], [0, 1, 1, 0]) == pytest.approx(0.0375)

    def test_murphy(self):
        """Own: three bins of ten, 0.9 with 8 hits, 0.6 with 6, 0.2 with 3."""
        said = [0.9] * 10 + [0.6] * 10 + [0.2] * 10
        so = [1] * 8 + [0] * 2 + [1] * 6 + [0] * 4 + [1] * 3 + [0] * 7
        found = murphy(said, so)
        assert [round(part, 6) for part in found] == [0.21, 0.006667, 0.042222, 0.245556]
        assert found.reliability - found.resolution + found.uncertainty == pytest.approx(found.brier)

    def test_cllr(self):
        """Own, closed form and a general library agree."""
        assert round(cllr([1, 2], [-1, -2]), 7) == 0.0759294
        assert cllr([0, 0, 0], [0]) == 1.0
        assert round(cllr([3], [3]), 3) == 4.984

    def test_infinitely_sure_of_what_was_not_so(self):
        assert cllr([-math.inf], [0]) == math.inf
        assert cllr([math.inf], [-math.inf]) == 0.0

    def test_large_ratios_do_not_overflow(self):
        assert cllr([400], [-400]) == pytest.approx(0.0)
        assert cllr([-400], [400]) == pytest.approx(400 * math.log2(10))

    def test_the_best_stretching_loses_nothing_that_can_be_told_apart(self):
        assert cllr_min([1, 2], [-1, -2]) == 0.0
        assert cllr_min([3], [3]) == pytest.approx(1.0)
        assert cllr_min([0.3, 1.2, -0.4, 2.0], [-1.0, 0.5, -0.2]) <= cllr([0.3, 1.2, -0.4, 2.0], [-1.0, 0.5, -0.2])
