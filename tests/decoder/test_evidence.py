"""Evidence: a hand enumeration as the reference, then what must hold whatever was seen.

The enumeration shares no code with the module: it walks over every hidden state of the body, every serial, and every
true state of every tell, and adds up what the examiner would have written down.
"""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.evidence import (
    JOINED,
    NONE_OF_THESE,
    STATES,
    Assumptions,
    Change,
    Count,
    EvidenceError,
    Hypothesis,
    Number,
    Observation,
    Sheet,
    Tell,
    differ,
    likelihoods,
    look_next,
    weigh,
)

ANVIL = Hypothesis("A", "maker", weight=3, maker="Anvil")
BELLOWS = Hypothesis("B", "maker", weight=2, maker="Anvil")
COPY = Hypothesis("C", "copy", copied_from="A", weight=4)
LATER = Hypothesis("L", "continuation", copied_from="A", weight=1)
OTHER = Hypothesis("O", "other", weight=1)
KINDS = (ANVIL, BELLOWS, COPY, OTHER)

DIMPLE = Tell("dimple", "Dimple", "mould", 1, {"A": (44, 46), "B": (50, 58), "C": (13, 23), "O": (1, 40)}, place="rear")
STEP = Tell("step", "Step", "mould", 1, {"A": (40, 46), "B": (48, 58), "C": (11, 23), "O": (2, 40)}, place="rear")
FLAW = Tell(
    "flaw",
    "Flaw",
    "mould",
    2,
    {"A": (28, 46), "B": (52, 58), "C": (6, 23), "O": (0, 40)},
    changes=(Change("A", 288, (0, 14), (28, 32)),),
    place="front",
)
PATCH = Tell(
    "patch", "Patch", "lamination", 4, {"A": (41, 46), "B": (47, 58), "C": (1, 23), "O": (2, 40)}, place="front"
)
ROPE = Tell("rope", "Rope", "lamination", 2, {"A": (37, 46), "B": (4, 58), "C": (2, 23), "O": (2, 40)}, place="rear")
WIDTH = Tell("width", "Width", "size", 4, {"A": (42, 46), "B": (54, 58), "C": (3, 23), "O": (4, 40)})
PLATE = Tell(
    "plate",
    "Plate",
    "plate",
    3,
    {"A": (21, 46), "B": (43, 58), "C": (2, 23), "O": (0, 40)},
    changes=(Change("A", 222, (1, 9), (20, 37)),),
    place="front",
)
TELLS = (DIMPLE, STEP, FLAW, PATCH, ROPE, WIDTH, PLATE)
SHEET = Sheet(KINDS, TELLS)
HERE = replace(SHEET.assumptions, none_of_these=0.0, sheet_error=0.0)
KP_147 = Number("KP 0147", {"A": 1.0}, {"A": {147: 1.0}}, on="plate")
WORN = Number("KP 0[27]00", {"A": 0.9, "B": 0.1}, {"A": {200: 0.25, 700: 0.75}}, on="plate")

codes = [tell.code for tell in TELLS]
doubts = st.sampled_from([0.0, 0.0, 0.1, 0.3, 0.5])
sheets_filled = st.dictionaries(st.sampled_from(codes), st.tuples(st.sampled_from(STATES), doubts)).map(
    lambda found: [Observation(code, state, doubt=doubt) for code, (state, doubt) in found.items()]
)
numbers = st.sampled_from([None, KP_147, WORN])


def mean(count):
    return (count[0] + 0.5) / (count[1] + 1)


# --- the reference ---------------------------------------------------------------------------------------------------


def hidden_states(name, number, assumed):
    """(weight, serial's side of each change, splash) for a kind of body, one entry a serial and a splash."""
    below_222, below_288 = (9 + 0.5) / (46 + 1), (14 + 0.5) / (46 + 1)
    anywhere = [(below_222, (False, False)), (below_288 - below_222, (True, False)), (1 - below_288, (True, True))]
    places = anywhere if name == "A" else [(1.0, (None, None))]
    if name == "A" and number is not None:
        own = number.series["A"] * 0.95
        read = [(own * p, (serial >= 222, serial >= 288)) for serial, p in number.running["A"].items()]
        places = read + [((1 - own) * weight, side) for weight, side in anywhere]
    splashes = [(1.0, None)]
    if name == "C":
        share = (1 - assumed.perfect_splash) / (2 * len(assumed.splash_spread))
        splashes = [(share, (spread, good)) for spread in assumed.splash_spread for good in (True, False)]
        for original, weight in (("A", 3 / 5), ("B", 2 / 5)):
            for part, side in anywhere if original == "A" else [(1.0, (None, None))]:
                splashes.append((assumed.perfect_splash * weight * part, (original, side)))
    return [(w * v, side, splash) for w, side in places for v, splash in splashes]


def chance_there(tell, name, side, splash):
    if name == NONE_OF_THESE:
        return 0.5
    if splash is not None and tell.group == "mould" and isinstance(splash[0], str):
        return chance_there(tell, splash[0], splash[1], None)
    if name == "A" and tell.code == "flaw":
        return mean((28, 32) if side[1] else (0, 14))
    if name == "A" and tell.code == "plate":
        return mean((20, 37) if side[0] else (1, 9))
    p = mean(tell.counts[name])
    if splash is not None and tell.group == "mould":
        spread, is_good = splash
        good = min(p * (1 + spread), max(0.98, p))
        return good if is_good else 2 * p - good
    return p


