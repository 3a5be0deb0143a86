"""Weighing: how likely each number of a family is, given what was read.

A reading is laid out in a family's patterns: as it stands; with a dash taken for a character; abbreviated as people do; and, where
there is doubt, with a character dropped, doubled or swapped (a *layout* each, with its own chance). In a layout every place gives each
character a weight (``decoder.channel``), and the weight of all numbers between two of them is a sum over the places: for a number x
it is the sum over places i of the weight of x's own characters before i, times the weight of the lower characters at i, times the
weight of anything after. So a row or a month costs two such sums, whatever is unreadable. Where a check letter hangs on the running
number, the issued numbers are gone through one by one; such makers made few.

Few alternatives (up to ``WRITE_OUT``) are written out one by one instead, without numpy: the common case at the car.
"""

from __future__ import annotations

import heapq
import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from decoder.channel import AS_READ, EXCHANGED, LOOK_ALIKE, Channel, as_read
from decoder.patterns import MOST_EXCHANGED, Family, Segment, Template
from decoder.reading import Cell, Reading

#: Up to so many completions are written out one by one; beyond, the sums are cheaper (and need numpy).
WRITE_OUT = 24
#: Candidates named in an answer, and how many combinations are tried to find them.
MOST_CANDIDATES = 50
_MOST_TRIES = 2000
_ALL_OF_A_SMALL_MAKER = 2000
#: With doubt about every character the likeliest come early; of each slip only the first few can matter.
_TRIES_IN_DOUBT, _FROM_A_SLIP, _TRIES_OF_A_SLIP = 300, 12, 60

Options = Sequence[tuple[str, float]]


class Found:
    """What one family gathers of a reading."""

    def __init__(self, family: Family) -> None:
        self.family = family
        self.segments: dict[int, tuple[Segment, float]] = {}
        self.candidates: dict[str, tuple[float, Template | None, tuple[Segment, ...]]] = {}
        #: How many issued numbers it can be; None where doubt leaves none out.
        self.count: float | None = 0
        self.notes: list[str] = []
        self.facts: list[str] = []
        self.problems: list[str] = []
        #: The share of what the reading can be, in this family's patterns, that was issued; slips weighed by their chance.
        self.evidence = 0.0
        self.total = 0.0
        #: Whether a letter had to be taken for a figure of another shape.
        self.letters_exchanged = False
        #: Whether numbers are to be named; a question of "what if" needs the weights alone.
        self.names = True

    def add(self, segment: Segment, weight: float) -> None:
        old = self.segments.get(id(segment))
        self.segments[id(segment)] = (segment, weight + (old[1] if old else 0.0))
        self.total += weight

    def add_candidate(
        self, number: str, weight: float, template: Template | None, segments: tuple[Segment, ...]
    ) -> None:
        """Two ways to the same number are added up."""
        old = self.candidates.get(number)
        if old is None and self.count is not None:
            self.count += 1
        self.candidates[number] = (weight + (old[0] if old else 0.0), template, segments)

    def keep(self, segments: dict[int, tuple[Segment, float]]) -> None:
        """Narrow to these segments."""
        self.segments = segments
        self.total = sum(w for _, w in segments.values())


def heaviest(weights: Sequence[tuple[Segment, float]], share: float) -> list[Segment]:
    """The fewest segments that together hold ``share`` of the weight, in order of time; what weighs the same goes together."""
    kept: list[Segment] = []
    held, last = 0.0, 0.0
    for segment, weight in sorted(weights, key=lambda sw: -sw[1]):
        if held >= share and weight < last * (1.0 - 1e-9):
            break
        kept.append(segment)
        held, last = held + weight, weight
    return sorted(kept, key=lambda s: (s.earliest, s.latest))


class Variant(NamedTuple):
    """One way the typed text can be laid out in cells. ``guess``: a mark is taken for something that was not typed."""

    cells: tuple[Cell, ...]
    note: str
    guess: bool = False
    separators: tuple[int, ...] = ()


