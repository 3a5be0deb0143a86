"""Evidence: how much what was seen on a car speaks for one kind of body and against another, and what to look at next.

A *tell* is a feature worth examining. Of each kind of body it is known on how many of the bodies looked at it was
found, and these counts are all that is known: 41 of 46 is not 89 per cent. An *observation* is the state of a tell on one
car. What follows from it is a *likelihood ratio*: how many times more probable the finding is on the one kind of body than
on the other. Its logarithm to base ten adds up over findings that do not hang together (I. J. Good's "weight of
evidence", Probability and the Weighing of Evidence, 1950; from memory). What was believed beforehand is another matter:
it is stated apart, shown, and can be changed (ENFSI, Guideline for Evaluative Reporting in Forensic Science, 2015).

Two kinds of body, a tell each from the laminator, the hardware and the rule:

>>> kinds = [Hypothesis("A", "maker", maker="Anvil"), Hypothesis("COPY", "copy", copied_from="A")]
>>> tells = [
...     Tell("patch", "Diamond patch", "lamination", 4, {"A": (41, 46), "COPY": (1, 23)}),
...     Tell("plates", "Slotted plates", "bonded", 5, {"A": (42, 46), "COPY": (1, 23)}),
...     Tell("width", "Scuttle width", "size", 4, {"A": (42, 46), "COPY": (3, 23)}),
... ]
>>> sheet = Sheet(kinds, tells)
>>> found = weigh(sheet, [Observation("patch", "present"), Observation("width", "present")])
>>> found.strength.word, round(found.strength.lr)
('moderate support', 72)
>>> found.levels["maker"].says
'Anvil: about 98 in 100.'

**What was not examined, and what could not be seen, weighs nothing.** Not examined is no finding. Not visible weighs
nothing by an assumption: that paint and underseal are as likely on one kind of body as on the other.

>>> weigh(sheet, [Observation("plates", "not visible")]).strength.word
'no support for one proposition over the other'

**Counts.** A rate is a Beta distribution: Jeffreys' prior, half a body with and half a body without (H. Jeffreys, Theory
of Probability, 3rd ed. 1961; from memory), and the bodies counted. A finding's probability is its mean, so that 0 of
6 is 7 in 100 and 0 of 60 is 8 in 1000: thin knowledge weighs less, and nothing is ever infinite. Where a kind was not
counted it is taken to be as any other body, if that was counted (a copy's mould marks as the original's), and else the
finding says nothing of it.

**Groups.** Findings of different groups are independent given the kind of body. Inside a group a maker's own bodies
are taken to be independent too. Two groups are not so simple.

*The mould.* A copy is taken from a body by a splash mould, and a splash is good or poor: its mould marks come together or
are lost together. Ten marks that look right on a good splash are about one finding. So a copy has a hidden state: a
faithful splash, on which each mark is found more often than the counts of all copies say, or a poor one, on which it is
found less often, so that the mean stays that of the counts. How far the two lie apart is not known; four values stand for
it with equal weight. And in one splash in twenty (`Assumptions.perfect_splash`) everything came through: the mould marks are
found as on the original. That gives a bound which no number of marks can pass: whatever they are, they speak at most
twenty times for the maker against the copy (`Sheet.mould_bound`).

>>> marks = [Tell(f"mark {n}", f"Mark {n}", "mould", 1, {"A": (44, 46), "COPY": (14, 23)}) for n in range(30)]
>>> all_there = weigh(Sheet(kinds, marks), [Observation(mark.code, "present") for mark in marks])
>>> round(sum(tell.log10_lr for tell in all_there.tells), 1), round(all_there.pair.log10_lr, 1)
(5.4, 0.2)

A *continuation body* comes from the maker's own mould, so between the two the mould marks are set aside: exactly
nothing. Against every other body they count for both.

*The plate.* A plate travels: it can be lost, moved and copied. The number that was read is a finding of this group. Where
the plate it stands on was seen, the number says only which series; where nobody looked at the plate, the number counts for
it. And a number tells which tells to expect: a flaw that the mould got at No. 288 is not to be found on No. 147
(`Change`). The serial's own chances are used for that, and come back weighed by what was seen (`Evidence.serials`).

**Tells that can be added later** weigh one way: present weighs nothing (the counts come from bodies on which
nobody had a reason to add it), absent weighs as counted.

**Front and rear.** Where tells have places, each half is judged by itself, and "two bodies joined" is among the answers.
A seam that somebody found is no tell: give that answer a prior of its own (``prior={JOINED: 0.2}``).

**The examiner errs.** Each state is taken to be wrong once in a hundred times (`Assumptions.examiner_error`), so no single
finding weighs more than about 99; a doubt that the examiner states comes on top. Once in a thousand times the sheet is
another car's (`sheet_error`): the posterior keeps that share of the prior, and no ratio above a thousand is reported.
"If the examiner errs one time in twenty" is worked out beside it.

**None of these** is an answer with a weight of its own: a body of which nothing is known, on which each tell is as
likely as not.

**What to look at next** is the tell with the largest expected reduction of uncertainty (in bits: D. V. Lindley, Annals of
Mathematical Statistics 27, 1956, pp. 986-1005; from memory) per minute of trouble.

>>> [(look.tell, round(look.gain, 2)) for look in look_next(sheet, [Observation("patch", "present")])]
[('width', 0.15), ('plates', 0.18)]

Whether all this may be believed is for `decoder.calibration` to say; ``tests/benchmarks/bench_evidence.py`` asks it.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal, NamedTuple

from decoder.errors import DecoderError

State = Literal["present", "absent", "altered", "gone with traces left", "not visible", "not examined"]
STATES: tuple[str, ...] = ("present", "absent", "altered", "gone with traces left", "not visible", "not examined")
#: The two states that are no evidence.
SILENT = frozenset(("not visible", "not examined"))
Kind = Literal["maker", "copy", "continuation", "other"]
KINDS: tuple[str, ...] = ("maker", "copy", "continuation", "other")

#: Answers that are always among the hypotheses.
NONE_OF_THESE = "none of these"
JOINED = "two bodies joined"
#: The number's line in the list of tells.
NUMBER = "number"

#: Below this factor a finding is not said to carry or to contradict: the ENFSI scale gives no word under 2.
WORTH_SAYING = 2.0
#: From this posterior on "none of these" and "two bodies joined" are compared with where the pair is not named.
WORTH_COMPARING = 0.1


class EvidenceError(DecoderError):
    """A tell, an observation or a hypothesis cannot be weighed as given; the message says what to put right."""


# --- words ------------------------------------------------------------------------------------------------------------


class Band(NamedTuple):
    """One row of a verbal scale: for ratios from ``low`` (inclusive) up to ``high`` (exclusive)."""

    low: float
    high: float
    word: str
    second: str


@dataclass(frozen=True)
class Scale:
    """A published table of words for likelihood ratios, with its edition and standing. Never two in one report."""

    name: str
    source: str
    standing: str
    bands: tuple[Band, ...]

    def band(self, lr: float) -> Band:
        """The row for a ratio of 1 or more. The ratio itself is compared, not its logarithm: ``math.log(1000, 10)`` is a
        little less than 3.

        Raises EvidenceError below 1: turn the two propositions round and use 1/ratio.
        """
        for band in self.bands:
            if band.low <= lr < band.high:
                return band
        if lr == math.inf:
            return self.bands[-1]
        raise EvidenceError(f"{lr} is below 1: turn the two propositions round and use {1 / lr if lr > 0 else 'inf'}.")


#: Edges are half open, since the printed table overlaps at them; from 1 to 2 it prints nothing, and that is given the word for 1.
ENFSI_2015 = Scale(
    name="ENFSI 2015",
    source=(
        "ENFSI Guideline for Evaluative Reporting in Forensic Science, v3.0, 8 March 2015, table of verbal equivalents"
    ),
    standing="from memory; the edges 2, 10, 100 and 1,000 agree with two independent secondary texts",
    bands=(
        Band(1, 2, "no support for one proposition over the other", "no assistance in addressing the issue"),
        Band(2, 10, "weak support", "slightly more probable"),
        Band(10, 100, "moderate support", "more probable"),
        Band(100, 1_000, "moderately strong support", "appreciably more probable"),
        Band(1_000, 10_000, "strong support", "much more probable"),
        Band(10_000, 1_000_000, "very strong support", "far more probable"),
        Band(1_000_000, math.inf, "extremely strong support", "exceedingly more probable"),
    ),
)


# --- what is assumed --------------------------------------------------------------------------------------------------


def _assumed(default: Any, says: str) -> Any:
    return field(default=default, metadata={"says": says})


@dataclass(frozen=True)
class Assumptions:
    """Everything the weighing takes for granted, each with a sentence. None of it was read off decided cars; all of it can
    be changed, and goes out with each answer (``as_dict``). "Stated" means: our own choice, to be replaced by
    counts as soon as somebody has them."""

    prior_with: float = _assumed(0.5, "bodies with the tell put to each count beforehand (Jeffreys' prior)")
    prior_without: float = _assumed(0.5, "bodies without the tell put to each count beforehand (Jeffreys' prior)")
    examiner_error: float = _assumed(0.01, "how often a recorded state is wrong (stated)")
    sheet_error: float = _assumed(0.001, "how often a whole sheet belongs to another car (stated)")
    none_of_these: float = _assumed(0.01, "prior weight of a body of which nothing is known (stated)")
    joined: float = _assumed(0.01, "prior weight of a car joined from two bodies, where tells have places (stated)")
    mould_groups: tuple[str, ...] = _assumed(("mould",), "groups that come out of the mould, and so with a copy of it")
    plate_groups: tuple[str, ...] = _assumed(("plate",), "groups that travel and are set aside when the body is judged")
    splash_spread: tuple[float, ...] = _assumed(
        (0.2, 0.4, 0.6, 0.8),
        "how much more often a faithful splash shows a mould mark than copies do on average, and a poor one less often; "
        "not known, so these stand with equal weight (stated)",
    )
    perfect_splash: float = _assumed(0.05, "share of splashes that show the mould marks as the original does (stated)")
    altered: float = _assumed(
        2 / 3, "chance that an altered place had the tell: one alters what is there, so it weighs 2 at most (stated)"
    )
    traces: float = _assumed(0.9, "chance that traces left come from the tell: it weighs 9 at most (stated)")
    number_own: float = _assumed(0.7, "chance that a number of its own series is read on a maker's body (stated)")
    number_kin: float = _assumed(0.03, "the same for a number of another series of that maker (stated)")
    number_copy: float = _assumed(0.1, "the same for a number of the original on a copy: moved or copied (stated)")
    number_elsewhere: float = _assumed(0.03, "the same for any other body (stated)")
    plate_kin: float = _assumed(
        0.05, "chance that the maker's own plate on a maker's body is that of another of his series (stated)"
    )
    decide: float = _assumed(0.9, "posterior from which a level is called decidable (stated)")
    decide_anyway: float = _assumed(
        0.8, "posterior that must be left without the plate, and if the examiner errs one time in twenty (stated)"
    )
    decide_lr: float = _assumed(
        10.0, "ratio of the answer against all others that the findings themselves must reach: moderate support"
    )
    judged_cap: float = _assumed(
        99.0, "highest ratio reported where every finding rests on estimates and none on counts: moderate support"
    )
    uncovering: float = _assumed(
        30.0, "minutes added to a tell that was not visible, since something must come off (stated)"
    )
    minutes: float = _assumed(5.0, "minutes of a tell for which none are given (stated)")

    def __post_init__(self) -> None:
        for name in ("examiner_error", "sheet_error"):
            if not 0 <= getattr(self, name) <= 0.5:
                raise EvidenceError(f"{name} is a share from 0 to one half; {getattr(self, name)} is not.")
        if not (0 <= self.none_of_these < 1 and 0 <= self.joined < 1 and self.none_of_these + self.joined < 1):
            raise EvidenceError("none_of_these and joined are shares of the prior; together they must stay below 1.")
        if not (0 <= self.perfect_splash < 1 and self.splash_spread and all(0 <= s < 1 for s in self.splash_spread)):
            raise EvidenceError("perfect_splash and each splash_spread are shares from 0 to less than 1.")
        if self.prior_with <= 0 or self.prior_without <= 0:
            raise EvidenceError(
                "prior_with and prior_without must be above 0, or a count of 0 would weigh without end."
            )

    def as_dict(self) -> dict[str, Any]:
        """Each assumption with its value and its sentence."""
        return {
            one.name: {"value": list(value) if isinstance(value, tuple) else _r(value), "says": one.metadata["says"]}
            for one in fields(self)
            for value in [getattr(self, one.name)]
        }


DEFAULT = Assumptions()


# --- what is known and what was seen -------------------------------------------------------------------------------------


class Count(NamedTuple):
    """The tell was seen on ``seen_on`` of ``out_of`` bodies. An expert's estimate is written as a count too: "nine in
    ten, and I would put six cars' weight on it" is 5.4 of 6, kind ``estimate``."""

    seen_on: float
    out_of: float
    kind: str = "counted"
    source: str = ""