def written(state, was_there, wrong):
    """P(the examiner's words | the truth), up to a factor that is the same for present and absent."""
    looks_there = {"present": 1.0, "absent": 0.0, "altered": 2 / 3, "gone with traces left": 0.9}[state]
    says = looks_there if was_there else 1 - looks_there
    return says * (1 - wrong) + (1 - says) * wrong


def by_hand(name, seen, number, assumed):
    """P(findings | kind), by walking over everything that is hidden."""
    seen = [each for each in seen if each.state not in ("not visible", "not examined")]
    tells = {tell.code: tell for tell in TELLS}
    total = 0.0
    for weight, side, splash in hidden_states(name, number, assumed):
        for truth in itertools.product([True, False], repeat=len(seen)):
            p = weight
            for each, there in zip(seen, truth, strict=True):
                rate = chance_there(tells[each.tell], name, side, splash)
                error = assumed.examiner_error
                wrong = error * (1 - each.doubt) + each.doubt * (1 - error)
                p *= (rate if there else 1 - rate) * written(each.state, there, wrong)
            total += p
    return total


class TestAgainstTheHand:
    @given(sheets_filled, numbers)
    def test_one_body(self, seen, number):
        """Each kind, with a splash, with a serial and without, to the last figure; the number's own factor apart."""
        tells_only = [replace(tell, place="") for tell in TELLS]
        sheet = Sheet(KINDS, tells_only, HERE)
        found = likelihoods(sheet, seen, number)
        for name in ("A", "B", "C", "O"):
            expected = by_hand(name, seen, number, HERE)
            if number is not None:
                expected *= number_by_hand(name, number, seen)
            assert 10 ** found[name] == pytest.approx(expected, rel=1e-9)

    @given(sheets_filled)
    def test_two_bodies_joined(self, seen):
        """Front of one and rear of another, each pair by its priors; what has no place may be of either."""
        found = likelihoods(Sheet(KINDS, TELLS, HERE), seen)
        if JOINED not in found:
            places = {
                tell.place for tell in TELLS for each in seen if each.tell == tell.code and "not" not in each.state
            }
            assert not {"front", "rear"} <= places
            return
        place = {tell.code: tell.place for tell in TELLS}
        prior = {"A": 3, "B": 2, "C": 4, "O": 1}
        pairs = [(a, b) for a in prior for b in prior if a != b]
        shares = sum(prior[a] * prior[b] for a, b in pairs)
        total = 0.0
        for a, b in pairs:
            front = by_hand(a, [each for each in seen if place[each.tell] == "front"], None, HERE)
            rear = by_hand(b, [each for each in seen if place[each.tell] == "rear"], None, HERE)
            either = [each for each in seen if not place[each.tell]]
            loose = math.prod((by_hand(a, [each], None, HERE) + by_hand(b, [each], None, HERE)) / 2 for each in either)
            total += prior[a] * prior[b] / shares * front * rear * loose
        assert 10 ** found[JOINED] == pytest.approx(total, rel=1e-9)

    @given(sheets_filled)
    def test_posterior(self, seen):
        sheet = Sheet(KINDS, [replace(tell, place="") for tell in TELLS])
        assumed = sheet.assumptions
        joint = {
            name: w / 10 * 0.99 * by_hand(name, seen, None, assumed)
            for name, w in zip("ABCO", (3, 2, 4, 1), strict=True)
        }
        joint[NONE_OF_THESE] = 0.01 * 0.5 ** sum("not" not in each.state for each in seen)
        total = sum(joint.values())
        for name, p in weigh(sheet, seen).posterior.items():
            before = 0.01 if name == NONE_OF_THESE else {"A": 3, "B": 2, "C": 4, "O": 1}[name] / 10 * 0.99
            wrong = 0.001 if any("not" not in each.state for each in seen) else 1.0
            assert p == pytest.approx((1 - wrong) * joint[name] / total + wrong * before, rel=1e-9)

    @given(sheets_filled, st.sampled_from(codes))
    def test_what_a_look_would_tell(self, seen, code):
        """Expected reduction of uncertainty: look both ways and average."""
        seen = [each for each in seen if each.tell != code]
        sheet = Sheet(KINDS, [replace(tell, place="") for tell in TELLS], replace(HERE, sheet_error=0.0))
        look = next(each for each in look_next(sheet, seen) if each.tell == code)
        before = weigh(sheet, seen).posterior
        after = {state: weigh(sheet, [*seen, Observation(code, state)]).posterior for state in ("present", "absent")}
        likely = {state: likelihoods(sheet, [*seen, Observation(code, state)]) for state in after}
        now = likelihoods(sheet, seen)
        expected = bits(before)
        for state, posterior in after.items():
            chance = sum(before[name] * 10 ** (likely[state][name] - now[name]) for name in now)
            expected -= chance * bits(posterior)
        assert look.gain == pytest.approx(max(0.0, expected), abs=1e-9)


