"""What a doubtful reading costs: against the same sums bare in numpy, over the number of unreadable places, and over all families."""

from __future__ import annotations

import resource
import sys
from timeit import repeat

import numpy as np

from decoder import decode, decode_many, load_tables
from decoder.channel import channel
from decoder.reading import read
from decoder.sums import _grid, _matrix
from decoder.weighing import layouts, of_family, options_of, variants_of

FAMILY = "aircooled-platform"
BARE, FLAT, ALL = 3, 1.5, 10  # aims: times the bare sums; times the cost of one "?" for four; times one family for all


def seconds(call, number=20):
    return min(repeat(call, number=number, repeat=7)) / number


def bare_sums(text: str):
    """The sums alone, grids and weights ready: for each template and layout the weight below every knot."""
    how, family, cells = channel("usual"), load_tables()[FAMILY], read(text).cells
    ready = []
    for template in family.templates:
        laid = list(layouts(cells, template.length, how))
        options = [options_of(layout.cells, template, False, how) for layout in laid]
        options = [o for o in options if all(o)]
        if not options:
            continue
        grid = _grid(template)
        weights = np.array([_matrix(grid, o) for o in options])
        ready.append((grid.first, grid.last, weights))

    def sums():
        for first, last, weights in ready:
            lower = np.cumsum(weights, axis=2) - weights
            tails = np.ones((len(weights), weights.shape[1] + 1))
            for i in range(weights.shape[1] - 1, -1, -1):
                tails[:, i] = tails[:, i + 1] * weights[:, i].sum(axis=1)
            for knots in (first, last):
                own = np.ones((len(weights), len(knots)))
                total = np.zeros_like(own)
                for i in range(knots.shape[1]):
                    total += own * lower[:, i, knots[:, i]] * tails[:, i + 1, None]
                    own *= weights[:, i, knots[:, i]]

    return sums


def test_a_doubtful_reading_against_the_same_sums_bare():
    """Over one family, weighing costs at most three times the sums it is made of."""
    how, family = channel("usual"), load_tables()[FAMILY]
    text = "118 31[27] 3?5"
    variants = variants_of(read(text))[:1]
    sums = bare_sums(text)
    weigh = lambda: of_family(family, variants, None, how, False)  # noqa: E731
    sums(), weigh()
    ratio = seconds(weigh) / seconds(sums)
    print(f"a doubtful reading over one family: {ratio:.1f} times the bare sums (aim {BARE})")
    assert ratio <= BARE


def test_the_cost_is_flat_in_the_unreadable_places():
    """Four places that cannot be read cost no more than one."""
    how, family = channel("usual"), load_tables()[FAMILY]
    one, four = (variants_of(read(text))[:1] for text in ("118 31? 345", "118 ?1? ?4?"))
    cost = [seconds(lambda v=v: of_family(family, v, None, how, False)) for v in (one, four)]
    print(f"four unreadable places: {cost[1] / cost[0]:.2f} times one (aim {FLAT})")
    assert cost[1] / cost[0] <= FLAT


def test_all_families_within_ten_times_one():
    """A doubtful reading over every table costs at most ten times one table."""
    text = "118 31[27] 3?5"
    alone = seconds(lambda: decode(text, "pan", families=[FAMILY], doubt="usual"), 5)
    together = seconds(lambda: decode(text, "pan", doubt="usual"), 5)
    print(f"all families: {together / alone:.1f} times one (aim {ALL})")
    assert together / alone <= ALL


def test_a_million_rows_with_doubtful_ones_in_constant_memory():
    """A list decoded in pieces, 5 % of it doubtful, takes the memory of one piece however long it is."""
    piece = [f"11{5 + i % 5}{i % 1_000_000:06d}" for i in range(19_000)] + [f"118 {i % 10}?[38]{i % 1000:03d}" for i in range(1000)]
    decode_many(piece, "pan")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    pieces = 50 if "--all" in sys.argv else 5
    for _ in range(pieces):
        decode_many(piece, "pan")
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    print(f"{pieces * 20_000:,} rows in pieces: memory grew by {grown / 1024:.0f} MiB")
    assert grown < 64 * 1024
