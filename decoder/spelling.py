"""Spellings: one number is written in many ways, and a list must find it in all of them.

A *key* is the number as its family would write it, without spaces: ``KP O147``, ``KP147`` and ``147 KP`` all have the key
``KP0147``. A number that fits no family keeps its letters and figures, with O and I taken for 0 and 1, under the family
``""``. A doubtful reading has a key for each number it can be, up to ``MOST_KEYS`` a family.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import NamedTuple

from decoder.channel import AS_READ, LOOK_ALIKE, SAME_GLYPH, as_read
from decoder.patterns import Family, Tables, Template, load_tables
from decoder.reading import Cell, read
from decoder.weighing import Variant, laid_out, products, spellings, variants_of

#: Changes when a key is made differently, so that a registry knows which of its keys to make again.
RULE = "1"
MOST_KEYS = 200
_FOLD = str.maketrans("OIQ", "010")


class Key(NamedTuple):
    family: str
    key: str
    certain: bool


def keys(text: str, on: str | None = None, tables: Tables | None = None) -> list[Key]:
    """The keys of a reading, those of families first, the plain one last.

    A number outside a family's rows still gets the family's key where its pattern fits: a list holds numbers no table knows.
    Raises MalformedReading.
    """
    tables = tables or load_tables()
    reading = read(text)
    out: dict[tuple[str, str], Key] = {}
    for family in tables.carried_by(on):
        if family.special:  # a numbering with a decoder of its own: its key is the plain one
            continue
        for variant in variants_of(reading):
            if variant.guess:
                continue
            for number in itertools.islice(_of(family, variant), MOST_KEYS):
                out.setdefault((family.id, number), Key(family.id, number, reading.is_certain))
    for number in _plain(reading.cells):
        out.setdefault(("", number), Key("", number, reading.is_certain))
    return list(out.values())


def _of(family: Family, variant: Variant) -> Iterator[str]:
    for spelling in spellings(family, variant):
        found = False
        for template in family.templates:
            if spelling.scheme not in (None, template.scheme):
                continue
            for laid in laid_out(spelling.cells, template.length):
                options = [
                    AS_READ.weights(cell.chars, False, alphabet)
                    for cell, alphabet in zip(laid, template.cells, strict=True)
                ]
                if not all(options):
                    continue
                size = 1
                for option in options:
                    size *= len(option)
                if size > MOST_KEYS:
                    continue
                for text, _weight in products(options):
                    if template.fits(text):
                        found = True
                        yield text
        if found:
            return


def _plain(cells: tuple[Cell, ...]) -> Iterator[str]:
    size = 1
    for cell in cells:
        size *= len(cell.chars) or (36 if not cell.stretch else MOST_KEYS + 1)
    if size > 40:
        return
    for text, _ in products(
        [tuple((c, 1.0) for c in (cell.chars or "0123456789ABCDEFGHJKLMNPRSTUVWXYZ")) for cell in cells]
    ):
        yield text.translate(_FOLD)


def neighbours(key: str, tables: Tables | None = None, family: str = "") -> Iterator[str]:
    """Every key one misread, dropped, doubled or swapped character away from ``key``; each once, ``key`` itself not.

    With a family, a character is exchanged only for one that can stand in its place; without, for a figure or, where a letter
    stands, a letter.
    """
    if not key:
        return
    alphabets = _alphabets(key, tables, family)
    seen = {key}
    for n, c in enumerate(key):
        for other in alphabets[n]:
            if other != c:
                yield from _once(key[:n] + other + key[n + 1 :], seen)
    for n in range(len(key)):
        yield from _once(key[:n] + key[n + 1 :], seen)
        if n + 1 < len(key):
            yield from _once(key[:n] + key[n + 1] + key[n] + key[n + 2 :], seen)
    for n in range(len(key) + 1):
        for other in alphabets[min(n, len(key) - 1)]:
            yield from _once(key[:n] + other + key[n:], seen)


def _once(text: str, seen: set[str]) -> Iterator[str]:
    if text and text not in seen:
        seen.add(text)
        yield text


def _alphabets(key: str, tables: Tables | None, family: str) -> list[str]:
    if family and tables is not None and family in tables:
        templates: list[Template] = [t for t in tables[family].templates if t.length == len(key)]
        if templates:
            return ["".join(sorted(set().union(*(t.cells[i] for t in templates)))) for i in range(len(key))]
    letters = "ABCDEFGHJKLMNPRSTUVWXYZ"
    return [("0123456789" if c.isdigit() else letters) + SAME_GLYPH.get(c, "") + LOOK_ALIKE.get(c, "") for c in key]


def reads_as(char: str, alphabet: str) -> bool:
    """Whether ``char`` can stand for one of ``alphabet`` by look-alike."""
    return bool(as_read(char, alphabet))