def number_by_hand(name, number, seen):
    """The number's factor: which series it says, and, unless its plate was seen, that there is one at all."""
    present = Observation("plate", "present") in [replace(each, doubt=0.0) for each in seen]
    if present:
        table = {
            "A": {"A": 0.95, "B": 0.05, "C": 3 / 5, "O": 3 / 5},
            "B": {"A": 0.05, "B": 0.95, "C": 2 / 5, "O": 2 / 5},
        }
        none = {"A": 3 / 5, "B": 2 / 5}
    else:
        table = {"A": {"A": 0.7, "B": 0.03, "C": 0.1, "O": 0.03}, "B": {"A": 0.03, "B": 0.7, "C": 0.1, "O": 0.03}}
        none = {"A": 0.03, "B": 0.03}
    plain = {n: sum(p * table[s][n] for s, p in number.series.items()) for n in "ABCO"}
    plain[NONE_OF_THESE] = sum(p * none[s] for s, p in number.series.items())
    average = sum(plain.values()) / len(plain)
    return 0.98 * plain[name] + 0.02 * average


def bits(posterior):
    return -sum(p * math.log2(p) for p in posterior.values() if p > 0)


# --- what must hold ------------------------------------------------------------------------------------------------------


class TestWhatWeighsNothing:
    @given(sheets_filled, numbers, st.sampled_from(codes), st.sampled_from(["not examined", "not visible"]))
    def test_not_examined_and_not_visible_change_nothing(self, seen, number, code, state):
        seen = [each for each in seen if each.tell != code]
        assert weigh(SHEET, [*seen, Observation(code, state)], number).posterior == weigh(SHEET, seen, number).posterior

    def test_nothing_seen_leaves_the_prior(self):
        found = weigh(SHEET, [])
        assert found.posterior == pytest.approx(found.prior)
        assert found.strength.lr == 1
        assert not found.decidable

    def test_hollow_marks_are_none_not_zero(self):
        lines = {line.tell: line for line in weigh(SHEET, [Observation("patch", "not visible")]).tells}
        assert lines["patch"].log10_lr is None and lines["patch"].state == "not visible"
        assert lines["rope"].log10_lr is None and lines["rope"].state == "not examined"

    def test_half_an_examination_is_shown_as_half_done(self):
        seen = [Observation("patch", "present"), Observation("rope", "not visible")]
        states = [line.state for line in weigh(SHEET, seen).tells]
        assert states.count("not examined") == len(TELLS) - 2

    def test_a_tell_of_another_sheet_is_named_and_not_weighed(self):
        found = weigh(SHEET, [Observation("U01", "present")])
        assert found.posterior == pytest.approx(found.prior)
        assert "U01" in found.notes[0]

    def test_two_records_that_differ_weigh_nothing(self):
        seen = [Observation("patch", "present"), Observation("patch", "absent")]
        found = weigh(SHEET, seen)
        assert found.posterior == pytest.approx(found.prior)
        assert "until somebody looks again" in found.notes[0]

    @given(sheets_filled)
    def test_two_records_that_agree_count_once(self, seen):
        assert weigh(SHEET, seen + seen).posterior == pytest.approx(weigh(SHEET, seen).posterior)


class TestOrderAndDoubt:
    @given(sheets_filled, numbers, st.randoms(use_true_random=False))
    def test_order_does_not_matter(self, seen, number, chance):
        mixed = list(seen)
        chance.shuffle(mixed)
        assert weigh(SHEET, mixed, number).as_dict() == weigh(SHEET, seen, number).as_dict()

    @given(sheets_filled, numbers)
    def test_posterior_and_prior_sum_to_one(self, seen, number):
        found = weigh(SHEET, seen, number)
        for shares in (
            found.posterior,
            found.prior,
            found.if_examiner_errs,
            found.makers,
            found.kinds,
            *found.half.values(),
        ):
            assert math.fsum(shares.values()) == pytest.approx(1)

    @given(st.sampled_from(codes), st.sampled_from(STATES[:4]), st.floats(0, 0.5), st.floats(0, 0.5))
    def test_more_doubt_moves_a_finding_towards_one(self, code, state, less, more):
        less, more = sorted((less, more))
        weights = [
            abs(weigh(SHEET, [Observation(code, state, doubt=doubt)], pair=("A", "C")).pair.log10_lr)
            for doubt in (less, more)
        ]
        assert weights[1] <= weights[0] + 1e-12

    def test_a_doubt_of_one_half_weighs_nothing(self):
        found = weigh(SHEET, [Observation("patch", "present", doubt=0.5)])
        assert found.posterior == pytest.approx(found.prior)

    @given(sheets_filled, st.floats(0, 0.5), st.floats(0, 0.5))
    def test_the_examiners_error_does_the_same(self, seen, less, more):
        """One finding at a time: with several, taking one of two that contradict each other away may move the whole out."""
        less, more = sorted((less, more))
        for each in seen:
            alone = [abs(weigh(SHEET, [each], pair=("A", "O"), error=error).pair.log10_lr) for error in (less, more)]
            assert alone[1] <= alone[0] + 1e-12

    @given(st.sampled_from(codes), st.sampled_from(STATES[:4]))
    def test_no_single_finding_passes_the_rate_of_error(self, code, state):
        """However much was counted: one slip in a hundred bounds the ratio by 99."""
        counts = {name: ((10_000, 10_000) if name == "A" else (0, 10_000)) for name in "ABCO"}
        sheet = Sheet(KINDS, [replace(tell, counts=counts, changes=()) for tell in TELLS])
        found = weigh(sheet, [Observation(code, state)], pair=("A", "O"))
        assert abs(found.pair.log10_lr) <= math.log10(99)

    def test_altered_weighs_two_at_most_and_traces_nine(self):
        counts = {name: ((10_000, 10_000) if name == "A" else (0, 10_000)) for name in "ABCO"}
        sheet = Sheet(KINDS, [replace(PATCH, counts=counts)], Assumptions(examiner_error=0.0))
        ratios = {
            state: 10 ** weigh(sheet, [Observation("patch", state)], pair=("A", "O")).pair.log10_lr
            for state in ("altered", "gone with traces left")
        }
        assert 1.9 < ratios["altered"] < 2
        assert 8.5 < ratios["gone with traces left"] < 9

    def test_thin_knowledge_weighs_less(self):
        def ratio(n):
            sheet = Sheet((ANVIL, OTHER), [Tell("t", "t", "trim", 1, {"A": (n, n), "O": (0, n)})])
            return weigh(sheet, [Observation("t", "present")], pair=("A", "O")).pair.log10_lr

        assert 0 < ratio(1) < ratio(3) < ratio(10) < ratio(100)

    def test_a_kind_that_was_not_counted_is_as_any_other_body(self):
        tell = replace(PATCH, counts={"A": (41, 46), "O": (2, 40)})
        sheet = Sheet(KINDS, [tell])
        assert weigh(sheet, [Observation("patch", "present")], pair=("B", "O")).pair.log10_lr == 0
        assert weigh(sheet, [Observation("patch", "present")], pair=("A", "B")).pair.log10_lr > 0.5

    def test_where_nothing_was_counted_nothing_is_said(self):
        sheet = Sheet((ANVIL, COPY), [replace(PATCH, counts={})])
        assert weigh(sheet, [Observation("patch", "present")], pair=("A", "C")).pair.log10_lr == 0


