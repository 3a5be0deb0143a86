"""Near: which numbers on record may be the one that somebody could read only badly.

A number on metal is worn, painted over, read from a photograph and typed with one hand. What was typed is then not what
is on record, and a list that compares letters for letters says "not listed" of a car that is on it. Here everything on
record is found that is one slip aside of what was read (a character wrong, missing, too many, or two in each other's
place), or that has the shape of it where characters could not be made out, or, when asked for, that has two characters
wrong. Nothing of that is missed; how likely each is to be the one is said by the decoder's own model of misreading
(``decoder.channel``), and how likely it is that the number is *not on the list* is kept beside it.

How it is looked for depends on what is asked, and on nothing else; forty cars and a million numbers take the same way:

* read with certainty, or with one or two characters open: every number it may be is written out and asked for by the index;
* one slip: the same with every number one slip aside (some 650 of nine characters), so that no index but the one there is needed;
* more characters open, or two wrong: the numbers stand in memory as bytes, a row for each place (``Numbers``), and places are compared;
* many readings at once (``near_many``): beside the bytes each number is kept under what is left of it when one character is
  taken away. Two numbers one slip apart have such a rest in common, so a dozen searches answer what took 650.

What stands in memory belongs to a connection and is made anew when the file has changed. Keys are those of ``number_keys``:
upper-case letters and figures. Nothing here writes, and numpy is imported only where bytes are compared.

>>> weigh("66", "86") > weigh("66", "26") > 0.0
True
>>> parted("UF0283C", "UF0233C")
[{'at': 4, 'asked': '8', 'listed': '3', 'change': 'misread'}]
"""

from __future__ import annotations

import itertools
import sqlite3
import string
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from threading import Lock
from typing import TYPE_CHECKING, Any, NamedTuple

from decoder.channel import AS_READ, EXCHANGED, Channel, channel
from decoder.reading import Cell, Reading, read

if TYPE_CHECKING:
    from decoder.patterns import Family, Tables
    from decoder.weighing import Variant

#: What a key is made of.
CHARACTERS = string.digits + string.ascii_uppercase

#: One slip aside of a key shorter than this is most of what was ever issued: of no use, and not answered.
SHORTEST = 4
#: Two misread characters leave too little of a number shorter than this.
SHORTEST_FURTHER = 7
#: So many numbers are written out and asked for one by one; beyond, bytes in memory are compared.
MOST_WRITTEN_OUT = 1500
#: So many of a reading's own numbers have everything one slip aside of them written out.
MOST_WITH_SLIPS = 10
#: Of more numbers than these the likeliest are named, and the rest counted.
MOST_FOUND = 100
_MOST_COUNTED = 500

# What follows are our own assumptions, shown with every answer that they bear on.
#: How much likelier a number on the list is to be the one asked for than one that is not: a listed car was seen, and of those
#: never listed most are gone. (In the invented scenario one in four of the others is alive.)
LISTED = 4.0
#: What a number no table has issued weighs against one that was; the decoder's own figure for "none of these".
NOT_ISSUED = 0.05
#: A character too many that repeats neither neighbour, as a share of a doubled one: nobody writes what is not there, but lines and
#: rivets are read as figures.
STRAY = 0.1
#: A figure read where a letter stands, or the other way about, and the two look nothing like each other.
OTHER_KIND = 1e-4
#: Figures read from the wrong side where no mark says which side is up.
WRONG_SIDE = 0.1

_UNREAD = Cell("")
_MASK = 2**64 - 1
_FOLD = str.maketrans("OIQ", "010")
_CHUNK = 900  # SQLite takes at least 999 values in one statement, also in old builds


class Pattern(NamedTuple):
    """A reading laid out as one family writes its numbers, or ("" for the family) as it was typed.

    ``cells`` hold what each character was read as, put into the family's alphabet (the O of ``KP O147`` is a 0);
    ``alphabets`` what may stand there at all, "" for anything.
    """

    cells: tuple[Cell, ...]
    alphabets: tuple[str, ...]
    family: str = ""

    @property
    def text(self) -> str:
        """The cells as they would be typed."""
        return "".join(str(cell) for cell in self.cells)

    @property
    def allowed(self) -> tuple[str, ...]:
        """The characters that may stand at each place; "" for any."""
        return tuple(cell.chars or alphabet for cell, alphabet in zip(self.cells, self.alphabets, strict=True))

    @property
    def is_open(self) -> bool:
        """Whether its length is not known."""
        return any(cell.stretch for cell in self.cells)

    @property
    def size(self) -> int:
        """How many numbers it may be."""
        out = 1
        for chars in self.allowed:
            out *= len(chars) or len(CHARACTERS)
        return out

    def at_length(self, length: int) -> Iterator[Pattern]:
        """The pattern with its stretches taken for as many characters as are missing."""
        from decoder.weighing import laid_out

        for cells in laid_out(self.cells, length):
            yield Pattern(cells, ("",) * length, self.family)


