"""The number strip and the month strip: a number, and the months it allows, drawn so that doubt can be seen.

A number is drawn as a row of cells, one a character, divided by hairlines. A certain character stands alone; a doubtful
one stands in a hatched cell with its alternatives; an unreadable one is an empty cell; a stretch that cannot be read is one
long cell with a wavy edge. Brackets below name the parts of the number. Two strips that are compared stand one above the
other, and a caret marks each place where they differ. Shape and text carry everything; colour only helps.

The same cells are drawn three ways: as text for a terminal of 80 columns, as HTML for the pages and as SVG for paper. All
functions here are pure: cells in (:class:`decoder.reading.Cell`), text out. Everything a person typed is escaped in HTML and SVG.

>>> cells = [Cell("S"), Cell("6"), Cell("2"), Cell("17"), Cell("9"), Cell("6"), Cell("7")]
>>> print(strip_text(cells, [("body letter", 1, ""), ("year figure", 1, "1966"), ("running number", 5, "")]))
  S   6   2 [17] 9 6 7
  ^   ^   ^----------^
  |   |   running number
  |   year figure: 1966
  body letter
>>> nearest = [Cell("S"), Cell("6"), Cell("2"), Cell("7"), Cell("9"), Cell("6"), Cell("7")]
>>> print(compare_text([(cells, "rubbing, shop, 2 June 2021"), (nearest, "nearest number on the list")]))
  S 6 2 [17] 9 6 7    rubbing, shop, 2 June 2021
  S 6 2  7   9 6 7    nearest number on the list
         ^
"""

from __future__ import annotations

import textwrap
import zlib
from collections.abc import Iterable, Sequence
from html import escape
from typing import Any, NamedTuple

from decoder.reading import Cell

#: Columns of a terminal (look and voice: 80) less the indent on the right.
WIDTH = 78

#: A character that is known and not shown, in what a list publishes: drawn as a filled cell, since it is not in doubt.
HELD = "•"

#: A strip longer than this many cells has no brackets: they would not fit under it on a telephone of 390 pixels.
BRACKETED = 20


class Part(NamedTuple):
    """A part of a number: its name, how many cells it takes, and what it says here ("" for nothing)."""

    name: str
    cells: int
    meaning: str = ""


def _is_doubtful(cell: Any) -> bool:
    return bool(cell.doubtful) or len(cell.chars) > 1


def _token(cell: Any) -> str:
    """A cell as it is typed in a reading, so that what is shown can be typed back."""
    if cell.stretch:
        return "..."
    if not cell.chars:
        return "?"
    text = f"[{cell.chars}]" if len(cell.chars) > 1 else cell.chars
    return text + "~" if cell.doubtful else text


def _parts(parts: Iterable[Any], cells: Sequence[Any]) -> list[Part]:
    """The parts that can be bracketed: none where they do not cover the cells exactly, for a wrong bracket misleads."""
    found = [Part(*part) for part in parts]
    if sum(part.cells for part in found) != len(cells) or len(cells) > BRACKETED or any(c.stretch for c in cells):
        return []
    return [part for part in found if part.cells]


def describe(cells: Sequence[Any]) -> str:
    """The strip in words, for somebody who hears it.

    >>> describe([Cell("S"), Cell("17"), Cell(""), Cell("8", True), Cell("", False, True)])
    'S; 1 or 7; one that cannot be read; 8, doubtful; a stretch that cannot be read'
    """
    words = []
    for cell in cells:
        if cell.stretch:
            words.append("some that are not shown" if cell.chars == HELD else "a stretch that cannot be read")
        elif not cell.chars:
            words.append("one that cannot be read")
        elif cell.chars == HELD:
            words.append("one that is not shown")
        elif len(cell.chars) > 1:
            words.append(", ".join(cell.chars[:-1]) + " or " + cell.chars[-1])
        else:
            words.append(f"{cell.chars}, doubtful" if cell.doubtful else cell.chars)
    return "; ".join(words)