class TestTheMould:
    marks = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40), st.integers(0, 23)), min_size=1, max_size=30)

    @given(marks, st.data())
    def test_no_number_of_marks_passes_the_bound(self, counts, data):
        """Whatever was counted and whatever was seen, against the copy of it a mould speaks twenty times at most."""
        tells = [
            Tell(f"m{n}", f"mark {n}", "mould", 1, {"A": (a, 40), "B": (b, 40), "C": (c, 23)})
            for n, (a, b, c) in enumerate(counts)
        ]
        seen = [Observation(tell.code, data.draw(st.sampled_from(STATES[:4]))) for tell in tells]
        sheet = Sheet(KINDS, tells)
        whole = weigh(sheet, seen, pair=(("A", "B"), "C")).pair.log10_lr
        assert whole <= math.log10(1 / sheet.assumptions.perfect_splash) + 1e-9
        for name in "AB":
            assert weigh(sheet, seen, pair=(name, "C")).pair.log10_lr <= math.log10(sheet.mould_bound(name, "C")) + 1e-9

    def test_the_bound_in_figures(self):
        assert SHEET.mould_bound("A", "C") == pytest.approx(20 * 5 / 3)
        assert Sheet((ANVIL, COPY), TELLS).mould_bound("A", "C") == pytest.approx(20)
        assert SHEET.mould_bound("O", "C") == math.inf

    def test_ten_marks_are_about_one(self):
        tells = [replace(DIMPLE, code=f"m{n}") for n in range(10)]
        seen = [Observation(tell.code, "present") for tell in tells]
        found = weigh(Sheet((ANVIL, COPY), tells), seen, pair=("A", "C"))
        assert found.groups[0].apart > 2
        assert found.pair.log10_lr < found.groups[0].apart / 3
        assert not found.decidable

    def test_a_back_face_tell_is_what_helps(self):
        tells = [replace(DIMPLE, code=f"m{n}") for n in range(10)]
        seen = [Observation(tell.code, "present") for tell in tells]
        looks = look_next(Sheet((ANVIL, COPY), [*tells[:9], replace(DIMPLE, code="m9"), PATCH]), seen[:9])
        gains = {look.tell: look.gain for look in looks}
        assert gains["patch"] > 10 * gains["m9"]

    def test_the_mean_of_a_splash_is_that_of_the_counts(self):
        """Without the perfect one: the hidden state moves nothing for a mark by itself."""
        sheet = Sheet(KINDS, TELLS, replace(SHEET.assumptions, perfect_splash=0.0))
        worlds = sheet.worlds("C")
        for tell in (DIMPLE, STEP):
            assert sum(w.weight * w.rates[tell.code] for w in worlds) == pytest.approx(mean(tell.counts["C"]))

    @pytest.mark.parametrize("name", ["A", "B", "C", "O", NONE_OF_THESE])
    def test_the_weights_of_the_hidden_states_sum_to_one(self, name):
        for number in (None, KP_147, WORN):
            assert math.fsum(world.weight for world in SHEET.worlds(name, number)) == pytest.approx(1)

    def test_makers_own_bodies_are_independent_inside_the_mould(self):
        found = weigh(SHEET, [Observation("dimple", "present"), Observation("step", "absent")], pair=("B", "O"))
        assert found.pair.log10_lr == pytest.approx(
            sum(line.log10_lr for line in found.tells if line.log10_lr is not None)
        )


