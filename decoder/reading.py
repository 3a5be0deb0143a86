"""Readings: a stamped number as somebody saw it.

What is on the metal and what somebody can make out of it are two things, and both are kept. A reading is a row of cells. A
cell is certain (``8``), one of several (``[38]``, or ``3/8``), unreadable (``?`` or ``_``), or a stretch of unknown length
(``*`` or ``...``). A tilde after a character or a set says "I think so": ``8~``. Spaces are nothing. A dash or a dot is
kept as a separator, since on worn metal it may stand where a character was. A star or a lozenge at the edge is, as a rule,
the mark that closes a stamping; whether it is one is settled by the length of the rest (see ``decoder.decoding``).

>>> r = read("S6 2[71]96?")
>>> str(r)
'S62[17]96?'
>>> r.uncertain_at
(3, 6)
>>> read("118 000 001").is_certain
True
"""

from __future__ import annotations

import unicodedata
from typing import NamedTuple

from decoder.errors import MalformedReading

#: More cells than any plate or pan carries; a longer text is a sentence or a pasted list, not a number.
LONGEST = 64

_END_MARKS = "*◊◇◆♦⬧⬨⬦★☆✱⬥"
_SEPARATORS = "-.–—‐‑·"
_UNREADABLE = "?_"
_HOW = (
    "A reading is letters and figures, with ? for one you cannot read, [38] for a 3 or an 8, 8~ for a doubtful 8 "
    "and * for a stretch that is gone."
)


class Cell(NamedTuple):
    """One place of a number. ``chars``: what it may be, in order; empty when nothing can be made out.

    ``sure``: settled by looking again, so that no doubt about readings in general touches it.
    """

    chars: str
    doubtful: bool = False
    stretch: bool = False
    sure: bool = False

    @property
    def is_certain(self) -> bool:
        return len(self.chars) == 1 and not self.doubtful

    def __str__(self) -> str:
        if self.stretch:
            return "*"
        body = self.chars if len(self.chars) == 1 else f"[{self.chars}]" if self.chars else "?"
        return body + ("~" if self.doubtful else "")


class Reading(NamedTuple):
    """A number as read.

    ``separators``: how many cells stand before each dash or dot. ``end_marks``: the star or lozenge at either edge, as
    typed. ``notes``: sentences on what was changed in reading it (full-width figures, for one).
    """

    typed: str
    cells: tuple[Cell, ...]
    separators: tuple[int, ...] = ()
    end_marks: tuple[str, str] = ("", "")
    notes: tuple[str, ...] = ()

    @property
    def is_certain(self) -> bool:
        """True where every character was made out and nothing stands between them."""
        return all(cell.is_certain for cell in self.cells)

    @property
    def uncertain_at(self) -> tuple[int, ...]:
        """The places, counted from 0, where something is not certain."""
        return tuple(i for i, cell in enumerate(self.cells) if not cell.is_certain)

    @property
    def text(self) -> str:
        """The cells without separators and end marks; reading it again gives the same cells."""
        return "".join(self._printed(i) for i in range(len(self.cells)))

    def _printed(self, i: int) -> str:
        # A star at the edge would be read back as the end mark of the stamping.
        at_edge = self.cells[i].stretch and i in (0, len(self.cells) - 1)
        return "..." if at_edge else str(self.cells[i])

    def __str__(self) -> str:
        out = []
        for i in range(len(self.cells)):
            out += ["-"] * self.separators.count(i)
            out.append(self._printed(i))
        out += ["-"] * self.separators.count(len(self.cells))
        return self.end_marks[0] + "".join(out) + self.end_marks[1]


