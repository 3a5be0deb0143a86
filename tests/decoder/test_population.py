"""How many were made, how many are left: the scenario's lists against its truth, intervals against
simulation, and refusals."""

from __future__ import annotations

import itertools
import json
import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.errors import DecoderError
from decoder.population import (
    Block,
    chapman,
    chi_square_chance,
    find_breaks,
    how_many_made,
    how_many_survive,
    range_upper,
    sadinle,
    sample_coverage,
    survivors,
    tank_upper,
)

# The invented lists of the demo: Kelderwick Pantile, series A (the first number was 101, 612 were made, 252
# are living) and Tolverry Purlin (the first number was 4001, 640 were made, 147 are living).
KA_LOFT = [
    105, 109, 114, 116, 118, 120, 123, 127, 130, 147, 148, 154, 158, 162, 171, 180, 184, 189, 194, 197, 204,
    206, 210, 211, 217, 220, 226, 227, 228, 233, 247, 251, 252, 258, 268, 269, 271, 272, 279, 284, 288, 296,
    302, 307, 308, 309, 310, 314, 318, 322, 347, 351, 356, 369, 371, 372, 383, 414, 422, 437, 441, 442, 450,
    453, 455, 457, 459, 465, 469, 471, 472, 476, 490, 491, 504, 505, 511, 516, 520, 528, 532, 533, 536, 550,
    553, 555, 556, 566, 571, 574, 575, 580, 581, 582, 588, 593, 596, 601, 612, 613, 617, 619, 628, 643, 645,
    647, 649, 653, 654, 664, 665, 667, 676, 683, 694, 697, 703, 704, 705, 707,
]  # fmt: skip
KA_SLIDES = [
    112, 117, 120, 129, 157, 194, 213, 220, 243, 246, 272, 310, 318, 405, 414, 420, 430, 450, 455, 458, 459,
    462, 474, 476, 492, 498, 509, 531, 535, 544, 547, 550, 555, 560, 566, 568, 580, 581, 585, 611, 613, 671,
    676, 700, 703,
]  # fmt: skip
TP_LOFT = [
    4004, 4019, 4079, 4080, 4119, 4124, 4157, 4184, 4190, 4195, 4202, 4256, 4296, 4310, 4373, 4375, 4376,
    4404, 4408, 4436, 4449, 4466, 4519, 4549, 4567, 4614,
]  # fmt: skip
TP_SLIDES = [
    4008, 4024, 4079, 4165, 4172, 4185, 4228, 4269, 4302, 4312, 4319, 4390, 4404, 4405, 4408, 4411, 4453,
    4494, 4521, 4562, 4567, 4576, 4603, 4629, 4636,
]  # fmt: skip
#: kind: (living in truth, in the Loft Book, in the slide survey, in both)
COUNTS = {
    "KA": (252, 120, 45, 19),
    "KB": (239, 87, 55, 19),
    "D1": (245, 78, 32, 10),
    "D2": (398, 122, 42, 14),
    "RQ": (85, 46, 19, 7),
    "UF": (311, 74, 35, 6),
    "TP": (147, 26, 25, 4),
}