class Change(NamedTuple):
    """On one series a tell's rate changes at a serial: ``before`` it, and ``at`` it and after. The order may be a number
    or anything that compares as issued (``"71K001"`` with other texts of that length)."""

    series: str
    at: Any
    before: Count | tuple[float, float]
    after: Count | tuple[float, float]


@dataclass(frozen=True)
class Tell:
    """A feature, where and how long it takes to see, and how often it is found on each kind of body.

    ``counts`` names a hypothesis each. ``minutes``: None or 0 where not known. ``later``: it can be added later, so that
    its presence weighs nothing. ``place`` begins with "front" or "rear", or is empty or free text.
    """

    code: str
    name: str
    group: str
    minutes: float | None = None
    counts: Mapping[str, Count | tuple[float, float]] = field(default_factory=dict)
    later: bool = False
    place: str = ""
    changes: tuple[Change, ...] = ()
    how: str = ""


@dataclass(frozen=True)
class Observation:
    """The state of a tell on a car. ``doubt`` is the examiner's own chance that the state is not so, 0 to one half
    ("seventy per cent sure" is a doubt of 0.3). ``place``, where given, wins over the tell's."""

    tell: str
    state: str
    place: str = ""
    doubt: float = 0.0


@dataclass(frozen=True)
class Hypothesis:
    """A kind of body that the car may be. ``weight`` is its share of the prior, in any unit (cars at the gate).

    ``copied_from`` names the original of a copy or of a continuation body. A copy of one series of a maker may have been
    taken from another of his series as well. ``maker`` joins series of one maker; None stands alone.
    """

    name: str
    kind: str
    copied_from: str | None = None
    weight: float = 1.0
    maker: str | None = None
    title: str = ""


@dataclass(frozen=True)
class Number:
    """The body's number as it was read: a finding of the group plate.

    ``series``: the chance that it is a number of that series (from ``decode``); together at most 1. ``running``: for a series,
    each serial the reading allows with its chance; serials compare as in ``Change``. ``on``: the tell that carries it (the plate,
    the crayon, the raised figures), where known. ``doubt`` as in ``Observation``.
    """

    text: str
    series: Mapping[str, float]
    running: Mapping[str, Mapping[Any, float]] = field(default_factory=dict)
    on: str = ""
    doubt: float = 0.0


def rate(count: Count | tuple[float, ...], prior: tuple[float, float] = (0.5, 0.5)) -> float:
    """The probability that the next body shows the tell: mean of the Beta distribution of prior and count.

    >>> round(rate((0, 6)), 3), round(rate((0, 60)), 3)
    (0.071, 0.008)
    """
    return (count[0] + prior[0]) / (count[1] + prior[0] + prior[1])


def lr_from_counts(
    one: Count | tuple[float, ...], other: Count | tuple[float, ...], prior: tuple[float, float] = (1.0, 1.0)
) -> float:
    """The likelihood ratio of "present" from two counts, by default with one body added to each side (Laplace).

    >>> round(lr_from_counts((18, 20), (1, 40)), 2)
    18.14
    """
    return rate(one, prior) / rate(other, prior)