class TestContinuation:
    SHEET = Sheet((ANVIL, LATER, OTHER), TELLS)

    @given(sheets_filled, numbers)
    def test_the_mould_is_set_aside_between_the_two(self, seen, number):
        marks = [each for each in seen if each.tell in ("dimple", "step", "flaw")]
        assert weigh(self.SHEET, marks, None, pair=("A", "L")).pair.log10_lr == pytest.approx(0, abs=1e-12)
        for group in weigh(self.SHEET, seen, number, pair=("A", "L")).groups:
            if group.group == "mould":
                assert group.log10_lr == pytest.approx(0, abs=1e-12)
                assert group.note == "set aside: both come out of one mould"

    def test_but_it_speaks_for_both_against_any_other_body(self):
        found = weigh(self.SHEET, [Observation("dimple", "present")], pair=("L", "O"))
        assert found.pair.log10_lr > 1

    def test_the_back_face_decides(self):
        counts = {"A": (12, 14), "L": (0, 6), "O": (2, 40)}
        tells = [*TELLS[:3], *(replace(PATCH, code=f"back {n}", counts=counts) for n in range(4))]
        seen = [Observation(code, "present") for code in ("dimple", "step")]
        seen += [Observation(f"back {n}", "absent") for n in range(4)]
        found = weigh(Sheet((ANVIL, LATER, OTHER), tells), seen)
        assert found.leading == "L"
        assert {code.split()[0] for code in found.carries} == {"back"}

    def test_a_number_that_the_mould_still_carries_says_nothing_between_them(self):
        raised = Tell("raised", "Raised figures", "mould", 3, {"A": (12, 14), "L": (4, 6), "O": (0, 40)})
        sheet = Sheet((ANVIL, LATER, OTHER), [raised])
        number = Number("41", {"A": 1.0}, {"A": {41: 1.0}}, on="raised")
        for seen in ([], [Observation("raised", "present")]):
            assert weigh(sheet, seen, number, pair=("A", "L")).pair.log10_lr == pytest.approx(0, abs=1e-12)


class TestSettingAside:
    @given(sheets_filled)
    def test_one_word(self, seen):
        rest = [each for each in seen if each.tell not in ("dimple", "step", "flaw")]
        assert weigh(SHEET, seen, set_aside=["mould"]).posterior == pytest.approx(weigh(SHEET, rest).posterior)

    def test_it_is_said(self):
        lines = {line.tell: line for line in weigh(SHEET, [Observation("step", "present")], set_aside=["mould"]).tells}
        assert (lines["step"].log10_lr, lines["step"].note, lines["step"].state) == (None, "set aside", "present")

    def test_the_number_goes_with_the_plate(self):
        found = weigh(SHEET, [Observation("plate", "present")], KP_147, set_aside=["plate"])
        assert found.posterior == pytest.approx(found.prior)
        assert found.serials == {}


class TestAddedLater:
    def test_present_weighs_nothing_and_absent_as_counted(self):
        added = Sheet(KINDS, [replace(PATCH, later=True)])
        plain = Sheet(KINDS, [PATCH])
        found = weigh(added, [Observation("patch", "present")])
        assert found.posterior == pytest.approx(found.prior)
        assert "added later" in found.tells[0].note
        absent = [Observation("patch", "absent")]
        assert weigh(added, absent).posterior == pytest.approx(weigh(plain, absent).posterior)

    def test_a_look_at_it_teaches_less(self):
        assert (
            look_next(Sheet(KINDS, [replace(PATCH, later=True)]), [])[0].gain
            < look_next(Sheet(KINDS, [PATCH]), [])[0].gain
        )

    def test_a_number_on_it_says_which_series_and_no_more(self):
        sheet = Sheet((ANVIL, COPY), [replace(PLATE, later=True)])
        for seen in ([], [Observation("plate", "present")]):
            assert abs(weigh(sheet, seen, KP_147, pair=("A", "C")).pair.log10_lr) < 0.05