def variants_of(reading: Reading) -> list[Variant]:
    """The text as it stands first, then dashes and edge stars taken for characters."""
    end = (
        "The star or lozenge at the edge is the stamping's end mark, not part of the number."
        if any(reading.end_marks)
        else ""
    )
    out = [Variant(reading.cells, end, separators=reading.separators)]
    for n in sorted(set(reading.separators)):
        cells = (*reading.cells[:n], Cell(""), *reading.cells[n:])
        out.append(
            Variant(
                cells, "The dash or dot may stand in place of a character: look whether there is one under it.", True
            )
        )
    if any(reading.end_marks):
        stretch = Cell("", stretch=True)
        cells = (
            *([stretch] if reading.end_marks[0] else []),
            *reading.cells,
            *([stretch] if reading.end_marks[1] else []),
        )
        out.append(
            Variant(
                cells,
                "The star at the edge was taken for characters that cannot be read, since the rest is too short.",
                True,
            )
        )
    return out


def over_families(
    tried: Iterable[Family], variants: list[Variant], direction: str | None, channel: Channel = AS_READ
) -> tuple[list[Found], list[Variant]]:
    """What the families gather, and the variants that were used.

    The text as it stands comes first. A dash taken for a character, or an edge star for a stretch, counts where the text as it
    stands fits no family.
    """
    tried = list(tried)
    plain = [v for v in variants if not v.guess]
    guesses = [v for v in variants if v.guess]
    found = [f for f in (of_family(family, plain, direction, channel) for family in tried) if f]
    if any(not f.letters_exchanged for f in found):
        # Who typed an S in a number that fits as typed saw an S; only a figure may still be a letter in disguise.
        found = [f for f in found if not f.letters_exchanged]
    if not guesses or channel.rate > 0.0 or found:
        return found, plain
    open_to = [family for family in tried if not _divides(family, plain[0])]
    return [f for f in (of_family(family, guesses, direction, channel) for family in open_to) if f], guesses


def _divides(family: Family, plain: Variant) -> bool:
    """Whether every dash stands where one part of a number of this family ends and the next begins: there it hides nothing."""
    dashes = set(plain.separators)
    return bool(dashes) and any(dashes <= {b for _, _, b in t.parts[:-1]} for t in family.of_length(len(plain.cells)))


def of_family(
    family: Family,
    variants: Iterable[Variant],
    direction: str | None = None,
    channel: Channel = AS_READ,
    names: bool = True,
) -> Found | None:
    """What a family gathers from the variants of a reading, all of them together; None where it has no such number.

    Without ``names`` no candidates are named: enough for the question what would follow.
    """
    if family.special == "vin17":
        from decoder.vin import weigh_vin

        return weigh_vin(family, next(iter(variants)).cells)
    found = Found(family)
    found.names = names
    for variant in variants:
        before = found.total
        if channel.rate > 0.0:
            _weigh_best_spelling(found, variant, direction, channel)
        else:
            for spelling in spellings(family, variant):
                if _weigh(found, spelling._replace(filled=spelling.filled or variant.guess), direction, channel):
                    break
        if found.total > before and variant.note:
            (found.problems if variant.guess else found.facts).append(variant.note)
    return found if found.segments else None


def _weigh_best_spelling(found: Found, variant: Variant, direction: str | None, channel: Channel) -> None:
    """With doubt about every character each spelling would fit a little: the one that fits best is the one meant."""
    best: Found | None = None
    for spelling in spellings(found.family, variant):
        one = Found(found.family)
        one.count, one.names = None, found.names
        _weigh(one, spelling, direction, channel)
        if one.segments and (best is None or one.evidence > best.evidence):
            best = one
    if best is not None and best.evidence > found.evidence:
        found.__dict__.update(best.__dict__)


# --- spellings -------------------------------------------------------------------------------------------------------


class Spelling(NamedTuple):
    """Cells as they are meant, why they differ from what was typed, and the one scheme this holds for (None: all).

    ``filled``: something was put in that was not typed.
    """

    cells: tuple[Cell, ...]
    note: str = ""
    scheme: str | None = None
    filled: bool = False