def upper_rate(out_of: float, level: float = 0.95) -> float:
    """The highest rate that is still consistent with none seen on ``out_of`` bodies, exactly: 1 - (1 - level)^(1/n). About
    3/n (J. A. Hanley and A. Lippman-Hand, JAMA 249, 1983, pp. 1743-1745; from memory).

    >>> round(upper_rate(100), 4)
    0.0295
    """
    return float(1 - (1 - level) ** (1 / out_of))


def differ(first: Iterable[Observation], second: Iterable[Observation]) -> list[tuple[str, str, str]]:
    """The tells on which two examiners recorded different findings, with both states; by tell. Where one of them did not
    look or could not see, they do not differ.

    >>> differ([Observation("K01", "present"), Observation("K02", "absent")],
    ...        [Observation("K01", "absent"), Observation("K02", "not examined")])
    [('K01', 'present', 'absent')]
    """
    seen = {each.tell: each.state for each in first if each.state not in SILENT}
    also = {each.tell: each.state for each in second if each.state not in SILENT}
    return [(code, seen[code], also[code]) for code in sorted(seen.keys() & also.keys()) if seen[code] != also[code]]


# --- a sheet: kinds of body and tells, made ready -----------------------------------------------------------------------------


class _World(NamedTuple):
    """One hidden state of a kind of body (where in the serials, how good a splash), with its weight and rates."""

    weight: float
    segment: int
    rates: Mapping[str, float]


class Sheet:
    """The kinds of body in question and their tells, made ready for weighing; one serves for many cars.

    Raises EvidenceError with a sentence where a count, a name or a change cannot be.
    """

    def __init__(
        self, hypotheses: Iterable[Hypothesis], tells: Iterable[Tell], assumptions: Assumptions = DEFAULT
    ) -> None:
        self.hypotheses = tuple(hypotheses)
        every = tuple(tells)
        self.tells = {tell.code: tell for tell in every}
        self._ready: dict[str, list[_World]] = {}
        self.assumptions = assumptions
        self.by_name = {each.name: each for each in self.hypotheses}
        if len(self.by_name) != len(self.hypotheses) or len(self.tells) != len(every):
            raise EvidenceError("Two hypotheses or two tells have one name: give each its own.")
        if not self.hypotheses:
            raise EvidenceError("There is no kind of body to weigh: name at least one.")
        for one in self.hypotheses:
            _check_hypothesis(one)
        for tell in every:
            _check_tell(tell)
        others = [each.name for each in self.hypotheses if each.kind == "other"]
        self._any_other = others[0] if len(others) == 1 else None

    @property
    def names(self) -> tuple[str, ...]:
        """All answers, with the two that are always there."""
        return (*(each.name for each in self.hypotheses), NONE_OF_THESE, JOINED)

    def title(self, name: str) -> str:
        known = self.by_name.get(name)
        return (known.title or known.name) if known else name

    def maker(self, name: str) -> str:
        known = self.by_name.get(name)
        return (known.maker or known.title or known.name) if known else name

    def priors(self, given: Mapping[str, float] | None = None, joined: bool = True) -> dict[str, float]:
        """Each answer's prior, together 1. ``given`` overrides weights by name (in any unit, of the kinds of body; the two
        standing answers as shares). Without places on the car "two bodies joined" has none."""
        given = dict(given or {})
        for name, weight in given.items():
            if name not in self.names:
                raise EvidenceError(f"{name} is no kind of body on this sheet; there are {', '.join(self.names)}.")
            if not (0 <= weight < math.inf):
                raise EvidenceError(f"The prior weight of {name} is {weight}: it must be 0 or more.")
        none = given.get(NONE_OF_THESE, self.assumptions.none_of_these)
        two = given.get(JOINED, self.assumptions.joined) if joined else 0.0
        if none + two > 1:
            raise EvidenceError(f"{NONE_OF_THESE} and {JOINED} are shares of the whole; together at most 1.")
        weights = {each.name: given.get(each.name, each.weight) for each in self.hypotheses}
        total = math.fsum(weights.values())
        if total <= 0:
            raise EvidenceError("All prior weights are 0: give at least one kind of body a weight.")
        scale = (1 - none - two) / total
        return {**{name: weight * scale for name, weight in weights.items()}, NONE_OF_THESE: none, JOINED: two}

    # how often a tell is found

    def count(self, tell: Tell, name: str) -> Count | None:
        """The count used for a kind of body: its own; else, for what comes out of the mould, that of the original; else that
        of any other body; None where nothing is known."""
        mould = self.originals(name) if name in self.by_name and self._comes_with_the_mould(tell) else ()
        for known in (name, *mould, self._any_other):
            if known is not None and known in tell.counts:
                return Count(*tell.counts[known])
        return None

    def _rate(self, tell: Tell, name: str) -> float:
        count = self.count(tell, name)
        return 0.5 if count is None else self._mean(count)

    def _mean(self, count: Count | tuple[float, ...]) -> float:
        return rate(count, (self.assumptions.prior_with, self.assumptions.prior_without))

    def _comes_with_the_mould(self, tell: Tell) -> bool:
        return tell.group in self.assumptions.mould_groups

    def originals(self, name: str) -> tuple[str, ...]:
        """From which bodies a copy can have been taken: of the series named, or of another by its maker."""
        one = self.by_name[name]
        first = self.by_name.get(one.copied_from or "")
        if one.kind != "copy" or first is None or first.name == name:
            return ()
        return tuple(
            each.name
            for each in self.hypotheses
            if each.kind == "maker" and (each.name == first.name or (first.maker and each.maker == first.maker))
        )

    def _same_mould(self, name: str) -> str | None:
        """The series whose mould a continuation body comes from."""
        one = self.by_name[name]
        return one.copied_from if one.kind == "continuation" and one.copied_from in self.by_name else None

    def _changes(self, name: str) -> dict[str, Change]:
        return {tell.code: change for tell in self.tells.values() for change in tell.changes if change.series == name}

    def _cuts(self, name: str) -> list[Any]:
        return sorted({change.at for change in self._changes(name).values()})

    def _shares(self, name: str) -> list[float]:
        """What share of a series lies before the first change, between the first and the second, and so on: read off how
        many of the bodies counted lie on either side."""
        below: list[float] = []
        for cut in self._cuts(name):
            here = [change for change in self._changes(name).values() if change.at == cut]
            before, total = sum(c.before[1] for c in here), sum(c.before[1] + c.after[1] for c in here)
            share = (before + 0.5) / (total + 1)
            below.append(max(share, below[-1]) if below else share)
        edges = [0.0, *below, 1.0]
        return [high - low for low, high in itertools.pairwise(edges)]

    def _segments(self, name: str, number: Number | None) -> list[float]:
        """Weight of each stretch between changes: the serial's own chances where its number was read, the series' shares where
        not. A plate may come from a sister car, hence a little of the second with the first."""
        shares = self._shares(name)
        running = (number.running.get(name) if number else None) or {}
        total = math.fsum(running.values())
        if number is None or total <= 0:
            return shares
        own = self._own(name, number)
        found = [0.0] * len(shares)
        cuts = self._cuts(name)
        for serial, weight in running.items():
            found[bisect_right(cuts, serial)] += weight / total
        return [own * seen + (1 - own) * share for seen, share in zip(found, shares, strict=True)]

    def _own(self, name: str, number: Number) -> float:
        """The chance that the number is this body's own, given that it is of this series."""
        return number.series.get(name, 0.0) * (1 - self.assumptions.plate_kin) * (1 - number.doubt)

    def _maker_rates(self, name: str, segment: int) -> dict[str, float]:
        cuts, changes = self._cuts(name), self._changes(name)
        rates = {}
        for code, tell in self.tells.items():
            if code in changes:
                change = changes[code]
                count = change.after if segment > cuts.index(change.at) else change.before
                rates[code] = self._mean(count)
            else:
                rates[code] = self._rate(tell, name)
        return rates

    def worlds(self, name: str, number: Number | None = None) -> list[_World]:
        """The hidden states of a kind of body; weights sum to 1."""
        if number is None:
            if name not in self._ready:
                self._ready[name] = self._made(name, None)
            return self._ready[name]
        return self._made(name, number)

    def _made(self, name: str, number: Number | None) -> list[_World]:
        if name == NONE_OF_THESE:
            return [_World(1.0, 0, dict.fromkeys(self.tells, 0.5))]
        segments = [
            _World(weight, segment, self._maker_rates(name, segment))
            for segment, weight in enumerate(self._segments(name, number))
            if weight > 0
        ]
        if (original := self._same_mould(name)) is not None:
            return self._from_mould(segments, self.worlds(original, number))
        if self.by_name[name].kind == "copy":
            return self._splashes(name, segments)
        return segments

    def _from_mould(self, own: list[_World], moulds: list[_World]) -> list[_World]:
        """A body with its own back face and a mould that is another's."""
        return [
            _World(body.weight * mould.weight, body.segment, {
                code: (mould if self._comes_with_the_mould(tell) else body).rates[code] for code, tell in self.tells.items()
            })
            for body in own
            for mould in moulds
        ]  # fmt: skip

    def _splashes(self, name: str, own: list[_World]) -> list[_World]:
        assumed = self.assumptions
        if not any(self._comes_with_the_mould(tell) for tell in self.tells.values()):
            return own
        originals = self.originals(name)
        perfect = assumed.perfect_splash if originals else 0.0
        share = (1 - perfect) / (2 * len(assumed.splash_spread))
        worlds = []
        for body in own:
            for spread in assumed.splash_spread:
                good, poor = dict(body.rates), dict(body.rates)
                for code, tell in self.tells.items():
                    if self._comes_with_the_mould(tell):
                        good[code], poor[code] = _apart(body.rates[code], spread)
                worlds += [_World(body.weight * share, body.segment, each) for each in (good, poor)]
        weights = {each: self.by_name[each].weight for each in originals}
        total = math.fsum(weights.values())
        for original in originals:
            part = perfect * (weights[original] / total if total else 1 / len(originals))
            for world in self._from_mould(own, self.worlds(original)):
                worlds.append(_World(world.weight * part, world.segment, world.rates))
        return [world for world in worlds if world.weight > 0]

    def mould_bound(self, name: str, copy: str) -> float:
        """The highest ratio that mould marks alone can reach for a series against a copy of it, however many they are;
        ``inf`` where the copy was not taken from it."""
        originals = self.originals(copy)
        total = math.fsum(self.by_name[each].weight for each in originals)
        if name not in originals or not self.assumptions.perfect_splash:
            return math.inf
        part = self.by_name[name].weight / total if total else 1 / len(originals)
        return 1 / (self.assumptions.perfect_splash * part) if part else math.inf

    def number_factor(self, name: str, number: Number, carrier_present: bool) -> float:
        """P(a number of that kind is read | kind of body), given that the plate is there where it was seen to be."""
        assumed = self.assumptions
        factor = max(0.0, 1 - math.fsum(number.series.values())) * assumed.number_elsewhere
        for series, weight in number.series.items():
            factor += weight * self._one_series(name, series, number, carrier_present)
        return factor

    def _one_series(self, name: str, series: str, number: Number, carrier_present: bool) -> float:
        assumed = self.assumptions
        one = self.by_name.get(name)
        source = self.by_name.get(series)
        maker = source.maker if source else None
        kin = [each.name for each in self.hypotheses if maker and each.maker == maker and each.name != series]
        carrier = self.tells.get(number.on)
        if one and self._same_mould(name) == series and carrier and self._comes_with_the_mould(carrier):
            return self._one_series(
                series, series, number, carrier_present
            )  # the mould still carries figures, set at will
        if carrier_present:
            if name == series:
                return 1 - assumed.plate_kin if kin else 1.0
            if name in kin:
                return assumed.plate_kin / len(kin)
            mine = source.weight if source else 1.0
            total = mine + math.fsum(self.by_name[each].weight for each in kin)
            return mine / total if total else 1.0
        if name == series:
            return assumed.number_own
        if name in kin:
            return assumed.number_kin
        if (
            one
            and one.kind in ("copy", "continuation")
            and (one.copied_from == series or series in self.originals(name))
        ):
            return assumed.number_copy
        return assumed.number_elsewhere


