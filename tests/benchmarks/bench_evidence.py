"""How good the weighing is: cars drawn from the scenario's own tables, ours beside the ideal.

The ideal knows the true frequencies (the tables, read as the truth) and the true groups (one fair coin a copy: on a
good splash the mould rates times 1.38, at most 0.97, on a poor one times 0.62). Ours knows the counts alone, its stated
assumptions, and nothing of that coin. Comparisons, each on the same cars in one run:

* Pantile against not: the tells of the Pantile and the Purlin in random order, eight examined;
* mould tells alone, where a model that takes them as independent says too much: those of both sheets; the Pantile's own on
  series A and on unnamed copies, and the Corbel's, both summed over all that can be seen instead of drawn; and a dozen
  marks such as the first two of the table (the scenario has few, and the fault grows with their number);
* Quoin against its continuation body and the rest, Corbel against its copy and the rest, whose reference counts are small.

The ratio is that of the kinds of body that are drawn. "With standing answers" also has "none of these" and "two bodies
joined" on the other side, as an answer without a named pair does; no such car is drawn, so there it can only lose.

Lower is better. ``slope`` is the slope of a logistic regression of the truth on the log ratio, with the prior as offset
(D. R. Cox, Biometrika 45, 1958; from memory): below 1 says too much, above 1 too little. "All there" are the cars on which
every mark of the maker was found: what was said for the maker, and how often it was so.

``table`` counts are the tables themselves; ``redrawn`` counts are drawn anew from the truth for each batch of cars, as a
second shop that looked at so many other bodies would have counted them.

    python tests/benchmarks/bench_evidence.py [cars]
"""

from __future__ import annotations

import itertools
import math
import random
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from decoder.calibration import brier, cllr, cllr_min, murphy, reliability
from decoder.evidence import DEFAULT, JOINED, Assumptions, Observation, Sheet, Tell, likelihoods
from tests.scenario.tell_sheets import sheet_of

#: How the scenario's observations were made. The ideal knows this; ours must not.
GOOD, POOR, TOP = 1.38, 0.62, 0.97
SEED = 1971
#: The independent model: each copy's marks by themselves. Everything else is ours, so that only that is compared.
INDEPENDENT = replace(DEFAULT, splash_spread=(0.0,), perfect_splash=0.0)
STANDING = "with standing answers"


@dataclass(frozen=True)
class World:
    """A sheet with its tables taken as the truth."""

    sheet: Sheet

    def rate(self, tell: Tell, name: str, coin: str = "") -> float:
        seen, out_of = tell.counts[name][:2]
        p = seen / out_of
        if coin and tell.group == "mould":
            p = min(TOP, p * GOOD) if coin == "good" else p * POOR
        return p

    def coins(self, name: str) -> tuple[str, ...]:
        return ("good", "poor") if self.sheet.by_name[name].kind == "copy" else ("",)

    def draw(self, chance: random.Random, name: str, tells: Sequence[Tell]) -> list[Observation]:
        coin = chance.choice(self.coins(name))
        return [
            Observation(tell.code, "present" if chance.random() < self.rate(tell, name, coin) else "absent")
            for tell in tells
        ]

    def likelihood(self, name: str, observations: Sequence[Observation]) -> float:
        """The ideal's."""
        total = 0.0
        for coin in self.coins(name):
            product = 1.0
            for each in observations:
                p = self.rate(self.sheet.tells[each.tell], name, coin)
                product *= p if each.state == "present" else 1 - p
            total += product / len(self.coins(name))
        return total

    def recounted(self, chance: random.Random, assumptions: Assumptions) -> Sheet:
        """The sheet as another shop would have counted it: each reference body drawn from the truth, coins and all."""
        counts: dict[str, dict[str, tuple[float, float]]] = {code: {} for code in self.sheet.tells}
        for name in self.sheet.by_name:
            counted = [tell for tell in self.sheet.tells.values() if name in tell.counts]
            seen = dict.fromkeys((tell.code for tell in counted), 0)
            most = int(max(tell.counts[name][1] for tell in counted))
            for body in range(most):
                for each in self.draw(chance, name, counted):
                    seen[each.tell] += each.state == "present" and body < self.sheet.tells[each.tell].counts[name][1]
            for tell in counted:
                counts[tell.code][name] = (seen[tell.code], tell.counts[name][1])
        tells = [replace(tell, counts=counts[tell.code], changes=()) for tell in self.sheet.tells.values()]
        return Sheet(self.sheet.hypotheses, tells, assumptions)


@lru_cache(maxsize=8)
def world_of(offered_as: str) -> World:
    """Averages over all serials, since that is what the tables give: no change at a serial."""
    sheet = sheet_of(offered_as)
    return World(Sheet(sheet.hypotheses, [replace(tell, changes=()) for tell in sheet.tells.values()]))