class TestTheDemoAgainstItsTruth:
    def test_the_pantile_series_a(self):
        """612 were made from number 101 on, 252 are living: both lie inside the ranges, and the ranges are of
        use."""
        answer = survivors({"Loft Book": KA_LOFT, "slide survey": KA_SLIDES}, blocks=[Block(101)])
        assert answer.status == 0
        assert answer.made.low <= 612 <= answer.made.high
        assert answer.made.high - answer.made.low < 30
        assert answer.surviving.low <= 252 <= answer.surviving.high
        assert answer.surviving.high < answer.made.high

    def test_the_purlin_whose_start_nobody_knows(self):
        """An estimate that takes the numbers from 1 is wrong by four thousand; the start is an unknown."""
        answer = survivors({"Loft Book": TP_LOFT, "slide survey": TP_SLIDES})
        assert answer.made.low <= 640 <= answer.made.high
        assert abs(answer.made.estimate - 640) < 40
        assert "start of numbering unknown" in answer.made.method
        # 47 numbers over 633 stand about 14 apart; nobody can argue the start more closely than that.
        assert abs(answer.made.blocks[0]["likely_first"] - 4001) <= 14
        assert answer.surviving.low <= 147 <= answer.surviving.high
        from_one = next(other for other in answer.made.others if "begin at 1" in other.method)
        assert from_one.estimate > 4600

    def test_a_wrong_first_number_is_noticed(self):
        answer = how_many_made(TP_LOFT, [Block(1)])
        assert any("Is the first number right?" in problem for problem in answer.problems)
        assert not any("first number" in problem for problem in how_many_made(TP_LOFT, [Block(4001)]).problems)

    @pytest.mark.parametrize("kind", COUNTS)
    def test_living_of_every_kind(self, kind):
        living, loft, slides, both = COUNTS[kind]
        low, high = sadinle(loft, slides, both)
        assert low <= living <= high

    def test_the_face_and_what_lies_behind_it(self):
        """One number and one range; the other estimators and the assumptions are data for 'why'."""
        answer = survivors({"Loft Book": KA_LOFT, "slide survey": KA_SLIDES}, blocks=[Block(101)]).as_dict()
        json.dumps(answer)
        for key in ("made", "surviving"):
            assert {"estimate", "low", "high", "method"} <= answer[key].keys()
            assert answer[key]["why"]["assumptions"]
            assert answer[key]["why"]["others"]
        assert answer["listed"]["cars"] == 146
        assert answer["listed"]["on_more_than_one"] == 19
        assert "not independent" in answer["surviving"]["says"]
        assert answer["surviving"]["estimate"] == round(chapman(120, 45, 19))


class TestBlocks:
    def test_series_a_and_b_of_one_maker(self):
        """Numbers 0713 to 2000 were never issued: two blocks, added."""
        series_b = [2004, 2019, 2120, 2233, 2310, 2405, 2417, 2522, 2586, 2601, 2652, 2715, 2790]
        declared = how_many_made(KA_LOFT + series_b, [Block(101, 712, "A"), Block(2001, None, "B")])
        assert declared.low <= 612 + 803 <= declared.high
        assert [part["name"] for part in declared.blocks] == ["A", "B"]
        found = how_many_made(KA_LOFT + series_b)
        assert found.low <= 612 + 803 <= found.high
        assert any("blocks of their own" in problem for problem in found.problems)

    def test_taken_as_one_run_it_would_count_what_was_never_issued(self):
        series_b = [2004, 2019, 2120, 2233, 2310, 2405, 2417, 2522, 2586, 2601, 2652, 2715, 2790]
        assert how_many_made(KA_LOFT + series_b, [Block(101)]).estimate > 2600

    def test_a_number_far_from_all_others_is_named_and_not_counted(self):
        answer = how_many_made([*KA_LOFT, 9121])
        assert answer.high < 700
        assert any("9121" in problem for problem in answer.problems)

    def test_a_number_outside_the_declared_blocks_is_named(self):
        answer = how_many_made([*KA_LOFT, 999], [Block(101, 712)])
        assert any("999" in problem for problem in answer.problems)
        assert answer.high <= 612

    def test_blocks_that_cannot_be_are_refused(self):
        with pytest.raises(DecoderError, match="ends before it begins"):
            how_many_made([5], [Block(10, 2)])
        with pytest.raises(DecoderError, match="overlap"):
            how_many_made([5], [Block(1, 20), Block(10, 30)])
        with pytest.raises(DecoderError, match="each needs its first number"):
            how_many_made([5], [Block(), Block(10)])

    def test_restarts_at_the_hundred_show_in_the_last_two_figures(self):
        """Ruggles and Brodie's case: each model change went on at the next hundred, so endings 76 to 100 are
        thin."""
        restarting = [hundred * 100 + ending for hundred in range(20) for ending in range(1, 51, 4)]
        assert any("round hundreds" in problem for problem in how_many_made(restarting, [Block(1)]).problems)
        rng = random.Random(3)
        for _ in range(5):
            steady = rng.sample(range(1, 2001), 260)
            assert not any("round hundreds" in problem for problem in how_many_made(steady, [Block(1)]).problems)

    def test_early_cars_better_known_than_late_ones(self):
        rng = random.Random(5)
        early = rng.sample(range(1, 301), 120) + rng.sample(range(301, 1001), 30)
        assert any("more were made than this says" in problem for problem in how_many_made(early, [Block(1)]).problems)

    @given(st.lists(st.integers(1, 5000), min_size=1, max_size=60, unique=True))
    def test_breaks_lose_no_number(self, numbers):
        runs = find_breaks(sorted(numbers))
        assert list(itertools.chain(*runs)) == sorted(numbers)


