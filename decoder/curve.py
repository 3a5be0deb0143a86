"""Serial to date where no maker's table exists: what the dated cars of one series teach, and how sure it is.

Most body makers left no ledger. What is left are cars with a serial and a paper: a receipt, a registration, a
photograph, each saying that the body was made not before, or not after, some day. If numbers were given out in
order, a car with a higher number is no older, and so every dated car bounds all others:

- not before: the latest "not before" among the cars with the same or a lower number;
- not after: the earliest "not after" among those with the same or a higher number.

These are the hard bounds; they hold as long as the papers and the order do. Two papers contradict each other
where the lower number would be younger. About one paper in twenty belongs to another car, or was read wrong, so
contradictions are expected: the smallest set of papers whose removal leaves none is set aside and named, and
where that set is not the only one of its size, all that might be wrong are set aside, because nobody can tell
which. A wrong paper that contradicts nothing cannot be found this way; each bound names the car it hangs on.

>>> from datetime import date
>>> def month(text, last=None):
...     from decoder.dates import parse
...     return parse(text).earliest, parse(last or text).latest
>>> cars = [
...     DatedCar(1010, *month("1965-03", "1965-12")),
...     DatedCar(1100, *month("1964-06", "1966-06")),
...     DatedCar(1180, *month("1966-01", "1966-04")),
...     DatedCar(1250, *month("1965-10", "1967-12")),
...     DatedCar(1300, *month("1966-09", "1967-03")),
... ]
>>> curve = learn(cars)
>>> for serial in (1000, 1050, 1200, 1400):
...     print(serial, curve.date(serial)[0].span.edtf)
1000 ../1965
1050 1965-03/1966-04
1200 1966/1967-03
1400 1966-09/..

Inside the bounds, and only there, a curve is drawn: monotone regression (pool adjacent violators: R. E. Barlow and
others, Statistical inference under order restrictions, Wiley 1972) through the middles of the papers' spans, the
narrower a span the heavier, joined at the centres of the pooled blocks (A. P. Oron and N. Flournoy, Statistics in
Biopharmaceutical Research 9, 2017, pp. 258-267) so that there are no steps that are not in the data. Its band comes from
leaving out one car after another and seeing how far the rest miss it, as a share of the room that the hard bounds
leave there (conformal prediction: V. Vovk, A. Gammerman and G. Shafer, Algorithmic learning in a random world,
Springer 2005). So it widens by itself where cars are few. It exists from 9 cars dated at both ends for 90 %, from 19
for 95 %; below that the hard bounds are all that can be argued.

>>> curve.date(1200)[0].band90 is None
True

Cars are seldom dated to the day, so it is not known by how much a car was missed, only between what and what. How often
it is within a given share is found by self-consistency (B. W. Turnbull, Journal of the Royal Statistical Society
B 38, 1976, pp. 290-295), stopped after a few rounds and with some of the weight spread evenly over the room
(:data:`SHARE_UNKNOWN`), since papers that say little would else seem to say that the curve is right.

Checked on simulated makers (steady, accelerating, two batches, a year's stop) the 90 % band holds the true date of
between 87 and 97 numbers in 100, with one paper in twenty wrong.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

from decoder import dates
from decoder.errors import DecoderError
from decoder.population import Block, find_breaks

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Fewer dated cars than this draw no curve: two give a line through anything.
FEWEST = 3
#: A paper is hardly nearer to the making of a body than a month: it was moulded, trimmed, sold. In days; own choice. It is
#: the narrowest span that weighs in the regression and the least room that the band is a share of.
MONTH = 30.0
#: How much of the weight, in distributing what is not known of the misses, is spread evenly over the room left by the
#: hard bounds, and after how many rounds the distribution is left as it is. Own choice, from simulated makers: with less,
#: or with more rounds, the 90 % band held fewer than 87 in 100 where all papers are early or late by a like amount.
SHARE_UNKNOWN = 0.15
ROUNDS = 4
#: If more than this share of the papers would have to be wrong, it is not the papers: numbers did not go out in order.
#: Own choice; about one in twenty is wrong as a rule.
TOO_MANY_WRONG = 0.25
#: Beyond this number of cars, many are left out at a time instead of one after another; it changes nothing to be seen.
_FOLDS = 100


class DatedCar(NamedTuple):
    """A car with a serial and what its paper allows: made not before ``earliest``, not after ``latest`` (None: open).

    ``name`` is what to call it in sentences; ``block`` the name of the declared block it belongs to, where a number was
    issued more than once.
    """

    serial: int
    earliest: date | None
    latest: date | None
    name: str = ""
    block: str = ""

    @property
    def called(self) -> str:
        return self.name or f"number {self.serial}"

    @property
    def words(self) -> str:
        return dates.between(self.earliest, self.latest).words()


class SetAside(NamedTuple):
    """A car whose paper was not followed. ``is_certain``: every smallest set has it; else one of ``instead`` may be the wrong one.

    ``against``: the cars it cannot be true beside. ``instead``: those that may be wrong in its place.
    """

    car: DatedCar
    is_certain: bool
    against: tuple[DatedCar, ...]
    instead: tuple[DatedCar, ...]
    says: str

    def as_dict(self) -> dict[str, Any]:
        return {
            "car": self.car.called, "serial": self.car.serial, "is_certain": self.is_certain,
            "against": [car.called for car in self.against], "instead": [car.called for car in self.instead], "says": self.says,
        }  # fmt: skip


@dataclass(frozen=True)
class SerialDate:
    """When the body with a serial was made, as the dated cars bound it. ``earliest`` and ``latest`` are hard (None: open);
    ``likeliest`` and the bands are the curve's, None where it says nothing."""

    serial: int
    block: str
    earliest: date | None
    latest: date | None
    likeliest: date | None
    band90: tuple[date, date] | None
    band95: tuple[date, date] | None
    hangs_on: tuple[str, ...]
    learnt_from: int

    @property
    def span(self) -> dates.Span:
        return dates.between(self.earliest, self.latest)

    @property
    def label(self) -> str:
        """A span from a curve is never mixed with a maker's table; this stands beside it."""
        return f"learnt from {_count(self.learnt_from, 'car')}"

    @property
    def says(self) -> str:
        if self.earliest is None and self.latest is None:
            return f"Nothing bounds number {self.serial}: no dated car lies on either side of it."
        out = f"Number {self.serial} was made {_when(self.span)} ({self.label})."
        if self.band90:
            out += f" Nine times in ten {_when(dates.between(*self.band90))}."
        elif self.latest is None:
            out += " No dated car has a higher number."
        elif self.earliest is None:
            out += " No dated car with a lower number bounds it from below."
        return out

    def as_dict(self) -> dict[str, Any]:
        return {
            "serial": self.serial, "block": self.block, **self.span.as_dict(),
            "likeliest": self.likeliest.isoformat() if self.likeliest else None,
            "band90": _band(self.band90), "band95": _band(self.band95), "learnt_from": self.learnt_from, "label": self.label,
            "hangs_on": list(self.hangs_on), "says": self.says,
        }  # fmt: skip