#: A faithful splash shows a mark at most so often, unless the counts of copies alone say more.
_TOP = 0.98


def _apart(mean: float, spread: float) -> tuple[float, float]:
    """The rate on a faithful and on a poor splash, whose mean is that of all copies.

    >>> [round(x, 2) for x in _apart(0.5, 0.4)], [round(x, 2) for x in _apart(0.9, 0.4)]
    ([0.7, 0.3], [0.98, 0.82])
    """
    good = min(mean * (1 + spread), max(_TOP, mean))
    return good, 2 * mean - good


def _check_hypothesis(one: Hypothesis) -> None:
    if one.name in (NONE_OF_THESE, JOINED):
        raise EvidenceError(
            f"'{one.name}' is always among the answers: take it off the list and set its weight instead."
        )
    if one.kind not in KINDS:
        raise EvidenceError(f"{one.name} has the kind '{one.kind}'; a kind is one of {', '.join(KINDS)}.")
    if not 0 <= one.weight < math.inf:
        raise EvidenceError(f"The prior weight of {one.name} is {one.weight}: it must be 0 or more.")


def _check_tell(tell: Tell) -> None:
    counts: list[tuple[str, Count | tuple[float, float]]] = list(tell.counts.items())
    seen = set()
    for change in tell.changes:
        if change.series in seen:
            raise EvidenceError(f"{tell.code} changes twice on {change.series}: one change for a series can be told.")
        seen.add(change.series)
        counts += [(change.series, change.before), (change.series, change.after)]
    for name, count in counts:
        if not 0 <= count[0] <= count[1] < math.inf:
            raise EvidenceError(
                f"{tell.code} is counted as seen on {count[0]} of {count[1]} for {name}: "
                "the first must lie between 0 and the second."
            )


# --- one car --------------------------------------------------------------------------------------------------------------


class _Finding(NamedTuple):
    """A tell as it weighs: ``there`` is the chance that it was there, error and doubt included."""

    tell: Tell
    state: str
    zone: str
    there: float
    doubt: float


def zone(place: str) -> str:
    """'front', 'rear' or '' from a place in words.

    >>> zone("front, as far as behind the seats"), zone("left flange")
    ('front', '')
    """
    first = place.strip().casefold()
    return next((each for each in ("front", "rear") if first.startswith(each)), "")


def _findings(sheet: Sheet, observations: Iterable[Observation], error: float) -> tuple[list[_Finding], list[str]]:
    """The findings that weigh, one a tell, in the order of the sheet; and sentences about what was met."""
    notes: list[str] = []
    by_tell: dict[str, list[Observation]] = {}
    for each in observations:
        if each.state not in STATES:
            raise EvidenceError(f"{each.tell} is recorded as '{each.state}'; a state is one of {', '.join(STATES)}.")
        if not 0 <= each.doubt <= 0.5:
            raise EvidenceError(
                f"The doubt of {each.tell} is {each.doubt}: a doubt runs from 0 to one half. "
                "Above one half, record the other state."
            )
        if each.tell not in sheet.tells:
            notes.append(f"{each.tell} is not on the sheet in use, so it is not weighed.")
        elif each.state not in SILENT:
            by_tell.setdefault(each.tell, []).append(each)
    found = []
    for code, tell in sheet.tells.items():
        seen = by_tell.get(code)
        if not seen:
            continue
        if len({each.state for each in seen}) > 1:
            states = " and ".join(sorted({each.state for each in seen}))
            notes.append(f"{tell.name} ({code}) is recorded as {states}: it weighs nothing until somebody looks again.")
            continue
        best = min(seen, key=lambda each: each.doubt)
        places = {zone(each.place) for each in seen} - {""}
        where = places.pop() if len(places) == 1 else zone(tell.place)
        found.append(_Finding(tell, best.state, where, _there(sheet, best.state, best.doubt, error), best.doubt))
    return found, notes


def _there(sheet: Sheet, state: str, doubt: float, error: float) -> float:
    assumed = sheet.assumptions
    there = {"present": 1.0, "absent": 0.0, "altered": assumed.altered, "gone with traces left": assumed.traces}[state]
    wrong = error * (1 - doubt) + doubt * (1 - error)  # two errors undo each other
    return there * (1 - wrong) + (1 - there) * wrong


def _factor(finding: _Finding, p: float) -> float:
    if finding.tell.later and finding.there >= 0.5:
        return 0.5  # may have been added: says the same under every hypothesis
    return finding.there * p + (1 - finding.there) * (1 - p)


