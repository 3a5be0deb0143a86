"""What may have been stamped where something else was read.

``P(read | stamped)`` for one character. No counts for stamped metal have been published; the pairs that look alike are
(``tables/confusion.yml`` names the sources), the shares are our own assumption and say so. A shop that re-reads numbers
can count its own and replace the table.

``none`` takes a character as read. A letter where only figures can stand, and the other way about, is always read as its
look-alike (O for 0), since that is typing rather than metal.
"""

from __future__ import annotations

from functools import lru_cache

#: One glyph in most stampings: which of the two it is, the place in the number says. Machine plate readers' equivalence groups
#: {0 O D Q} {1 I} (vendor documentation, ALPR matcher, OCR equivalence).
SAME_GLYPH = {"O": "0", "I": "1", "Q": "0", "0": "OQ", "1": "I"}
#: Alike, but two shapes: groups {0 D} {2 Z} {5 S} {8 B} {6 G} of the same source, and L for 1 (Crockford's Base32, from memory).
LOOK_ALIKE = {
    "D": "0",
    "L": "1",
    "Z": "2",
    "S": "5",
    "B": "8",
    "G": "6",
    "0": "D",
    "1": "L",
    "2": "Z",
    "5": "S",
    "8": "B",
    "6": "G",
}

#: How much a reading counts when a character of another shape has to be taken for what was typed. Own assumption: it keeps a
#: family that needs no such change ahead of one that does.
EXCHANGED = 0.1


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