class TestTheNumber:
    def test_it_is_a_finding_of_the_group_plate(self):
        found = weigh(SHEET, [], KP_147, pair=("A", "C"))
        assert [group.group for group in found.groups] == ["plate"]
        assert found.tells[-1].tell == "number" and found.tells[-1].log10_lr > 0.5

    def test_with_its_plate_seen_it_says_only_which_series(self):
        plate = [Observation("plate", "present")]
        alone = weigh(SHEET, [], KP_147, pair=("A", "C")).pair.log10_lr
        more = weigh(SHEET, plate, KP_147, pair=("A", "C")).tells[-1].log10_lr
        assert 0 < more < alone / 2
        assert weigh(SHEET, plate, KP_147, pair=("A", "B")).tells[-1].log10_lr > 1

    def test_it_tells_which_flaw_to_expect(self):
        """The flaw came with No. 288: without it No. 147 is right and No. 700 is odd."""
        late = replace(KP_147, text="KP 0700", running={"A": {700: 1.0}})
        gone = [Observation("flaw", "absent")]
        early, odd = (weigh(SHEET, gone, number, pair=("A", "O")).tells for number in (KP_147, late))
        assert early[2].log10_lr > -0.1
        assert odd[2].log10_lr < -0.6

    def test_it_comes_back_weighed_by_what_was_seen(self):
        number = Number("KP 0[17]0[01]", {"A": 1.0}, {"A": {101: 0.4, 700: 0.3, 701: 0.3}}, on="plate")
        found = weigh(SHEET, [Observation("flaw", "present"), Observation("plate", "present")], number)
        assert list(found.serials["A"]) == [700, 701, 101]
        assert found.serials["A"][101] < 0.03
        assert math.fsum(found.serials["A"].values()) == pytest.approx(1)

    def test_a_reading_open_between_series_is_mixed(self):
        sure, open_ = Number("?", {"A": 1.0}), Number("?", {"A": 0.5, "B": 0.5})
        assert weigh(SHEET, [], sure, pair=("A", "B")).pair.log10_lr > 1
        assert weigh(SHEET, [], open_, pair=("A", "B")).pair.log10_lr == pytest.approx(0)

    def test_doubt_about_it_moves_it_towards_one(self):
        weights = [
            weigh(SHEET, [], replace(KP_147, doubt=doubt), pair=("A", "C")).pair.log10_lr
            for doubt in (0, 0.1, 0.3, 0.5)
        ]
        assert weights == sorted(weights, reverse=True)
        assert weights[-1] == pytest.approx(0, abs=1e-9)

    def test_a_number_of_a_maker_not_in_question_says_nothing(self):
        found = weigh(SHEET, [], Number("UF-0233", {"UF": 1.0}), pair=("A", "C"))
        assert found.pair.log10_lr == pytest.approx(0)


class TestTwoBodiesJoined:
    FRONT = (Observation("flaw", "present"), Observation("patch", "present"), Observation("plate", "present"))
    TELLS = (*TELLS, *(replace(ROPE, code=f"rear {n}", counts=PATCH.counts) for n in range(4)))

    def seen(self, state):
        return [*self.FRONT, *(Observation(f"rear {n}", state) for n in range(4))]

    def test_halves_that_contradict_each_other(self):
        found = weigh(Sheet(KINDS, self.TELLS), [*self.seen("absent"), Observation("dimple", "absent")])
        assert found.leading == JOINED
        assert found.joined[0] in "AB" and found.joined[1] in "CO"
        assert max(found.half["front"], key=found.half["front"].get) in "AB"
        assert max(found.half["rear"], key=found.half["rear"].get) in "CO"
        assert "in front and" in found.levels["maker"].says

    def test_halves_that_agree(self):
        found = weigh(Sheet(KINDS, self.TELLS), self.seen("present"))
        assert found.posterior[JOINED] < 0.02

    def test_without_places_it_is_no_answer(self):
        found = weigh(Sheet(KINDS, [replace(tell, place="") for tell in self.TELLS]), self.seen("absent"))
        assert JOINED not in found.names and found.half == {} and found.joined is None

    def test_the_place_of_the_observation_wins(self):
        here = [
            Observation("patch", "present", place="rear, under the deck"),
            Observation("width", "present", place="front"),
        ]
        assert weigh(SHEET, here).tells[3].place == "rear"
        assert JOINED in weigh(SHEET, here).names

    def test_a_seam_that_was_found_is_a_prior(self):
        found = weigh(SHEET, [*self.FRONT, Observation("rope", "absent")], prior={JOINED: 0.5})
        assert found.prior[JOINED] == 0.5


