"""Two cars that claim one number: a serial that two bodies carry, a pan that is under two cars at one time.

One conflict stands for a pair of cars, whatever they share: that two numbers are the same on both is itself what speaks most
plainly for one car entered twice. A thing that left one car before it came to another is no conflict (``at_one_time``).
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

# --- two cars, one number --------------------------------------------------------------------------------------------


def _two_claim(book: Book, only: int | None) -> Iterator[Conflict]:
    """A serial that two cars carry, a pan that two cars have at one time. One conflict a pair of cars, whatever they share."""
    shared: dict[tuple[int, int], list[tuple[Held, Held]]] = defaultdict(list)
    for one, a, other, b in _same_numbers(book, only):
        first, second = sorted(((book.record(a).first_seen, a, one), (book.record(b).first_seen, b, other)), key=lambda x: x[0])
        shared[first[1], second[1]].append((first[2], second[2]))
    for (a, b), pairs in sorted(shared.items()):
        yield _claimed(book, book.record(a), book.record(b), pairs)


def _same_numbers(book: Book, only: int | None) -> Iterator[tuple[Held, int, Held, int]]:
    """Pairs of numbers that are one number and were on two cars at one time, each with the ids of its car."""
    groups: dict[tuple[bool, str, str], list[tuple[Record, Held]]] = defaultdict(list)
    for record in _candidates(book, only):
        for held in record.held:
            if held.kind in ("pan", "body", "plate"):
                for family, key in named(held.keys):
                    groups[held.kind == "pan", family, key].append((record, held))
    met: set[tuple[int, int, bool, str]] = set()
    for (is_pan, _family, key), group in groups.items():
        for (a, one), (b, other) in combinations(group, 2):
            if a.id == b.id or (only is not None and only not in (a.id, b.id)):
                continue
            pair = (*sorted((a.id, b.id)), is_pan, key)
            if pair not in met and _alike_in_kind(book, one, other) and at_one_time(one.thing, other.thing):
                met.add(pair)  # type: ignore[arg-type]
                yield one, a.id, other, b.id


def _candidates(book: Book, only: int | None) -> list[Record]:
    """The cars with a number that another car has as well, by the index of spellings: the rest need not be looked at."""
    mine = "" if only is None else f"AND key IN (SELECT key FROM number_keys AS k JOIN readings AS r ON r.id = k.subject JOIN fittings AS f ON f.thing = r.thing WHERE k.subject_kind = 'reading' AND f.car IN ({', '.join('?' * len(book.record(only).members))}))"
    found = knowing.rows(
        book.db,
        f"""
        SELECT DISTINCT fittings.car AS car, key FROM number_keys
        JOIN readings ON readings.id = number_keys.subject JOIN fittings ON fittings.thing = readings.thing
        WHERE subject_kind = 'reading' AND certain = 1 AND kind IN ('pan', 'body', 'plate') {mine}
        """,
        [] if only is None else book.record(only).members,
    )
    by_key: dict[str, set[int]] = defaultdict(set)
    for row in found:
        by_key[row["key"]].add(knowing.stays(book.db, row["car"]))
    cars = {car for cars in by_key.values() if len(cars) > 1 for car in cars}
    return [book.record(car) for car in sorted(cars)]


def _alike_in_kind(book: Book, one: Held, other: Held) -> bool:
    """Numbers that no table knows are one only where nothing says that they are of two series."""
    if any(family for family, _key in named(one.keys) & named(other.keys)):
        return True
    series = {held.thing["series"] for held in (one, other)}
    return len(series) == 1 or None in series


def at_one_time(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether two fittings certainly overlap: a pan that left one car before it came under another is no conflict.

    An end that is not known, and the width of a date ("1980"), are taken so that they may have come after one another.
    """
    if not one["former"] and not other["former"]:
        return True
    a, b = _certainly(one), _certainly(other)
    if a is None or b is None:
        return False
    start, end = max(a[0], b[0]), min(a[1], b[1])
    return start < end or (start == end and any(span[0] < start < span[1] for span in (a, b)))


def _certainly(fitting: dict[str, Any]) -> tuple[str, str] | None:
    """The first and last day on which a thing was certainly on its car; None where nothing is certain."""
    from decoder.dates import parse

    start, _, end = (fitting["edtf"] or "").partition("/")
    begun = parse(start).latest if start not in ("", "..") else None
    ended = parse(end).earliest if end not in ("", "..") else None
    last = _NOW if not fitting["former"] else ended.isoformat() if ended else None
    if last is None:
        return None
    first = begun.isoformat() if begun else last
    return (first, last) if first <= last else None