def spellings(family: Family, variant: Variant) -> Iterator[Spelling]:
    """The cells as typed, without a prefix that is no part of the number, and as people abbreviate them.

    A prefix with its own dash comes first: 1-53815 is 53815, not 153815.
    """
    cells = variant.cells
    text = "".join(c.chars if len(c.chars) == 1 else "?" for c in cells)
    without = list(_without_prefix(family, variant, text))
    if not variant.separators:
        yield Spelling(cells)
    yield from without
    if variant.separators:
        yield Spelling(cells)
    unpadded = [t.length for t in family.templates if t.running and t.running == (0, t.length)]
    if text.startswith("0") and len(unpadded) > 1 and len(text) <= max(unpadded):
        zeros = len(text) - len(text.lstrip("0"))
        yield Spelling(cells[min(zeros, len(cells) - 1) :], "Leading zeros were left out; this numbering has none.")
    yield from _abbreviated(family, cells, text)


def _without_prefix(family: Family, variant: Variant, text: str) -> Iterator[Spelling]:
    cells = variant.cells
    for scheme in family.raw["schemes"]:
        for prefix, shown in zip(scheme["strip"], scheme["strip_as_written"], strict=True):
            rest = cells[len(prefix) :]
            # without its dash a prefix is known by the zeros behind it alone: 1 0053815
            divided = len(prefix) in variant.separators or (
                not variant.separators and rest[:1] and rest[0].chars == "0"
            )
            if text.startswith(prefix) and rest and divided:
                while len(rest) > 1 and rest[0].chars == "0":
                    rest = rest[1:]
                yield Spelling(rest, f"The leading '{shown}' is not part of the number.", scheme["id"])


def _abbreviated(family: Family, cells: tuple[Cell, ...], text: str) -> Iterator[Spelling]:
    """``147 KP`` and ``KP147`` for KP 0147: letters written behind, leading zeros left out."""
    narrowest: dict[str, int] = {}
    for template in family.templates:
        narrowest[template.scheme] = min(template.length, narrowest.get(template.scheme, template.length))
    for template in family.templates:
        letters = template.leading_letters
        if not letters or template.running is None or template.length != narrowest[template.scheme]:
            continue  # only a number of fixed width has leading zeros to leave out
        n = len(letters)
        body, note = cells, ""
        if text[:1].isdigit() and text.endswith(letters):
            body, note = (
                (*cells[-n:], *cells[:-n]),
                f"'{letters}' was written behind the figures; it stands before them.",
            )
            if len(body) == template.length:
                yield Spelling(body, note, template.scheme)
        missing = template.length - len(body)
        start, end = template.running
        if 0 < missing < end - start and len(body) > start and not any(c.stretch for c in body):
            head = "".join(c.chars for c in body[:start])
            if head == letters[:start] or _reads_as(head, template.cells[:start]):
                filled = (*body[:start], *([Cell("0")] * missing), *body[start:])
                yield Spelling(
                    filled, note or "Leading zeros that were left out have been put in.", template.scheme, True
                )


def _reads_as(text: str, cells: list[str]) -> bool:
    return len(text) == len(cells) and all(as_read(c, cell) for c, cell in zip(text, cells, strict=True))


# --- layouts ---------------------------------------------------------------------------------------------------------


class Layout(NamedTuple):
    """A way to lay a reading into numbers of one length, and its chance. ``slip``: dropped, doubled, swapped, or nothing."""

    cells: tuple[Cell, ...]
    chance: float
    slip: str = ""


