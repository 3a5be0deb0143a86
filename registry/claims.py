"""Two cars that claim one number: a serial that two bodies carry, a pan that is under two cars at one time.

One conflict stands for a pair of cars, whatever they share: that two numbers are the same on both is itself what speaks most
plainly for one car entered twice. A thing that left one car before it came to another is no conflict (``at_one_time``).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any, NamedTuple

from registry import knowing
from registry.alike import Book, Held, Record, named, one_car
from registry.models import ALTERED_SURFACES
from registry.sides import (
    SAME_PAN,
    SAME_SERIAL,
    TWO_CLAIM,
    Conflict,
    Explanation,
    Side,
    claim,
    for_first,
    how_read,
    listed_beside,
    once,
    plate_found,
)

if TYPE_CHECKING:
    from decoder import Decoding

#: After every day, for what has not ended.
_NOW = "9999-12-31"


class Shared(NamedTuple):
    """One number that two cars have: how it stands on the one and on the other."""

    one: Held
    other: Held


def two_claim(book: Book, only: int | None) -> Iterator[Conflict]:
    """A serial that two cars carry, a pan that two cars have at one time: one conflict a pair of cars, whatever they share."""
    pairs: dict[tuple[int, int], dict[tuple[bool, str], Shared]] = defaultdict(dict)
    for is_pan, key, (a, one), (b, other) in _same_numbers(book, only):
        if (book.record(b).first_seen, b) < (book.record(a).first_seen, a):
            a, one, b, other = b, other, a, one
        pairs[a, b].setdefault((is_pan, key), Shared(one, other))
    for (a, b), shared in sorted(pairs.items()):
        # One number can have a key in each of several families that it fits.
        things = {(one.thing["id"], other.thing["id"]): Shared(one, other) for one, other in reversed(shared.values())}
        in_order = sorted(things.values(), key=lambda pair: (pair.one.kind == "pan", pair.one.thing["id"]))
        yield _claimed(book, book.record(a), book.record(b), in_order)


_On = tuple[int, Held]


def _same_numbers(book: Book, only: int | None) -> Iterator[tuple[bool, str, _On, _On]]:
    """Whether it is a pan's, the number, and two cars (by id) on which it stood at one time, each with how it stands there."""
    groups: dict[tuple[bool, str, str], list[_On]] = defaultdict(list)
    for record in _candidates(book, only):
        for held in record.held:
            if held.kind in ("pan", "body", "plate"):
                for family, key in sorted(named(held.keys)):
                    groups[held.kind == "pan", family, key].append((record.id, held))
    for (is_pan, _family, key), group in groups.items():
        for one, other in combinations(group, 2):
            if one[0] == other[0] or (only is not None and only not in (one[0], other[0])):
                continue
            if _alike_in_kind(one[1], other[1]) and at_one_time(one[1].thing, other[1].thing):
                yield is_pan, key, one, other


def _candidates(book: Book, only: int | None) -> list[Record]:
    """The cars with a number that another car has as well, by the index of spellings: the rest need not be looked at."""
    mine, cars = "", [] if only is None else book.record(only).members
    if only is not None:
        mine = f"""
          AND key IN (SELECT key FROM number_keys JOIN readings ON readings.id = number_keys.subject
                      JOIN fittings ON fittings.thing = readings.thing
                      WHERE subject_kind = 'reading' AND fittings.car IN ({", ".join("?" * len(cars))}))"""
    by_key: dict[str, set[int]] = defaultdict(set)
    for row in knowing.rows(
        book.db,
        f"""
        SELECT DISTINCT fittings.car AS car, key FROM number_keys
        JOIN readings ON readings.id = number_keys.subject JOIN fittings ON fittings.thing = readings.thing
        WHERE subject_kind = 'reading' AND certain = 1 AND kind IN ('pan', 'body', 'plate') {mine}
        """,
        cars,
    ):
        by_key[row["key"]].add(knowing.stays(book.db, row["car"]))
    return [book.record(car) for car in sorted({car for cars in by_key.values() if len(cars) > 1 for car in cars})]


def _alike_in_kind(one: Held, other: Held) -> bool:
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


