"""How long it takes to date a car, against a bare Floyd-Warshall in numpy on the same graph, in one run."""

from __future__ import annotations

import random
from timeit import repeat

import numpy as np
import pytest

from decoder.dating import EVENTS, RULES, Event, Rule, reconcile, statement

TIMES = 50  # the aim: dating 40 papers takes at most so many times the bare loops

#: Years in which each event may lie without a conflict.
YEARS = {
    "pan_made": 1960,
    "body_moulded": 1962,
    "plate_issued": 1963,
    "assembled": 1965,
    "first_registered": 1967,
}


def forty_papers(events=EVENTS, years=YEARS):
    chance = random.Random(1971)
    stated = []
    for ref in range(40):
        name = list(years)[ref % len(years)]
        year = years[name]
        span = f"{year - chance.randint(1, 3)}-0{chance.randint(1, 9)}/{year + chance.randint(1, 3)}-0{chance.randint(1, 9)}"
        relation = chance.choice(["equals", "not before", "not after"])
        stated.append(statement(name, relation, span, ref=ref, events=events))
    return stated


def bare(size, edges):
    """The shortest paths alone, as numpy does them: one step for each point in between."""
    start = np.full((size, size), np.inf)
    np.fill_diagonal(start, 0)
    for i, j, weight in edges:
        start[i, j] = min(start[i, j], weight)

    def loops():
        distance = start.copy()
        for between in range(size):
            distance = np.minimum(distance, distance[:, between, None] + distance[None, between, :])
        return distance

    return loops


def edges_of(events, rules, stated):
    """The same graph: a point for the calendar's start, one for each event, an edge for each rule and bound."""
    place = {event.name: index + 1 for index, event in enumerate(events)}
    edges = [(place[rule.then], place[rule.before], -rule.at_least) for rule in rules]
    for each in stated:
        at = place[each.about]
        if each.relation != "not before":
            edges.append((0, at, each.span.latest.toordinal()))
        if each.relation != "not after":
            edges.append((at, 0, -each.span.earliest.toordinal()))
    return edges


def seconds(call, number=50):
    return min(repeat(call, number=number, repeat=5)) / number


CHAIN = tuple(Event(f"no{n}", f"No. {n}", f"no. {n} was moulded") for n in range(40))
IN_ORDER = tuple(Rule(f"no{n}", f"no{n + 1}", "numbers were given out in order") for n in range(39))


@pytest.mark.parametrize(
    ("what", "events", "rules", "stated"),
    [
        ("40 papers of one car", EVENTS, RULES, forty_papers()),
        (
            "40 papers in a chain",
            CHAIN,
            IN_ORDER,
            forty_papers(CHAIN, {f"no{n}": 1930 + n for n in range(40)}),
        ),
    ],
)
def test_dating(what, events, rules, stated):
    dated = reconcile(stated, events=events, rules=rules)
    assert not dated.conflicts
    loops = bare(len(events) + 1, edges_of(events, rules, stated))
    assert np.diagonal(loops()).min() >= 0
    ours, theirs = seconds(lambda: reconcile(stated, events=events, rules=rules)), seconds(loops)
    print(
        f"\ndating, {what}: {ours * 1000:.2f} ms, {ours / theirs:.0f} times bare numpy loops (aim at most {TIMES})"
    )
    assert ours <= TIMES * theirs