def layouts(cells: tuple[Cell, ...], length: int, channel: Channel) -> Iterator[Layout]:
    """The layouts of ``cells`` in numbers of ``length``.

    A slip of each kind has the chance ``channel.slip``, spread evenly over the places of the stamped number where it can happen.
    """
    whole = 1.0 - 3.0 * channel.slip
    for laid in laid_out(cells, length):
        yield Layout(laid, whole)
    if not channel.slip or any(c.stretch for c in cells):
        return
    n = len(cells)
    if n + 1 == length:
        for i in range(length):
            yield Layout((*cells[:i], Cell(""), *cells[i:]), channel.slip / length, "dropped")
    elif n - 1 == length:
        for i in range(n - 1):
            if cells[i].chars and cells[i].chars == cells[i + 1].chars:
                yield Layout((*cells[: i + 1], *cells[i + 2 :]), channel.slip / length, "doubled")
    elif n == length and length > 1:
        for i in range(n - 1):
            if cells[i] != cells[i + 1]:
                yield Layout(
                    (*cells[:i], cells[i + 1], cells[i], *cells[i + 2 :]), channel.slip / (length - 1), "swapped"
                )


def laid_out(cells: tuple[Cell, ...], length: int) -> Iterator[tuple[Cell, ...]]:
    """The cells at ``length``: a stretch takes whatever is missing; two stretches share it in every way."""
    stretches = [i for i, c in enumerate(cells) if c.stretch]
    missing = length - (len(cells) - len(stretches))
    if not stretches:
        if missing == 0:
            yield cells
        return
    if missing < len(stretches):
        return
    i = stretches[0]
    rest = len(stretches) - 1
    for n in range(1, missing - rest + 1) if rest else [missing]:
        yield from laid_out((*cells[:i], *([Cell("")] * n), *cells[i + 1 :]), length)


_TURNED = str.maketrans("01689", "01986")


def _text(cells: tuple[Cell, ...]) -> str:
    return "".join(map(str, cells))


def _flip(cells: tuple[Cell, ...]) -> tuple[Cell, ...] | None:
    """The cells read from the other side; None where a figure has no other side."""
    out = []
    for cell in reversed(cells):
        chars = "".join(sorted(c.translate(_TURNED) for c in cell.chars if c in "01689"))
        if cell.chars and not chars:
            return None
        out.append(cell._replace(chars=chars))
    return tuple(out)


def _weigh(found: Found, spelling: Spelling, direction: str | None, channel: Channel) -> bool:
    """Weigh one spelling of a reading, from either side where the figures can be turned; whether anything fits."""
    family = found.family
    cells, note, scheme, _ = spelling
    before = found.total
    sides = [(cells, "upright")]
    if family.turned:
        flipped = _flip(cells)
        both = ((cells, "upright"), (flipped, "turned"))
        sides = [(side, name) for side, name in both if side is not None and direction in (None, name)]
        if flipped is not None and flipped == cells:
            sides = sides[:1]
            found.facts.append("It reads the same from either side.")
    weighed = []
    whole = space = 0.0
    for side, name in sides:
        # a reading that fits as it was typed is not read with look-alikes as well
        # (and what is supposed already, zeros left out or a dash over a figure, is not supposed together with them)
        tries = (True, False) if channel.rate == 0.0 and not spelling.filled else (channel.rate == 0.0,)
        for exactly in tries:
            start = found.total
            added, room = _weigh_side(found, side, scheme, exactly, channel)
            whole, space = whole + added, space + room
            if found.total > start:
                weighed.append(name)
                break
    if space:
        found.evidence += (1.0 - 3.0 * channel.slip) * min(whole / space, 1.0)
    if family.turned and len(weighed) > 1:
        found.problems.append(
            f"The figures can be read from either side and both fit: {_text(sides[0][0])}, or from the other side {_text(sides[1][0])}. Say from "
            "which side you looked: standing where the figures are upright to the body (--direction upright) or not (--direction turned)."
        )
    elif weighed == ["turned"] and direction == "turned":
        found.facts.append(f"read from the other side it is {_text(sides[-1][0])}")
    elif weighed == ["turned"] and direction is None:
        found.problems.append("As typed it is no number of this family; read from the other side it is.")
    if found.total > before and note and note not in found.facts:
        found.facts.append(note)
    return found.total > before