def _claimed(book: Book, a: Record, b: Record, shared: Sequence[Shared]) -> Conflict:
    """The conflict of two cars, ``a`` entered first, over the numbers that they share."""
    pans = [pair for pair in shared if pair.one.kind == "pan"]
    serials = [pair for pair in shared if pair.one.kind != "pan"]
    alike = one_car(a, b)
    twice = [says for pair in shared for says in _listed_twice(book, pair.one)]
    explanations = [once(alike._replace(speaks_against=(*alike.speaks_against, *twice)))]
    if serials:
        explanations.append(_issued_twice(book, a, b, serials, "double issue"))
        explanations += _plates(book, a, b, serials, bool(pans))
    if pans:
        name = "double issue of the pan's number" if serials else "double issue"
        explanations += [_issued_twice(book, a, b, pans, name), _moved_pan(a, b), _copied_number(a, b, pans)]
    explanations.append(_misread(book, a, b, shared))
    sides = []
    for place, (record, other) in enumerate(((a, b), (b, a))):
        claims = [pair[place] for pair in shared]
        sides.append(Side(record.number, side_says(record, claims), _side_ask(book, record, other, claims)))
    return Conflict(
        name=f"number:{a.number}:{b.number}",
        kind=TWO_CLAIM,
        what=((SAME_SERIAL,) if serials else ()) + ((SAME_PAN,) if pans else ()),
        cars=(a.number, b.number),
        key=", ".join(dict.fromkeys(pair.one.typed for pair in shared)),
        says=_both_claim(a, b, serials, pans),
        sides=tuple(sides),
        beside=next(
            (
                ((pair.one.typed, f"{a.number}, {pair.one.kind}"), (pair.other.typed, f"{b.number}, {pair.other.kind}"))
                for pair in shared
                if pair.one.typed != pair.other.typed
            ),
            (),
        ),
        explanations=for_first(explanations),
    )


def _both_claim(a: Record, b: Record, serials: Sequence[Shared], pans: Sequence[Shared]) -> str:
    def number(pair: Shared) -> str:
        spelt = f" ({pair.other.typed} on {b.number})" if pair.other.typed != pair.one.typed else ""
        return f"{pair.one.typed}{spelt}"

    said = [f"claim the serial {number}" for number in dict.fromkeys(map(number, serials))]
    said += [f"have the pan {number} at one time" for number in dict.fromkeys(map(number, pans))]
    return f"{a.number} and {b.number} both {', and both '.join(said)}."


def _listed_twice(book: Book, held: Held) -> Iterator[str]:
    """Other lists that have a number twice as well: they too think of two cars, or have one twice."""
    for family, key in sorted(named(held.keys)):
        by_list: dict[str, list[str]] = defaultdict(list)
        for row in knowing.rows(
            book.db,
            "SELECT DISTINCT list_numbers.id, lists.name AS list, as_typed, their_number, list_numbers.note FROM number_keys "
            "JOIN list_numbers ON list_numbers.id = number_keys.subject JOIN lists ON lists.id = list_numbers.list "
            "WHERE subject_kind = 'list' AND certain = 1 AND family = ? AND key = ? ORDER BY list_numbers.id",
            [family, key],
        ):
            about = "; ".join(filter(None, (row["their_number"], row["note"])))
            by_list[row["list"]].append(f"{row['as_typed']} ({about})" if about else row["as_typed"])
        for name, numbers in by_list.items():
            if len(numbers) > 1:
                yield f"{name} has the number twice as well: {' and '.join(numbers)}."


def side_says(record: Record, claims: Sequence[Held]) -> str:
    """What one side has: where the numbers stand on it, and what it is taken for."""
    wanted = frozenset().union(*(named(one.keys) for one in claims))
    every = [one for one in record.held if one.kind != "title" and named(one.keys) & wanted]
    opinion = record.series_in_words()
    taken = f" In the opinion that stands it is {opinion}." if opinion else ""
    return f"{record.number} has {'; '.join(dict.fromkeys(claim(one) for one in every))}.{taken}"


def _side_ask(book: Book, record: Record, other: Record, claims: Sequence[Held]) -> str:
    """The one photograph or paper that would decide, for this side."""
    serials = [one for one in claims if one.kind != "pan"]
    if len(serials) < len(claims):
        # A pan is under one car at a time, and what two numbers agree in is seldom chance: is the other one gone?
        asked = "a photograph of the number on the pan, with a card beside it that bears today's date"
        asked += ", and of the plate in the same picture or the next" if serials else ""
        if record.first_seen <= other.first_seen:
            return f"Ask whoever had it last whether it is still there: a bill of sale if it was sold, else {asked}."
        return f"Ask from whom it was bought, and when: a bill of sale that leads to {other.number}, or {asked}."
    if any(len(issues_of(book, one)) > 1 for one in serials):
        return (
            "Ask for the oldest dated paper of this body, an invoice or a first registration: it tells which issue of the number "
            "this is."
        )
    if not _plate_only(record, serials):
        return (
            "Ask for a photograph of the number on the body itself, and of the plate's fixings if there is a plate, in one picture "
            "if that can be."
        )
    families = sorted({family for one in serials for family, _ in named(one.keys) if family in book.tables})
    place = f" ({book.tables[families[0]].where})" if families else ""
    return (
        "Ask for a photograph of the plate from near by, with its fixings and a rule beside it, and one of the place where the maker "
        f"put the number on the body itself{place}."
    )