def _log_sum(logs: Sequence[float]) -> float:
    top = max(logs, default=-math.inf)
    return top if top == -math.inf else top + math.log(math.fsum(math.exp(each - top) for each in logs))


class _Car:
    """The likelihoods of one car's findings: any choice of them, under any of the answers."""

    def __init__(
        self,
        sheet: Sheet,
        findings: list[_Finding],
        number: Number | None,
        error: float,
        prior: Mapping[str, float] | None,
        two_halves: bool | None = None,
    ) -> None:
        self.sheet, self.findings, self.number, self.error = sheet, findings, number, error
        placed = {"front", "rear"} <= {each.zone for each in findings} if two_halves is None else two_halves
        beforehand = sheet.priors(prior, joined=False)
        self.two_halves = placed and sum(beforehand[each.name] > 0 for each in sheet.hypotheses) > 1
        self.prior = sheet.priors(prior, joined=self.two_halves)
        self.names = [name for name in sheet.names if name != JOINED or self.two_halves]
        self.singles = [name for name in self.names if name != JOINED]
        self.number_at = len(findings)  # the number's index among the findings
        self.all = tuple(range(len(findings) + (number is not None)))
        self._worlds: dict[str, list[tuple[float, list[float]]]] = {}
        self._plain: dict[str, list[tuple[float, list[float]]]] = {}
        self._log_number = self._number_logs()
        self._pairs: list[tuple[float, str, str]] = []
        if self.two_halves:
            mixed = [
                (self.prior[a] * self.prior[b], a, b)
                for a in self.singles
                for b in self.singles
                if a != b and NONE_OF_THESE not in (a, b) and self.prior[a] * self.prior[b] > 0
            ]
            total = math.fsum(weight for weight, _, _ in mixed)
            self._pairs = [(math.log(weight / total), a, b) for weight, a, b in mixed]

    def _number_logs(self) -> dict[str, float]:
        if self.number is None:
            return {}
        carrier = next((each for each in self.findings if each.tell.code == self.number.on), None)
        present = carrier is not None and (carrier.state == "present" or carrier.tell.later)
        if carrier is None and (tell := self.sheet.tells.get(self.number.on)) is not None:
            present = tell.later  # a plate that anybody may have added: the number says which series, and no more
        plain = {name: self.sheet.number_factor(name, self.number, present) for name in self.singles}
        mean = math.fsum(plain.values()) / len(plain)
        wrong = self.error * (1 - self.number.doubt) + self.number.doubt * (1 - self.error)
        wrong = min(1.0, 2 * wrong)  # a doubt of one half leaves nothing, as it does for a tell
        return {name: math.log((1 - wrong) * factor + wrong * mean) for name, factor in plain.items()}

    def _compiled(self, name: str, with_number: bool) -> list[tuple[float, list[float]]]:
        """Each world's log weight and the log factor of each finding in it."""
        kept = self._worlds if with_number else self._plain
        if name not in kept:
            kept[name] = [
                (
                    math.log(world.weight),
                    [math.log(_factor(each, world.rates[each.tell.code])) for each in self.findings],
                )
                for world in self.sheet.worlds(name, self.number if with_number else None)
            ]
        return kept[name]

    def _single(self, name: str, chosen: Sequence[int], serial: bool) -> float:
        tells = [index for index in chosen if index != self.number_at]
        logs = [weight + sum(factors[i] for i in tells) for weight, factors in self._compiled(name, serial)]
        return _log_sum(logs) + (self._log_number.get(name, 0.0) if self.number_at in chosen else 0.0)

    def log_like(self, name: str, chosen: Sequence[int] | None = None, serial: bool = True) -> float:
        """log P(the chosen findings | answer). ``serial``: tells that depend on the serial use the number that was read."""
        chosen = self.all if chosen is None else chosen
        serial = serial and self.number is not None
        if name != JOINED:
            return self._single(name, chosen, serial)
        return _log_sum([each for each, _, _ in self.halves(chosen, serial)])

    def halves(self, chosen: Sequence[int], serial: bool = True) -> list[tuple[float, str, str]]:
        """For each pair (front, rear) the log of its share of the prior times its likelihood. A tell without a place may
        have been seen on either half."""
        serial = serial and self.number is not None
        at = self._number_zone()
        part: dict[str, list[int]] = {"front": [], "rear": [], "": []}
        for index in chosen:
            part[at if index == self.number_at else self.findings[index].zone].append(index)
        front = {name: self._single(name, part["front"], serial) for name in self.singles}
        rear = {name: self._single(name, part["rear"], serial) for name in self.singles}
        loose = [{name: self._single(name, [index], serial) for name in self.singles} for index in part[""]]
        return [
            (share + front[a] + rear[b] + sum(_log_sum([one[a], one[b]]) - math.log(2) for one in loose), a, b)
            for share, a, b in self._pairs
        ]

    def _number_zone(self) -> str:
        if self.number is None:
            return ""
        found = next((each.zone for each in self.findings if each.tell.code == self.number.on), None)
        carrier = self.sheet.tells.get(self.number.on)
        return found if found is not None else zone(carrier.place) if carrier else ""

    def posterior(self, chosen: Sequence[int] | None = None) -> dict[str, float]:
        """Each answer's posterior; the share in which the sheet is another car's stays as it was beforehand."""
        chosen = self.all if chosen is None else chosen
        serial = self.number_at in chosen
        logs = {
            name: math.log(self.prior[name]) + self.log_like(name, chosen, serial)
            if self.prior[name] > 0
            else -math.inf
            for name in self.names
        }
        total = _log_sum(list(logs.values()))
        wrong = self.sheet.assumptions.sheet_error if chosen else 1.0
        return {name: (1 - wrong) * math.exp(logs[name] - total) + wrong * self.prior[name] for name in self.names}

    def log10_lr(
        self, one: Sequence[str], other: Sequence[str], chosen: Sequence[int] | None = None, serial: bool = True
    ) -> float:
        """log10 of P(findings | one) / P(findings | other); several names are mixed by their priors."""
        return (self._mixed(one, chosen, serial) - self._mixed(other, chosen, serial)) / math.log(10)

    def _mixed(self, names: Sequence[str], chosen: Sequence[int] | None, serial: bool) -> float:
        if len(names) == 1:
            return self.log_like(names[0], chosen, serial)
        weights = {name: self.prior[name] for name in names if self.prior.get(name, 0) > 0}
        total = math.fsum(weights.values())
        return _log_sum([math.log(w / total) + self.log_like(name, chosen, serial) for name, w in weights.items()])


# --- the answer -------------------------------------------------------------------------------------------------------------


class Weighed(NamedTuple):
    """One line of the evidence. ``log10_lr`` is the tell's weight for the pair by itself, ``given_the_rest`` what the whole
    loses without it; both None where the tell is not evidence. ``counts``: what the weight rests on, by kind of body (where
    the tell depends on the serial the average, and the note says so)."""

    tell: str
    name: str
    state: str
    group: str
    place: str
    log10_lr: float | None
    given_the_rest: float | None
    note: str = ""
    counts: Mapping[str, Count] = {}

    def as_dict(self) -> dict[str, Any]:
        return {
            **self._asdict(),
            "log10_lr": _r(self.log10_lr),
            "given_the_rest": _r(self.given_the_rest),
            "counts": {name: count._asdict() for name, count in self.counts.items()},
        }


class Group(NamedTuple):
    """All findings of a group together. ``apart`` is what they would weigh if they did not hang together."""

    group: str
    findings: int
    log10_lr: float
    apart: float
    note: str = ""

    def as_dict(self) -> dict[str, Any]:
        return {**self._asdict(), "log10_lr": _r(self.log10_lr), "apart": _r(self.apart)}


class Pair(NamedTuple):
    """The two sides a weight speaks of, in the order in which the weight is positive for the first."""

    one: tuple[str, ...]
    other: tuple[str, ...]
    log10_lr: float