def _weigh_side(
    found: Found, cells: tuple[Cell, ...], scheme: str | None, exactly: bool, channel: Channel
) -> tuple[float, float]:
    """Add what the cells weigh in every template; returns (weight, room) of the layouts without a slip.

    The room of a layout is what all numbers of the pattern would weigh, issued or not. Slips go into ``found.evidence`` here.
    """
    whole = room = 0.0
    for length in found.family.lengths:
        laid = list(layouts(cells, length, channel))
        if not laid:
            continue
        totals, rooms = [0.0] * len(laid), [0.0] * len(laid)
        for template in found.family.of_length(length):
            if scheme is not None and template.scheme != scheme:
                continue
            weighed = _weigh_template(found, template, laid, exactly, channel)
            for j, (total, space) in enumerate(weighed):
                totals[j] += total
                rooms[j] = max(rooms[j], space)
        for layout, total, space in zip(laid, totals, rooms, strict=True):
            if not layout.slip:
                whole, room = whole + total, room + space
            elif space:
                found.evidence += layout.chance * min(total / space, 1.0)
    # Without numbers that fit, the room of another length says nothing against the family.
    return (whole, room) if whole else (0.0, 0.0)


def options_of(cells: Sequence[Cell], template: Template, exactly: bool, channel: Channel) -> list[Options]:
    """What may stand at each place of the template, with weights."""
    return [
        # where anything may stand, nothing hints at an exchange
        AS_READ.weights(cell.chars, False, alphabet, True)
        if cell.sure
        else channel.weights(cell.chars, cell.doubtful, alphabet, exactly or i in template.any)
        for i, (cell, alphabet) in enumerate(zip(cells, template.cells, strict=True))
    ]


def _weigh_template(
    found: Found, template: Template, laid: list[Layout], exactly: bool, channel: Channel
) -> list[tuple[float, float]]:
    """Add what the layouts weigh in this template; (weight, room) of each."""
    out = [(0.0, 0.0)] * len(laid)
    many: list[tuple[int, list[Options]]] = []
    for j, layout in enumerate(laid):
        options = options_of(layout.cells, template, exactly, channel)
        if not all(options):
            continue
        if channel.rate == 0.0:
            exchanged = sum(1 for o in options if max(w for _, w in o) <= EXCHANGED)
            if exchanged > (0 if template.any else MOST_EXCHANGED):
                continue  # a pattern with free characters is so wide that an exchange on top would fit anything
        size = 1
        for option in options:
            size *= len(option)
        if size <= WRITE_OUT and not layout.slip:
            total = _write_out(found, template, options, layout.chance)
            out[j] = (total, _room(template, layout.cells, options, channel))
            if total:
                _note_exchanges(found, layout.cells, options)
        else:
            many.append((j, options))
    if many:
        from decoder.sums import weigh_many

        chances = [laid[j].chance for j, _ in many]
        totals, by_segment = weigh_many(template, [o for _, o in many], chances)
        for segment, weight in by_segment:
            found.add(segment, weight)
        for (j, options), total in zip(many, totals, strict=True):
            out[j] = (total, _room(template, laid[j].cells, options, channel))
            if total > 0.0:
                _name_candidates(found, template, options, laid[j], channel)
                if not laid[j].slip and channel.rate == 0.0:
                    _note_exchanges(found, laid[j].cells, options)
    return out


def _room(template: Template, cells: Sequence[Cell], options: list[Options], channel: Channel) -> float:
    """What all numbers of the pattern would weigh together, issued or not.

    A place that was read counts what any character at all would weigh there, one taken as read its alternatives (an exchanged one, 8
    for B, in full, so that needing it tells against the family); an unreadable place counts the characters of the pattern.
    """

    def of_cell(i: int) -> float:
        cell = cells[i]
        if not cell.chars or cell.sure or (channel.rate == 0.0 and not cell.doubtful):
            return float(len(options[i]))
        return channel.of_any(cell.chars, cell.doubtful, template.cells[i])

    room = 1.0
    code_places = {i for a, b, _ in template.codes for i in range(a, b)}
    for i in range(len(cells)):
        if i not in code_places:
            room *= of_cell(i)
    for a, b, codes in template.codes:
        blank = [i for i in range(a, b) if not cells[i].chars]
        for i in range(a, b):
            room *= of_cell(i) if cells[i].chars else 1.0
        can_be = [code for code in codes if all(code[i - a] in dict(options[i]) for i in range(a, b) if i not in blank)]
        room *= len({tuple(code[i - a] for i in blank) for code in can_be})
    for _, mod, _, _ in template.checks:
        room /= mod
    return room