def certain(key: str, family: str = "") -> Pattern:
    """The pattern of a key that was read with certainty."""
    return Pattern(tuple(Cell(c) for c in key), ("",) * len(key), family)


def patterns(reading: Reading, on: str | None, tables: Tables) -> list[Pattern]:
    """The ways in which families would write what was read, and, last, what was typed as it stands; each once.

    Families of what it is said to be ``on`` come first, but a number given with the wrong kind is still a number on record, so the
    others are tried as well. A dash taken for a character is not: that is a guess of the decoder's. Where a number fits a
    family as it was typed, no family is tried that takes a letter for a figure of another shape: who typed an S saw an S.
    """
    from decoder.weighing import variants_of

    out: dict[tuple[tuple[Cell, ...], tuple[str, ...]], Pattern] = {}
    exchanged: dict[tuple[tuple[Cell, ...], tuple[str, ...]], Pattern] = {}
    plain = [variant for variant in variants_of(reading) if not variant.guess]
    families = tables.carried_by(on)
    if on:
        families = families + [family for family in tables.carried_by(None) if family not in families]
    for family in families:
        if not family.special:  # a numbering with a decoder of its own: its key is the one that was typed
            for letters_changed, pattern in _written_by(family, plain):
                (exchanged if letters_changed else out).setdefault((pattern.cells, pattern.alphabets), pattern)
    out = out or exchanged
    cells = tuple(_folded(cell) for cell in reading.cells)
    out.setdefault((cells, ()), Pattern(cells, ("",) * len(cells)))
    return list(out.values())


def _written_by(family: Family, variants: Iterable[Variant]) -> Iterator[tuple[bool, Pattern]]:
    """A reading as one family writes its numbers, in the first spelling that fits it; and whether a letter had to be taken for a figure."""
    from decoder.patterns import MOST_EXCHANGED
    from decoder.weighing import laid_out, spellings

    for spelling in itertools.chain.from_iterable(spellings(family, variant) for variant in variants):
        met = False
        is_open = any(cell.stretch for cell in spelling.cells)
        for template in family.templates if is_open else family.of_length(len(spelling.cells)):
            if spelling.scheme not in (None, template.scheme):
                continue
            for laid in laid_out(spelling.cells, template.length) if is_open else (spelling.cells,):
                cells, others, letters = [], 0, False
                for cell, alphabet in zip(laid, template.cells, strict=True):
                    if not cell.chars:
                        cells.append(_UNREAD if cell.stretch else cell)
                    elif len(cell.chars) == 1 and cell.chars in alphabet:
                        cells.append(cell)
                    else:
                        may_be = AS_READ.weights(cell.chars, False, alphabet)
                        if not may_be:
                            break
                        cells.append(cell._replace(chars="".join(c for c, _ in may_be)))
                        if max(weight for _, weight in may_be) <= EXCHANGED:
                            others += 1
                            letters |= cell.chars.isalpha()
                else:
                    if others <= (0 if template.any else MOST_EXCHANGED):
                        met = True
                        yield letters, Pattern(tuple(cells), tuple(template.cells), family.id)
        if met:
            return


def _folded(cell: Cell) -> Cell:
    """O and I for 0 and 1, as plain keys have them (``decoder.spelling``)."""
    chars = cell.chars.translate(_FOLD)
    return cell if chars == cell.chars else cell._replace(chars="".join(dict.fromkeys(chars)))


def completions(pattern: Pattern) -> Iterator[str]:
    """Every number a pattern may be."""
    return ("".join(chars) for chars in itertools.product(*(chars or CHARACTERS for chars in pattern.allowed)))


def turned(pattern: Pattern) -> Pattern | None:
    """The pattern read from the other side; None where a character has no other side, or it reads the same."""
    from decoder.weighing import _flip

    cells = _flip(pattern.cells)
    return None if cells is None or cells == pattern.cells else pattern._replace(cells=cells)


# --- one slip aside -----------------------------------------------------------------------------------------------


def beside(key: str) -> set[str]:
    """Every number one slip aside of ``key``: one character wrong, missing, too many, or two neighbours swapped.

    >>> "KP0147" in beside("KP0174"), "KP0147" in beside("KP147"), "KP0147" in beside("KP0147")
    (True, True, False)
    """
    heads = [key[:i] for i in range(len(key) + 1)]
    tails = [key[i:] for i in range(len(key) + 1)]
    out: set[str] = set()
    for i, head in enumerate(heads):
        tail = tails[i]
        out.update([head + c + tail for c in CHARACTERS])
        if tail:
            rest = tails[i + 1]
            out.update([head + c + rest for c in CHARACTERS])
            out.add(head + rest)
            if rest:
                out.add(head + rest[0] + tail[0] + tails[i + 2])
    out.discard(key)
    out.discard("")
    return out