@dataclass(frozen=True)
class Strength:
    """The ratio of the pair in a published word. ``lr`` is 1 or more and speaks for ``favours``; ``capped`` says why it is
    not higher, where it is not."""

    lr: float
    word: str
    scale: str
    favours: tuple[str, ...]
    against: tuple[str, ...]
    says: str
    capped: str = ""

    def as_dict(self) -> dict[str, Any]:
        return {
            "lr": _r(self.lr),
            "word": self.word,
            "scale": self.scale,
            "favours": list(self.favours),
            "against": list(self.against),
            "says": self.says,
            "capped": self.capped,
        }


@dataclass(frozen=True)
class Level:
    """One question (whose body is it; which series of his) and whether the evidence bears an answer. ``lr`` is the ratio of
    the answer against all others together, mixed by their priors, below 1 where the findings speak against it; ``word``
    is its word, and the word of 1/lr where it is below 1. ``why`` says what stands in the way."""

    decidable: bool
    name: str
    probability: float
    says: str
    lr: float
    word: str
    why: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        return {
            "decidable": self.decidable,
            "name": self.name,
            "probability": _r(self.probability),
            "says": self.says,
            "lr": _r(self.lr),
            "word": self.word,
            "why": list(self.why),
        }


@dataclass(frozen=True)
class Evidence:
    """What the findings on one car bear. ``prior`` and ``posterior`` by name; ``half`` the posterior of each half by itself,
    where tells have places; ``joined`` the likeliest pair of halves."""

    names: tuple[str, ...]
    titles: Mapping[str, str]
    prior: Mapping[str, float]
    posterior: Mapping[str, float]
    tells: tuple[Weighed, ...]
    groups: tuple[Group, ...]
    tied: float
    pair: Pair
    strength: Strength
    levels: Mapping[str, Level]
    makers: Mapping[str, float]
    kinds: Mapping[str, float]
    carries: tuple[str, ...]
    contradicts: tuple[str, ...]
    if_examiner_errs: Mapping[str, float]
    half: Mapping[str, Mapping[str, float]]
    joined: tuple[str, str] | None
    serials: Mapping[str, Mapping[Any, float]]
    assumptions: Assumptions
    notes: tuple[str, ...] = ()

    @property
    def leading(self) -> str:
        """The answer with the highest posterior; at a tie the one named first."""
        return max(self.names, key=lambda name: self.posterior[name])

    @property
    def decidable(self) -> bool:
        """Whether the tells bear an answer to whose body it is."""
        return self.levels["maker"].decidable

    @property
    def says(self) -> str:
        """The answer in a sentence or two."""
        maker, series = self.levels["maker"], self.levels["series"]
        if not maker.decidable:
            return " ".join([f"Not yet decidable. {maker.says}", *maker.why])
        if series.says == maker.says:
            return maker.says
        return f"{maker.says} {series.says}" if series.decidable else f"{maker.says} Which series is not yet decidable."

    def as_dict(self) -> dict[str, Any]:
        """The JSON document; the caller adds ``car`` and ``stops``."""
        return {
            "hypotheses": [
                {"name": n, "title": self.titles[n], "prior": _r(self.prior[n]), "posterior": _r(self.posterior[n])}
                for n in self.names
            ],
            "tells": [each.as_dict() for each in self.tells],
            "groups": [each.as_dict() for each in self.groups],
            "tied": _r(self.tied),
            "log10_lr": _r(self.pair.log10_lr),
            "strength": self.strength.as_dict(),
            "decidable": self.decidable,
            "says": self.says,
            "levels": {name: each.as_dict() for name, each in self.levels.items()},
            "makers": {name: _r(p) for name, p in self.makers.items()},
            "kinds": {name: _r(p) for name, p in self.kinds.items()},
            "carries": list(self.carries),
            "contradicts": list(self.contradicts),
            "if_examiner_errs": {name: _r(p) for name, p in self.if_examiner_errs.items()},
            "halves": {where: {n: _r(p) for n, p in each.items()} for where, each in self.half.items()},
            "joined": {"front": self.joined[0], "rear": self.joined[1]} if self.joined else None,
            "serials": {
                n: [{"serial": s, "probability": _r(p)} for s, p in each.items()] for n, each in self.serials.items()
            },
            "assumptions": self.assumptions.as_dict(),
            "notes": list(self.notes),
        }


def _r(value: Any) -> Any:
    """Six figures are more than anybody can use, and the same on every machine."""
    return float(f"{value:.6g}") if isinstance(value, float) else value


#: "If the examiner errs one time in twenty."
ERRING = 0.05


def weigh(
    sheet: Sheet,
    observations: Iterable[Observation],
    number: Number | None = None,
    *,
    prior: Mapping[str, float] | None = None,
    pair: tuple[str | Sequence[str], str | Sequence[str]] | None = None,
    set_aside: Iterable[str] = (),
    error: float | None = None,
) -> Evidence:
    """Weigh what was seen on one car.

    ``prior`` overrides the weights of kinds of body; ``pair`` names the two sides to compare (a name, or several that are
    mixed by their priors), else the two leading answers; ``set_aside`` names groups that are not to count; ``error`` is the
    examiner's, else the sheet's assumption. Two records of one tell that agree count once; two that differ weigh nothing.

    Raises EvidenceError with a sentence for a state, a doubt or a name that does not exist.
    """
    every = list(observations)
    aside = frozenset(set_aside)
    chance = _error(sheet, error)
    _check_number(sheet, number)
    findings, notes = _findings(sheet, every, chance)
    findings = [each for each in findings if each.tell.group not in aside]
    if number is not None and _number_group(sheet, number) in aside:
        number = None
    car = _Car(sheet, findings, number, chance, prior)
    posterior = car.posterior()
    sides = _sides(sheet, car, posterior, pair)
    erring = _again(sheet, every, number, aside, prior, max(ERRING, chance))
    log_lr = car.log10_lr(*sides)
    groups, tied = _groups(sheet, car, sides)
    weighed = _weighed(sheet, car, sides, every, aside)
    serials = {each.name: weights for each in sheet.hypotheses if (weights := _serials(car, each.name))}
    half = {
        where: car.posterior([i for i, each in enumerate(findings) if each.zone == where])
        for where in ("front", "rear")
        if car.two_halves
    }
    pairs = car.halves(car.all) if car.two_halves else []
    joined = max(pairs, key=lambda each: each[0])[1:] if pairs else None
    evidence = Evidence(
        names=tuple(car.names),
        titles={name: sheet.title(name) for name in car.names},
        prior={name: car.prior[name] for name in car.names},
        posterior=posterior,
        tells=weighed,
        groups=groups,
        tied=tied,
        pair=Pair(*sides, log_lr),
        strength=_strength(sheet, car, sides, log_lr),
        levels={},
        makers=_summed(posterior, sheet.maker),
        kinds=_summed(posterior, lambda name: sheet.by_name[name].kind if name in sheet.by_name else name),
        carries=_telling(weighed, 1),
        contradicts=_telling(weighed, -1),
        if_examiner_errs=erring.posterior(),
        half=half,
        joined=joined,
        serials=serials,
        assumptions=replace(sheet.assumptions, examiner_error=chance),
        notes=tuple(notes),
    )
    return replace(evidence, levels=_levels(sheet, car, erring, evidence))