def _write_out(found: Found, template: Template, options: list[Options], chance: float) -> float:
    total = 0.0
    for text, weight in products(options):
        segments = template.find(text)
        for segment in segments:
            found.add(segment, chance * weight * segment.density)
            total += weight * segment.density
        if segments:
            found.add_candidate(text, chance * weight * sum(s.density for s in segments), template, tuple(segments))
    return total


def _name_candidates(
    found: Found, template: Template, options: list[Options], layout: Layout, channel: Channel
) -> None:
    """Name the likeliest numbers of a layout. Doubt leaves no number out, so then they are not counted."""
    if not found.names:
        return
    counted = found.count
    most, tries = (_FROM_A_SLIP, _TRIES_OF_A_SLIP) if layout.slip else (MOST_CANDIDATES, _MOST_TRIES)
    if channel.rate > 0.0:
        tries = min(tries, _TRIES_IN_DOUBT)
    elif found.family.turned:  # a number that both sides can be has to be named from both; such makers made few
        most, tries = _ALL_OF_A_SMALL_MAKER, 2 * _ALL_OF_A_SMALL_MAKER
    for text, weight, segments in _likeliest(template, options, most, tries):
        found.add_candidate(text, layout.chance * weight, template, segments)
    if channel.rate > 0.0 or counted is None:
        found.count = None
    else:
        found.count = counted + count_issued(template, options)


def _note_exchanges(found: Found, cells: Sequence[Cell], options: list[Options]) -> None:
    """Say which characters were taken for others, and how to type it where that is in doubt."""
    changed = [
        (c.chars, o[0][0])
        for c, o in zip(cells, options, strict=True)
        if len(c.chars) == 1 and c.chars not in [x for x, _ in o]
    ]
    found.letters_exchanged |= any(t.isalpha() and LOOK_ALIKE.get(t) == u for t, u in changed)
    for typed, taken in dict.fromkeys(changed):
        kind, stands = ("letter", "figures") if typed.isalpha() else ("figure", "a letter")
        found.problems.append(
            f"The {kind} {typed} was read as {taken}: only {stands} can stand there in this family. Type [{typed}{taken}] if it is not clear."
        )


def products(options: Sequence[Options]) -> Iterator[tuple[str, float]]:
    """Every text the options allow, with its weight."""

    def go(i: int, text: str, weight: float) -> Iterator[tuple[str, float]]:
        if i == len(options):
            yield text, weight
            return
        for c, w in options[i]:
            yield from go(i + 1, text + c, weight * w)

    return go(0, "", 1.0)


def _likeliest(
    template: Template, options: list[Options], most: int, tries: int
) -> list[tuple[str, float, tuple[Segment, ...]]]:
    """The issued numbers of most weight, best first, by a search over beginnings; bounded in tries.

    The ordered places come first, so that a beginning with which nothing was issued is dropped at once. Of beginnings that promise
    alike the longest goes on.
    """
    places = [i for a, b in template.ordered for i in range(a, b)]
    ordered = len(places)
    places += [i for i in range(template.length) if i not in set(places)]
    best_of_rest = [1.0]
    for place in reversed(places):
        best_of_rest.insert(0, best_of_rest[0] * max(w for _, w in options[place]))
    starts, ends, of_one = issued(template)
    heap = [(-best_of_rest[0], 0, "", 1.0)]
    out: list[tuple[str, float, tuple[Segment, ...]]] = []
    for _ in range(tries * len(places)):
        if not heap or len(out) >= most:
            break
        _, depth, begun, weight = heapq.heappop(heap)
        n = -depth
        if n == len(places):
            at = dict(zip(places, begun, strict=True))
            text = "".join([at[i] for i in range(template.length)])
            segments = template.find(text)
            if segments:
                out.append((text, weight * sum(s.density for s in segments), tuple(segments)))
            continue
        for c, w in options[places[n]]:
            longer = begun + c
            # the stretches that have numbers with this beginning, of which the heaviest is what it promises
            key = longer[:ordered]
            low, high = bisect_left(ends, key), bisect_right(starts, key + "~")
            if low >= high or (
                n + 1 == ordered and template.checks and not _letters_agree(template, options, places, longer)
            ):
                continue
            promise = weight * w * best_of_rest[n + 1] * max(of_one[low:high])
            heapq.heappush(heap, (-promise, depth - 1, longer, weight * w))
    return out