def strip_of(answer: Any, decoding: Any = None) -> tuple[list[Any], list[Part]]:
    """The cells and parts to draw for a decoding of an answer (``decoder.Answer``, ``decoder.Decoding``).

    The cells are those that were read, doubts and all. Where the number has another length than the reading (a leading
    "1-" that is no part of it, zeros left out), the one number it is stands in their place; where it is not one number
    either, the reading stands without brackets.
    """
    cells = list(answer.as_read.cells)
    if decoding is None or not decoding.candidates:
        return cells, []
    template = decoding.candidates[0].template
    meanings = {name: meaning for name, _, meaning in decoding.parts}
    if template is None or len(cells) != template.length:
        if decoding.number is None:
            return cells, []
        cells = [type(cells[0])(char) for char in decoding.number]
    if template is None:
        return cells, [Part(name, len(text), meaning) for name, text, meaning in decoding.parts]
    others = {c.template for c in decoding.candidates if c.template is not None} - {template}
    if any([(n, a, b) for n, a, b in other.parts] != list(template.parts) for other in others):
        return cells, []  # it may be of two schemes, whose parts lie differently
    return cells, [Part(name, b - a, meanings.get(name, "")) for name, a, b in template.parts]


def held_cells(masked: str) -> list[Cell]:
    """The cells of a number as a list publishes it: what is not shown (``…``, and ``?`` for a check letter) is held, not in doubt.

    >>> describe(held_cells("KP …47"))
    'K; P; some that are not shown; 4; 7'
    """
    out = []
    for char in masked:
        if char == "…":
            out.append(Cell(HELD, stretch=True))
        elif char == "?":
            out.append(Cell(HELD))
        elif not char.isspace():
            out.append(Cell(char))
    return out


# --- text ------------------------------------------------------------------------------------------------------------


def _line(tokens: Sequence[str], widths: Sequence[int], gaps: Sequence[int]) -> str:
    """Tokens in their columns; a token narrower than its column stands left of the middle, as in a hand-made table."""
    line = ""
    for token, width, gap in zip(tokens, widths, gaps, strict=True):
        left = (width - len(token)) // 2
        line += " " * gap + " " * left + token + " " * (width - len(token) - left)
    return line


def strip_text(cells: Sequence[Any], parts: Iterable[Any] = (), *, indent: int = 2) -> str:
    """The strip in plain text, with brackets and names of its parts below. No line is wider than 80 columns.

    ``parts`` are (name, how many cells, meaning); where they do not add up to the cells, no brackets are drawn.
    """
    bracketed = _parts(parts, cells)
    tokens = [_token(cell) for cell in cells]
    starts = set()
    if len(bracketed) > 1:
        at = 0
        for part in bracketed[:-1]:
            at += part.cells
            starts.add(at)
    gaps = [0 if not i else 3 if i in starts else 1 for i in range(len(tokens))]
    margin = " " * indent
    widths = [len(token) for token in tokens]
    if sum(widths) + sum(gaps) + indent > WIDTH:
        plain = "".join(tokens)
        return "\n".join(textwrap.wrap(plain, WIDTH - indent, initial_indent=margin, subsequent_indent=margin))
    lines = [margin + _line(tokens, widths, gaps).rstrip()]
    if not bracketed:
        return lines[0]
    # Columns of the first and last character of each part.
    edges, column, i = [], indent, 0
    for part in bracketed:
        column += gaps[i]
        first = column
        for _ in range(part.cells):
            column += widths[i]
            i += 1
            if i < len(tokens) and _ < part.cells - 1:
                column += gaps[i]
        edges.append((first, column - 1))
    rule = ""
    for first, last in edges:
        rule = rule.ljust(first) + ("^" if first == last else "^" + "-" * (last - first - 1) + "^")
    lines.append(rule)
    for i in range(len(bracketed) - 1, -1, -1):
        line = ""
        for first, _last in edges[:i]:
            line = line.ljust(first) + "|"
        first = edges[i][0]
        line = line.ljust(first)
        part = bracketed[i]
        label = f"{part.name}: {part.meaning}" if part.meaning else part.name
        if first + len(label) > WIDTH:
            room = max(WIDTH - first, 20)
            label = textwrap.shorten(label, room, placeholder=" ...")
        lines.append(line + label)
    return "\n".join(lines)