def _claimed(book: Book, a: Record, b: Record, pairs: list[tuple[Held, Held]]) -> Conflict:
    pans = [pair for pair in pairs if pair[0].kind == "pan"]
    serials = [pair for pair in pairs if pair[0].kind != "pan"]
    numbers = list(dict.fromkeys(one.typed for one, _other in [*serials, *pans]))
    says = " ".join(_both_claim(a, b, one, other) for one, other in [*serials, *pans])
    alike = one_car(a, b)
    families = {family for one, other in serials for family, _ in named(one.keys) & named(other.keys) if family}
    explanations = [_once(alike)]
    if serials:
        explanations += [
            _issued_twice(book, a, b, serials, "double issue"),
            _moved_plate(book, a, b, serials, families, pans),
            _copied_plate(book, a, b, serials, families, pans),
        ]
    if pans:
        explanations += [
            _issued_twice(book, a, b, pans, "double issue of the pan's number" if serials else "double issue"),
            _moved_pan(a, b, pans),
            _copied_number(a, b, pans),
        ]
    explanations.append(_misread(book, a, b, [*serials, *pans]))
    sides = tuple(
        Side(record.number, _side_says(record, [pair[place] for pair in [*serials, *pans]]), _side_ask(book, record, other, [pair[place] for pair in [*serials, *pans]], alike))
        for place, (record, other) in enumerate(((a, b), (b, a)))
    )
    return Conflict(
        name=f"number:{a.number}:{b.number}",
        kind=TWO_CLAIM,
        what=((SAME_SERIAL,) if serials else ()) + ((SAME_PAN,) if pans else ()),
        cars=(a.number, b.number),
        key=", ".join(numbers),
        says=says,
        sides=sides,
        explanations=_for_first(explanations),
    )


def _both_claim(a: Record, b: Record, one: Held, other: Held) -> str:
    spelt = f" (there {other.typed})" if other.typed != one.typed else ""
    if one.kind == "pan":
        return f"{a.number} and {b.number}{spelt} both have the pan {one.typed}, at one time."
    return f"{a.number} and {b.number}{spelt} both claim the serial {one.typed}."


def _side_says(record: Record, claims: Sequence[Held]) -> str:
    wanted = frozenset().union(*(named(one.keys) for one in claims))
    every = [one for one in record.held if one.kind != "title" and named(one.keys) & wanted]
    opinion = record.series_in_words()
    taken = f" In the opinion that stands it is {opinion}." if opinion else ""
    return f"{record.number} has {'; '.join(dict.fromkeys(_claim(one) for one in every))}.{taken}"


def _side_ask(book: Book, record: Record, other: Record, claims: Sequence[Held], alike: Alike) -> str:
    """The one photograph or paper that would decide, for this side."""
    serials = [one for one in claims if one.kind != "pan"]
    if any(one.kind == "pan" for one in claims):
        asked = "A photograph of the number on the pan, with a card beside it that bears today's date"
        if serials:
            asked += ", and the plate in the same picture or the next"
        if alike.speaks_against and not serials:
            return f"{asked}: one pan cannot be under two cars."
        if record.first_seen <= other.first_seen:
            return f"Ask whoever had {record.number} last whether it is still there: the bill of sale if it was sold, else: {_down(asked)}."
        return f"Ask from whom it was bought and when: a bill of sale that leads to {other.number}, or {_down(asked)}."
    twice = [one for one in serials if len(_issues(book, one)) > 1]
    if twice:
        return (
            "The oldest dated paper of this body: an invoice or a first registration. It tells which issue of the number it is."
        )
    on_shell = any(one.kind == "body" for one in record.here("body", "plate") if any(one.same_as(c) for c in serials))
    families = {family for one in serials for family, _ in named(one.keys) if family}
    where = next((book.tables[family].where for family in sorted(families) if family in book.tables), "")
    if on_shell:
        return "A photograph of the number on the shell itself and of the plate's fixings, in one picture if that can be."
    place = f" ({where})" if where else ""
    return (
        "A photograph of the plate from near by, with its fixings and a rule beside it, and one of the places where the maker put "
        f"the number on the shell itself{place}."
    )