def _letters_agree(template: Template, options: list[Options], places: list[int], begun: str) -> bool:
    """Whether the check letter that the ordered characters ask for is one of those it may be."""
    at = dict(zip(places, begun, strict=False))
    return all(
        any(c == letters[int("".join(at[i] for i in of)) % mod] for c, _ in options[place])
        for place, mod, letters, of in template.checks
    )


@lru_cache(maxsize=256)
def issued(template: Template) -> tuple[list[str], list[str], list[float]]:
    """The stretches of a template's ordered characters that were issued, in order and apart: (first, last, weight of a number).

    A number that two runs had weighs twice; one far beyond an open row weighs little.
    """
    width = template.running[1] - template.running[0] if template.running else 0
    changes: dict[str, dict[int, float]] = {}
    for first, last, indices in template.tracks:
        for a, b, index in zip(first, last, indices, strict=True):
            density = template.family.segment(index).density
            at = changes.setdefault(a[: len(a) - width], {})
            low, high = (int(a[-width:]), int(b[-width:])) if width else (0, 0)
            at[low] = at.get(low, 0.0) + density
            at[high + 1] = at.get(high + 1, 0.0) - density
    starts, ends, weights = [], [], []
    for block in sorted(changes):
        weight = 0.0
        for low, after in pairwise(sorted(changes[block])):
            weight += changes[block][low]
            if weight > 1e-9:
                starts.append(block + (format(low, f"0{width}d") if width else ""))
                ends.append(block + (format(after - 1, f"0{width}d") if width else ""))
                weights.append(weight)
    return starts, ends, weights


def count_issued(template: Template, options: list[Options]) -> float:
    """How many issued numbers have any weight at all; one that two runs had is one."""
    places = [i for a, b in template.ordered for i in range(a, b)]
    may = [{c for c, w in options[i] if w > 0.0} for i in places]
    ways = math.prod(len(options[i]) for i in template.any)
    for a, b, codes in template.codes:
        ways *= sum(all(c in dict(options[i]) for i, c in zip(range(a, b), code, strict=True)) for code in codes)
    starts, ends, _ = issued(template)
    if template.checks:  # few enough to go through
        texts = (t for a, b in zip(starts, ends, strict=True) for t in _between(template, a, b))
        fitting = (t for t in texts if all(c in chars for c, chars in zip(t, may, strict=True)))
        return float(ways * sum(_letters_agree(template, options, places, t) for t in fitting))
    rest = [math.prod(len(chars) for chars in may[i + 1 :]) for i in range(len(may))]

    def up_to(text: str) -> int:
        total = 0
        for i, x in enumerate(text):
            total += rest[i] * sum(c < x for c in may[i])
            if x not in may[i]:
                return total
        return total + 1

    def is_in(text: str) -> int:
        return all(x in chars for x, chars in zip(text, may, strict=True))

    return float(ways * sum(up_to(b) - up_to(a) + is_in(a) for a, b in zip(starts, ends, strict=True)))


def _between(template: Template, first: str, last: str) -> Iterator[str]:
    """The ordered characters of every number from first to last, which differ in the running number alone."""
    width = template.running[1] - template.running[0] if template.running else 0
    if not width:
        yield first
        return
    for n in range(int(first[-width:]), int(last[-width:]) + 1):
        yield first[:-width] + format(n, f"0{width}d")