class TestWhatIsSaid:
    REAL = (*(Observation(code, "present") for code in ("dimple", "patch", "rope", "width")),)

    def test_two_levels(self):
        found = weigh(SHEET, self.REAL)
        assert found.decidable
        assert (found.levels["maker"].name, found.levels["series"].name) == ("Anvil", "A")
        assert found.says.startswith("Anvil: ")

    def test_the_maker_can_be_known_and_the_series_not(self):
        found = weigh(SHEET, [Observation(code, "present") for code in ("dimple", "step", "patch", "width")])
        assert found.levels["maker"].decidable and not found.levels["series"].decidable
        assert found.says.endswith("Which series is not yet decidable.")

    def test_one_finding_decides_nothing(self):
        """A maker believed in beforehand, and one habit of his."""
        sheet = Sheet((replace(ANVIL, weight=33), replace(OTHER, weight=2)), [PATCH], Assumptions(none_of_these=0.001))
        found = weigh(sheet, [Observation("patch", "present")])
        assert found.posterior["A"] > 0.97
        assert not found.decidable and "It hangs on one finding: Patch." in found.levels["maker"].why

    def test_what_was_believed_beforehand_decides_nothing(self):
        sheet = Sheet((replace(ANVIL, weight=99), OTHER), TELLS)
        found = weigh(sheet, [Observation("width", "not visible")])
        assert found.posterior["A"] > 0.97 and not found.decidable

    def test_a_plate_decides_nothing(self):
        sheet = Sheet(
            (replace(ANVIL, weight=9), COPY, OTHER),
            [*TELLS, replace(PLATE, code="crayon", counts={"A": (40, 46), "C": (0, 23), "O": (0, 40)}, changes=())],
        )
        found = weigh(
            sheet,
            [
                Observation("plate", "present"),
                Observation("crayon", "present"),
                Observation("patch", "absent"),
                Observation("width", "absent"),
            ],
            KP_147,
        )
        assert found.leading == "A"
        assert not found.decidable
        assert any(why.startswith("Without the plate") for why in found.levels["maker"].why)

    def test_what_carries_and_what_contradicts(self):
        found = weigh(
            SHEET,
            [Observation("patch", "present"), Observation("width", "present"), Observation("rope", "absent")],
            pair=("A", "C"),
        )
        assert found.carries == ("patch", "width")
        assert found.contradicts == ("rope",)

    def test_given_the_rest_is_the_loss_of_the_whole(self):
        seen = [Observation(code, "present") for code in ("dimple", "step", "patch")]
        found = weigh(SHEET, seen, pair=("A", "C"))
        for line in found.tells:
            if line.given_the_rest is not None:
                without = weigh(SHEET, [each for each in seen if each.tell != line.tell], pair=("A", "C"))
                assert line.given_the_rest == pytest.approx(found.pair.log10_lr - without.pair.log10_lr)

    @given(sheets_filled, numbers)
    def test_groups_and_what_ties_them_add_up(self, seen, number):
        found = weigh(SHEET, seen, number)
        assert sum(group.log10_lr for group in found.groups) + found.tied == pytest.approx(
            found.pair.log10_lr, abs=1e-9
        )

    def test_a_ratio_is_capped_by_the_sheets_own_error(self):
        seen = [Observation(tell.code, "present") for tell in TELLS]
        found = weigh(SHEET, seen, pair=("A", "O"))
        assert found.pair.log10_lr > 4
        assert (found.strength.lr, found.strength.word) == (1000, "strong support")
        assert "another car's" in found.strength.capped

    def test_estimates_alone_bear_moderate_support_at_most(self):
        tells = [
            replace(
                tell, counts={name: Count(*count[:2], "estimate") for name, count in tell.counts.items()}, changes=()
            )
            for tell in TELLS
        ]
        found = weigh(Sheet(KINDS, tells), [Observation(tell.code, "present") for tell in TELLS], pair=("A", "O"))
        assert (found.strength.lr, found.strength.word) == (99, "moderate support")
        assert "estimate" in found.strength.capped

    def test_the_sentence_speaks_of_the_findings(self):
        says = weigh(SHEET, self.REAL, pair=("A", "C")).strength.says
        assert says.startswith("The findings are about ") and "times more probable if it is A than if it is C" in says

    def test_against_the_first_of_the_pair_the_sides_change_places(self):
        found = weigh(SHEET, [Observation("patch", "absent")], pair=("A", "C"))
        assert found.pair.log10_lr < 0
        assert found.strength.favours == ("C",) and found.strength.lr > 1

    def test_one_time_in_twenty(self):
        found = weigh(SHEET, self.REAL)
        assert found.if_examiner_errs == weigh(SHEET, self.REAL, error=0.05).posterior
        assert found.if_examiner_errs["A"] < found.posterior["A"]

    def test_the_prior_is_apart_and_changes_no_ratio(self):
        one = weigh(SHEET, self.REAL, pair=("A", "C"))
        two = weigh(SHEET, self.REAL, pair=("A", "O"), prior={"A": 1, "B": 1, "C": 97, "O": 1})
        assert weigh(SHEET, self.REAL, pair=("A", "B"), prior={"C": 97}).pair.log10_lr == pytest.approx(
            weigh(SHEET, self.REAL, pair=("A", "B")).pair.log10_lr
        )
        assert two.posterior["A"] < one.posterior["A"]
        assert two.prior["C"] == pytest.approx(0.97 * (1 - 0.02))

    def test_a_copy_of_two_series_is_compared_with_the_maker_as_a_whole(self):
        found = weigh(SHEET, self.REAL, pair=(("A", "B"), "C"))
        logs = likelihoods(SHEET, self.REAL)
        mixed = (3 * 10 ** logs["A"] + 2 * 10 ** logs["B"]) / 5
        assert 10**found.pair.log10_lr == pytest.approx(mixed / 10 ** logs["C"])

    def test_each_weight_can_be_opened_to_its_counts(self):
        lines = {
            line.tell: line for line in weigh(SHEET, [Observation("flaw", "absent")], KP_147, pair=("A", "C")).tells
        }
        assert lines["flaw"].counts["C"] == Count(6, 23, "counted")
        assert lines["flaw"].note == "depends on the serial"
        assert lines["patch"].counts == {}

    @given(sheets_filled, numbers)
    def test_the_document(self, seen, number):
        """JSON of the contract, finite throughout."""
        found = json.loads(json.dumps(weigh(SHEET, seen, number).as_dict(), allow_nan=False))
        assert {"hypotheses", "tells", "strength", "decidable"} <= found.keys()
        assert all({"name", "prior", "posterior"} <= each.keys() for each in found["hypotheses"])
        assert all({"tell", "state", "group", "log10_lr"} <= each.keys() for each in found["tells"])
        assert {"lr", "word", "scale"} <= found["strength"].keys()
        assert isinstance(found["decidable"], bool)
        assert set(found["assumptions"]["splash_spread"]) == {"value", "says"}
        looks = json.loads(json.dumps([each.as_dict() for each in look_next(SHEET, seen, number)], allow_nan=False))
        assert all({"tell", "minutes", "gain"} <= each.keys() for each in looks)