def parted(asked: str | Sequence[Cell], listed: str) -> list[dict[str, Any]]:
    """Where a reading and a number part, for the carets under two number strips: places counted from 0 along the reading.

    Each has ``asked`` and ``listed`` (the characters there, empty where one side has none) and ``change``: misread, missing,
    extra or swapped. A character that could not be read parts from nothing.

    >>> parted("KP147", "KP0147")
    [{'at': 2, 'asked': '', 'listed': '0', 'change': 'missing'}]
    """
    cells = [Cell(c) for c in asked] if isinstance(asked, str) else list(asked)

    def same(cell: Cell, char: str) -> bool:
        return not cell.chars or char in cell.chars

    shorter = min(len(cells), len(listed))
    start = 0
    while start < shorter and same(cells[start], listed[start]):
        start += 1
    end = 0
    while end < shorter - start and same(cells[-1 - end], listed[-1 - end]):
        end += 1
    here, there = cells[start : len(cells) - end], listed[start : len(listed) - end]
    if not here and not there:
        return []
    if not here or not there:
        typed = "".join(map(str, here))
        return [{"at": start, "asked": typed, "listed": there, "change": "missing" if not here else "extra"}]
    swapped = len(here) == len(there) == 2 and same(here[0], there[1]) and same(here[1], there[0])
    change = "swapped" if swapped else "misread"
    if len(here) != len(there):
        return [{"at": start, "asked": "".join(map(str, here)), "listed": there, "change": change}]
    return [
        {"at": start + i, "asked": str(a), "listed": b, "change": change}
        for i, (a, b) in enumerate(zip(here, there, strict=True))
        if not same(a, b)
    ]


def is_one_slip(asked: str, listed: str) -> bool:
    """Whether two numbers are one slip apart.

    >>> is_one_slip("KP0147", "KP0174"), is_one_slip("KP0147", "KP0258"), is_one_slip("66", "66")
    (True, False, False)
    """
    found = parted(asked, listed)
    if len(found) == 1:
        return len(found[0]["asked"]) <= 1 and len(found[0]["listed"]) <= 1
    return len(found) == 2 and found[0]["change"] == "swapped"


# --- how likely ---------------------------------------------------------------------------------------------------


@lru_cache(maxsize=8)
def _usual(level: str) -> Channel:
    return channel(level)


@lru_cache(maxsize=4096)
def _of_char(how: Channel, chars: str, doubtful: bool, stamped: str) -> float:
    """P(read | stamped) for one character; never 0, since what was typed was typed."""
    if not chars:
        return 1.0
    rate = max(how.rate, how.doubtful_rate) if doubtful else how.rate
    return max(sum(how.likelihood(c, stamped, rate) for c in chars) / len(chars), OTHER_KIND)


def weigh(asked: str | Sequence[Cell], listed: str, how: Channel | None = None) -> float:
    """P(read so | this number is stamped): the product over the characters, for each way in which one slip can have come in.

    ``how`` is the decoder's model of misreading, by default its usual level. The chances of a slip are the decoder's: so often
    a number is read with a character dropped, or doubled, or two swapped, evenly over the places; to that comes a
    stray character (``STRAY``). A swap with a character that could not be made out says nothing, and is left out. 0.0 where the
    lengths are two or more apart.
    """
    how = how or _usual("usual")
    cells = [Cell(c) for c in asked] if isinstance(asked, str) else asked
    n, length = len(cells), len(listed)
    at = lambda i, j: _of_char(how, cells[i].chars, cells[i].doubtful, listed[j])  # noqa: E731  short, and used nine times
    if n == length:
        straight = [at(i, i) for i in range(n)]
        whole = 1.0
        for one in straight:
            whole *= one
        out = (1.0 - 3.0 * how.slip) * whole
        for i in range(n - 1):
            if cells[i].chars and cells[i + 1].chars and cells[i] != cells[i + 1]:
                crossed = at(i, i + 1) * at(i + 1, i)
                out += how.slip / (n - 1) * whole / (straight[i] * straight[i + 1]) * crossed
        return out
    if abs(n - length) != 1:
        return 0.0
    heads, tails = [1.0], [1.0]
    shorter = min(n, length)
    for i in range(shorter):
        heads.append(heads[-1] * at(i, i))
        tails.append(tails[-1] * at(n - 1 - i, length - 1 - i))
    if n < length:
        return sum(how.slip / length * heads[i] * tails[n - i] for i in range(length))
    out = 0.0
    for i in range(n):
        doubles = bool(cells[i].chars) and cells[i].chars in [cells[j].chars for j in (i - 1, i + 1) if 0 <= j < n]
        # A doubled character can be taken away at either of its two places: half for each.
        chance = how.slip / length / 2 if doubles else how.slip * STRAY / n / 10
        out += chance * heads[i] * tails[length - i]
    return out