# -- double issue


def issues_of(book: Book, held: Held) -> list[tuple[Any, dict[str, Any]]]:
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


def _issued_twice(book: Book, a: Record, b: Record, pairs: Sequence[Shared], name: str) -> Explanation:
    says = "The maker may have given the number out twice; then both are right, and each keeps its own record."
    held = pairs[0][0]
    issues = issues_of(book, held)
    if not any(family for family, _ in named(held.keys)):
        return Explanation(
            name, says, (), (f"No table on file knows {held.typed}, so none says that it was given out twice.",)
        )
    if len(issues) < 2:
        return Explanation(name, says, (), (f"The table has {held.typed} once.",))
    when = " and ".join(_issue(segment, row) for segment, row in issues)
    speaks_for = [f"The table has {held.typed} more than once: {when}."]
    against: list[str] = []
    mine, theirs = (_fitting_issues(record, held, issues) for record in (a, b))
    for record, fits in ((a, mine), (b, theirs)):
        if 0 < len(fits) < len(issues):
            left = " or ".join(_issue(*issues[place]) for place in fits)
            speaks_for.append(f"The papers of {record.number} leave {left}.")
    if len(mine) == 1 and mine == theirs:
        speaks_for = speaks_for[:1]
        against.append(f"By their papers both would be of one issue: {_issue(*issues[mine[0]])}.")
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
    return [
        place for place, (segment, _row) in enumerate(issues) if segment.earliest <= last and segment.latest >= first
    ]


# -- moved and copied plates, moved pans and copied numbers


def _plate_only(record: Record, claims: Sequence[Held]) -> bool:
    """Whether a car has the number on its plate and not on the body itself."""
    mine = [one for one in record.here("body", "plate") if any(one.same_as(each) for each in claims)]
    return bool(mine) and all(one.kind == "plate" for one in mine)


def _plates(
    book: Book, a: Record, b: Record, serials: Sequence[Shared], same_pan: bool
) -> tuple[Explanation, Explanation]:
    """The two explanations by a plate: it was moved, it was copied."""
    families = {family for pair in serials for family, _ in named(pair.one.keys) if family}
    moved: list[str] = []
    copied: list[str] = []
    against_both: list[str] = []
    sides = ((a, b, [pair.one for pair in serials]), (b, a, [pair.other for pair in serials]))
    for record, other, claims in sides:
        if not _plate_only(record, claims):
            against_both.append(f"On {record.number} the number stands on the body itself, so that one is at home.")
            continue
        found = plate_found(book, record, claims, families)
        if not _plate_only(other, claims):
            found = found._replace(
                elsewhere=(
                    f"{record.number} has the number on its plate alone, {other.number} on the body itself.",
                    *found.elsewhere,
                )
            )
        moved += [*found.elsewhere, *found.like]
        copied += [*found.elsewhere, *found.unlike]
        # A plate that is the maker's was not copied; one that is not was not moved from a body of the maker's.
    unlike = [says for says in copied if says not in moved]
    like = [says for says in moved if says not in copied]
    if len(against_both) < len(sides):
        against_both = []  # one at home leaves the other to be explained
    if not any(record.here("plate") for record in (a, b)):
        against_both, moved, copied = ["No plate is on file of either."], [], []
    if same_pan:
        against_both.append("The pan is the same as well, and a plate takes no pan along.")
    return (
        Explanation(
            "moved plate",
            "One of the plates may have come from another body: then plate and body are told apart, each with its own history.",
            tuple(moved),
            (*unlike, *against_both),
        ),
        Explanation(
            "copied plate",
            "One of the plates may be a reproduction; it can have been put on in good faith.",
            tuple(copied),
            (*like, *against_both),
        ),
    )


def _moved_pan(a: Record, b: Record) -> Explanation:
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


def _copied_number(a: Record, b: Record, pans: Sequence[Shared]) -> Explanation:
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


def _misread(book: Book, a: Record, b: Record, shared: Sequence[Shared]) -> Explanation:
    says = "A figure may have been misread on one of the two, or typed wrong."
    speaks_for, against = [], []
    for place, record in enumerate((a, b)):
        for pair in shared:
            mine, theirs = how_read(book, record, pair[place])
            speaks_for += mine
            against += theirs
    if len({pair.one.kind == "pan" for pair in shared}) > 1:
        against.append("More than one number is the same, and two slips would have to agree.")
    speaks_for += listed_beside(book, shared[0].one)
    return Explanation("misreading", says, tuple(dict.fromkeys(speaks_for)), tuple(dict.fromkeys(against)))
