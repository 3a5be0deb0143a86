"""The weight of stretches of numbers, summed place by place, for many layouts of a reading at once.

See ``decoder.weighing`` for what is summed. The knots of a template are laid out once as a grid of characters; a layout is a matrix
of weights, one row a place; a sum over all knots and layouts is then one multiplication a place.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from decoder.patterns import Segment, Template

Options = Sequence[tuple[str, float]]


class _Grid:
    """The knots of a template: for each segment the characters of its first and its last number, as indices into the alphabets."""

    def __init__(self, template: Template) -> None:
        self.places = [i for a, b in template.ordered for i in range(a, b)]
        self.alphabets = [template.cells[i] for i in self.places]
        self.width = max(map(len, self.alphabets), default=1)
        self.segments: list[Segment] = []
        firsts: list[str] = []
        lasts: list[str] = []
        for first, last, indices in template.tracks:
            firsts += first
            lasts += last
            self.segments += [template.family.segment(i) for i in indices]
        self.first, self.last = self._indices(firsts), self._indices(lasts)
        self.density = np.array([s.density for s in self.segments])
        if template.checks:
            self._numbers(template, firsts, lasts)

    def _indices(self, texts: list[str]) -> Any:
        out = np.empty((len(texts), len(self.places)), dtype=np.intp)
        for i, alphabet in enumerate(self.alphabets):
            index = {c: n for n, c in enumerate(alphabet)}
            out[:, i] = [index[t[i]] for t in texts]
        return out

    def _numbers(self, template: Template, firsts: list[str], lasts: list[str]) -> None:
        """Every issued number, where a check letter hangs on it: the maker made few enough to go through."""
        at, mod, letters, of = template.checks[0]
        width = template.running[1] - template.running[0] if template.running else 0
        texts: list[str] = []
        self.of_segment = []
        for n, (first, last) in enumerate(zip(firsts, lasts, strict=True)):
            block = first[: len(first) - width]
            for running in range(int(first[-width:]), int(last[-width:]) + 1):
                texts.append(block + format(running, f"0{width}d"))
                self.of_segment.append(n)
        self.numbers = self._indices(texts)
        positions = [self.places.index(i) for i in of]
        self.letter_of = np.array([int("".join(t[p] for p in positions)) % mod for t in texts], dtype=np.intp)
        self.check = (at, letters[:mod])


def _grid(template: Template) -> _Grid:
    if template._grid is None:
        template._grid = _Grid(template)
    grid: _Grid = template._grid
    return grid


@lru_cache(maxsize=4096)
def _vector(option: tuple[tuple[str, float], ...], alphabet: str, width: int) -> Any:
    """The weights of one place as a row: a column a character of its alphabet, noughts to ``width``."""
    given = dict(option)
    return np.array([given.get(c, 0.0) for c in alphabet] + [0.0] * (width - len(alphabet)))


def _matrix(grid: _Grid, options: Sequence[Options]) -> list[Any]:
    """Weights of a layout: a row a place."""
    return [
        _vector(tuple(options[place]), alphabet, grid.width)
        for place, alphabet in zip(grid.places, grid.alphabets, strict=True)
    ]


def _free(template: Template, options: Sequence[Options]) -> float:
    """The weight of what stands outside the order: codes, literals, free characters."""
    value = 1.0
    for a, b, codes in template.codes:
        part = 0.0
        for code in codes:
            weight = 1.0
            for i, c in zip(range(a, b), code, strict=True):
                weight *= dict(options[i]).get(c, 0.0)
            part += weight
        value *= part
    for i in template.any:
        value *= sum(w for _, w in options[i])
    for i, c in template.literals:
        value *= dict(options[i]).get(c, 0.0)
    return value


def segment_weights(template: Template, layouts: Sequence[Sequence[Options]]) -> Any:
    """The weight of each segment's numbers in each layout: an array of layouts by segments (numbers count once, density aside)."""
    grid = _grid(template)
    # A template may have no ordered place at all (an engine's letter and figures): then every number is in its one segment.
    weights = np.array([_matrix(grid, options) for options in layouts]).reshape(
        len(layouts), len(grid.places), grid.width
    )
    free = np.array([_free(template, options) for options in layouts])
    if template.checks:
        return free[:, None] * _through_numbers(grid, weights, layouts)
    if not grid.places:  # nothing is in order here: the codes and free characters are all there is
        return np.repeat(free[:, None], len(grid.segments), axis=1)
    lower = np.cumsum(weights, axis=2) - weights
    tails = np.ones((len(layouts), len(grid.places) + 1))
    for i in range(len(grid.places) - 1, -1, -1):
        tails[:, i] = tails[:, i + 1] * weights[:, i].sum(axis=1)

    def below(knots: Any, inclusive: bool) -> Any:
        own = np.ones((len(layouts), len(knots)))
        total = np.zeros_like(own)
        for i in range(knots.shape[1]):
            total += own * lower[:, i, knots[:, i]] * tails[:, i + 1, None]
            own *= weights[:, i, knots[:, i]]
        return total + own if inclusive else total

    return free[:, None] * np.maximum(below(grid.last, True) - below(grid.first, False), 0.0)


def _through_numbers(grid: _Grid, weights: Any, layouts: Sequence[Sequence[Options]]) -> Any:
    at, letters = grid.check
    out = np.zeros((len(layouts), len(grid.segments)))
    for j, options in enumerate(layouts):
        own = np.ones(len(grid.numbers))
        for i in range(grid.numbers.shape[1]):
            own *= weights[j, i, grid.numbers[:, i]]
        letter = dict(options[at])
        own *= np.array([letter.get(c, 0.0) for c in letters])[grid.letter_of]
        np.add.at(out[j], grid.of_segment, own)
    return out


def weigh_many(
    template: Template, layouts: Sequence[Sequence[Options]], chances: Sequence[float]
) -> tuple[list[float], list[tuple[Segment, float]]]:
    """The weight of each layout, and of each segment with the layouts' chances in it (what weighs nothing is left out)."""
    grid = _grid(template)
    weights = segment_weights(template, layouts) * grid.density
    together = np.asarray(chances) @ weights
    pairs = [(grid.segments[n], float(together[n])) for n in np.flatnonzero(together > 0.0).tolist()]
    return weights.sum(axis=1).tolist(), pairs