def chances(
    reading: Reading,
    found: Iterable[Found],
    wanted: Sequence[Pattern],
    shares: dict[str, float],
    tables: Tables,
    how: Channel,
) -> tuple[dict[str, float], float]:
    """How likely each number on record is to be the one read, and how likely it is that none of them is.

    ``shares``: the numbers on record that count, each with how much of a record it is (1.0, or less where the record is itself
    doubtful). As in decoding, families start equal and each counts by the share of what the reading can be, in its pattern, that was
    issued; what no table has issued counts ``NOT_ISSUED``. Within a family a number on the list is ``LISTED`` times as likely beforehand
    as another that was issued. Where the very number is on the list, its family's table is not gone through: all of it counts as issued.
    """
    found = [one for one in found if one.key in shares]
    if not found:
        return {}, 1.0
    weights = {one.key: one.weight for one in found}
    exactly = {one.key for one in found if one.how == "exact"}
    by_family = {pattern.family: 0.0 for pattern in wanted if pattern.family}
    for pattern in wanted:
        by_family[pattern.family] = max(by_family.get(pattern.family, 0.0), _room(pattern, how))
    plain_room = by_family.pop("", 1.0)
    fitting: dict[str, list[str]] = {name: [] for name in by_family}
    homeless = []
    for key in weights:
        at_home = False
        for family in tables:
            if not family.special and any(template.fits(key) for template in family.of_length(len(key))):
                fitting.setdefault(family.id, []).append(key)
                at_home = True
        if not at_home:
            homeless.append(key)
    cells_of = {pattern.family: pattern.cells for pattern in reversed(wanted)}
    listed = {key: 0.0 for key in weights}
    others = 0.0
    for name, keys in fitting.items():
        # Where only a slip brings a reading into a family, a missing character may be any, one too many is one.
        space = by_family.get(name) or (10.0 if any(len(key) > len(reading.cells) for key in keys) else 1.0)
        issued = 1.0
        if not reading.is_certain or not any(key in exactly for key in keys):
            issued = _issued(tables[name], cells_of.get(name, reading.cells), how) / space
        for key in keys:
            listed[key] += weights[key] / space
            issued -= shares[key] * weights[key] / space
        others += max(issued, 0.0)
    for key in homeless:
        listed[key] += weights[key] / plain_room
    rest = 1.0 - sum(shares[key] * listed[key] for key in homeless)
    others += max(rest, 0.0) * (NOT_ISSUED if fitting else 1.0)
    total = others + LISTED * sum(shares[key] * listed[key] for key in listed)
    return {key: LISTED * weight / total for key, weight in listed.items()}, others / total


def _issued(family: Family, cells: tuple[Cell, ...], how: Channel) -> float:
    """What all numbers that a family's table has issued weigh together, those that only a slip brings near included."""
    from decoder.sums import weigh_many
    from decoder.weighing import layouts, options_of

    out = 0.0
    for length in family.lengths:
        laid = list(layouts(cells, length, how))
        for template in family.of_length(length) if laid else ():
            options = [(layout.chance, options_of(layout.cells, template, False, how)) for layout in laid]
            options = [(chance, each) for chance, each in options if all(each)]
            if options:
                totals, _ = weigh_many(template, [each for _, each in options], [chance for chance, _ in options])
                out += sum(chance * total for (chance, _), total in zip(options, totals, strict=True))
    return out


def _room(pattern: Pattern, how: Channel) -> float:
    """What all numbers of a pattern would weigh together, issued or not, none of them with a slip."""
    out = 1.0 - 3.0 * how.slip
    for cell, alphabet in zip(pattern.cells, pattern.alphabets, strict=True):
        # Where nothing says what may stand there, figures are what most numbers are made of.
        alphabet = alphabet or string.digits
        out *= how.of_any(cell.chars, cell.doubtful, alphabet) if cell.chars else len(alphabet)
    return out


def level(name: str, tables: Tables) -> Channel:
    """The decoder's model of misreading at a level of doubt, with the user's own re-readings where there are any."""
    from decoder.decoding import _channel

    return _channel(name, tables)


# --- the numbers in memory ----------------------------------------------------------------------------------------


