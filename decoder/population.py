"""How many were made, and how many are left: two questions that a list of survivors answers with a range,
never a bare number.

**Made.** Serials run on from a first number. The cars that survive show some of them, and from how the
numbers seen are spread follows about how many there were. The method is that of the statisticians who counted
enemy tanks by their gearbox numbers (R. Ruggles and H. Brodie, "An empirical approach to economic
intelligence in World War II", Journal of the American Statistical Association 42, 1947, pp. 72-91). With
numbers 1 to N, k of them seen and m the largest, the unbiased estimate is m + m/k - 1.

>>> made = how_many_made([19, 40, 42, 60], [Block(first=1)])
>>> made.estimate, made.low, made.high
(74, 60, 125)

The low end is certain (number 60 has been seen), the high end is the exact 95 % upper limit: had there been
more than 125, a largest number as low as 60 would turn up in fewer than one in twenty such samples. Where
nobody knows at which number the maker began, the start is an unknown too and the spread of the numbers takes
the place of the largest (range * (k + 1)/(k - 1) - 1):

>>> how_many_made([4008, 4024, 4079, 4165, 4172, 4636]).method
'serial numbers, start of numbering unknown'

A maker who leaves numbers out gives several *blocks*; each is estimated apart and the estimates are added. A
gap too wide to be chance splits a block by itself, and the answer says so.

**Surviving.** Two lists made without looking at each other tell how many cars neither has: if a third of the
second list already stands on the first, the first has about a third of all. The estimate is Chapman's (D. G.
Chapman, University of California Publications in Statistics 1, 1951, pp. 131-160), the interval that of M.
Sadinle (Communications in Statistics, Simulation and Computation 38, 2009, pp. 1909-1924), which behaves when
few cars stand on both.

>>> round(chapman(23, 28, 9), 1)
68.6

With three lists the dependence between them can be seen, and the estimate is the one-step sample coverage
estimate of A. Chao and P. K. Tsay (Journal of the American Statistical Association 93, 1998, pp. 283-293),
meant for lists that hold about half of all. It is a lower bound where cars differ in how easily they are
found, and they do.

Nothing here knows where the numbers come from: a serial is a whole number, a car on a list anything that can
be compared. All figures of two lists or fewer than ten serials are rough; the interval says how rough.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import NormalDist
from typing import Any, NamedTuple

from decoder.errors import DecoderError

#: A gap inside one run of numbers as wide as the one seen has to be rarer than this to be called a break
#: between blocks. Own choice: a false break costs little, since the two halves are added again, but says
#: something untrue of the maker.
BREAK = 0.001
#: A test of how the numbers are spread is mentioned below this chance. Own choice, the usual strict one.
REMARKABLE = 0.01


class Block(NamedTuple):
    """One unbroken run of serial numbers.

    ``first`` is the number it began with, None where nobody knows; ``last`` a number it cannot have passed
    (where the next block begins, for one), None where there is none.
    """

    first: int | None = None
    last: int | None = None
    name: str = ""


class Other(NamedTuple):
    """What another estimator says, for the page behind "why"."""

    method: str
    estimate: float
    low: float | None = None
    high: float | None = None
    note: str = ""

    def as_dict(self) -> dict[str, Any]:
        return {
            "method": self.method,
            "estimate": _shown(self.estimate),
            "low": _shown(self.low),
            "high": _shown(self.high),
            "note": self.note,
        }


@dataclass(frozen=True)
class Estimate:
    """One number and one range, with what lies behind them. ``estimate`` is None where nothing can be said;
    ``says`` tells why."""

    estimate: int | None
    low: int | None
    high: int | None
    method: str
    says: str
    level: float = 0.95
    assumptions: tuple[str, ...] = ()
    others: tuple[Other, ...] = ()
    blocks: tuple[dict[str, Any], ...] = ()
    checks: tuple[dict[str, Any], ...] = ()
    problems: tuple[str, ...] = ()

    @property
    def is_answer(self) -> bool:
        return self.estimate is not None

    def as_dict(self) -> dict[str, Any]:
        return {
            "estimate": self.estimate,
            "low": self.low,
            "high": self.high,
            "level": self.level,
            "method": self.method,
            "says": self.says,
            "why": {
                "assumptions": list(self.assumptions),
                "others": [other.as_dict() for other in self.others],
                "blocks": list(self.blocks),
                "checks": list(self.checks),
            },
        }


@dataclass(frozen=True)
class Survivors:
    """How many were made, how many are left, and how many the lists hold."""

    made: Estimate
    surviving: Estimate
    listed: dict[str, Any] = field(default_factory=dict)

    @property
    def status(self) -> int:
        """0 answered; 1 where two lists or more were given and nothing follows from them, or where nothing at
        all can be said."""
        asked_and_failed = len(self.listed["lists"]) > 1 and not self.surviving.is_answer
        return 1 if asked_and_failed or not (self.made.is_answer or self.surviving.is_answer) else 0

    @property
    def problems(self) -> list[str]:
        return list(dict.fromkeys((*self.made.problems, *self.surviving.problems)))

    def as_dict(self) -> dict[str, Any]:
        return {
            "made": self.made.as_dict(),
            "surviving": self.surviving.as_dict(),
            "listed": self.listed,
            "says": [self.made.says, self.surviving.says],
            "problems": self.problems,
        }


# --- how many were made -------------------------------------------------------------------------------------


def tank_estimate(largest: int, seen: int) -> float:
    """The unbiased estimate of N from numbers 1 to N, ``seen`` of them seen, the largest ``largest``.

    >>> tank_estimate(60, 4)
    74.0
    """
    return largest + largest / seen - 1


def tank_upper(largest: int, seen: int, level: float = 0.95) -> int:
    """The exact one-sided upper limit: the largest N with C(largest, seen) / C(N, seen) above 1 - level.

    >>> tank_upper(60, 4)
    125
    """
    _check_level(level)
    chance = _chance(level)
    ways = math.comb(largest, seen) * chance[1]
    return _largest(largest, lambda n: ways > chance[0] * math.comb(n, seen))


def tank_bayes(largest: int, seen: int, level: float = 0.95) -> dict[str, float | None]:
    """Mean, standard deviation, median and upper bound of N under a flat prior; needs three numbers, the
    deviation four.

    >>> {k: v if v is None else round(v, 1) for k, v in tank_bayes(60, 4).items()}
    {'mean': 88.5, 'sd': 50.2, 'median': 75, 'upper': 159}
    """
    _check_level(level)
    m, k = largest, seen
    if k < 3:
        return {"mean": None, "sd": None, "median": None, "upper": None}
    chance = _chance(level)

    def beyond(n: int, above: tuple[int, int]) -> bool:
        # P(N > n) = C(m - 1, k - 1) / C(n, k - 1)
        return math.comb(m - 1, k - 1) * above[1] > above[0] * math.comb(n, k - 1)

    return {
        "mean": (m - 1) * (k - 1) / (k - 2),
        "sd": math.sqrt((k - 1) * (m - 1) * (m - k + 1) / ((k - 3) * (k - 2) ** 2)) if k > 3 else None,
        "median": _largest(m - 1, lambda n: beyond(n, (1, 2))) + 1,
        "upper": _largest(m - 1, lambda n: beyond(n, chance)) + 1,
    }


def range_estimate(spread: int, seen: int) -> float:
    """The unbiased estimate of how many, where the first number is unknown; ``spread`` is largest less
    smallest.

    >>> range_estimate(60 - 19, 4)
    67.33333333333333
    """
    return spread * (seen + 1) / (seen - 1) - 1


def range_upper(spread: int, seen: int, level: float = 0.95) -> int:
    """The exact one-sided upper limit where the first number is unknown: the largest N for which a spread
    this small is not rare.

    Of N numbers, ((N - r) C(r, k - 1) + C(r, k)) sets of k have a spread of at most r.
    """
    _check_level(level)
    chance = _chance(level)
    r, k = spread, seen

    def is_not_rare(n: int) -> bool:
        return ((n - r) * math.comb(r, k - 1) + math.comb(r, k)) * chance[1] > chance[0] * math.comb(n, k)

    return _largest(r + 1, is_not_rare)


def how_many_made(serials: Iterable[int], blocks: Sequence[Block] = (), *, level: float = 0.95) -> Estimate:
    """How many numbers were issued, from those seen.

    ``serials``: whole numbers, each counted once however often it was seen. ``blocks``: the runs they belong
    to; without any the start is taken as unknown and wide gaps are looked for. ``level``: of the interval,
    between 0 and 1. Several blocks share it out evenly (Bonferroni), so the sum keeps it.
    """
    _check_level(level)
    numbers = sorted(set(serials))
    for number in numbers:
        if isinstance(number, bool) or not isinstance(number, int) or number < 0:
            raise DecoderError(f"'{number}' is no serial number. Give whole numbers, without letters.")
    if not numbers:
        return _no_answer("No serial number has been seen yet, so nothing can be said of how many were made.")
    problems: list[str] = []
    runs = _declared(numbers, blocks, problems) if blocks else _found(numbers, problems)
    used = [(block, seen) for block, seen in runs if seen]
    if not used:
        return _no_answer("None of the serial numbers seen lies in a declared block. Check the blocks.", problems)
    share = 1 - (1 - level) / len(used)
    parts = [_of_block(block, seen, share) for block, seen in used]
    if all(part["estimate"] is None for part in parts):
        return _no_answer(
            "One serial number alone says nothing of how many were made, unless the first number is known.",
            problems,
        )
    checks = [check for block, seen in used for check in _checks(block, seen)]
    problems += [check["says"] for check in checks if check["remarkable"]]
    estimate = _whole(sum(part["estimate"] if part["estimate"] is not None else part["seen"] for part in parts))
    low = sum(part["low"] for part in parts)
    high = sum(part["high"] if part["high"] is not None else part["seen"] for part in parts)
    unknown_start = any(block.first is None for block, _ in used)
    method = "serial numbers, start of numbering " + ("unknown" if unknown_start else "known")
    if len(used) > 1:
        method += f", {len(used)} blocks added"
    others = _other_made(used, level) if len(used) == 1 else ()
    return Estimate(
        estimate=max(low, min(estimate, high)),
        low=low,
        high=high,
        level=level,
        method=method,
        says=f"About {estimate:,} were made: at least {low:,}, and hardly more than {high:,} "
        f"({_percent(level)} interval), from {_count(sum(len(seen) for _, seen in used), 'serial number')} seen.",
        assumptions=_made_assumptions(unknown_start),
        others=others,
        blocks=tuple(parts),
        checks=tuple(checks),
        problems=tuple(problems),
    )


def _declared(numbers: list[int], blocks: Sequence[Block], problems: list[str]) -> list[tuple[Block, list[int]]]:
    """Which number belongs to which declared block. Blocks with no last number reach to the next block's
    first."""
    ordered = sorted(blocks, key=lambda b: b.first if b.first is not None else -1)
    if len(ordered) > 1 and any(b.first is None for b in ordered):
        raise DecoderError("With several blocks each needs its first number. Give them, or give no blocks at all.")
    runs: list[tuple[Block, list[int]]] = []
    left = list(numbers)
    for i, block in enumerate(ordered):
        last = block.last
        if block.first is not None and last is not None and last < block.first:
            raise DecoderError(f"Block '{block.name or block.first}' ends before it begins. Turn its numbers round.")
        if i + 1 < len(ordered):
            beyond = ordered[i + 1].first
            assert beyond is not None
            if last is not None and last >= beyond:
                raise DecoderError(
                    f"The blocks that begin at {block.first} and {beyond} overlap. Mend their last numbers."
                )
            last = beyond - 1 if last is None else last
        seen = [n for n in left if (block.first is None or n >= block.first) and (last is None or n <= last)]
        taken = set(seen)
        left = [n for n in left if n not in taken]
        runs.append((block._replace(last=last), seen))
    if left:
        problems.append(
            f"{_some(left)} {'lies' if len(left) == 1 else 'lie'} in no declared block and "
            f"{'was' if len(left) == 1 else 'were'} "
            "not counted. A misreading, another maker's number, or a block that is missing here?"
        )
    return runs


def _found(numbers: list[int], problems: list[str]) -> list[tuple[Block, list[int]]]:
    """Blocks by the gaps in the numbers themselves; a number that stands alone is set aside and named."""
    runs = find_breaks(numbers)
    if len(runs) == 1:
        return [(Block(), numbers)]
    kept = [run for run in runs if len(run) > 1] or runs
    alone = [n for run in runs if run not in kept for n in run]
    if alone:
        problems.append(
            f"{_some(alone)} {'stands' if len(alone) == 1 else 'stand'} far from all others and "
            f"{'was' if len(alone) == 1 else 'were'} "
            "not counted. A misreading, another maker's number, or a block of its own?"
        )
    if len(kept) > 1:
        spans = " and ".join(f"{run[0]} to {run[-1]}" for run in kept)
        problems.append(
            f"No number was seen between the runs {spans}. A gap so wide is hardly chance; they were taken "
            "as blocks of their own. Declare the blocks where their first numbers are known."
        )
    return [(Block(), run) for run in kept]


def find_breaks(numbers: Sequence[int]) -> list[list[int]]:
    """Split sorted numbers where a gap is too wide to be chance (chance under BREAK, by the union bound over
    the gaps).

    Of k numbers spread evenly over a range R some gap reaches g with a chance of at most (k - 1)(1 - g/R)^(k
    - 2).

    >>> find_breaks([101, 105, 109, 114, 120, 126, 133, 2001, 2004, 2010, 2013])
    [[101, 105, 109, 114, 120, 126, 133], [2001, 2004, 2010, 2013]]
    """
    runs: list[list[int]] = []
    waiting = [list(numbers)]
    while waiting:
        run = waiting.pop()
        k = len(run)
        spread = run[-1] - run[0]
        if k >= 4:
            at = max(range(1, k), key=lambda i: run[i] - run[i - 1])
            gap = run[at] - run[at - 1]
            if (k - 1) * (1 - gap / spread) ** (k - 2) < BREAK:
                waiting += [run[at:], run[:at]]
                continue
        runs.append(run)
    return sorted(runs)


def _of_block(block: Block, seen: list[int], level: float) -> dict[str, Any]:
    k = len(seen)
    out: dict[str, Any] = {
        "name": block.name,
        "first": block.first,
        "last_possible": block.last,
        "seen": k,
        "lowest": seen[0],
        "highest": seen[-1],
        "level": level,
    }
    if block.first is not None:
        largest = seen[-1] - block.first + 1
        out |= {"estimate": tank_estimate(largest, k), "low": largest, "high": tank_upper(largest, k, level)}
        most = block.last - block.first + 1 if block.last is not None else None
        out["likely_last"] = _whole(block.first + out["estimate"] - 1)
    elif k == 1:
        return out | {"estimate": None, "low": 1, "high": None}
    else:
        spread = seen[-1] - seen[0]
        out |= {
            "estimate": range_estimate(spread, k),
            "low": spread + 1,
            "high": range_upper(spread, k, level),
        }
        most = block.last
        step = spread / (k - 1)
        # Nobody argues for a start below 1, even where the step would carry it there.
        out |= {
            "likely_first": max(1, _whole(seen[0] - step + 1)),
            "likely_last": _whole(seen[-1] + step - 1),
        }
    if most is not None:
        for key in ("estimate", "high"):
            out[key] = min(out[key], most)
        out["likely_last"] = min(out["likely_last"], block.last)
    out["estimate"] = max(out["estimate"], out["low"])
    return out


def _checks(block: Block, seen: list[int]) -> list[dict[str, Any]]:
    """How the numbers are spread: by their last two figures (blocks that restart at the hundred), over the
    range, from the start."""
    out = []
    first = block.first if block.first is not None else seen[0]
    last = seen[-1]
    issued = Counter((n - 1) % 100 for n in range(first, last + 1)) if last - first < 1_000_000 else Counter(range(100))
    cells = next((c for c in (20, 10, 5, 4, 2) if len(seen) >= 5 * c), None)
    name = f" in block {block.name}" if block.name else ""
    if cells and last - first >= 100:
        width = 100 // cells
        share = [sum(issued[d] for d in range(c * width, (c + 1) * width)) for c in range(cells)]
        found = Counter((n - 1) % 100 // width for n in seen)
        chance, worst = _uneven([found[c] for c in range(cells)], share)
        said = f"{worst * width + 1:02d} to {(worst + 1) * width % 100:02d}"
        out.append(
            _check(
                "last two figures",
                chance,
                f"Numbers ending in {said} are seen more often than chance allows{name}: the maker may have "
                "begun again at round hundreds, so that the numbers do not count the cars."
                if chance < REMARKABLE
                else f"The last two figures lie as in one unbroken run{name} (chance {chance:.2f}).",
            )
        )
        edges = [first + (last + 1 - first) * c // cells for c in range(cells + 1)]
        share = [edges[c + 1] - edges[c] for c in range(cells)]
        counts = [sum(edges[c] <= n < edges[c + 1] for n in seen) for c in range(cells)]
        chance, worst = _uneven(counts, share)
        out.append(
            _check(
                "spread over the range",
                chance,
                f"Numbers from {edges[worst]} to {edges[worst + 1] - 1} are seen more often than chance "
                f"allows{name}: if late numbers are the rarer ones, more were made than this says."
                if chance < REMARKABLE
                else f"The numbers are spread evenly over their range{name} (chance {chance:.2f}).",
            )
        )
    if block.first is not None and seen[0] > block.first:
        k, largest = len(seen), last - block.first + 1
        n = _whole(tank_estimate(largest, k))
        chance = (
            math.exp(_log_comb(n - (seen[0] - block.first), k) - _log_comb(n, k))
            if n - (seen[0] - block.first) >= k
            else 0.0
        )
        out.append(
            _check(
                "first number",
                chance,
                f"The lowest number seen is {seen[0]}; had the numbers begun at {block.first}, a lower one "
                "would have been seen almost surely. Is the first number right? Leave it open if nobody knows."
                if chance < REMARKABLE
                else f"The lowest seen, {seen[0]}, fits a start at {block.first} (chance {chance:.2f}).",
            )
        )
    return out


def _check(what: str, chance: float, says: str) -> dict[str, Any]:
    return {"what": what, "chance": round(chance, 4), "remarkable": chance < REMARKABLE, "says": says}


def _uneven(found: list[int], share: list[int]) -> tuple[float, int]:
    """Chance of a spread as uneven as this (chi-square), and the cell that holds most above its share."""
    total, whole = sum(found), sum(share)
    expected = [total * part / whole for part in share]
    pairs = [(f, e) for f, e in zip(found, expected, strict=True) if e > 0]
    statistic = sum((f - e) ** 2 / e for f, e in pairs)
    worst = max(range(len(found)), key=lambda c: found[c] - expected[c])
    return chi_square_chance(statistic, len(pairs) - 1), worst


def chi_square_chance(statistic: float, freedom: int) -> float:
    """The chance that a chi-square with ``freedom`` (1 or more) degrees of freedom exceeds ``statistic`` (0
    or more).

    >>> round(chi_square_chance(3.841459, 1), 6), round(chi_square_chance(16.918978, 9), 6)
    (0.05, 0.05)
    """
    half = statistic / 2
    if freedom % 2 == 0:
        term = total = math.exp(-half)
        for j in range(1, freedom // 2):
            term *= half / j
            total += term
        return min(1.0, total)
    total = math.erfc(math.sqrt(half))
    term = math.exp(-half) * math.sqrt(half) / math.gamma(1.5)
    for j in range(1, (freedom + 1) // 2):
        total += term
        term *= half / (j + 0.5)
    return min(1.0, total)


def _other_made(used: list[tuple[Block, list[int]]], level: float) -> tuple[Other, ...]:
    block, seen = used[0]
    k = len(seen)
    out = []
    if block.first is not None:
        largest = seen[-1] - block.first + 1
        bayes = tank_bayes(largest, k, level)
        if bayes["mean"] is not None:
            sd = f"standard deviation {bayes['sd']:.1f}, " if bayes["sd"] is not None else ""
            out.append(
                Other(
                    "Bayes, flat prior (mean)",
                    bayes["mean"],
                    largest,
                    bayes["upper"],
                    f"{sd}median {bayes['median']:.0f}",
                )
            )
        if k > 1:
            out.append(
                Other(
                    "start of numbering taken as unknown",
                    range_estimate(seen[-1] - seen[0], k),
                    seen[-1] - seen[0] + 1,
                    range_upper(seen[-1] - seen[0], k, level),
                    "from the spread of the numbers alone",
                )
            )
    else:
        out.append(
            Other(
                "numbering taken to begin at 1",
                tank_estimate(seen[-1], k),
                seen[-1],
                tank_upper(seen[-1], k, level),
                "right only if the maker began at 1",
            )
        )
    return tuple(out)


def _made_assumptions(unknown_start: bool) -> tuple[str, ...]:
    out = [
        "Numbers were issued one after another inside a block, none left out and none used twice.",
        "Whether a car survives and becomes known has nothing to do with its number. Early cars are often "
        "better known; then the true number is higher.",
        "Every number was read right: one figure misread upwards at the top of the range raises the answer by itself.",
    ]
    if unknown_start:
        out.append("Nobody knows at which number the maker began; the start is estimated from the numbers too.")
    return tuple(out)


# --- how many survive ---------------------------------------------------------------------------------------


def petersen(first: int, second: int, both: int) -> float:
    """Lincoln and Petersen: first * second / both. Needs at least one car on both.

    >>> round(petersen(23, 28, 9), 1)
    71.6
    """
    return first * second / both


def chapman(first: int, second: int, both: int) -> float:
    """Chapman's estimate of all cars from two lists and how many stand on both; nearly unbiased also for
    few."""
    return (first + 1) * (second + 1) / (both + 1) - 1


def chapman_deviation(first: int, second: int, both: int) -> float:
    """The standard deviation of Chapman's estimate (G. A. F. Seber, Biometrika 57, 1970, pp. 313-318; from
    memory)."""
    return math.sqrt((first + 1) * (second + 1) * (first - both) * (second - both) / ((both + 1) ** 2 * (both + 2)))


def sadinle(first: int, second: int, both: int, level: float = 0.95) -> tuple[float, float]:
    """The transformed logit interval for the number of all cars. It never falls below the cars on the lists.

    >>> [round(end, 1) for end in sadinle(23, 28, 9)]
    [52.5, 122.2]
    """
    _check_level(level)
    z = NormalDist().inv_cdf((1 + level) / 2)
    k, a, b = both + 0.5, second - both + 0.5, first - both + 0.5
    spread = z * math.sqrt(1 / k + 1 / a + 1 / b + k / (a * b))
    return tuple(second + first - both - 0.5 + a * b / k * math.exp(sign * spread) for sign in (-1, 1))  # type: ignore[return-value]


def chao1(distinct: int, once: int, twice: int, occasions: int | None = None, *, corrected: bool = False) -> float:
    """Chao's lower bound from how many cars were seen once and twice.

    ``occasions``: how many sightings in all (for cars met by chance) or how many lists (for lists); None
    leaves out the factor (n - 1)/n. ``corrected``: the bias-corrected form, which needs no car seen twice. A.
    Chao, Scandinavian Journal of Statistics 11 (1984) 265-270; Biometrics 43 (1987) 783-791.

    >>> round(chao1(26, 12, 4, 168), 3)
    43.893
    """
    factor = (occasions - 1) / occasions if occasions else 1.0
    if corrected:
        return distinct + factor * once * (once - 1) / (2 * (twice + 1))
    if twice == 0:
        return distinct + factor * once * (once - 1) / 2
    return distinct + factor * once**2 / (2 * twice)


def chao1_interval(
    distinct: int, once: int, twice: int, occasions: int | None = None, level: float = 0.95
) -> tuple[float, float, float]:
    """(standard error, low, high) of Chao's bound; the log-normal interval, which never falls below the cars
    seen.

    >>> [round(x, 3) for x in chao1_interval(26, 12, 4, 168)]
    [14.306, 30.511, 96.971]
    """
    _check_level(level)
    a = (occasions - 1) / occasions if occasions else 1.0
    if twice > 0:
        r = once / twice
        variance = twice * (a / 2 * r**2 + a**2 * r**3 + a**2 / 4 * r**4)
    else:
        # Chao 1987 for no car seen twice, as it stands in the documentation of estimators of richness; from
        # memory.
        unseen = chao1(distinct, once, 0, occasions)
        variance = a * once * (once - 1) / 2 + a**2 * once * (2 * once - 1) ** 2 / 4 - a**2 * once**4 / 4 / unseen
    low, high = _log_normal(distinct, chao1(distinct, once, twice, occasions), variance, level)
    return math.sqrt(max(0.0, variance)), low, high


class Coverage(NamedTuple):
    """The sample coverage answers for three lists: ``coverage`` (0 to 1), the estimate that takes the lists
    as independent, the one-step estimate (a lower bound where cars differ), its standard error."""

    coverage: float
    independent: float
    one_step: float
    error: float


def sample_coverage(histories: Mapping[tuple[int, int, int], float]) -> Coverage:
    """Chao and Tsay's estimates from how many cars have each history, (1, 0, 1) being on the first and third
    list only.

    The error is by the delta method over the histories (own choice in place of the bootstrap of the
    original). Raises DecoderError where no two of the lists share a car.
    """
    cells = {h: float(histories.get(h, 0)) for h in _HISTORIES}
    coverage, independent, one_step = _coverage(cells)
    slopes = {}
    for history, count in cells.items():
        step = max(1e-3, 1e-4 * count)
        more = _coverage({**cells, history: count + step})[2]
        slopes[history] = (more - one_step) / step
    variance = sum(slopes[h] ** 2 * cells[h] for h in cells) - sum(slopes[h] * cells[h] for h in cells) ** 2 / one_step
    return Coverage(coverage, independent, one_step, math.sqrt(max(0.0, variance)))


_HISTORIES = [(1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1), (0, 1, 1), (1, 1, 1)]


def _coverage(z: Mapping[tuple[int, int, int], float]) -> tuple[float, float, float]:
    on = [sum(z[h] for h in z if h[i]) for i in range(3)]
    alone = [z[(1, 0, 0)], z[(0, 1, 0)], z[(0, 0, 1)]]
    if min(on) <= 0:
        raise DecoderError("One of the three lists is empty. Leave it out.")
    coverage = 1 - sum(a / n for a, n in zip(alone, on, strict=True)) / 3
    if coverage <= 0:
        raise DecoderError("No two of the lists share a car, so nothing can be said. Compare their spellings first.")
    independent = (sum(z.values()) - sum(alone) / 3) / coverage
    pairs = []
    for i, j in ((0, 1), (0, 2), (1, 2)):
        other = 3 - i - j
        both = sum(z[h] for h in z if h[i] and h[j])
        without = sum(z[h] * (h[i] + h[j]) for h in z if not h[other])
        pairs.append((both / (on[i] * on[j]), without))

    def corrected(n: float) -> float:
        # How much more often than by chance a pair of lists shares a car, judged with n cars in all.
        return independent + sum(without * (n * share - 1) for share, without in pairs) / (3 * coverage)

    return coverage, independent, corrected(corrected(independent))


def how_many_survive(
    lists: Mapping[str, Iterable[Hashable]],
    *,
    sightings: Mapping[Hashable, int] | None = None,
    level: float = 0.95,
) -> Estimate:
    """How many cars there are, from lists kept apart.

    ``lists``: name to cars; a car is whatever identifies it on every list alike (a serial, the registry's
    number), so the lists must be matched first: a car that stands on both under two names is taken for two.
    ``sightings``: car to the number of times it was met independently, for Chao's bound; without it each list
    counts as one meeting.
    """
    _check_level(level)
    problems: list[str] = []
    sets: dict[str, set[Hashable]] = {}
    for name, cars in lists.items():
        counted = Counter(cars)
        twice = [car for car, count in counted.items() if count > 1]
        if twice:
            problems.append(
                f"{_some(twice)} {'stands' if len(twice) == 1 else 'stand'} more than once on {name}; counted once."
            )
        if counted:
            sets[name] = set(counted)
        else:
            problems.append(f"{name} has no car of this series on it.")
    everybody = set().union(*sets.values()) if sets else set()
    if len(sets) < 2:
        known = (
            f" At least {_count(len(everybody), 'car')} {'is' if len(everybody) == 1 else 'are'} known."
            if everybody
            else ""
        )
        return _no_answer(
            f"How many survive needs two lists that were made without looking at each other.{known}", problems
        )
    counts = Counter(Counter(car for cars in sets.values() for car in cars).values())
    shared = len(everybody) - counts[1]
    if shared == 0:
        return _no_answer(
            f"The lists share no car, so how many survive cannot be told: at least {len(everybody):,}. "
            "Compare them for other "
            "spellings of one number; a car that stands on both under two names hides the overlap.",
            problems,
        )
    if len({frozenset(cars) for cars in sets.values()}) == 1:
        return _no_answer(
            f"The lists hold the same {_count(len(everybody), 'car')}, as one list copied would. How many "
            "survive needs two lists made apart.",
            problems,
        )
    names = list(sets)
    for a in names:
        for b in names:
            if a != b and sets[a] < sets[b]:
                problems.append(
                    f"Every car on {a} stands on {b} too. Was {a} made from {b}? Then the two are not independent."
                )
    ordered = sorted(sets.values(), key=len, reverse=True)
    others = _other_surviving(sets, counts, sightings, level)
    if len(sets) == 2:
        n, k, both = len(ordered[0]), len(ordered[1]), shared
        point, (low, high) = chapman(n, k, both), sadinle(n, k, both, level)
        method = "two lists (Chapman, interval of Sadinle)"
        closer = (
            [f"One overlooked car that stands on both would lower the answer to {_whole(chapman(n, k, both + 1)):,}."]
            if both < k
            else []
        )
    else:
        three = [ordered[0], ordered[1], set().union(*ordered[2:])]
        histories = Counter(tuple(int(car in cars) for cars in three) for car in everybody)
        if all(sum(history) < 2 for history in histories):
            return _no_answer(
                "The longest lists share no car with any other, so how many survive cannot be told. Compare "
                "them for other spellings of one number, or leave the list out that is of another kind.",
                problems,
            )
        found = sample_coverage(histories)  # type: ignore[arg-type]
        # A lower bound that the counts drive below the cars known says no more than that they are known.
        point = max(found.one_step, float(len(everybody)))
        low, high = _log_normal(len(everybody), point, found.error**2, level)
        method = f"{_words(len(sets))} lists (sample coverage, one step: a lower bound)"
        closer = [
            f"The lists together hold about {found.coverage:.0%} of what a further list would find (sample coverage)."
        ]
        if len(sets) > 3:
            closer.append("The lists beyond the two longest were put together as a third.")
    low, high = max(len(everybody), math.floor(low)), max(len(everybody), math.ceil(high))
    estimate = min(max(_whole(point), low), high)
    return Estimate(
        estimate=estimate,
        low=low,
        high=high,
        level=level,
        method=method,
        says=f"About {estimate:,} are living: between {low:,} and {high:,} ({_percent(level)} interval). "
        f"{len(everybody):,} {'is' if len(everybody) == 1 else 'are'} listed, {shared:,} of them more than once. "
        "Take it that the lists are not independent: if the same cars are easy to find for all of them, more are living.",
        assumptions=(*_SURVIVING_ASSUMPTIONS, *closer),
        others=others,
        problems=tuple(problems),
    )


_SURVIVING_ASSUMPTIONS = (
    "The lists are taken as independent, and lists of cars are seldom quite so: a car that is easy to find "
    "for one is easy to find for the other. Then the true number is higher.",
    "Between the lists no car was lost and none was made. Cars lost since the older list count as living "
    "then, not now.",
    "Cars were matched right: a car taken for two raises the answer, two cars taken for one lower it.",
    "Within each list every living car had the same chance to be on it, or the chances on the lists have "
    "nothing to do with each other.",
)


def _other_surviving(
    sets: Mapping[str, set[Hashable]],
    counts: Counter[int],
    sightings: Mapping[Hashable, int] | None,
    level: float,
) -> tuple[Other, ...]:
    names = list(sets)
    out = []
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            n, k, both = len(sets[a]), len(sets[b]), len(sets[a] & sets[b])
            if both == 0:
                continue
            pair = f"{a} with {b}"
            if len(names) > 2:
                out.append(
                    Other(
                        f"Chapman, {pair}",
                        chapman(n, k, both),
                        *sadinle(n, k, both, level),
                        note=f"{both} on both",
                    )
                )
            out.append(Other(f"Lincoln-Petersen, {pair}", petersen(n, k, both), note=f"{n} x {k} / {both}"))
    distinct = sum(counts.values())
    if sightings:
        met = Counter(sightings.values())
        total = sum(sightings.values())
        _, low, high = chao1_interval(len(sightings), met[1], met[2], total, level)
        out.append(
            Other(
                "Chao's lower bound, from sightings",
                chao1(len(sightings), met[1], met[2], total),
                low,
                high,
                f"{met[1]} seen once, {met[2]} twice; the sightings must be independent, reprints of one "
                "advertisement are not",
            )
        )
    lengths = sorted(len(cars) for cars in sets.values())
    uneven = (
        "" if lengths[-1] <= 1.5 * lengths[0] else "; the lists differ much in length, and then this one is too high"
    )
    _, low, high = chao1_interval(distinct, counts[1], counts[2], len(sets), level)
    out.append(
        Other(
            "Chao's bound, from lists",
            chao1(distinct, counts[1], counts[2], len(sets)),
            low,
            high,
            f"{counts[1]} on one list, {counts[2]} on two{uneven}",
        )
    )
    return tuple(out)


def survivors(
    lists: Mapping[str, Iterable[Hashable]],
    *,
    serials: Iterable[int] | None = None,
    blocks: Sequence[Block] = (),
    sightings: Mapping[Hashable, int] | None = None,
    level: float = 0.95,
) -> Survivors:
    """Both questions of one series, and how many the lists hold.

    ``serials``: every serial number known, for how many were made; without it the whole numbers on the lists.
    """
    kept = {name: list(cars) for name, cars in lists.items()}
    everybody = set().union(*map(set, kept.values())) if kept else set()
    if serials is None:
        serials = [car for car in everybody if isinstance(car, int)]
    made = how_many_made(serials, blocks, level=level)
    surviving = how_many_survive(kept, sightings=sightings, level=level)
    if made.high is not None and surviving.high is not None and surviving.high > made.high:
        low, estimate = (min(x, made.high) for x in (surviving.low or 0, surviving.estimate or 0))
        surviving = replace(
            surviving,
            low=low,
            estimate=estimate,
            high=made.high,
            assumptions=(
                *surviving.assumptions,
                "No more can be living than were made; the range was cut there.",
            ),
        )
    on = Counter(car for cars in kept.values() for car in set(cars))
    listed = {
        "cars": len(everybody),
        "on_more_than_one": sum(count > 1 for count in on.values()),
        "lists": [{"name": name, "cars": len(set(cars))} for name, cars in kept.items()],
    }
    return Survivors(made, surviving, listed)


# --- small helpers ------------------------------------------------------------------------------------------


def _no_answer(says: str, problems: Iterable[str] = ()) -> Estimate:
    return Estimate(None, None, None, method="", says=says, problems=tuple(problems))


def _check_level(level: float) -> None:
    if not 0 < level < 1:
        raise DecoderError(f"The level of an interval lies between 0 and 1, as 0.95; it was {level}.")


def _chance(level: float) -> tuple[int, int]:
    """1 - level as a fraction of whole numbers, so that comparing is exact."""
    parts = 10**9
    return max(1, round((1 - level) * parts)), parts


def _largest(start: int, holds: Any) -> int:
    """The largest whole number from ``start`` on for which ``holds``, which is true up to it and false
    beyond."""
    step = 1
    while holds(start + step):
        step *= 2
    low, high = start + step // 2, start + step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _log_comb(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def _log_normal(distinct: float, estimate: float, variance: float, level: float) -> tuple[float, float]:
    """The interval that takes the number of unseen cars as log-normal (Chao 1987)."""
    unseen = estimate - distinct
    if unseen <= 0:
        return distinct, estimate
    z = NormalDist().inv_cdf((1 + level) / 2)
    factor = math.exp(z * math.sqrt(math.log(1 + max(0.0, variance) / unseen**2)))
    return distinct + unseen / factor, distinct + unseen * factor


def _whole(value: float) -> int:
    return math.floor(value + 0.5)


def _shown(value: float | None) -> float | None:
    return None if value is None else round(float(value), 1)


def _percent(level: float) -> str:
    return f"{100 * level:g} %"


def _count(n: int, noun: str) -> str:
    return f"{n:,} {noun}" + ("" if n == 1 else "s")


def _words(n: int) -> str:
    return {3: "three", 4: "four", 5: "five", 6: "six"}.get(n, str(n))


def _some(items: Sequence[Any], most: int = 5) -> str:
    shown = ", ".join(str(item) for item in sorted(items, key=str)[:most])
    return shown + (f" and {len(items) - most} more" if len(items) > most else "")