class TestIntervals:
    @pytest.mark.parametrize(("made", "seen"), [(40, 5), (312, 12), (941, 80)])
    def test_the_upper_limit_holds_19_times_in_20(self, made, seen):
        rng = random.Random(made)
        rounds = 1500
        held = held_open = 0
        for _ in range(rounds):
            sample = rng.sample(range(1, made + 1), seen)
            held += tank_upper(max(sample), seen) >= made
            held_open += range_upper(max(sample) - min(sample), seen) >= made
        three_errors = 3 * math.sqrt(0.95 * 0.05 / rounds)
        # Exact limits: at least 95 % each, and not much more, since a limit moves by whole numbers.
        assert held / rounds > 0.95 - three_errors
        assert held_open / rounds > 0.95 - three_errors
        assert held / rounds < 0.975 + three_errors

    def test_the_spread_limit_by_counting_all_sets(self):
        """Of all sets of 3 of 9 numbers the share with a spread of at most 5, counted and by the formula's
        limit."""
        narrow = {
            n: sum(max(c) - min(c) <= 5 for c in itertools.combinations(range(n), 3)) / math.comb(n, 3)
            for n in range(6, 40)
        }
        assert range_upper(5, 3) == max(n for n, share in narrow.items() if share > 0.05)

    def test_chapman_and_sadinle_on_lists_drawn_by_chance(self):
        rng = random.Random(11)
        inside, points = 0, []
        for _ in range(1000):
            first, second = set(rng.sample(range(250), 100)), set(rng.sample(range(250), 45))
            answer = how_many_survive({"a": first, "b": second})
            points.append(answer.estimate)
            inside += answer.low <= 250 <= answer.high
        assert 0.93 <= inside / 1000 <= 0.98
        assert sum(points) / len(points) == pytest.approx(250, rel=0.03)

    def test_three_lists_of_unequal_length_drawn_by_chance(self):
        rng = random.Random(12)
        inside, points = 0, []
        for _ in range(400):
            lists = {name: set(rng.sample(range(400), size)) for name, size in (("a", 180), ("b", 90), ("c", 60))}
            answer = how_many_survive(lists)
            points.append(answer.estimate)
            inside += answer.low <= 400 <= answer.high
        assert inside / 400 >= 0.92
        assert sum(points) / len(points) == pytest.approx(400, rel=0.05)

    def test_cars_that_differ_in_how_easily_they_are_found(self):
        """With show cars on every list and barn cars on none the pairs are too low; three lists come
        nearer."""
        rng = random.Random(13)
        easy, hard = range(120), range(120, 300)
        lists = {
            name: {c for c in easy if rng.random() < 0.75} | {c for c in hard if rng.random() < 0.15}
            for name in ("a", "b", "c")
        }
        answer = how_many_survive(lists)
        pairs = [other.estimate for other in answer.others if other.method.startswith("Chapman")]
        assert max(pairs) < answer.estimate <= 330

    @pytest.mark.parametrize("freedom", [1, 2, 3, 9, 10, 19])
    def test_chi_square_agrees_with_scipy(self, freedom):
        stats = pytest.importorskip("scipy.stats")
        for statistic in (0.0, 0.4, 3.0, 11.2, 40.0):
            assert chi_square_chance(statistic, freedom) == pytest.approx(
                float(stats.chi2.sf(statistic, freedom)), abs=1e-12
            )