def look_next(
    sheet: Sheet,
    observations: Iterable[Observation],
    number: Number | None = None,
    *,
    prior: Mapping[str, float] | None = None,
    set_aside: Iterable[str] = (),
    by: Literal["series", "maker"] = "series",
    error: float | None = None,
) -> list[Look]:
    """What is left to look at, in the order of doubt removed per minute.

    A tell that was not visible is listed with the minutes of uncovering it added. ``by``: the doubt is which answer it is, or
    only whose (series of one maker are one). Raises as `weigh`.
    """
    every = list(observations)
    aside = frozenset(set_aside)
    chance = _error(sheet, error)
    _check_number(sheet, number)
    findings, _ = _findings(sheet, every, chance)
    findings = [each for each in findings if each.tell.group not in aside]
    if number is not None and _number_group(sheet, number) in aside:
        number = None
    done = {each.tell.code for each in findings}
    hidden = {each.tell for each in every if each.state == "not visible"}
    left = [tell for tell in sheet.tells.values() if tell.code not in done and tell.group not in aside]
    shown = "present", "absent"
    places = {each.zone for each in findings} | {zone(tell.place) for tell in left}
    # One car for all that may be seen: the findings first, then each tell left as present and as absent.
    might = [
        _Finding(tell, state, zone(tell.place), _there(sheet, state, 0.0, chance), 0.0)
        for tell in left
        for state in shown
    ]
    car = _Car(sheet, findings + might, number, chance, prior, {"front", "rear"} <= places)
    known = [*range(len(findings)), *([car.number_at] if number else [])]
    now = car.posterior(known)
    before = _doubt(sheet, now, by)
    base = {name: car.log_like(name, known) for name in car.names}
    looks = []
    for at, tell in enumerate(left):
        gain = 0.0
        for offset, state in enumerate(shown):
            chosen = [*known, len(findings) + 2 * at + offset]
            if tell.later and state == "present":
                continue  # weighs nothing, so nothing is learnt
            after = {name: now[name] * math.exp(car.log_like(name, chosen) - base[name]) for name in car.names}
            total = math.fsum(after.values())
            if total > 0:
                gain += total * (before - _doubt(sheet, {name: p / total for name, p in after.items()}, by))
        covered = tell.code in hidden
        minutes = float(tell.minutes or sheet.assumptions.minutes) + (sheet.assumptions.uncovering if covered else 0)
        note = "not visible so far: something has to come off, with the owner's leave" if covered else ""
        looks.append(Look(tell.code, tell.name, minutes, max(0.0, gain), covered, tell.how, tell.place, note))
    return sorted(looks, key=lambda each: (-each.gain / each.minutes, each.minutes, each.tell))


class Look(NamedTuple):
    """A tell still to be looked at: ``gain`` is the expected reduction of uncertainty in bits, ``minutes`` the trouble."""

    tell: str
    name: str
    minutes: float
    gain: float
    hidden: bool = False
    how: str = ""
    place: str = ""
    note: str = ""

    def as_dict(self) -> dict[str, Any]:
        return {**self._asdict(), "gain": _r(self.gain), "per_minute": _r(self.gain / self.minutes)}


def likelihoods(
    sheet: Sheet,
    observations: Iterable[Observation],
    number: Number | None = None,
    *,
    prior: Mapping[str, float] | None = None,
    error: float | None = None,
) -> dict[str, float]:
    """log10 P(findings | answer) for each answer: what the measurements need, without the rest of `weigh`."""
    chance = _error(sheet, error)
    _check_number(sheet, number)
    car = _Car(sheet, _findings(sheet, observations, chance)[0], number, chance, prior)
    return {name: car.log_like(name) / math.log(10) for name in car.names}


def _again(
    sheet: Sheet,
    observations: list[Observation],
    number: Number | None,
    aside: frozenset[str],
    prior: Mapping[str, float] | None,
    error: float,
) -> _Car:
    found = [each for each in _findings(sheet, observations, error)[0] if each.tell.group not in aside]
    return _Car(sheet, found, number, error, prior)


def _error(sheet: Sheet, given: float | None) -> float:
    error = sheet.assumptions.examiner_error if given is None else given
    if not 0 <= error <= 0.5:
        raise EvidenceError(f"The examiner's error is {error}: it runs from 0 to one half.")
    return error


def _check_number(sheet: Sheet, number: Number | None) -> None:
    if number is None:
        return
    if not 0 <= number.doubt <= 0.5:
        raise EvidenceError(f"The doubt of the number is {number.doubt}: a doubt runs from 0 to one half.")
    if any(not 0 <= p <= 1 for p in number.series.values()) or math.fsum(number.series.values()) > 1 + 1e-9:
        raise EvidenceError("The chances of the series a number may belong to are shares, together at most 1.")
    if any(p < 0 for each in number.running.values() for p in each.values()):
        raise EvidenceError("A serial's chance is 0 or more.")


def _number_group(sheet: Sheet, number: Number) -> str:
    carrier = sheet.tells.get(number.on)
    return carrier.group if carrier else (sheet.assumptions.plate_groups or ("plate",))[0]