@dataclass(frozen=True)
class Figures:
    """What one model said of the cars."""

    name: str
    cllr: float
    cllr_min: float
    brier: float
    reliability: float
    said: tuple[float, ...]
    so: tuple[bool, ...]
    ratios: tuple[float, ...]
    all_present: tuple[bool, ...]

    @property
    def slope(self) -> float:
        """Newton's method for one coefficient; the intercept is fixed at the prior."""
        share = sum(self.so) / len(self.so)
        offset = math.log(share / (1 - share))
        x = [ratio * math.log(10) for ratio in self.ratios]
        b = 1.0
        for _ in range(50):
            p = [1 / (1 + math.exp(-max(-60.0, min(60.0, offset + b * each)))) for each in x]
            gradient = sum(each * (o - q) for each, o, q in zip(x, self.so, p, strict=True))
            curvature = sum(each * each * q * (1 - q) for each, q in zip(x, p, strict=True))
            step = max(-0.3, min(0.3, gradient / curvature))
            b += step
            if abs(step) < 1e-9:
                break
        return b

    @property
    def all_there(self) -> tuple[int, float, float]:
        """How many cars show every mark, what was said for the maker on average, and how often it was so."""
        here = [(p, o) for p, o, every in zip(self.said, self.so, self.all_present, strict=True) if every]
        n = len(here)
        return n, sum(p for p, _ in here) / n if n else math.nan, sum(o for _, o in here) / n if n else math.nan

    @property
    def overconfidence(self) -> float:
        """How much surer than right: the mean of what was said for the likelier side, less how often that side held. Above 0
        is too sure, below 0 too careful."""
        sure = sum(max(p, 1 - p) for p in self.said) / len(self.said)
        return sure - sum((p >= 0.5) == o for p, o in zip(self.said, self.so, strict=True)) / len(self.said)

    @property
    def when_sure(self) -> tuple[int, float, float]:
        """Of the answers at nine in ten or more, either way: how many, what was said on average, how many held."""
        sure = [
            (max(p, 1 - p), (p >= 0.5) == o) for p, o in zip(self.said, self.so, strict=True) if max(p, 1 - p) >= 0.9
        ]
        n = len(sure)
        return n, sum(p for p, _ in sure) / n if n else math.nan, sum(h for _, h in sure) / n if n else math.nan


def figures(name: str, ratios: Sequence[float], so: Sequence[bool], prior: float, every: Sequence[bool]) -> Figures:
    """``ratios`` are log10 of P(findings | one) / P(findings | other)."""
    one = [x for x, o in zip(ratios, so, strict=True) if o]
    other = [x for x, o in zip(ratios, so, strict=True) if not o]
    odds = math.log10(prior / (1 - prior))
    said = tuple(1 / (1 + 10 ** -max(-300.0, min(300.0, x + odds))) for x in ratios)
    return Figures(
        name,
        cllr(one, other),
        cllr_min(one, other),
        brier(said, so),
        murphy(said, so, 20).reliability,
        said,
        tuple(so),
        tuple(ratios),
        tuple(every),
    )


def composite(likelihood: Callable[[str], float], names: Sequence[str], prior: dict[str, float]) -> float:
    """log10 of the likelihood of several, mixed by their priors."""
    total = sum(prior[name] for name in names)
    mixed = sum(prior[name] / total * likelihood(name) for name in names)
    return math.log10(mixed) if mixed > 0 else -300.0


Examined = Callable[[random.Random], list[Tell]]


def compare(
    world: World,
    one: Sequence[str],
    examined: Examined,
    cars: int,
    models: dict[str, Assumptions],
    *,
    redrawn: bool = False,
    among: Sequence[str] | None = None,
    batch: int = 20,
    seed: int = SEED,
) -> dict[str, Figures]:
    """Draw cars by the odds at the gate and let each model say how probable ``one`` is. Only the kinds ``among`` are drawn."""
    chance = random.Random(seed)
    names = list(among or world.sheet.by_name)
    kinds = [each for each in world.sheet.hypotheses if each.name in names]
    total = sum(each.weight for each in kinds)
    gate = {each.name: each.weight / total for each in kinds}
    truth = World(Sheet(kinds, world.sheet.tells.values()))
    so: list[bool] = []
    every: list[bool] = []
    ratios: dict[str, list[float]] = {name: [] for name in ("ideal", *models)}
    sheets: dict[str, Sheet] = {}
    for car in range(cars):
        if redrawn and car % batch == 0:
            counted = truth.recounted(chance, DEFAULT)
            sheets = {name: Sheet(kinds, counted.tells.values(), assumed) for name, assumed in models.items()}
        elif not sheets:
            sheets = {name: Sheet(kinds, truth.sheet.tells.values(), assumed) for name, assumed in models.items()}
        kind = chance.choices(list(gate), list(gate.values()))[0]
        seen = truth.draw(chance, kind, examined(chance))
        so.append(kind in one)
        every.append(all(each.state == "present" for each in seen))
        ideal = {name: truth.likelihood(name, seen) for name in gate}
        rest = [name for name in gate if name not in one]
        ratios["ideal"].append(composite(ideal.__getitem__, one, gate) - composite(ideal.__getitem__, rest, gate))
        for name, sheet in sheets.items():
            ratios[name].append(ours(sheet, one, seen, standing=name == STANDING))
    share = sum(gate[name] for name in one)
    return {name: figures(name, each, so, share, every) for name, each in ratios.items()}