def _aligned(one: Sequence[Any], other: Sequence[Any]) -> list[tuple[Any, Any]]:
    """Two strips side by side, cell for cell, with None where one of them has no character (least edits, gaps dear)."""
    rows, columns = len(one), len(other)
    cost = [[0.0] * (columns + 1) for _ in range(rows + 1)]
    for i in range(rows + 1):
        for j in range(columns + 1):
            if not i or not j:
                cost[i][j] = 1.5 * (i + j)
                continue
            # A set that holds the other's character is a lesser difference than another character.
            a, b = one[i - 1], other[j - 1]
            differs = 0.0 if _token(a) == _token(b) else 0.5 if set(a.chars) & set(b.chars) or not a.chars else 1.0
            cost[i][j] = min(cost[i - 1][j - 1] + differs, cost[i - 1][j] + 1.5, cost[i][j - 1] + 1.5)
    pairs: list[tuple[Any, Any]] = []
    i, j = rows, columns
    while i or j:
        if i and j:
            a, b = one[i - 1], other[j - 1]
            differs = 0.0 if _token(a) == _token(b) else 0.5 if set(a.chars) & set(b.chars) or not a.chars else 1.0
            if cost[i][j] == cost[i - 1][j - 1] + differs:
                pairs.append((a, b))
                i, j = i - 1, j - 1
                continue
        if i and cost[i][j] == cost[i - 1][j] + 1.5:
            pairs.append((one[i - 1], None))
            i -= 1
        else:
            pairs.append((None, other[j - 1]))
            j -= 1
    return pairs[::-1]


def compare_text(two: Sequence[tuple[Sequence[Any], str]], *, indent: int = 2) -> str:
    """Two strips one above the other, each with its note, and a line of carets under the places that differ.

    ``two`` is a pair of (cells, note). Where one has a character too many, the other has a blank there.
    """
    (one, first_note), (other, second_note) = two
    pairs = _aligned(one, other)
    tokens = [("" if a is None else _token(a), "" if b is None else _token(b)) for a, b in pairs]
    widths = [max(len(a), len(b), 1) for a, b in tokens]
    gaps = [0 if not i else 1 for i in range(len(pairs))]
    carets = ["^" if a != b else "" for a, b in tokens]
    margin = " " * indent
    upper = _line([a for a, _ in tokens], widths, gaps)
    lower = _line([b for _, b in tokens], widths, gaps)
    under = _line(carets, widths, gaps)
    lines = []
    for line, note in ((upper, first_note), (lower, second_note)):
        text = f"{margin}{line}    {note}" if note else margin + line
        if len(text) > WIDTH + 2 and note:
            lines += [margin + note + ":", margin + line.rstrip()]
        else:
            lines.append(text.rstrip())
    if under.strip():
        lines.append((margin + under).rstrip())
    return "\n".join(lines)


# --- HTML ------------------------------------------------------------------------------------------------------------

#: Half-columns a cell takes in the grid; a stretch is long. Halves, so that a line can start under the middle of a cell.
_UNITS, _STRETCH_UNITS = 2, 6


def _cell_html(cell: Any, extra: str = "", style: str = "") -> str:
    """One cell. ``extra`` are further classes, ``style`` its place in the grid."""
    inside = ""
    if cell is None:
        kind = "gap"
    elif cell.chars == HELD:
        kind = "held"
    elif cell.stretch:
        kind = "stretch"
    elif not cell.chars:
        kind = "unread"
    elif len(cell.chars) > 1:
        kind = "doubt"
        many = " many" if len(cell.chars) > 3 else ""
        inside = f'<span class="either{many}">' + "".join(f"<i>{escape(char)}</i>" for char in cell.chars) + "</span>"
    else:
        kind, inside = ("doubt one" if cell.doubtful else ""), escape(cell.chars)
    classes = " ".join(filter(None, ("cell", kind, extra)))
    placed = f' style="{style}"' if style else ""
    return f'<span class="{classes}"{placed}>{inside}</span>'