class TestNoAnswer:
    def test_lists_without_overlap(self):
        answer = survivors({"a": [101, 110, 140], "b": [120, 133]}, blocks=[Block(101)])
        assert answer.status == 1
        assert answer.surviving.estimate is None
        assert "share no car" in answer.surviving.says
        assert answer.as_dict()["surviving"]["estimate"] is None
        assert answer.made.estimate is not None

    def test_one_list_tells_how_many_were_made_and_not_how_many_live(self):
        answer = survivors({"a": [101, 110, 140]}, blocks=[Block(101)])
        assert answer.status == 0
        assert "needs two lists" in answer.surviving.says

    def test_a_list_copied_from_the_other(self):
        answer = how_many_survive({"a": [1, 2, 3], "b": [3, 2, 1]})
        assert answer.estimate is None
        assert "copied" in answer.says
        contained = how_many_survive({"a": [1, 2, 3, 4], "b": [2, 3]})
        assert any("Was b made from a?" in problem for problem in contained.problems)

    def test_nothing_seen(self):
        assert survivors({}).status == 1
        assert "No serial number" in how_many_made([]).says

    def test_one_number_with_the_start_unknown(self):
        assert how_many_made([4008]).estimate is None
        assert how_many_made([8], [Block(1)]).estimate == 15

    def test_a_number_twice_on_one_list_is_said_and_counted_once(self):
        answer = how_many_survive({"a": [555, 555, 600, 601], "b": [555, 610]})
        assert any("555 stands more than once on a" in problem for problem in answer.problems)
        assert answer.estimate == round(chapman(3, 2, 1))

    @pytest.mark.parametrize("serial", [-1, "0147", 1.5, True])
    def test_what_is_no_serial(self, serial):
        with pytest.raises(DecoderError, match="no serial number"):
            how_many_made([serial])

    @pytest.mark.parametrize("level", [0, 1, 95])
    def test_a_level_that_is_none(self, level):
        with pytest.raises(DecoderError, match="level"):
            how_many_made([1, 2], level=level)

    def test_three_lists_of_which_none_share(self):
        with pytest.raises(DecoderError, match="share a car"):
            sample_coverage({(1, 0, 0): 3, (0, 1, 0): 4, (0, 0, 1): 5})


class TestProperties:
    @given(st.lists(st.sets(st.integers(1, 60), max_size=40), min_size=2, max_size=4))
    def test_never_below_the_cars_known(self, sets):
        """Whatever the lists, the answer is none at all or a range that holds its number and the cars
        known."""
        answer = how_many_survive({f"list {i}": cars for i, cars in enumerate(sets)})
        if answer.is_answer:
            known = len(set().union(*sets))
            assert known <= answer.low <= answer.estimate <= answer.high
        else:
            assert answer.says.endswith(".")

    @given(st.sets(st.integers(1, 10_000), min_size=1, max_size=50), st.booleans())
    def test_made_never_below_the_numbers_seen(self, serials, known):
        answer = how_many_made(serials, [Block(1)] if known else [])
        if answer.is_answer:
            assert answer.low <= answer.estimate <= answer.high

    @given(
        st.sets(st.integers(1, 2000), min_size=2, max_size=60),
        st.sets(st.integers(1, 2000), min_size=2, max_size=60),
    )
    def test_the_order_of_the_lists_does_not_matter(self, a, b):
        forth, back = how_many_survive({"a": a, "b": b}), how_many_survive({"b": b, "a": a})
        assert (forth.estimate, forth.low, forth.high) == (back.estimate, back.low, back.high)