def ours(sheet: Sheet, one: Sequence[str], seen: Sequence[Observation], standing: bool) -> float:
    """As `weigh` reports it for a named pair, capped by the sheet's own error; with the standing answers or without."""
    logs = likelihoods(sheet, seen)
    prior = sheet.priors(joined=JOINED in logs)
    top = max(logs.values())
    plain = {name: 10 ** (each - top) for name, each in logs.items()}
    rest = [name for name in logs if name not in one and (standing or name in sheet.by_name)]
    ratio = composite(plain.__getitem__, one, prior) - composite(plain.__getitem__, rest, prior)
    cap = -math.log10(sheet.assumptions.sheet_error)
    return max(-cap, min(cap, ratio))


def any_eight(world: World) -> Examined:
    tells = list(world.sheet.tells.values())
    return lambda chance: chance.sample(tells, min(8, len(tells)))


def mould_alone(world: World, beginning: str = "") -> Examined:
    marks = [t for t in world.sheet.tells.values() if t.group == "mould" and t.code.startswith(beginning)]
    return lambda chance: marks


@dataclass(frozen=True)
class Exact:
    """The same, summed over everything that can be seen, each with its true probability: no chance in it."""

    name: str
    cllr: float
    brier: float
    too_sure: float
    said: float
    was: float


def exact(offered_as: str, one: Sequence[str], other: Sequence[str], codes: Sequence[str]) -> dict[str, Exact]:
    """``said`` and ``was`` are of the car on which every mark is there."""
    world = world_of(offered_as)
    kinds = [each for each in world.sheet.hypotheses if each.name in (*one, *other)]
    tells = [world.sheet.tells[code] for code in codes]
    total = sum(each.weight for each in kinds)
    gate = {each.name: each.weight / total for each in kinds}
    share = sum(gate[name] for name in one)
    sheets = {"ours": Sheet(kinds, tells), "independent": Sheet(kinds, tells, INDEPENDENT)}
    found = {}
    for model in ("ideal", *sheets):
        cost = squares = sure = held = said = was = 0.0
        for states in itertools.product(["present", "absent"], repeat=len(tells)):
            seen = [Observation(tell.code, state) for tell, state in zip(tells, states, strict=True)]
            true = {name: world.likelihood(name, seen) for name in gate}
            if model == "ideal":
                ratio = composite(true.__getitem__, one, gate) - composite(true.__getitem__, other, gate)
            else:
                ratio = ours(sheets[model], one, seen, standing=False)
            it_is, it_is_not = (sum(gate[name] * true[name] for name in side) for side in (one, other))
            p = 1 / (1 + 10 ** -(ratio + math.log10(share / (1 - share))))
            cost += (
                it_is / share * math.log2(1 + 10**-ratio) / 2 + it_is_not / (1 - share) * math.log2(1 + 10**ratio) / 2
            )
            squares += it_is * (1 - p) ** 2 + it_is_not * p**2
            sure += (it_is + it_is_not) * max(p, 1 - p)
            held += it_is if p >= 0.5 else it_is_not
            if "absent" not in states:
                said, was = p, it_is / (it_is + it_is_not)
        found[model] = Exact(model, cost, squares, sure - held, said, was)
    return found


def pantile_marks() -> dict[str, Exact]:
    """The Pantile's three marks (without the ribs of series B), on series A and on unnamed copies."""
    return exact("Kelderwick Pantile", ("KA",), ("NC",), ("K01", "K02", "K03"))


def corbel_marks() -> dict[str, Exact]:
    """The Corbel's four marks, on both series and on copies: nose crease and keel together are found on copies alone."""
    return exact("Draymarsh Corbel", ("D1", "D2"), ("NCD",), ("D01", "D02", "D03", "D13"))