class _Block:
    """All numbers of one length: ``keys`` in order, and their bytes with a row for each place."""

    def __init__(self, keys: Any, length: int) -> None:
        import numpy as np

        self.keys, self.length = keys, length
        self.places = np.ascontiguousarray(keys.view(np.uint8).reshape(-1, length).T)

    def matching(self, allowed: Sequence[str], wrong: int = 0) -> Any:
        """Which of them have one of ``allowed`` at each place ("" for any), but for at most ``wrong`` places; as indices, in order."""
        import numpy as np

        tests = sorted(((len(chars), i, chars) for i, chars in enumerate(allowed) if chars))
        if wrong == 0:
            start, end = self._beginning(allowed)
            tests = [test for test in tests if not (test[0] == 1 and test[1] < _known(allowed))]
            rows: Any = None
            while tests and (rows is None or len(rows)):
                _, i, chars = tests.pop(0)
                place = self.places[i][start:end] if rows is None else self.places[i][rows]
                hit = _is_one_of(place, chars)
                if rows is None and tests and tests[0][0] == 1:  # two places at once leave one in a hundred of figures
                    _, i, chars = tests.pop(0)
                    hit &= self.places[i][start:end] == ord(chars)
                rows = np.flatnonzero(hit) + start if rows is None else rows[hit]
            return np.arange(start, end) if rows is None else rows
        # After so many places most have too many differences already, and the others are followed alone.
        first, later = tests[: wrong + 2], tests[wrong + 2 :]
        count = np.zeros(len(self.keys), dtype=np.uint8)
        for _, i, chars in first:
            count += ~_is_one_of(self.places[i], chars)
        rows = np.flatnonzero(count <= wrong)
        count = count[rows]
        for _, i, chars in later:
            count = count + ~_is_one_of(self.places[i][rows], chars)
            keep = count <= wrong
            rows, count = rows[keep], count[keep]
        return rows

    def _beginning(self, allowed: Sequence[str]) -> tuple[int, int]:
        """Where in the order of the keys those with the known first characters stand."""
        import numpy as np

        known = "".join(allowed[: _known(allowed)]).encode("ascii")
        if not known:
            return 0, len(self.keys)
        above = known[:-1] + bytes([known[-1] + 1])
        wide = self.keys.dtype
        return (
            int(np.searchsorted(self.keys, np.array(known, dtype=wide))),
            int(np.searchsorted(self.keys, np.array(above, dtype=wide))),
        )


def _known(allowed: Sequence[str]) -> int:
    return next((i for i, chars in enumerate(allowed) if len(chars) != 1), len(allowed))


def _is_one_of(place: Any, chars: str) -> Any:
    import numpy as np

    if len(chars) <= 3:
        hit = place == ord(chars[0])
        for c in chars[1:]:
            hit |= place == ord(c)
        return hit
    table = np.zeros(256, dtype=bool)
    table[[ord(c) for c in chars]] = True
    return table[place]


class _Rests:
    """Every number under its own hash and under that of each rest it leaves when one character is taken away, in order."""

    def __init__(self, blocks: Sequence[_Block]) -> None:
        import numpy as np

        longest = max((block.length for block in blocks), default=0) + 1
        # The same in every run; what the hashes find is compared character by character afterwards.
        self.factors = np.random.default_rng(1971).integers(1, 2**63, longest + 2, dtype=np.uint64) * 2 + 1
        self.lengths = np.random.default_rng(1968).integers(1, 2**63, longest + 2, dtype=np.uint64)
        self._factors, self._lengths = self.factors.tolist(), self.lengths.tolist()
        self.keys = [block.keys for block in blocks]
        self.starts = np.cumsum([0, *(len(block.keys) for block in blocks)])
        hashes, rows = [], []
        for block, start in zip(blocks, self.starts, strict=False):
            own = np.arange(start, start + len(block.keys), dtype=np.uint32)
            for one in self._hashes(block.places):
                hashes.append(one)
                rows.append(own)
        joined = np.concatenate(hashes) if hashes else np.zeros(0, dtype=np.uint64)
        order = np.argsort(joined)
        self.hashes = joined[order]
        self.rows = (np.concatenate(rows) if rows else np.zeros(0, dtype=np.uint32))[order]

    def _hashes(self, places: Any) -> Iterator[Any]:
        """The hashes of numbers, given their bytes with a row for each place: whole, and without each place in turn."""
        import numpy as np

        n = len(places)
        whole = np.full(places.shape[1], self.lengths[n])
        rest = np.full(places.shape[1], self.lengths[n - 1])
        for i, place in enumerate(places):
            whole += place * self.factors[i]
            if i:
                rest += place * self.factors[i - 1]
        yield whole
        for i, place in enumerate(places):
            yield rest.copy()
            if i < n - 1:  # the next place moves back to where this one was
                rest += place * self.factors[i]
                rest -= places[i + 1] * self.factors[i]

    def one_slip(self, key: str) -> list[str]:
        """The numbers one slip aside of ``key``, in order."""
        import numpy as np

        n = len(key)
        if n + 1 >= len(self.factors):
            return []
        # The same sums as in _hashes, in whole numbers: of one number that is quicker than in arrays.
        codes, factors = key.encode("ascii"), self._factors
        rest = self._lengths[n - 1] + sum(map(int.__mul__, codes[1:], factors))
        asked = [self._lengths[n] + sum(map(int.__mul__, codes, factors)), rest]
        for i in range(n - 1):
            rest += (codes[i] - codes[i + 1]) * factors[i]
            asked.append(rest)
        sought = np.array([one & _MASK for one in asked], dtype=np.uint64)
        found: set[int] = set()
        for at, one in zip(np.searchsorted(self.hashes, sought).tolist(), sought, strict=True):
            while at < len(self.hashes) and self.hashes[at] == one:
                found.add(int(self.rows[at]))
                at += 1
        near = (self._key(row) for row in sorted(found))
        return [other for other in near if is_one_slip(key, other)]

    def _key(self, row: int) -> str:
        import numpy as np

        block = int(np.searchsorted(self.starts, row, side="right")) - 1
        return bytes(self.keys[block][row - int(self.starts[block])]).decode("ascii")