@dataclass(frozen=True)
class Run:
    """One block of numbers, or one issue of it, with the cars that date it."""

    block: Block
    cars: tuple[DatedCar, ...]
    made: tuple[date | None, date | None] = (None, None)

    def holds(self, serial: int) -> bool:
        first, last = self.block.first, self.block.last
        return (first is None or serial >= first) and (last is None or serial <= last)

    @cached_property
    def both_ends(self) -> int:
        """How many cars are dated at both ends; these carry the curve and its band."""
        return sum(car.earliest is not None and car.latest is not None for car in self.cars)

    @cached_property
    def _model(self) -> _Model:
        return _Model(*_arrays(self.cars, self.made), made=_ordinals(self.made))

    @cached_property
    def _shares(self) -> dict[float, float | None]:
        return _conformal_shares(self._model, (0.9, 0.95)) if self.both_ends >= FEWEST else {0.9: None, 0.95: None}

    def dates(self, serials: Sequence[int]) -> list[SerialDate]:
        """Hard bounds, likeliest day and bands of each serial."""
        import numpy as np

        at = np.asarray(serials, float)
        model = self._model
        low, high = model.bounds(at)
        curve, room = model.predict(at) if self.both_ends >= FEWEST else (None, None)
        out = []
        for i, serial in enumerate(serials):
            bounded = bool(np.isfinite(low[i]) and np.isfinite(high[i]))
            said: list[tuple[date, date] | None] = []
            for level in (0.9, 0.95):
                share = self._shares[level]
                if not bounded or curve is None or room is None or share is None:
                    said.append(None)
                    continue
                reach = share * room[i]
                first, last = max(low[i], math.floor(curve[i] - reach)), min(high[i], math.ceil(curve[i] + reach))
                said.append((date.fromordinal(int(first)), date.fromordinal(int(last))))
            out.append(SerialDate(
                serial=serial, block=self.block.name, earliest=_day(low[i]), latest=_day(high[i]),
                likeliest=date.fromordinal(round(float(curve[i]))) if bounded and curve is not None else None,
                band90=said[0], band95=said[1], hangs_on=self._hangs_on(serial, low[i], high[i]), learnt_from=len(self.cars),
            ))  # fmt: skip
        return out

    def _hangs_on(self, serial: int, low: float, high: float) -> tuple[str, ...]:
        below = [c for c in self.cars if c.serial <= serial and c.earliest and c.earliest.toordinal() == low]
        above = [c for c in self.cars if c.serial >= serial and c.latest and c.latest.toordinal() == high]
        return tuple(dict.fromkeys(c.called for c in [*below[-1:], *above[:1]]))