def _units(cell: Any) -> int:
    return _STRETCH_UNITS if cell is not None and cell.stretch else _UNITS


def _open_strip(cells: Sequence[Any], kind: str, heard: str) -> list[str]:
    """The opening of a strip: the figure, what it says to somebody who hears it, and the grid."""
    units = sum(_units(cell) for cell in cells)
    above = " either-above" if any(cell is not None and len(cell.chars) > 1 for cell in cells) else ""
    grid = (
        f"--n:{max(units / 2, 1):g};grid-template-columns:repeat({units},minmax(0,calc(var(--cell)/2))) minmax(0,1fr)"
    )
    return [
        f'<figure class="{kind}" role="img" aria-label="{escape(heard)}">',
        f'<div class="cells{above}" aria-hidden="true" style="{grid}">',
    ]


def strip_html(
    cells: Sequence[Any],
    parts: Iterable[Any] = (),
    *,
    label: str = "The number, character by character",
    carets: Iterable[int] = (),
) -> str:
    """The strip as a figure in HTML: cells, brackets and names. Safe to put on a page: everything is escaped.

    Somebody who hears the page gets :func:`describe` and the parts in words in place of the drawing. ``carets`` are places,
    counted from 0, to be looked at again; with them no parts are named.
    """
    marked = set(carets)
    if marked:
        parts = ()
    bracketed = _parts(parts, cells)
    heard = f"{label}: {describe(cells)}"
    if bracketed:
        named = (f"{part.name} {part.meaning}".strip() for part in bracketed)
        heard += ". Its parts, in order: " + ", ".join(named)
    if len(cells) > BRACKETED:
        out = [
            f'<figure class="strip long" role="img" aria-label="{escape(heard)}"><div class="cells" aria-hidden="true">'
        ]
        return "".join([*out, *(_cell_html(cell) for cell in cells), "</div></figure>"])
    out = _open_strip(cells, "strip", heard)
    starts, at = set(), 0
    for part in bracketed:
        starts.add(at)
        at += part.cells
    column, columns = 1, []
    for i, cell in enumerate(cells):
        extra = " ".join(filter(None, ("first" if i in starts and i else "", "last" if i == len(cells) - 1 else "")))
        out.append(_cell_html(cell, extra, f"grid-column:{column}/span {_units(cell)};grid-row:1"))
        if i in marked:
            out.append(f'<span class="caret" style="grid-column:{column}/span {_units(cell)};grid-row:2">^</span>')
        columns.append(column)
        column += _units(cell)
    end, at = column, 0
    for i, part in enumerate(bracketed):
        start = columns[at]
        at += part.cells
        span = (columns[at] if at < len(cells) else end) - start
        row = 2 + len(bracketed) - i  # the last part is named on the first line under the brackets
        out.append(f'<span class="bracket" style="grid-column:{start}/span {span};grid-row:2"></span>')
        last = i == len(bracketed) - 1
        middle = start if last else start + span // 2
        if not last:
            out.append(f'<span class="leader" style="grid-column:{middle}/span 1;grid-row:3/{row + 1}"></span>')
        says = f"<b>{escape(part.name)}</b>" + (f"<span>: {escape(part.meaning)}</span>" if part.meaning else "")
        place = f"grid-column:{middle}/{end + 1};grid-row:{row}"
        out.append(f'<span class="part{"" if last else " led"}" style="{place}">{says}</span>')
    out.append("</div></figure>")
    return "".join(out)