class Numbers:
    """Every number on record, once, in memory. ``numbers`` keeps one for a connection; ``len`` says how many."""

    def __init__(self, keys: Iterable[str]) -> None:
        import numpy as np

        by_length: dict[int, list[str]] = {}
        for key in keys:
            by_length.setdefault(len(key), []).append(key)
        self.blocks = {
            length: _Block(np.unique(np.array([key for key in some if key.isascii()], dtype=f"S{length}")), length)
            for length, some in sorted(by_length.items())
            if length
        }
        self._rests: _Rests | None = None

    def __len__(self) -> int:
        return sum(len(block.keys) for block in self.blocks.values())

    def matching(self, pattern: Pattern, wrong: int = 0) -> list[str]:
        """The numbers that a pattern may be, in no order; with ``wrong``, also those that part from it in so many places."""
        found: set[str] = set()
        for length, rows in self._rows(pattern, wrong):
            found.update(self.blocks[length].keys[rows].astype(str).tolist())
        return list(found)

    def shaped(self, wanted: Sequence[Pattern]) -> tuple[dict[str, Pattern], int]:
        """The numbers that one of the patterns may be, each with the first that fits, and how many there are in all.

        Of very many (``_MOST_COUNTED``) only some from the beginning are named: such a reading says next to nothing.
        """
        import numpy as np

        rows: dict[int, list[tuple[Pattern, Any]]] = {}
        for pattern in wanted:
            for length, found in self._rows(pattern):
                rows.setdefault(length, []).append((pattern, found))
        count = sum(
            len(found[0][1] if len(found) == 1 else np.unique(np.concatenate([r for _, r in found])))
            for found in rows.values()
        )
        most = MOST_FOUND if count > _MOST_COUNTED else count
        named: dict[str, Pattern] = {}
        for length, each in rows.items():
            for pattern, found in each:
                for key in self.blocks[length].keys[found[:most]].astype(str).tolist():
                    named.setdefault(key, pattern)
        return named, count

    def _rows(self, pattern: Pattern, wrong: int = 0) -> Iterator[tuple[int, Any]]:
        for one in self._laid(pattern):
            if (block := self.blocks.get(len(one.cells))) is not None:
                yield block.length, block.matching(one.allowed, wrong)

    def _laid(self, pattern: Pattern) -> Iterator[Pattern]:
        if not pattern.is_open:
            yield pattern
            return
        for length in self.blocks:
            yield from pattern.at_length(length)

    def one_slip(self, pattern: Pattern) -> list[str]:
        """The numbers one slip aside of any that a pattern may be, those that it may be included."""
        found: set[str] = set()
        for one in self._laid(pattern):
            cells, alphabets = one.cells, one.alphabets
            found.update(self.matching(Pattern(cells, alphabets), wrong=1))
            anything = Cell("")
            for i in range(len(cells) + 1):
                longer = (*cells[:i], anything, *cells[i:])
                found.update(self.matching(Pattern(longer, (*alphabets[:i], "", *alphabets[i:]))))
            for i in range(len(cells)):
                if len(cells) > 1:
                    shorter = (*cells[:i], *cells[i + 1 :])
                    found.update(self.matching(Pattern(shorter, (*alphabets[:i], *alphabets[i + 1 :]))))
                if i + 1 < len(cells) and cells[i] != cells[i + 1]:
                    crossed = (*cells[:i], cells[i + 1], cells[i], *cells[i + 2 :])
                    sides = (*alphabets[:i], alphabets[i + 1], alphabets[i], *alphabets[i + 2 :])
                    found.update(self.matching(Pattern(crossed, sides)))
        return sorted(found)

    @property
    def rests(self) -> _Rests:
        """The deletion neighbourhood; built when it is first asked for (of a million numbers of nine characters 120 MB)."""
        if self._rests is None:
            self._rests = _Rests(list(self.blocks.values()))
        return self._rests

    @property
    def has_rests(self) -> bool:
        return self._rests is not None