@dataclass(frozen=True)
class Curve:
    """What the dated cars of one series teach. ``runs`` is empty where nothing can be said; ``says`` tells why."""

    series: str
    cars: int
    runs: tuple[Run, ...]
    set_aside: tuple[SetAside, ...] = ()
    problems: tuple[str, ...] = ()
    no_answer: str = ""
    levels: dict[str, bool] = field(default_factory=dict)

    @property
    def status(self) -> int:
        """0 where something can be said, 1 where too little is known."""
        return 0 if self.runs else 1

    @property
    def used(self) -> int:
        return sum(len(run.cars) for run in self.runs)

    @property
    def label(self) -> str:
        return f"learnt from {_count(self.used, 'car')}"

    @property
    def says(self) -> list[str]:
        if not self.runs:
            return [self.no_answer, *(one.says for one in self.set_aside)]
        out = [f"{self.series or 'This series'}: {self.label}, {_count(len(self.set_aside), 'paper')} set aside."]
        for run in self.runs:
            name = f" of {run.block.name}" if run.block.name and len(self.runs) > 1 else ""
            out.append(_band_words(run, name))
        return [*out, *(one.says for one in self.set_aside)]

    def date(self, serial: int) -> list[SerialDate]:
        """What is known of ``serial``: one answer for each run that has it (two where it was issued twice), none where no run has."""
        return [run.dates([serial])[0] for run in self.runs if run.holds(serial)]

    def points(self, count: int = 80) -> list[SerialDate]:
        """About ``count`` serials for each run, evenly spread, with every dated car's own: what the picture is drawn from."""
        out = []
        for run in self.runs:
            first = run.block.first if run.block.first is not None else run.cars[0].serial
            last = run.block.last if run.block.last is not None else run.cars[-1].serial
            step = max(1, (last - first) // max(1, count - 1))
            out += run.dates(sorted({*range(first, last + 1, step), last, *(car.serial for car in run.cars)}))
        return out

    def as_dict(self, points: int = 80) -> dict[str, Any]:
        return {
            "series": self.series, "cars": self.cars, "used": self.used, "label": self.label if self.runs else None,
            "runs": [
                {
                    "block": run.block.name, "first": run.block.first, "last": run.block.last, "cars": len(run.cars),
                    "dated_at_both_ends": run.both_ends, "band90": run._shares[0.9] is not None, "band95": run._shares[0.95] is not None,
                }
                for run in self.runs
            ],
            "dated": [
                {"car": car.called, "serial": car.serial, "block": run.block.name, **dates.between(car.earliest, car.latest).as_dict()}
                for run in self.runs
                for car in run.cars
            ],
            "set_aside": [one.as_dict() for one in self.set_aside],
            "points": [point.as_dict() for point in self.points(points)] if points else [],
            "says": self.says, "problems": list(self.problems),
        }  # fmt: skip


def learn(
    cars: Iterable[DatedCar],
    *,
    blocks: Sequence[Block] = (),
    made: tuple[date | None, date | None] = (None, None),
    series: str = "",
) -> Curve:
    """Learn the curve of one maker's series.

    ``cars``: serial and what the paper allows; cars with neither end are left out. ``blocks``: the runs of numbers, in no
    order; blocks that share numbers (a double issue) have names, and a car of those numbers says to which it belongs.
    ``made``: the days between which the series was made, where something other than its cars tells. ``series``: its name.

    Raises DecoderError where a serial is no whole number, a paper ends before it begins, or blocks share numbers without
    names to tell them apart.
    """
    known = sorted(
        (car for car in map(_checked, cars) if car.earliest or car.latest), key=lambda car: (car.serial, car.called)
    )
    if made[0] is not None and made[1] is not None and made[0] > made[1]:
        raise DecoderError("The series ends before it begins. Change the two dates about.")
    if len(known) < FEWEST:
        found = {0: "No dated car is", 1: "One dated car is", 2: "Two dated cars are"}[len(known)]
        return Curve(series, len(known), (), no_answer=f"{found} known; a curve needs {_number(FEWEST)} at least. "
                     "Look for papers that date other cars of this series.")  # fmt: skip
    problems: list[str] = []
    aside: list[SetAside] = []
    runs: list[Run] = []
    for block, members in _by_block(known, blocks, problems):
        for run, out in _runs_of(block, members, made, declared=bool(blocks), problems=problems):
            aside += out
            if run is not None:
                runs.append(run)
    used = sum(len(run.cars) for run in runs)
    if used < FEWEST:
        runs = []
    text = "" if runs else _too_little(problems)
    return Curve(series, len(known), tuple(runs), tuple(aside), tuple(problems), text)


def _too_little(problems: list[str]) -> str:
    return problems.pop() if problems else "Too few dated cars agree with each other to say anything."


def _checked(car: DatedCar) -> DatedCar:
    if isinstance(car.serial, bool) or not isinstance(car.serial, int) or car.serial < 0:
        raise DecoderError(f"'{car.serial}' is no serial number. Give a whole number, without letters.")
    if car.earliest and car.latest and car.earliest > car.latest:
        raise DecoderError(f"The paper of {car.called} ends before it begins. Change the two dates about.")
    return car


# --- blocks, restarts, double issues ---------------------------------------------------------------------------------


def _by_block(cars: list[DatedCar], blocks: Sequence[Block], problems: list[str]) -> list[tuple[Block, list[DatedCar]]]:
    if not blocks:
        runs = find_breaks(sorted({car.serial for car in cars}))
        if len(runs) > 1:
            spans = " and ".join(f"{run[0]} to {run[-1]}" for run in runs)
            problems.append(
                f"No dated car lies between the numbers {spans}. If no such number was issued, declare the blocks; the dates across "
                "the gap hold either way as long as the later block is the younger."
            )
        return [(Block(), cars)]
    ordered = sorted(blocks, key=lambda b: (b.first if b.first is not None else -1, b.name))
    members: list[list[DatedCar]] = [[] for _ in ordered]
    stray: list[DatedCar] = []
    unclear: list[DatedCar] = []
    for car in cars:
        fits = [i for i, block in enumerate(ordered) if Run(block, ()).holds(car.serial)]
        if car.block:
            fits = [i for i in fits if ordered[i].name == car.block]
        if len(fits) == 1:
            members[fits[0]].append(car)
        else:
            (unclear if fits else stray).append(car)
    for i, block in enumerate(ordered):
        twins = [other for other in ordered[:i] if _overlap(block, other) and other.name == block.name]
        if twins:
            raise DecoderError(
                f"Two blocks hold number {block.first} and have one name. Give each issue a name, and name it with its cars."
            )
    if stray:
        problems.append(
            f"{_names(stray)}: in no declared block, not used. A misreading, or a block that is missing here?"
        )
    if unclear:
        problems.append(
            f"{_names(unclear)}: the number was issued more than once and it is not said in which issue; not used."
        )
    return list(zip(ordered, members, strict=True))


def _overlap(a: Block, b: Block) -> bool:
    low = max(a.first or 0, b.first or 0)
    high = min(a.last if a.last is not None else math.inf, b.last if b.last is not None else math.inf)
    return low <= high


def _runs_of(
    block: Block, cars: list[DatedCar], made: tuple[date | None, date | None], *, declared: bool, problems: list[str]
) -> list[tuple[Run | None, list[SetAside]]]:
    """The run or, where numbers began again, the two runs of a block, with what was set aside."""
    outside = [car for car in cars if _is_outside(car, made)]
    inside = [car for car in cars if car not in outside]
    aside = [SetAside(
        car, True, (), (), f"{_first_up(car.called)} ({car.words}) was set aside: it lies outside the years in which the series was made.",
    ) for car in outside]  # fmt: skip
    if not inside:
        return [(None, aside)]
    state = _states(inside)
    wrong = sum(s != _KEPT for s in state)
    if wrong > max(2, TOO_MANY_WRONG * len(inside)):
        split = _restart(inside, wrong)
        name = f" of {block.name}" if block.name else ""
        if split is None:
            problems.append(
                f"{wrong} of the {len(inside)} dated papers{name} would have to be wrong for the numbers to run in order of date. It is "
                "hardly the papers: numbers were not given out in order, or blocks are mixed. No curve is drawn; declare the blocks."
            )
            return [(None, aside)]
        day, early, late, either = split
        problems.append(
            f"The numbers{name} seem to have begun again after {dates.parse(f'{day:%Y-%m}').words()}: "
            f"{len(early)} cars fit one run before it and {len(late)} a second after it. Taken as two issues; declare them if that is known."
        )
        if either:
            problems.append(f"{_names(either)}: may be of either issue, not used.")
        out: list[tuple[Run | None, list[SetAside]]] = []
        for which, members in (("first issue", early), ("second issue", late)):
            label = f"{block.name}, {which}" if block.name else which
            out.append(_run(block._replace(name=label), members, _states(members), made))
        out[0][1].extend(aside)
        return out
    run, more = _run(block, inside, state, made)
    return [(run, aside + more)]


def _run(
    block: Block, cars: list[DatedCar], state: list[int], made: tuple[date | None, date | None]
) -> tuple[Run | None, list[SetAside]]:
    kept = tuple(car for car, s in zip(cars, state, strict=True) if s == _KEPT)
    return (Run(block, kept, made) if kept else None), _named(cars, state)


def _is_outside(car: DatedCar, made: tuple[date | None, date | None]) -> bool:
    first, last = made
    return bool((first and car.latest and car.latest < first) or (last and car.earliest and car.earliest > last))


def _restart(cars: list[DatedCar], wrong: int) -> tuple[date, list[DatedCar], list[DatedCar], list[DatedCar]] | None:
    """The day that parts the cars into two runs that each go in order, if there is one: (day, before, after, either)."""
    best: tuple[int, int, date, list[DatedCar], list[DatedCar], list[DatedCar]] | None = None
    for day in sorted({car.latest for car in cars if car.latest}):
        early = [car for car in cars if car.latest and car.latest <= day]
        late = [car for car in cars if car.earliest and car.earliest > day]
        either = [car for car in cars if car not in early and car not in late]
        if min(len(early), len(late)) <= FEWEST:
            continue
        left = sum(s != _KEPT for part in (early, late) for s in _states(part))
        if best is None or (left, len(either)) < best[:2]:
            best = (left, len(either), day, early, late, either)
    if best is None or best[0] > max(1, wrong / 3) or best[1] > len(cars) / 4:
        return None
    return best[2:]


# --- contradictions --------------------------------------------------------------------------------------------------

_KEPT, _OUT, _DOUBTFUL = 0, 1, 2


def _states(cars: list[DatedCar]) -> list[int]:
    """For each car (sorted by serial) whether every smallest set to set aside leaves it in, has it, or only some have it.

    A set of papers is free of contradiction if one curve that never falls passes through all their spans. The most papers
    that one such curve can pass through is found by going along the serials and, for each value the curve can have there,
    keeping the best so far; the values worth trying are the papers' own earliest days. Going from both ends gives, for
    each car, the best with it and the best without it.
    """
    import numpy as np

    serial, low, high = _arrays(cars, (None, None))
    values = np.unique(np.concatenate([[-np.inf], low]))
    edges = [*np.flatnonzero(np.r_[True, np.diff(serial) > 0]).tolist(), len(cars)]
    passes = (values >= low[:, None]) & (values <= high[:, None])
    credit = np.stack([passes[i:j].sum(axis=0) for i, j in pairwise(edges)]).astype(np.int32)
    before = np.zeros_like(credit)
    after = np.zeros_like(credit)
    best = np.zeros(len(values), np.int32)
    for g in range(len(credit)):
        before[g] = best
        best = np.maximum.accumulate(best + credit[g])
    most = int(best[-1])
    best = np.zeros(len(values), np.int32)
    for g in range(len(credit) - 1, -1, -1):
        after[g] = best
        best = np.maximum.accumulate((best + credit[g])[::-1])[::-1]
    total = before + credit + after
    states = []
    for g, (i, j) in enumerate(pairwise(edges)):
        for k in range(i, j):
            with_it = total[g][passes[k]].max(initial=-1)
            without = total[g][~passes[k]].max(initial=-1)
            states.append(_KEPT if without < most else _OUT if with_it < most else _DOUBTFUL)
    return states


def contradict(one: DatedCar, other: DatedCar) -> bool:
    """Whether two cars cannot both be dated right: the lower number would be the younger, or one number made twice."""
    if one.serial > other.serial:
        one, other = other, one
    crossed = bool(one.earliest and other.latest and one.earliest > other.latest)
    return crossed or (
        one.serial == other.serial and bool(other.earliest and one.latest and other.earliest > one.latest)
    )


def _named(cars: list[DatedCar], state: list[int]) -> list[SetAside]:
    kept = [car for car, s in zip(cars, state, strict=True) if s == _KEPT]
    doubtful = [car for car, s in zip(cars, state, strict=True) if s == _DOUBTFUL]
    out = []
    for car, s in zip(cars, state, strict=True):
        if s == _OUT:
            against = sorted((k for k in kept if contradict(car, k)), key=lambda k: abs(k.serial - car.serial))
            if not against:
                against = [d for d in doubtful if contradict(car, d)]
            out.append(SetAside(car, True, tuple(against), (), _why(car, against)))
        elif s == _DOUBTFUL:
            rivals = [d for d in doubtful if d is not car and contradict(car, d)] or [
                d for d in doubtful if d is not car
            ]
            out.append(SetAside(
                car, False, tuple(rivals), tuple(rivals),
                f"{_first_up(car.called)} ({car.words}) cannot be right together with {_names(rivals, with_dates=True)}. Which of them "
                "is wrong cannot be told; none of them was used.",
            ))  # fmt: skip
    return out


def _why(car: DatedCar, against: Sequence[DatedCar]) -> str:
    start = f"{_first_up(car.called)} ({car.words}) was set aside"
    if not against:
        return f"{start}."
    near = against[0]
    more = f", and {len(against) - 1} more against it" if len(against) > 1 else ""
    if near.serial == car.serial:
        return f"{start}: {near.called} carries the same number and is dated {near.words}{more}. Issued twice, or a wrong paper."
    higher = "higher" if near.serial > car.serial else "lower"
    age = "older" if near.serial > car.serial else "younger"
    return f"{start}: {near.called}, with a {higher} number, is {age} ({near.words}){more}. Another car's paper, or a misread number?"


# --- regression and band ---------------------------------------------------------------------------------------------


def isotonic(values: Sequence[float], weights: Sequence[float] | None = None) -> list[float]:
    """The never falling sequence nearest to ``values`` in weighted squares, by pooling adjacent violators.

    The pituitary fissures of four ages (R. F. Potthoff and S. N. Roy, Biometrika 51, 1964, pp. 313-326): means of 3, 3, 3
    and 2 girls.

    >>> [round(x, 4) for x in isotonic([22.5, 70 / 3, 62.5 / 3, 24.25], [3, 3, 3, 2])]
    [22.2222, 22.2222, 22.2222, 24.25]
    """
    fitted: list[float] = []
    for value, _, count in _pooled(values, weights if weights is not None else [1.0] * len(values)):
        fitted += [value] * count
    return fitted


def _pooled(values: Sequence[float], weights: Sequence[float]) -> list[tuple[float, float, int]]:
    """(mean, weight, how many) of each block, left to right, the means rising."""
    blocks: list[tuple[float, float, int]] = []
    for value, weight in zip(values, weights, strict=True):
        mean, total, count = value, weight, 1
        while blocks and blocks[-1][0] >= mean:
            last, heavy, more = blocks.pop()
            mean = (last * heavy + mean * total) / (heavy + total)
            total += heavy
            count += more
        blocks.append((mean, total, count))
    return blocks


def conformal_rank(cars: int, level: float) -> int | None:
    """Which of ``cars`` misses, in order, bounds the next with chance ``level``: the ceil((n + 1) level)-th; None if too few.

    >>> [conformal_rank(8, 0.9), conformal_rank(9, 0.9), conformal_rank(18, 0.95), conformal_rank(19, 0.95)]
    [None, 9, None, 19]
    """
    # Rounded first: (19 + 1) * 0.95 is 19.000000000000004 in binary, which would ask for a twentieth car.
    rank = math.ceil(round((cars + 1) * level, 9))
    return rank if rank <= cars else None


class _Model:
    """Hard bounds and curve of the cars kept in one run. Days are ordinals; serials ascend."""

    def __init__(self, serial: Array, low: Array, high: Array, made: tuple[float, float]) -> None:
        import numpy as np

        self.serial, self.low, self.high, self.made = serial, low, high, made
        self._rising = np.concatenate([[made[0]], np.maximum.accumulate(low)])
        self._falling = np.concatenate([np.minimum.accumulate(high[::-1])[::-1], [made[1]]])

    def bounds(self, at: Array) -> tuple[Array, Array]:
        """L(s), the latest "not before" up to s, and U(s), the earliest "not after" from s on."""
        import numpy as np

        low = self._rising[np.searchsorted(self.serial, at, side="right")]
        high = self._falling[np.searchsorted(self.serial, at, side="left")]
        return low, high

    @cached_property
    def both_ends(self) -> NDArray[np.intp]:
        import numpy as np

        return np.flatnonzero(np.isfinite(self.low) & np.isfinite(self.high))

    @cached_property
    def _knots(self) -> tuple[Array, Array]:
        """Centres of the pooled blocks: serial and day."""
        import numpy as np

        serial = self.serial[self.both_ends]
        low, high = self.bounds(serial)
        low, high = np.maximum(low, self.low[self.both_ends]), np.minimum(high, self.high[self.both_ends])
        weight = 1 / np.maximum(high - low, MONTH) ** 2
        places, which = np.unique(serial, return_inverse=True)
        heavy = np.bincount(which, weight)
        middle = np.bincount(which, weight * (low + high) / 2) / heavy
        at, day, i = [], [], 0
        for value, total, count in _pooled(middle.tolist(), heavy.tolist()):
            part = slice(i, i + count)
            at.append(float((places[part] * heavy[part]).sum() / total))
            day.append(value)
            i += count
        return np.array(at), np.array(day)

    def predict(self, at: Array) -> tuple[Array, Array]:
        """The curve at each serial, clipped to the hard bounds, and the room it has there: half of what lies between them,
        never less than a month. Beyond the dated cars (needed in leaving one out, never shown) it goes on at
        the pace of the nearest quarter of them."""
        import numpy as np

        x, y = self._knots
        low, high = self.bounds(at)
        curve = np.interp(at, x, y)
        if len(x) > 1:
            near = max(1, len(x) // 4)
            begins = (y[near] - y[0]) / (x[near] - x[0])
            ends = (y[-1] - y[-1 - near]) / (x[-1] - x[-1 - near])
            curve = np.where(at < x[0], y[0] - (x[0] - at) * begins, curve)
            curve = np.where(at > x[-1], y[-1] + (at - x[-1]) * ends, curve)
        curve = np.clip(curve, low, high)
        half = np.where(
            np.isfinite(low) & np.isfinite(high), (high - low) / 2,
            np.maximum(np.where(np.isfinite(high), high - curve, np.where(np.isfinite(low), curve - low, 0.0)), MONTH / 2),
        )  # fmt: skip
        return curve, np.hypot(half, MONTH)

    def without(self, left_out: NDArray[np.intp]) -> _Model:
        import numpy as np

        stay = np.ones(len(self.serial), bool)
        stay[left_out] = False
        return _Model(self.serial[stay], self.low[stay], self.high[stay], self.made)


def _conformal_shares(model: _Model, levels: Sequence[float]) -> dict[float, float | None]:
    """For each level the share of the room within which the curve misses a car it has not seen; None where cars are too few."""
    import numpy as np

    cars = model.both_ends
    ranks = {level: conformal_rank(len(cars), level) for level in levels}
    if all(rank is None for rank in ranks.values()):
        return dict.fromkeys(levels)
    folds = min(len(cars), _FOLDS)
    misses = []
    for fold in range(folds):
        out = cars[fold::folds]
        rest = model.without(out)
        at = model.serial[out]
        low, high = rest.bounds(at)
        curve, room = rest.predict(at)
        # Where the car may lie, and where anything might, as shares of the room about the curve.
        misses.append(np.stack([
            (np.maximum(low, model.low[out]) - curve) / room, (np.minimum(high, model.high[out]) - curve) / room,
            np.maximum(low - curve, -room) / room, np.minimum(high - curve, room) / room,
        ]))  # fmt: skip
    edges = np.concatenate(misses, axis=1)
    return {
        level: None if rank is None else _censored_quantile(edges, level * (len(cars) + 1))
        for level, rank in ranks.items()
    }


def _censored_quantile(edges: Array, wanted: float, cells: int = 800) -> float:
    """The least size of a miss that ``wanted`` of the cars do not exceed, where each is known between two ends only.

    ``edges``: rows low end, high end, and the ends of the room. Self-consistency on a grid: each car's weight is spread over
    its own span in proportion to what all cars together say, SHARE_UNKNOWN of the whole evenly over the room.
    Where every day is known exactly this is the plain order statistic.
    """
    import numpy as np

    low, high, room_low, room_high = edges
    widest = max(float(np.abs(edges[:2]).max()), 1e-6)
    grid = np.linspace(-widest, widest, cells + 1)
    left, right = grid[:-1], grid[1:]

    def overlap(a: Array, b: Array) -> Array:
        b = np.maximum(b, a + 1e-9 * widest)  # a day known exactly is a narrow span
        a = np.minimum(a, b - 1e-9 * widest)
        inside: Array = np.clip(np.minimum(right, b[:, None]) - np.maximum(left, a[:, None]), 0, None)
        return inside

    spans = overlap(low, high)
    even = spans / np.maximum(spans.sum(axis=1, keepdims=True), 1e-300)
    rooms = overlap(room_low, np.maximum(room_high, room_low))
    ground = (rooms / np.maximum(rooms.sum(axis=1, keepdims=True), 1e-300)).mean(axis=0)
    unknown = max(1.0, SHARE_UNKNOWN * len(low))
    together = (unknown * ground + even.sum(axis=0)) / (unknown + len(low))
    each = even
    for _ in range(ROUNDS):
        each = spans * together
        whole = each.sum(axis=1, keepdims=True)
        each = np.where(whole > 1e-12, each / np.maximum(whole, 1e-300), even)
        together = (unknown * ground + each.sum(axis=0)) / (unknown + len(low))
    size = np.maximum(np.abs(left), np.abs(right))
    order = np.argsort(size, kind="stable")
    enough = np.searchsorted(np.cumsum(each.sum(axis=0)[order]), wanted - 1e-6)
    return float(size[order][min(int(enough), cells - 1)])


def _arrays(cars: Sequence[DatedCar], made: tuple[date | None, date | None]) -> tuple[Array, Array, Array]:
    import numpy as np

    first, last = _ordinals(made)
    low = [max(first, car.earliest.toordinal() if car.earliest else -math.inf) for car in cars]
    high = [min(last, car.latest.toordinal() if car.latest else math.inf) for car in cars]
    return np.array([car.serial for car in cars], float), np.array(low), np.array(high)


def _ordinals(made: tuple[date | None, date | None]) -> tuple[float, float]:
    return made[0].toordinal() if made[0] else -math.inf, made[1].toordinal() if made[1] else math.inf


# --- words -----------------------------------------------------------------------------------------------------------


def _band_words(run: Run, name: str) -> str:
    both = run.both_ends
    said = f"{_first_up(_count(both, 'car'))}{name} dated at both ends: "
    if conformal_rank(both, 0.95):
        return said + "enough for a 90 % and a 95 % band."
    if conformal_rank(both, 0.9):
        return said + "enough for a 90 % band, too few for 95 % (19 are needed)."
    return said + "too few for a band (9 are needed for 90 %, 19 for 95 %); the bounds alone can be argued."


def _names(cars: Sequence[DatedCar], most: int = 4, *, with_dates: bool = False) -> str:
    shown = [f"{car.called} ({car.words})" if with_dates else car.called for car in cars[:most]]
    if len(cars) > most:
        return f"{', '.join(shown)} and {len(cars) - most} more"
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}" if shown else ""


def _when(span: dates.Span) -> str:
    return span.when()


def _band(band: tuple[date, date] | None) -> dict[str, str] | None:
    return {"low": band[0].isoformat(), "high": band[1].isoformat()} if band else None


def _day(ordinal: float) -> date | None:
    return date.fromordinal(int(ordinal)) if math.isfinite(ordinal) else None


def _count(n: int, noun: str) -> str:
    return f"{n:,} {noun}" + ("" if n == 1 else "s")


def _number(n: int) -> str:
    return {2: "two", 3: "three", 4: "four"}.get(n, str(n))


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]