class TestWhatToLookAtNext:
    @given(sheets_filled, numbers)
    def test_what_is_left_and_in_which_order(self, seen, number):
        looks = look_next(SHEET, seen, number)
        left = set(codes) - {each.tell for each in seen if each.state not in ("not visible", "not examined")}
        assert {look.tell for look in looks} == left
        worth = [look.gain / look.minutes for look in looks]
        assert worth == sorted(worth, reverse=True)
        assert all(look.gain >= 0 for look in looks)

    def test_what_was_hidden_costs_the_uncovering(self):
        looks = {look.tell: look for look in look_next(SHEET, [Observation("patch", "not visible")])}
        assert (looks["patch"].minutes, looks["patch"].hidden) == (34, True)
        assert "owner's leave" in looks["patch"].note
        assert (looks["rope"].minutes, looks["rope"].hidden) == (2, False)

    def test_a_tell_of_no_known_trouble_is_taken_as_five_minutes(self):
        assert look_next(Sheet(KINDS, [replace(PATCH, minutes=None)]), [])[0].minutes == 5

    def test_by_maker_the_series_is_no_matter(self):
        """The rope tells the two series apart and little else."""
        tell = replace(ROPE, counts={"A": (37, 46), "B": (4, 58), "C": (10, 23), "O": (20, 40)})
        sheet = Sheet(KINDS, [tell])
        assert look_next(sheet, [], by="maker")[0].gain < look_next(sheet, [])[0].gain / 2

    def test_nothing_left(self):
        assert look_next(SHEET, [Observation(code, "present") for code in codes]) == []

    def test_what_is_set_aside_is_not_asked_for(self):
        assert "step" not in {look.tell for look in look_next(SHEET, [], set_aside=["mould"])}


class TestBlindSecondOpinion:
    def test_you_two_differ(self):
        first = [Observation("K01", "present"), Observation("K02", "altered"), Observation("K03", "absent")]
        second = [Observation("K01", "present"), Observation("K02", "present"), Observation("K03", "not visible")]
        assert differ(first, second) == [("K02", "altered", "present")]


class TestRefusals:
    """A sentence that says what to do."""

    @pytest.mark.parametrize(
        ("call", "says"),
        [
            (lambda: weigh(SHEET, [Observation("patch", "there")]), "a state is one of present, absent"),
            (lambda: weigh(SHEET, [Observation("patch", "present", doubt=0.7)]), "record the other state"),
            (lambda: weigh(SHEET, [], error=0.6), "from 0 to one half"),
            (lambda: look_next(SHEET, [], error=-0.1), "from 0 to one half"),
            (lambda: weigh(SHEET, [], pair=("A", "UF")), "UF is not among the answers"),
            (lambda: weigh(SHEET, [], pair=("A", ("A", "C"))), "nothing twice"),
            (lambda: weigh(SHEET, [], pair=("A", ())), "must each name something"),
            (lambda: weigh(SHEET, [], prior={"UF": 1}), "UF is no kind of body on this sheet"),
            (lambda: weigh(SHEET, [], prior={"A": -1}), "must be 0 or more"),
            (lambda: weigh(SHEET, [], prior=dict.fromkeys("ABCO", 0)), "give at least one kind of body a weight"),
            (lambda: weigh(SHEET, [], prior={NONE_OF_THESE: 1.5}), "together at most 1"),
            (lambda: weigh(SHEET, [], Number("x", {"A": 0.7, "B": 0.7})), "together at most 1"),
            (lambda: weigh(SHEET, [], Number("x", {"A": 1}, doubt=0.8)), "one half"),
            (lambda: weigh(SHEET, [], Number("x", {"A": 1}, {"A": {1: -1}})), "chance is 0 or more"),
            (lambda: Sheet([], TELLS), "name at least one"),
            (lambda: Sheet([ANVIL, ANVIL], TELLS), "give each its own"),
            (lambda: Sheet(KINDS, [PATCH, PATCH]), "give each its own"),
            (lambda: Sheet([replace(ANVIL, kind="genuine")], TELLS), "a kind is one of maker, copy"),
            (lambda: Sheet([replace(ANVIL, name=JOINED)], TELLS), "always among the answers"),
            (lambda: Sheet([replace(ANVIL, weight=-1)], TELLS), "must be 0 or more"),
            (lambda: Sheet(KINDS, [replace(PATCH, counts={"A": (5, 4)})]), "between 0 and the second"),
            (lambda: Sheet(KINDS, [replace(FLAW, changes=FLAW.changes * 2)]), "changes twice"),
            (lambda: Assumptions(examiner_error=0.6), "from 0 to one half"),
            (lambda: Assumptions(prior_with=0), "above 0"),
            (lambda: Assumptions(perfect_splash=1), "less than 1"),
            (lambda: Assumptions(none_of_these=0.6, joined=0.5), "below 1"),
        ],
    )
    def test_says_what_to_put_right(self, call, says):
        with pytest.raises(EvidenceError, match=says):
            call()