def read(text: str) -> Reading:
    """Read ``text`` in the grammar above.

    Raises MalformedReading with a sentence: empty, more than 64 cells, a sign no number has, a set that is nested, empty
    or not closed, a tilde with nothing before it, an either/or with a side missing.
    """
    if not isinstance(text, str):
        raise MalformedReading(f"A reading is text, not {type(text).__name__}. Put the number in quotes.")
    folded = unicodedata.normalize("NFKC", text).strip()
    notes = []
    if folded.upper() != text.strip().upper():
        notes.append("Wide or joined characters were read as ordinary ones.")
    if any(c.isdigit() and not c.isascii() for c in folded):
        notes.append("Figures of another script were read as 0 to 9.")
    if not folded:
        raise MalformedReading(f"There is no number here. Type what you can read. {_HOW}")
    if len(folded) > 8 * LONGEST:
        raise MalformedReading(
            f"That is {len(folded)} characters long; the longest number has {LONGEST} places. Type one number."
        )
    body, end_marks = _without_end_marks(folded)
    cells: list[Cell] = []
    separators: list[int] = []
    i = 0
    while i < len(body):
        c = body[i]
        if c.isspace():
            i += 1
        elif body.startswith(("...", "…"), i) or c in _END_MARKS:
            i += 3 if body.startswith("...", i) else 1
            if not (cells and cells[-1].stretch):
                cells.append(Cell("", stretch=True))
        elif c in _SEPARATORS:
            separators.append(len(cells))
            i += 1
        elif c == "~":
            if not cells or not cells[-1].chars or cells[-1].doubtful or body[i - 1].isspace():
                raise MalformedReading(
                    f"The ~ at place {i + 1} of '{_short(text)}' must follow a character or a set, as in 8~."
                )
            cells[-1] = cells[-1]._replace(doubtful=True)
            i += 1
        elif c == "[":
            cell, i = _set(body, i, text)
            cells.append(cell)
        elif c == "/" and cells and cells[-1].chars == body[i + 1 : i + 2].upper():
            separators.append(len(cells))  # 3/3 is no choice: the slash divides
            i += 1
        elif c == "/":
            before = cells[-1].chars if cells else ""
            i = _either(body, i, cells, text)
            notes.append(
                f"{before}/{body[i - 1].upper()} was read as one place that is either. If the slash only divides the number, type a dash there."
            )
        elif c in _UNREADABLE:
            cells.append(Cell(""))
            i += 1
        elif c == "]":
            raise MalformedReading(f"There is a ] without a [ before it in '{_short(text)}'. Write a set as [38].")
        else:
            cells.append(Cell(_character(c, text)))
            i += 1
        if len(cells) > LONGEST:
            raise MalformedReading(
                f"That is more than {LONGEST} places; no number is that long. Type one number at a time."
            )
    if not any(cell.chars or not cell.stretch for cell in cells):
        raise MalformedReading(f"There is no letter or figure in '{_short(text)}'. {_HOW}")
    return Reading(text, tuple(cells), tuple(separators), end_marks, tuple(notes))


def _without_end_marks(folded: str) -> tuple[str, tuple[str, str]]:
    start, end = 0, len(folded)
    while start < end and (folded[start] in _END_MARKS or folded[start].isspace()):
        start += 1
    while end > start and (folded[end - 1] in _END_MARKS or folded[end - 1].isspace()):
        end -= 1
    marks = ("".join(folded[:start].split()), "".join(folded[end:].split()))
    return folded[start:end], marks


def _character(c: str, text: str) -> str:
    upper = c.upper()
    if len(upper) == 1 and upper.isascii() and upper.isalnum():
        return upper
    if c.isdigit() and unicodedata.decimal(c, None) is not None:
        return str(unicodedata.decimal(c))
    shown = c if c.isprintable() else f"a control character ({ord(c)})"
    raise MalformedReading(f"'{_short(text)}' has {shown} in it, which no number has. {_HOW}")


def _set(body: str, i: int, text: str) -> tuple[Cell, int]:
    close = body.find("]", i)
    inside = body[i + 1 : close] if close > 0 else ""
    if close < 0:
        raise MalformedReading(f"The [ in '{_short(text)}' is not closed. Write a set as [38].")
    if "[" in inside:
        raise MalformedReading(
            f"There is a [ inside a set in '{_short(text)}'. Write one set for each place, as [38][17]."
        )
    if set(inside) & set(_UNREADABLE):
        raise MalformedReading(
            f"There is a ? inside a set in '{_short(text)}'. A set names what it may be, as [38]; one that you cannot read is ? alone."
        )
    chars = "".join(sorted({_character(c, text) for c in inside if not c.isspace() and c not in ",/"}))
    if not chars:
        raise MalformedReading(
            f"There is an empty set [] in '{_short(text)}'. Name what it may be, as [38], or type ? for unreadable."
        )
    return Cell(chars), close + 1


def _either(body: str, i: int, cells: list[Cell], text: str) -> int:
    """A slash joins the characters beside it: 3/8 is one place, a 3 or an 8."""
    following = body[i + 1 : i + 2]
    if not cells or not cells[-1].chars or cells[-1].doubtful or not following.isalnum() or body[i - 1].isspace():
        raise MalformedReading(f"The / in '{_short(text)}' needs a character on both sides, as in 3/8.")
    chars = "".join(sorted(set(cells[-1].chars) | {_character(following, text)}))
    cells[-1] = Cell(chars)
    return i + 2


def _short(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= 40 else text[:37] + "..."