#: Numbers in memory for the connections that asked last. sqlite3 connections cannot be referred to weakly, so a few are held.
_MOST_KEPT = 4
_kept: list[tuple[sqlite3.Connection, tuple[int, int], Numbers]] = []
_lock = Lock()


def _state(conn: sqlite3.Connection) -> tuple[int, int]:
    """Moves whenever the file may have changed: by others (data_version) or through this connection (total_changes)."""
    (version,) = conn.execute("PRAGMA data_version").fetchone()
    return version, conn.total_changes


def kept(conn: sqlite3.Connection) -> Numbers | None:
    """The numbers that stand in memory for this connection, if they are still those of the file."""
    with _lock:
        mine = [one for one in _kept if one[0] is conn]
    return mine[0][2] if mine and mine[0][1] == _state(conn) else None


def numbers(conn: sqlite3.Connection) -> Numbers:
    """Every number on record, from memory where the file has not changed since.

    What is read in the middle of a transaction may yet be taken back, so it is not kept.
    """
    if (found := kept(conn)) is not None:
        return found
    state = _state(conn)
    made = Numbers(key for (key,) in conn.execute("SELECT DISTINCT key FROM number_keys"))
    if not conn.in_transaction:
        with _lock:
            _kept[:] = [(conn, state, made), *(one for one in _kept if one[0] is not conn)][:_MOST_KEPT]
    return made


# --- what is asked ------------------------------------------------------------------------------------------------


def on_record(conn: sqlite3.Connection, keys: Iterable[str]) -> list[str]:
    """Those of ``keys`` that are on record, by the index."""
    out: list[str] = []
    wanted = list(keys)
    for start in range(0, len(wanted), _CHUNK):
        some = wanted[start : start + _CHUNK]
        marks = ",".join("?" * len(some))
        out += [key for (key,) in conn.execute(f"SELECT DISTINCT key FROM number_keys WHERE key IN ({marks})", some)]
    return out


def one_slip(conn: sqlite3.Connection, key: str, held: Numbers | None = None) -> list[str]:
    """The numbers on record one slip aside of ``key``: from the deletion neighbourhood where it stands in memory, else by the index."""
    held = held or (kept(conn) if _kept else None)
    return held.rests.one_slip(key) if held is not None and held.has_rests else on_record(conn, beside(key))


@dataclass(slots=True)
class Found:
    """A number on record that may be the one read. ``how``: exact, near (one slip), further (two misread) or turned.

    ``weight`` is P(read so | this number is stamped).
    """

    key: str
    how: str
    pattern: Pattern
    weight: float = 0.0

    @property
    def differs(self) -> list[dict[str, Any]]:
        """Where it parts from the reading (``parted``); a number read from the wrong side parts as a whole."""
        if self.how == "turned":
            return [{"at": 0, "asked": self.pattern.text, "listed": self.key, "change": "turned"}]
        return parted(self.pattern.cells, self.key) if self.how != "exact" else []


@dataclass(slots=True)
class Looked:
    """What was found, and by which patterns it was looked for."""

    found: list[Found] = field(default_factory=list)
    patterns: list[Pattern] = field(default_factory=list)
    #: How many more the reading may be than are named (``MOST_FOUND``).
    more: int = 0