# -- double issue


def _issues(book: Book, held: Held) -> list[tuple[Any, dict[str, Any]]]:
    """The runs in which a number was given out: (segment, row), one each; more than one where the table has it twice."""
    found: dict[tuple[str, str], tuple[Any, dict[str, Any]]] = {}
    for decoding in _decodings(book, held):
        for segment, weight in decoding.weights:
            for index in segment.rows if weight > 0 else ():
                row = decoding.family.rows[index]
                found.setdefault((row["run"], segment.earliest), (segment, row))
    return list(found.values())


def _decodings(book: Book, held: Held) -> list[Decoding]:
    from decoder import decode

    families = [family for family, _ in named(held.keys) if family in book.tables]
    if not families:
        return []
    found = decode(held.typed, on=held.kind, families=families, tables=book.tables, direction=held.reading["direction"])
    return list(found.decodings)


def _issued_twice(
    book: Book, a: Record, b: Record, pairs: Sequence[tuple[Held, Held]], name: str
) -> Explanation:
    says = "The maker may have given the number out twice; then both are right, and each keeps its own record."
    held = pairs[0][0]
    issues = _issues(book, held)
    if not any(family for family, _ in named(held.keys)):
        return Explanation(name, says, (), (f"No table on file knows {held.typed}, so none says that it was given out twice.",))
    if len(issues) < 2:
        return Explanation(name, says, (), (f"The table has {held.typed} once.",))
    when = " and ".join(_issue(segment, row) for segment, row in issues)
    speaks_for = [f"The table has {held.typed} more than once: {when}."]
    against: list[str] = []
    mine, theirs = (_fitting_issues(record, held, issues) for record in (a, b))
    if mine and theirs:
        if any(one != other for one in mine for other in theirs):
            for record, fits in ((a, mine), (b, theirs)):
                if len(fits) < len(issues):
                    left = " or ".join(_issue(*issues[place]) for place in fits)
                    speaks_for.append(f"The dates of {record.number} leave {left}.")
            if len(mine) == len(issues) or len(theirs) == len(issues):
                speaks_for.append("The dates on file allow one of each issue.")
        else:
            against.append(f"By the dates on file both would be of one issue: {_issue(*issues[mine[0]])}.")
    marked = [one.thing["issue"] for one in pairs[0]]
    if all(marked) and marked[0] != marked[1]:
        speaks_for.append(f"They are on file as two issues: {marked[0]} and {marked[1]}.")
    pans = [record.here("pan") for record in (a, b)]
    if held.kind != "pan" and all(pans):
        if any(one.same_as(other) for one in pans[0] for other in pans[1]):
            against.append("The pan's number is the same on both as well.")
        else:
            speaks_for.append("Each has a pan of its own.")
    return Explanation(name, says, tuple(speaks_for), tuple(against))


def _issue(segment: Any, row: dict[str, Any]) -> str:
    from decoder.words import span_in_words

    run = f" ({row['run']})" if row["run"] and not row["run"][:1].isdigit() else ""
    return f"{span_in_words(segment.earliest, segment.latest)}{run}"


def _fitting_issues(record: Record, held: Held, issues: Sequence[tuple[Any, dict[str, Any]]]) -> list[int]:
    """Which issues of a number the papers of a car allow, by place; papers alone, since the number itself allows all of them."""
    from decoder import dating
    from decoder.errors import DecoderError
    from registry import dated

    event = "pan_made" if held.kind == "pan" else "body_moulded"
    try:
        papers = dated.papers_of(record.db, record.id)
        span = dating.reconcile(papers, events=dated.EVENTS, rules=dated.RULES).events[event].span
    except DecoderError:
        return list(range(len(issues)))
    if span is None:
        return list(range(len(issues)))
    first = span.earliest.isoformat() if span.earliest else "0001-01-01"
    last = span.latest.isoformat() if span.latest else _NOW
    return [place for place, (segment, _row) in enumerate(issues) if segment.earliest <= last and segment.latest >= first]


# -- moved and copied plates, moved pans and copied numbers


def _plate_only(record: Record, claims: Sequence[Held]) -> bool:
    """Whether a car has the number on its plate and not on the shell itself."""
    mine = [one for one in record.here("body", "plate") if any(one.same_as(claim) for claim in claims)]
    return bool(mine) and all(one.kind == "plate" for one in mine)