def exact_table(title: str, found: dict[str, Exact]) -> str:
    ideal = found["ideal"]
    head = ("Cllr", "x ideal", "Brier", "x ideal", "too sure")
    lines = [title, f"  {'':21}" + "".join(f" {each:>8}" for each in head) + "  all there"]
    for each in found.values():
        lines.append(
            f"  {each.name:21} {each.cllr:8.4f} {each.cllr / ideal.cllr:8.3f} {each.brier:8.4f} "
            f"{each.brier / ideal.brier:8.3f} {each.too_sure:+8.4f}  said {each.said:.3f}, was {each.was:.3f}"
        )
    return "\n".join(lines)


BOTH = {"ours": DEFAULT, STANDING: DEFAULT, "independent": INDEPENDENT}


def pantile(cars: int, redrawn: bool = False) -> dict[str, Figures]:
    world = world_of("Kelderwick Pantile")
    return compare(world, ("KA", "KB"), any_eight(world), cars, BOTH, redrawn=redrawn)


def mould(cars: int, redrawn: bool = False) -> dict[str, Figures]:
    """The mould tells of both sheets, on Pantiles and on copies of it."""
    world = world_of("Kelderwick Pantile")
    copies = ("KA", "KB", "TP", "NC")
    return compare(world, ("KA", "KB"), mould_alone(world), cars, BOTH, redrawn=redrawn, among=copies)


def dozen(cars: int, redrawn: bool = False) -> dict[str, Figures]:
    """Twelve marks, six with the counts of the first of the table and six with those of the second."""
    sheet = world_of("Kelderwick Pantile").sheet
    twelve = [replace(sheet.tells[code], code=f"{code} {n}") for code in ("K01", "K02") for n in range(6)]
    world = World(Sheet(sheet.hypotheses, twelve))
    return compare(world, ("KA",), lambda chance: twelve, cars, BOTH, redrawn=redrawn, among=("KA", "NC"))


def quoin(cars: int, redrawn: bool = False) -> dict[str, Figures]:
    world = world_of("Ruddenham Quoin")
    return compare(world, ("RQ",), any_eight(world), cars, BOTH, redrawn=redrawn)


def corbel(cars: int, redrawn: bool = False) -> dict[str, Figures]:
    world = world_of("Draymarsh Corbel")
    return compare(world, ("D1", "D2"), any_eight(world), cars, BOTH, redrawn=redrawn)


def table(title: str, found: dict[str, Figures]) -> str:
    ideal = found["ideal"]
    head = ("Cllr", "x ideal", "Cllr min", "Brier", "x ideal", "reliab.", "slope", "at 9 in 10 and more", "all there")
    lines = [title, f"  {'':21}" + "".join(f" {each:>8}" for each in head[:7]) + f"  {head[7]:36} {head[8]}"]
    for each in found.values():
        n, said, held = each.when_sure
        every, for_maker, was = each.all_there
        lines.append(
            f"  {each.name:21} {each.cllr:8.4f} {each.cllr / ideal.cllr:8.3f} {each.cllr_min:8.4f} {each.brier:8.4f} "
            f"{each.brier / ideal.brier:8.3f} {each.reliability:8.5f} {each.slope:8.3f}  "
            f"{f'{n}: said {said:.3f}, held {held:.3f}':36} {every}: said {for_maker:.3f}, was {was:.3f}"
        )
    return "\n".join(lines)


def bins(each: Figures) -> str:
    rows = [
        f"    {b.low:.1f}-{b.high:.1f}  n {b.cases:5}  said {b.said:.3f}  held {b.held:.3f}"
        for b in reliability(each.said, each.so)
    ]
    return "\n".join([f"  reliability of {each.name}", *rows])


def main(cars: int = 3000) -> None:
    print(exact_table("Pantile A or unnamed copy, the Pantile's three marks alone", pantile_marks()), end="\n\n")
    print(exact_table("Corbel or copy, the Corbel's four marks alone", corbel_marks()), end="\n\n")
    for redrawn in (False, True):
        counts = "redrawn counts" if redrawn else "table counts"
        for title, run in (
            ("Pantile or not, eight of all tells", pantile),
            ("Pantile or copy, mould tells of both sheets alone", mould),
            ("Pantile A or unnamed copy, a dozen such marks alone", dozen),
            ("Quoin or not, eight of all tells", quoin),
            ("Corbel or not, eight of all tells", corbel),
        ):
            found = run(cars, redrawn)
            print(table(f"{title}; {cars} cars, {counts}", found))
            if run in (pantile, mould):
                print(bins(found["ours"]))
            print()


if __name__ == "__main__":
    main(*(int(each) for each in sys.argv[1:2]))