def look(
    conn: sqlite3.Connection,
    reading: Reading | str,
    on: str | None = None,
    tables: Tables | None = None,
    *,
    near: bool = True,
    further: bool = False,
    how: Channel | None = None,
    held: Numbers | None = None,
) -> Looked:
    """The numbers on record that may be the one read, likeliest first.

    ``near``: also those one slip aside; ``further``: also those with two misread characters (of numbers of ``SHORTEST_FURTHER`` and
    more). ``tables`` are the families by which spellings count as one; without them the reading is taken as it was typed. ``held``
    are numbers that stand in memory already, taken as they are. Raises MalformedReading.
    """
    from decoder.patterns import Tables as Families

    reading = read(reading) if isinstance(reading, str) else reading
    tables = tables if tables is not None else Families({})
    wanted = patterns(reading, on, tables)
    out = Looked(patterns=wanted)
    met: dict[str, Found] = {}

    def meet(key: str, how_found: str, pattern: Pattern) -> None:
        old = met.get(key)
        if old is None or (
            old.how == how_found and weigh(pattern.cells, key, how) > weigh(old.pattern.cells, key, how)
        ):
            met[key] = Found(key, how_found, pattern)

    written = [pattern for pattern in wanted if not pattern.is_open and pattern.size <= MOST_WRITTEN_OUT]
    size = sum(pattern.size for pattern in written)
    asked = (
        {key: pattern for pattern in reversed(written) for key in completions(pattern)}
        if size <= MOST_WRITTEN_OUT
        else {}
    )
    by_index = len(written) == len(wanted) and bool(asked)
    if by_index:
        for key in on_record(conn, asked):
            meet(key, "exact", asked[key])
    else:
        held = held or numbers(conn)
        shaped, count = held.shaped(wanted)
        for weight, key, pattern in _weighed(shaped, how)[:MOST_FOUND]:
            met[key] = Found(key, "exact", pattern, weight)
        out.more = count - len(met)
    exactly = bool(met)

    long_enough = [pattern for pattern in wanted if pattern.is_open or len(pattern.cells) >= SHORTEST]
    open_places = min((sum(not cell.chars for cell in pattern.cells) for pattern in wanted), default=0)
    if near:
        if by_index and len(asked) <= MOST_WITH_SLIPS:
            for key, pattern in asked.items():
                if len(key) >= SHORTEST:
                    for other in one_slip(conn, key, held):
                        if other not in asked:
                            meet(other, "near", pattern)
        elif not exactly or (open_places <= 2 and not any(pattern.is_open for pattern in wanted)):
            held = held or numbers(conn)
            for pattern in long_enough:
                if not pattern.is_open:
                    for key in held.one_slip(pattern):
                        meet(key, "near", pattern)
        for pattern in wanted:
            if pattern.family and tables[pattern.family].turned and (other_side := turned(pattern)) is not None:
                for key in on_record(conn, itertools.islice(completions(other_side), MOST_WRITTEN_OUT)):
                    meet(key, "turned", pattern)
    if further:
        held = held or numbers(conn)
        for pattern in long_enough:
            if not pattern.is_open and len(pattern.cells) >= SHORTEST_FURTHER:
                for key in held.matching(pattern, wrong=2):
                    meet(key, "further", pattern)
    for one in met.values():
        if one.weight:
            continue
        if one.how == "turned":
            side = turned(one.pattern)
            one.weight = WRONG_SIDE * weigh(side.cells if side else one.pattern.cells, one.key, how)
        else:
            one.weight = weigh(one.pattern.cells, one.key, how)
    out.found = sorted(met.values(), key=lambda one: (one.how != "exact", -one.weight, one.key))
    return out


def laid_for(pattern: Pattern, key: str) -> Pattern:
    """The pattern as it lies in a number that it may be: stretches have their length there."""
    if pattern.is_open:
        return next((one for one in pattern.at_length(len(key)) if not parted(one.cells, key)), pattern)
    return pattern


def _weighed(shaped: dict[str, Pattern], how: Channel | None) -> list[tuple[float, str, Pattern]]:
    """(weight, key, pattern as it lies in it) of numbers that a reading may be, likeliest first.

    What tells them apart are the places that were made out; so most weights are had already.
    """
    lying: dict[tuple[int, int], tuple[list[Pattern], list[list[int]]]] = {}
    weights: dict[tuple[int, int, int, str], float] = {}
    out = []
    for key, pattern in shaped.items():
        place = (id(pattern), len(key))
        if place not in lying:
            ways = list(pattern.at_length(len(key))) if pattern.is_open else [pattern]
            lying[place] = (ways, [[i for i, cell in enumerate(way.cells) if cell.chars] for way in ways])
        ways, made_out = lying[place]
        n = 0 if len(ways) == 1 else next(n for n, way in enumerate(ways) if not parted(way.cells, key))
        mark = (*place, n, "".join([key[i] for i in made_out[n]]))
        weight = weights.get(mark)
        if weight is None:
            weight = weights[mark] = weigh(ways[n].cells, key, how)
        out.append((weight, key, ways[n]))
    return sorted(out, key=lambda one: (-one[0], one[1]))


def near_many(
    conn: sqlite3.Connection,
    readings: Iterable[str],
    on: str | None = None,
    tables: Tables | None = None,
    *,
    how: Channel | None = None,
) -> Iterator[list[Found]]:
    """For each reading what ``look`` finds, with everything on record laid ready once: for imports and whole lists.

    The order is that of ``readings``. What is recorded while the list is gone through is not seen: compare a list with itself
    by recording it first. Raises MalformedReading at one that is no reading; whoever takes a list in reads the numbers first.
    """
    held = numbers(conn)
    _ = held.rests  # built here, once
    for reading in readings:
        yield look(conn, reading, on, tables, how=how, held=held).found