def compare_html(two: Sequence[tuple[Sequence[Any], str]], *, label: str = "Two numbers compared") -> str:
    """Two strips in HTML, cell above cell, with carets where they differ. ``two`` is a pair of (cells, note)."""
    (one, first_note), (other, second_note) = two
    pairs = _aligned(one, other)
    heard = f"{label}: {describe(one)} ({first_note}); against {describe(other)} ({second_note})"
    wider = [a if _units(a) >= _units(b) else b for a, b in pairs]
    out = _open_strip(wider, "strip compared", heard)
    end = 1 + sum(_units(cell) for cell in wider)
    for side, row, note in ((0, 2, first_note), (1, 3, second_note)):
        column = 1
        for i, pair in enumerate(pairs):
            extra = "last" if i == len(pairs) - 1 else ""
            out.append(_cell_html(pair[side], extra, f"grid-column:{column}/span {_units(wider[i])};grid-row:{row}"))
            column += _units(wider[i])
        place = f"grid-column:1/{end + 1};grid-row:{1 if side == 0 else 5}"
        out.append(f'<span class="part" style="{place}"><span>{escape(note)}</span></span>')
    column = 1
    for (a, b), wide in zip(pairs, wider, strict=True):
        if ("" if a is None else _token(a)) != ("" if b is None else _token(b)):
            out.append(f'<span class="caret" style="grid-column:{column}/span {_units(wide)};grid-row:4">^</span>')
        column += _units(wide)
    out.append("</div></figure>")
    return "".join(out)


# --- SVG -------------------------------------------------------------------------------------------------------------


