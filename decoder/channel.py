"""What may have been stamped where something else was read: a model of misreading.

``P(read | stamped)`` for one character: most of the time it is read right; when not, mostly as one of those it looks like. And for
the number as a whole: now and then a character is dropped, one is doubled, or two neighbours change places. This is the noisy
channel of Kernighan, Church & Gale (COLING 1990) with a confusion table for stamped figures. No counts for stamped metal have been
published; ``tables/confusion.yml`` names where its pairs come from and that its rates are our own assumption. A shop that reads
numbers again counts its own.

At the level ``none`` a character is taken as read. A letter where only figures can stand, and the other way about, is always read as
its look-alike (O for 0): that is typing rather than metal.

>>> usual = channel("usual")
>>> weights = dict(usual.weights("3", False, "0123456789"))
>>> weights["3"], weights["8"] > 5 * weights["2"]
(0.97, True)
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from decoder.errors import DecoderError

LEVELS = ("none", "low", "usual", "high")

#: One glyph in most stampings: which of the two it is, the place in the number says. Machine plate readers' equivalence groups
#: {0 O D Q} {1 I} (vendor documentation, ALPR matcher, OCR equivalence).
SAME_GLYPH = {"O": "0", "I": "1", "Q": "0", "0": "OQ", "1": "I"}
#: Alike, but two shapes: groups {0 D} {2 Z} {5 S} {8 B} {6 G} of the same source, and L for 1 (Crockford's Base32, from memory).
LOOK_ALIKE = {
    "D": "0", "L": "1", "Z": "2", "S": "5", "B": "8", "G": "6", "0": "D", "1": "L", "2": "Z", "5": "S", "8": "B", "6": "G",
}  # fmt: skip

#: How much a reading counts when a character of another shape has to be taken for what was typed. Own assumption: it keeps a
#: family that needs no such change ahead of one that does.
EXCHANGED = 0.1

_FIGURES, _LETTERS = "0123456789", "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@lru_cache(maxsize=4096)
def as_read(char: str, alphabet: str) -> tuple[tuple[str, float], ...]:
    """The characters of ``alphabet`` that ``char`` stands for when it is taken as read, with their weights."""
    if char in alphabet:
        return ((char, 1.0),)
    same = [c for c in SAME_GLYPH.get(char, "") if c in alphabet]
    if same:
        return tuple((c, 1.0 / len(same)) for c in same)
    alike = [c for c in LOOK_ALIKE.get(char, "") if c in alphabet]
    return tuple((c, EXCHANGED / len(alike)) for c in alike)


class Channel:
    """How numbers are misread at one level of doubt.

    ``rate``: the chance that a character is misread. ``slip``: the chance that a number has a character dropped (and the same for
    one doubled, and for two neighbours swapped). ``counts``: own re-readings, stamped character to read character to how often.
    """

    def __init__(
        self, level: str, data: Mapping[str, object], counts: Mapping[str, Mapping[str, int]] | None = None
    ) -> None:
        rates, pairs = data["rates"], data["pairs"]
        assert isinstance(rates, dict) and isinstance(pairs, list)
        self.level = level
        self.rate = float(rates[level])
        self.slip = self.rate * float(str(data["slips"]))
        self.doubtful_rate = float(str(data["doubtful_rate"]))
        self._share = float(str(data["share_of_pairs"]))
        self._table_weight = float(str(data["weight_of_table"]))
        self._counts = counts or {}
        self._partners: dict[str, str] = {}
        for one in pairs:
            a, b = one["pair"]
            self._partners[a] = self._partners.get(a, "") + b
            self._partners[b] = self._partners.get(b, "") + a
        self._cache: dict[tuple[str, bool, str], tuple[tuple[str, float], ...]] = {}
        self._any: dict[tuple[str, bool, str], float] = {}

    def likelihood(self, read: str, stamped: str, rate: float) -> float:
        """P(read | stamped) for one character, at this rate of misreading."""
        if read == stamped or stamped in SAME_GLYPH.get(read, ""):
            base = 1.0 - rate
        else:
            partners = self._partners.get(stamped, "")
            kind = _FIGURES if stamped in _FIGURES else _LETTERS
            others = [c for c in kind if c != stamped and c not in partners]
            if read in partners:
                base = rate * (self._share if others else 1.0) / len(partners)
            else:
                base = rate * ((1.0 - self._share) if partners else 1.0) / len(others) if read in others else 0.0
        seen = self._counts.get(stamped)
        if not seen or rate == 0.0:
            return base
        return (self._table_weight * base + seen.get(read, 0)) / (self._table_weight + sum(seen.values()))

    def weights(
        self, chars: str, doubtful: bool, alphabet: str, exactly: bool = False
    ) -> tuple[tuple[str, float], ...]:
        """What may be stamped where ``chars`` was read: the characters of ``alphabet`` with their weights.

        ``chars`` empty: nothing could be made out, all weigh alike. Several: it is one of them. ``exactly``: no look-alikes.
        """
        if not chars:
            return tuple((c, 1.0) for c in alphabet)
        rate = max(self.rate, self.doubtful_rate) if doubtful else self.rate
        if rate == 0.0:
            direct = tuple((c, 1.0) for c in chars if c in alphabet)
            return direct if direct or exactly else tuple(a for c in chars for a in as_read(c, alphabet))
        key = (chars, doubtful, alphabet)
        found = self._cache.get(key)
        if found is None:
            weighed = ((s, sum(self.likelihood(r, s, rate) for r in chars) / len(chars)) for s in alphabet)
            found = self._cache[key] = tuple((s, w) for s, w in weighed if w > 0.0)
        return found

    def of_any(self, chars: str, doubtful: bool, alphabet: str) -> float:
        """What all characters of a kind would weigh together where ``chars`` was read.

        The kind is that of the place or of what was read, whichever weighs more: a letter read for a figure is no better a fit for
        the place's having figures only.
        """
        key = (chars, doubtful, alphabet)
        found = self._any.get(key)
        if found is None:
            kinds = {_FIGURES if alphabet.isdigit() else _LETTERS if alphabet.isalpha() else _FIGURES + _LETTERS}
            kinds.add(_FIGURES if chars.isdigit() else _LETTERS if chars.isalpha() else _FIGURES + _LETTERS)
            found = self._any[key] = max(sum(w for _, w in self.weights(chars, doubtful, kind)) for kind in kinds)
        return found


class _AsRead(Channel):
    """The level ``none`` without a table: nothing is loaded to answer a plain question."""

    def __init__(self) -> None:
        self.level, self.rate, self.slip, self.doubtful_rate = "none", 0.0, 0.0, 0.0
        self._cache, self._any = {}, {}


AS_READ: Channel = _AsRead()


@lru_cache(maxsize=8)
def channel(level: str) -> Channel:
    """The packaged channel of a level. Raises DecoderError for a level that is none of LEVELS."""
    from decoder.families import load_data

    if level not in LEVELS:
        raise DecoderError(f"The doubt is one of {', '.join(LEVELS)}, not '{level}'.")
    return Channel(level, load_data("confusion"))