def _moved_plate(
    book: Book, a: Record, b: Record, serials: Sequence[tuple[Held, Held]], families: set[str], pans: Sequence[Any]
) -> Explanation:
    says = "One of the plates may have been put on another body: then plate and body are told apart, each with its own history."
    speaks_for, against = _about_plates(book, a, b, serials, families, is_copy=False)
    if pans:
        against.append("The pan is the same as well, and a plate does not take a pan along.")
    return Explanation("moved plate", says, tuple(speaks_for), tuple(against))


def _copied_plate(
    book: Book, a: Record, b: Record, serials: Sequence[tuple[Held, Held]], families: set[str], pans: Sequence[Any]
) -> Explanation:
    says = "One of the plates may be a reproduction. It can have been put on in good faith."
    speaks_for, against = _about_plates(book, a, b, serials, families, is_copy=True)
    if pans:
        against.append("The pan is the same as well, and a plate does not take a pan along.")
    return Explanation("copied plate", says, tuple(speaks_for), tuple(against))


def _about_plates(
    book: Book, a: Record, b: Record, serials: Sequence[tuple[Held, Held]], families: set[str], *, is_copy: bool
) -> tuple[list[str], list[str]]:
    sides = [(a, b, [one for one, _ in serials]), (b, a, [other for _, other in serials])]
    speaks_for, against = [], []
    if not any(record.here("plate") for record, _, _ in sides):
        return [], ["No plate is on file of either."]
    for record, other, claims in sides:
        if _plate_only(record, claims):
            if not _plate_only(other, claims):
                speaks_for.append(f"{record.number} has the number on its plate alone; on {other.number} it stands on the shell itself.")
            mine, theirs = plate_found(book, record, claims, families)
            speaks_for += theirs if is_copy else mine
            against += mine if is_copy else theirs
        elif is_copy is False:
            against.append(f"On {record.number} the number stands on the shell itself as well, so that one is at home.")
    return list(dict.fromkeys(speaks_for)), list(dict.fromkeys(against))


def _moved_pan(a: Record, b: Record, pans: Sequence[tuple[Held, Held]]) -> Explanation:
    says = "The pan may have been put under another body, and nobody has taken it off the first record: tubmark repan does that."
    speaks_for = []
    for record in (a, b):
        told = [row for row in record.statements if row["about"] == "repanned"]
        speaks_for += [f"{record.number} was put on another pan: {row['as_written'] or row['kind']}." for row in told]
    against = []
    bodies = [record.here("body", "plate") for record in (a, b)]
    if all(bodies):
        if any(one.same_as(other) for one in bodies[0] for other in bodies[1]):
            against.append("The body's serial is the same as well.")
        else:
            speaks_for.append("The bodies have serials of their own.")
    return Explanation("moved pan", says, tuple(speaks_for), tuple(against))


def _copied_number(a: Record, b: Record, pans: Sequence[tuple[Held, Held]]) -> Explanation:
    says = "A number may have been stamped again on another pan. That is for the vehicle office to say, and for nobody here."
    speaks_for, against = [], []
    for place, record in enumerate((a, b)):
        for pair in pans:
            surface = pair[place].reading["surface"]
            if surface in ALTERED_SURFACES:
                speaks_for.append(f"The metal under the number of {record.number} was worked on ({surface}).")
            elif surface == "untouched":
                against.append(f"The metal under the number of {record.number} is untouched.")
    return Explanation("copied number", says, tuple(dict.fromkeys(speaks_for)), tuple(dict.fromkeys(against)))


# -- misreading


def _misread(book: Book, a: Record, b: Record, pairs: Sequence[tuple[Held, Held]]) -> Explanation:
    says = "A figure may have been misread on one of the two, or typed wrong."
    speaks_for, against = [], []
    for place, record in enumerate((a, b)):
        for pair in pairs:
            mine, theirs = _how_read(book, record, pair[place])
            speaks_for += mine
            against += theirs
    if len(pairs) > 1:
        against.append("More than one number is the same, and two slips would have to agree.")
    for one, other in pairs[:1]:
        speaks_for += _listed_beside(book, one, other)
    return Explanation("misreading", says, tuple(dict.fromkeys(speaks_for)), tuple(dict.fromkeys(against)))