def _sides(
    sheet: Sheet,
    car: _Car,
    posterior: Mapping[str, float],
    pair: tuple[str | Sequence[str], str | Sequence[str]] | None,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    if pair is None:
        first, *rest = sorted(car.names, key=lambda name: -posterior[name])
        # The two standing answers fit a little of everything: they are compared with only where there is something in them.
        worth = [name for name in rest if name in sheet.by_name or posterior[name] >= WORTH_COMPARING]
        return (first,), ((worth or rest)[0],)
    named = [(side,) if isinstance(side, str) else tuple(side) for side in pair]
    for name in (name for side in named for name in side):
        if name not in car.names:
            raise EvidenceError(f"{name} is not among the answers; there are {', '.join(car.names)}.")
    if not all(named) or set(named[0]) & set(named[1]):
        raise EvidenceError("The two sides of a pair must each name something, and nothing twice.")
    if any(len(side) > 1 and not any(car.prior[name] > 0 for name in side) for side in named):
        raise EvidenceError("A side of several kinds of body needs a prior above 0 for one of them at least.")
    return named[0], named[1]


def _groups(sheet: Sheet, car: _Car, sides: tuple[tuple[str, ...], tuple[str, ...]]) -> tuple[tuple[Group, ...], float]:
    """Each group's weight by itself, and what is left: findings of several groups that hang together by the serial."""
    members: dict[str, list[int]] = {}
    for index in car.all:
        if index == car.number_at and car.number is not None:
            members.setdefault(_number_group(sheet, car.number), []).append(index)
        else:
            members.setdefault(car.findings[index].tell.group, []).append(index)
    groups = []
    for group, indices in members.items():
        together = car.log10_lr(*sides, indices)
        apart = math.fsum(car.log10_lr(*sides, [index]) for index in indices)
        groups.append(Group(group, len(indices), together, apart, _group_note(sheet, group, sides)))
    return tuple(groups), car.log10_lr(*sides) - math.fsum(each.log10_lr for each in groups)


def _group_note(sheet: Sheet, group: str, sides: tuple[tuple[str, ...], tuple[str, ...]]) -> str:
    if group not in sheet.assumptions.mould_groups:
        return ""
    one, other = sides
    for first, second in ((one, other), (other, one)):
        if len(first) == len(second) == 1 and first[0] in sheet.by_name and sheet._same_mould(first[0]) == second[0]:
            return "set aside: both come out of one mould"
    kinds = {sheet.by_name[name].kind for name in (*one, *other) if name in sheet.by_name}
    return "a splash brings these together or loses them together" if "copy" in kinds else ""


def _weighed(
    sheet: Sheet,
    car: _Car,
    sides: tuple[tuple[str, ...], tuple[str, ...]],
    observations: Iterable[Observation],
    aside: frozenset[str],
) -> tuple[Weighed, ...]:
    whole = car.log10_lr(*sides)
    at = {each.tell.code: index for index, each in enumerate(car.findings)}
    states: dict[str, set[str]] = {}
    for each in observations:
        states.setdefault(each.tell, set()).add(each.state)
    lines = []
    for code, tell in sheet.tells.items():
        if code in at:
            index = at[code]
            finding = car.findings[index]
            alone = car.log10_lr(*sides, [index])
            rest = whole - car.log10_lr(*sides, [i for i in car.all if i != index])
            counts = {each: count for each in sheet.by_name if (count := sheet.count(tell, each)) is not None}
            notes = []
            if tell.later and finding.there >= 0.5:
                notes.append("can be added later, so its presence weighs nothing")
            if any(change.series in (*sides[0], *sides[1]) for change in tell.changes):
                notes.append("depends on the serial")
            lines.append(
                Weighed(code, tell.name, finding.state, tell.group, finding.zone, alone, rest, "; ".join(notes), counts)
            )
        else:
            seen = states.get(code, {"not examined"})
            state = " / ".join(sorted(seen))
            note = "set aside" if tell.group in aside else "two records differ" if len(seen - SILENT) > 1 else ""
            lines.append(Weighed(code, tell.name, state, tell.group, zone(tell.place), None, None, note))
    if car.number is not None:
        alone = car.log10_lr(*sides, [car.number_at])
        tells = [i for i in car.all if i != car.number_at]
        rest = whole - car.log10_lr(*sides, tells, serial=False)
        group = _number_group(sheet, car.number)
        lines.append(Weighed(NUMBER, "Number", car.number.text, group, car._number_zone(), alone, rest))
    return tuple(lines)


def _telling(lines: Iterable[Weighed], sign: int) -> tuple[str, ...]:
    """The tells that carry (sign 1) or contradict (sign -1) the first of the pair, the weightiest first."""
    least = math.log10(WORTH_SAYING)
    told = [(sign * each.given_the_rest, each.tell) for each in lines if each.given_the_rest is not None]
    return tuple(code for weight, code in sorted(told, key=lambda each: -each[0]) if weight >= least)


def _strength(sheet: Sheet, car: _Car, sides: tuple[tuple[str, ...], tuple[str, ...]], log10_lr: float) -> Strength:
    one, other = sides if log10_lr >= 0 else sides[::-1]
    lr = 10 ** min(abs(log10_lr), 300)
    capped = ""
    assumed = sheet.assumptions
    if all(_judged(sheet, each.tell, one, other) for each in car.findings) and lr > assumed.judged_cap:
        lr, capped = assumed.judged_cap, "every finding rests on an estimate and none on a count"
    if assumed.sheet_error and lr > 1 / assumed.sheet_error:
        lr, capped = 1 / assumed.sheet_error, f"one sheet in {1 / assumed.sheet_error:,.0f} may be another car's"
    lr = round(lr, 12)
    word = ENFSI_2015.band(lr).word
    names = " or ".join(sheet.title(name) for name in one), " or ".join(sheet.title(name) for name in other)
    times = f"{lr:,.0f}" if lr >= 10 else f"{lr:.2g}"
    says = f"The findings are about {times} times more probable if it is {names[0]} than if it is {names[1]}: {word}."
    if lr < WORTH_SAYING:
        says = f"The findings speak neither for {names[0]} nor for {names[1]}."
    return Strength(lr, word, ENFSI_2015.name, one, other, says, capped)


def _judged(sheet: Sheet, tell: Tell, one: Sequence[str], other: Sequence[str]) -> bool:
    counts = [sheet.count(tell, name) for name in (*one, *other)]
    return all(count is not None and count.kind == "estimate" for count in counts)


def _serials(car: _Car, name: str) -> dict[Any, float]:
    """The serials that the reading allows, weighed by the tells that depend on the serial, if it is of this series."""
    number = car.number
    running = number.running.get(name) if number else None
    if not running or not math.fsum(running.values()):
        return {}
    cuts = car.sheet._cuts(name)
    logs: dict[int, float] = {}
    for segment in range(len(cuts) + 1):
        rates = car.sheet._maker_rates(name, segment)
        logs[segment] = sum(math.log(_factor(each, rates[each.tell.code])) for each in car.findings)
    weights = {s: math.log(p) + logs[bisect_right(cuts, s)] for s, p in running.items() if p > 0}
    total = _log_sum(list(weights.values()))
    ordered = sorted(weights.items(), key=lambda each: (-each[1], str(each[0])))
    return {serial: math.exp(weight - total) for serial, weight in ordered}


def _summed(posterior: Mapping[str, float], by: Any) -> dict[str, float]:
    found: dict[str, float] = {}
    for name, p in posterior.items():
        found[by(name)] = found.get(by(name), 0.0) + p
    return dict(sorted(found.items(), key=lambda each: -each[1]))


def _in_words(probability: float) -> str:
    """'about 97 in 100', the way people say it; never 0 or 100 in 100."""
    if probability > 0.995:
        return "more than 99 in 100"
    return "less than 1 in 100" if probability < 0.005 else f"about {round(100 * probability)} in 100"


def _levels(sheet: Sheet, car: _Car, erring: _Car, evidence: Evidence) -> dict[str, Level]:
    assumed = sheet.assumptions
    maker, probability = next(iter(evidence.makers.items()))
    mine = [name for name in car.names if sheet.maker(name) == maker]
    rest = [name for name in car.names if name not in mine and car.prior[name] > 0]
    without = [
        index
        for index in car.all
        if (index != car.number_at and car.findings[index].tell.group not in assumed.plate_groups)
    ]
    bare = _summed(car.posterior(without), sheet.maker)
    errs = _summed(erring.posterior(), sheet.maker)
    lr = _reported(sheet, car.log10_lr(mine, rest)) if rest and any(car.prior[name] for name in mine) else 1.0
    why = []
    if probability < assumed.decide:
        second, next_best = list(evidence.makers.items())[1]
        why.append(f"{_first_up(second)} stays at {_in_words(next_best)}.")
    if lr < assumed.decide_lr:
        why.append("The findings bear little of it; most is what was believed beforehand.")
    if lr >= assumed.decide_lr and (one := _hangs_on(sheet, car, mine, rest)):
        why.append(f"It hangs on one finding: {one}.")
    if bare.get(maker, 0.0) < assumed.decide_anyway:
        why.append(f"Without the plate and its number it would be {_in_words(bare.get(maker, 0.0))}.")
    if errs.get(maker, 0.0) < assumed.decide_anyway:
        why.append(f"If the examiner errs one time in twenty it would be {_in_words(errs.get(maker, 0.0))}.")
    who = _first_up(maker)
    if maker == JOINED and evidence.joined:
        front, rear = (sheet.title(name) for name in evidence.joined)
        who = f"Two bodies joined, likeliest {front} in front and {rear} at the rear"
    top = Level(not why, maker, probability, f"{who}: {_in_words(probability)}.", lr, _word(lr), tuple(why))
    return {"maker": top, "series": _series(sheet, car, evidence, erring, mine, top)}


def _hangs_on(sheet: Sheet, car: _Car, mine: list[str], rest: list[str]) -> str:
    """The finding without which too little would be left, if there is one: an examiner's slip must not decide."""
    for index in car.all:
        without = [i for i in car.all if i != index]
        number = index == car.number_at
        left = car.log10_lr(mine, rest, without, serial=not number)
        posterior = car.posterior(without)
        share = math.fsum(posterior[name] for name in mine)
        if 10**left < WORTH_SAYING or share < 0.5:
            return "the number" if number else car.findings[index].tell.name
    return ""


def _reported(sheet: Sheet, log10_lr: float) -> float:
    """The ratio, no higher and no lower than the sheet's own error lets it be."""
    wrong = sheet.assumptions.sheet_error
    cap = -math.log10(wrong) if wrong else 300.0
    return round(10 ** max(-cap, min(cap, log10_lr)), 12)


def _word(lr: float) -> str:
    return ENFSI_2015.band(lr if lr >= 1 else 1 / lr).word


def _series(sheet: Sheet, car: _Car, evidence: Evidence, erring: _Car, mine: list[str], top: Level) -> Level:
    """Which series, given the maker: by tells and serial."""
    assumed = sheet.assumptions
    if len(mine) == 1:
        return replace(top, name=mine[0])
    total = math.fsum(evidence.posterior[name] for name in mine)
    errs = erring.posterior()
    erring_total = math.fsum(errs[name] for name in mine)
    name = max(mine, key=lambda each: evidence.posterior[each])
    share, if_erring = evidence.posterior[name] / total, errs[name] / erring_total
    why = []
    if not top.decidable:
        why.append("Whose body it is comes first.")
    if share < assumed.decide:
        second = max((each for each in mine if each != name), key=lambda each: evidence.posterior[each])
        why.append(f"{sheet.title(second)} stays at {_in_words(evidence.posterior[second] / total)}.")
    if if_erring < assumed.decide_anyway:
        why.append(f"If the examiner errs one time in twenty it would be {_in_words(if_erring)}.")
    others = [each for each in mine if each != name and car.prior[each] > 0]
    lr = _reported(sheet, car.log10_lr([name], others)) if others and car.prior[name] > 0 else 1.0
    says = f"Of the series, {sheet.title(name)}: {_in_words(share)}."
    return Level(not why, name, share, says, lr, _word(lr), tuple(why))


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _doubt(sheet: Sheet, posterior: Mapping[str, float], by: str) -> float:
    """Uncertainty in bits (Shannon's entropy)."""
    shares = _summed(posterior, sheet.maker) if by == "maker" else posterior
    return -math.fsum(p * math.log2(p) for p in shares.values() if p > 0)