def strip_svg(cells: Sequence[Any], parts: Iterable[Any] = (), *, title: str = "Number") -> str:
    """The strip as one static SVG picture for paper: black on white is enough. Its description is the strip in words."""
    bracketed = _parts(parts, cells)
    wide, tall, left, top = 40, 52, 2, 24
    widths = [wide * 3 if cell.stretch else wide for cell in cells]
    width, height = sum(widths) + 2 * left, top + tall + (24 + 22 * len(bracketed) if bracketed else 6)
    # Two strips on one page must not share a name for their hatching.
    hatch = "hatch-" + format(zlib.crc32(repr([_token(cell) for cell in cells]).encode()), "x")
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {max(width, 360)} {height}" role="img" class="strip-svg">',
        f"<title>{escape(title)}</title><desc>{escape(describe(cells))}</desc>",
        f'<defs><pattern id="{hatch}" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path d="M0 0V6" stroke="currentColor" stroke-width="1" opacity=".45"/></pattern></defs>',
        '<g fill="none" stroke="currentColor" stroke-width="1">',
        f'<path d="M{left} {top}H{left + sum(widths)}M{left} {top + tall}H{left + sum(widths)}"/>',
    ]
    x = left
    edges = [x]
    for cell, w in zip(cells, widths, strict=True):
        if _is_doubtful(cell) and not cell.stretch:
            out.append(f'<path d="M{x} {top}h{w}v{tall}h-{w}z" fill="url(#{hatch})" stroke="none"/>')
        if cell.stretch:
            wave = "".join(f"q{4 if i % 2 else -4} 3.25 0 6.5" for i in range(tall * 2 // 13))
            out.append(f'<path d="M{x} {top}{wave}M{x + w} {top}{wave}"/>')
        x += w
        edges.append(x)
    rules = "".join(f"M{edge} {top}v{tall}" for i, edge in enumerate(edges) if not _beside_stretch(cells, i))
    out.append(
        f'<path d="{rules}"/></g><g fill="currentColor" text-anchor="middle" font-family="ui-monospace, monospace">'
    )
    for i, cell in enumerate(cells):
        middle = (edges[i] + edges[i + 1]) / 2
        if cell.stretch or not cell.chars:
            continue
        if cell.chars == HELD:
            out.append(f'<rect x="{edges[i] + 5:g}" y="{top + 10}" width="{wide - 10}" height="{tall - 20}"/>')
        elif len(cell.chars) > 1:
            out.append(f'<text x="{middle:g}" y="{top - 7}" font-size="15">{escape(" ".join(cell.chars))}</text>')
        else:
            out.append(f'<text x="{middle:g}" y="{top + 37}" font-size="30">{escape(cell.chars)}</text>')
    out.append("</g>")
    at, base = 0, top + tall + 6
    for i, part in enumerate(bracketed):
        x1, x2 = edges[at] + 3, edges[at + part.cells] - 3
        y = base + 22 * (len(bracketed) - i)
        label = part.name + (f": {part.meaning}" if part.meaning else "")
        out.append(
            f'<path d="M{x1:g} {base}v6H{x2:g}v-6M{x1:g} {base + 6}V{y - 4}" fill="none" stroke="currentColor"/>'
        )
        out.append(
            f'<text x="{x1 + 5:g}" y="{y}" font-size="15" fill="currentColor" font-family="sans-serif">{escape(label)}</text>'
        )
        at += part.cells
    out.append("</svg>")
    return "".join(out)


def _beside_stretch(cells: Sequence[Any], edge: int) -> bool:
    """Whether the line at this edge is a stretch's own wavy one."""
    return (edge < len(cells) and cells[edge].stretch) or (edge > 0 and cells[edge - 1].stretch)


_MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]


def month_name(month: str) -> str:
    """'1967-08' as people read it.

    >>> month_name("1967-08")
    'August 1967'
    """
    return f"{_MONTHS[int(month[5:7]) - 1]} {month[:4]}"


def _number(month: str) -> int:
    return int(month[:4]) * 12 + int(month[5:7]) - 1


#: Months without anything between two runs of months before the calendar is broken there (a year figure that repeats every
#: ten years gives two short runs, far apart).
_BREAK_AFTER = 18
#: More months than this would be a smear.
_MOST_MONTHS = 60


def _runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """The stretches of calendar to draw: (first, last) month numbers, with a margin of at most two months within the year."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number - runs[-1][1] <= _BREAK_AFTER:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return [(first - min(2, first % 12), last + min(2, 11 - last % 12)) for first, last in runs]


def month_strip_text(
    months: Sequence[tuple[str, float]], *, estimated: bool = False, indent: int = 4, most: int = 12
) -> str:
    """The months with their chances as bars for a terminal, in order of time; the likeliest ``most`` of them.

    >>> print(month_strip_text([("1965-11", 0.21), ("1965-12", 0.28), ("1966-01", 0.01)]))
        November 1965   ###############       0.21
        December 1965   ####################  0.28
        January 1966    #                     0.01
    """
    shown = sorted(sorted(months, key=lambda m: (-m[1], m[0]))[:most])
    top = max((p for _, p in shown), default=1.0)
    bar = ":" if estimated else "#"  # an estimate is drawn lighter than what a table says
    wide = max((len(month_name(m)) for m, _ in shown), default=0) + 2
    out = [f"{' ' * indent}{month_name(m):<{wide}} {bar * max(1, round(20 * p / top)):<20}  {p:.2f}" for m, p in shown]
    left = len(months) - len(shown)
    if left:
        rest = sum(p for _, p in months) - sum(p for _, p in shown)
        out.append(f"{' ' * indent}and {left} more months, together {rest:.2f}")
    return "\n".join(out)


def month_strip_html(months: Sequence[tuple[str, float]], *, estimated: bool = False) -> str:
    """The months with their chances as a table: the data beside the picture, for readers who hear it."""
    how = "estimated by even output" if estimated else "as the table gives them"
    rows = "".join(f'<tr><th scope="row">{escape(month_name(m))}</th><td>{p:.3f}</td></tr>' for m, p in months)
    head = '<tr><th scope="col">Month</th><th scope="col">Chance</th></tr>'
    return (
        f"<table><caption>Months and their chances, {how}</caption><thead>{head}</thead><tbody>{rows}</tbody></table>"
    )


def month_strip_svg(
    months: Sequence[tuple[str, float]],
    model_years: Sequence[tuple[str, str, str]] = (),
    *,
    span90: Sequence[str] = (),
    estimated: bool = True,
    title: str = "Month by month",
) -> str:
    """Bars of probability by month, with calendar years below and, where they are known, model years above.

    ``months`` are (YYYY-MM, probability from 0 to 1) in order; ``model_years`` are (year, first month, last month);
    ``span90`` the months that together hold nine tenths: a bracket stands over each run of them. Estimated months have
    broken outlines. Where years lie between two runs of months the calendar is broken, and the break is drawn. "" where
    there is nothing to draw, or more than 60 months, which would be a smear.
    """
    held = [(_number(month), p) for month, p in months if p > 0]
    if len(held) < 2:
        return ""
    runs = _runs([number for number, _ in held])
    count = sum(high - low + 1 for low, high in runs)
    if count > _MOST_MONTHS or len(runs) > 4:
        return ""
    gap, left, top, tall = 34, 2, 52, 96
    wide = max(11, min(30, (680 - gap * (len(runs) - 1)) // count))
    base = top + tall
    starts, x = [], left
    for low, high in runs:
        starts.append(x)
        x += (high - low + 1) * wide + gap
    width = x - gap + left

    def at(number: int, run: int) -> float:
        return starts[run] + (number - runs[run][0]) * wide

    peak = max(p for _, p in held)
    words = "; ".join(f"{_MONTHS[number % 12]} {number // 12} {p:.2f}" for number, p in held)
    lines, bars, texts = [], [], []
    dashed = ' stroke-dasharray="3 2"' if estimated else ""
    for run, (low, high) in enumerate(runs):
        x1, x2 = at(low, run), at(high + 1, run)
        lines.append(f"M{x1:g} {base + 0.5}H{x2:g}")
        for number in range(low, high + 1):
            lines.append(f"M{at(number, run):g} {base}v{24 if number % 12 == 0 else 5}")
            if wide >= 13:
                middle = at(number, run) + wide / 2
                texts.append(
                    f'<text x="{middle:g}" y="{base + 18}" text-anchor="middle">{_MONTHS[number % 12][0]}</text>'
                )
        for year in range(low // 12, high // 12 + 1):
            a, b = max(at(year * 12, run), x1), min(at(year * 12 + 12, run), x2)
            if b - a >= 34 or low // 12 == high // 12:
                texts.append(f'<text x="{(a + b) / 2:g}" y="{base + 38}" text-anchor="middle">{year}</text>')
        for number, p in held:
            if low <= number <= high:
                h = max(2.0, tall * p / peak)
                bars.append(
                    f'<rect class="bar" x="{at(number, run) + 2:g}" y="{base - h:.1f}" width="{wide - 4}" height="{h:.1f}"{dashed}/>'
                )
        inside = [number for number in map(_number, span90) if low <= number <= high]
        if len(inside) > 1:
            a, b = at(min(inside), run) + 1, at(max(inside) + 1, run) - 1
            lines.append(f"M{a:g} {top - 4}v-6H{b:g}v6")
        for year, begins, ends in model_years:
            first, last = max(_number(begins), low), min(_number(ends), high)
            if first > last:
                continue
            a, b = at(first, run), at(last + 1, run)
            label = f"model year {year}" if b - a > 100 else year if b - a >= 26 else ""
            texts.append(f'<text x="{(a + b) / 2:g}" y="14" text-anchor="middle">{escape(label)}</text>')
            lines.append(f"M{a + 1:g} 25v-5H{b - 1:g}v5")
        if run:  # the calendar is broken before this run
            middle = starts[run] - gap / 2
            lines.append(f"M{middle - 7:g} {base + 8}l6 -15M{middle + 1:g} {base + 8}l6 -15")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {base + 44}" role="img" class="months" '
        f'style="max-width:{width}px"><title>{escape(title)}</title><desc>{escape(words)}</desc>'
        f'<g fill="none" stroke="currentColor">{"".join(bars)}<path d="{"".join(lines)}"/></g>'
        f'<g fill="currentColor" font-size="13" font-family="system-ui, sans-serif">{"".join(texts)}</g></svg>'
    )
