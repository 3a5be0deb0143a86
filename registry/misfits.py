"""Things of one car that do not go together, and one picture under two cars.

A plate on a body that was moulded before its maker had plates, a pan younger than the papers of the car on it, a title with the
number of another pan. Each is odd before it is false: the maker's own exceptions, a floor that was changed, a paper of the first
pan explain most of them.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from itertools import combinations
from typing import Any

from registry import dated, knowing
from registry.alike import Book, Held, Record, named, one_car
from registry.metal import compare
from registry.schema import OF_ENTRY
from registry.sides import (
    EARLY_PLATE,
    ONE_PICTURE,
    OTHER_TITLE,
    YOUNGER_PAN,
    Conflict,
    Explanation,
    Side,
    claim,
    for_first,
    how_read,
    look_alikes,
    once,
    placed,
    plate_found,
    quoted,
    up,
)

#: Two difference hashes of 64 bits that differ in so few are taken for one picture, scaled or saved again (own choice; pictures
#: of one wall differ in more).
ALIKE_BITS = 6


def _with(book: Book, only: int | None, has: Callable[[dict[str, set[tuple[str, str]]]], bool]) -> list[Record]:
    """The records to look at: the one of ``only``, or all of which the numbers by kind make it worth while."""
    if only is not None:
        return [book.record(only)]
    return [book.record(car) for car, numbers in book.keys_on_cars.items() if has(numbers)]


# --- a plate on a body that was moulded before plates ----------------------------------------------------------------


def early_plates(book: Book, only: int | None) -> Iterator[Conflict]:
    """Plates with a number from before their maker had plates, where a table says from which number on there were any."""
    starts = {family.id: point for family in book.tables if not family.special for point in plates_began(family.raw)}
    if not starts:
        return
    for record in _with(book, only, lambda on: any(family in starts for family, _key in on["plate"])):
        for plate in record.here("plate"):
            for family, key in sorted(named(plate.keys)):
                point = starts.get(family)
                if point is not None and _is_before(book, family, key, point):
                    yield _early_plate(book, record, plate, family, key, point)


def plates_began(table: dict[str, Any]) -> list[dict[str, Any]]:
    """The change point of a table from which on there were plates at all; none where plates of another kind came before.

    A change point is told in words: "etched plate with a double border from here on". "Embossed before", "riveted plate before"
    say that only the kind of plate changed.
    """
    found = []
    for point in table.get("change_points", []):
        clauses = re.split(r"[;.]", point["what"].lower())
        begins = re.search(r"\bplates?\b", clauses[0]) and re.search(
            r"\bfrom\b.*\bhere on\b|\bbegin|\bfirst plates?\b", clauses[0]
        )
        other = any(
            re.search(r"\bbefore\b", clause) and not re.search(r"\b(never|no|none|not|nothing)\b", clause)
            for clause in clauses[1:]
        )
        if begins and not other and not re.search(r"\bno plate", clauses[0]):
            found.append(point)
    return found[:1]


def _is_before(book: Book, family: str, key: str, point: dict[str, Any]) -> bool:
    """Whether an issued number of a family stands before a change point of it."""
    for template in book.tables[family].of_length(len(key)):
        if (
            template.scheme != point["scheme"]
            or template.running is None
            or not (template.fits(key) and template.find(key))
        ):
            continue
        ordered = template.key(key)
        width = template.running[1] - template.running[0]
        if (ordered[:-width], int(ordered[-width:])) < (point["block"], point["running"]):
            return True
    return False


def _early_plate(book: Book, record: Record, plate: Held, family: str, key: str, point: dict[str, Any]) -> Conflict:
    shells = record.here("body")
    agree = [one for one in shells if one.same_as(plate)]
    found = plate_found(book, record, [plate], {family})
    from_maker = [
        row
        for row in record.statements
        if "maker" in f"{row['kind']} {row['source'] or ''}".lower()
        and (row["about"] == "plate_issued" or "plate" in (row["as_written"] or "").lower())
    ]
    exceptions = [
        Explanation(
            "the maker's own exception",
            f"{up(exception)}.",
            (
                *(f"On file: {row['kind']}{quoted(row)}." for row in from_maker),
                *(f"The body itself has the number as well, {one.typed}." for one in agree),
            ),
            () if from_maker else ("No letter from the maker is on file.",),
        )
        for exception in point["exceptions"]
    ]
    explanations = [
        *exceptions,
        Explanation(
            "moved plate",
            "The plate may have come from another body.",
            (
                *(f"The body has another number: {one.typed}." for one in shells if not one.same_as(plate)),
                *(() if agree else found.elsewhere),
            ),
            tuple(f"The body itself has the plate's number, {one.typed}." for one in agree),
        ),
        Explanation("copied plate", "The plate may be a reproduction.", found.unlike, found.like),
        _misread_early(book, record, plate, family, key, point),
    ]
    known = f" The table knows an exception: {'; '.join(point['exceptions'])}." if point["exceptions"] else ""
    return Conflict(
        name=f"plate:{record.number}",
        kind=EARLY_PLATE,
        cars=(record.number,),
        key=plate.typed,
        says=(
            f"The plate of {record.number} says {plate.typed}, and by the table plates began at {point['at']} ({point['what']})."
            f"{known} Odd is not false."
        ),
        sides=(
            Side(
                record.number,
                f"The plate says {plate.typed}{placed(plate)}.",
                "Ask for the maker's letter that came with the plate; without it a photograph of the plate with its fixings and a rule beside it.",
            ),
            Side(
                record.number,
                f"The body {'has ' + ' and '.join(one.typed for one in shells) if shells else 'has no number on file'}"
                f"{placed(shells[0]) if shells else ''}.",
                f"Ask for a photograph of the number on the body itself ({book.tables[family].where}).",
            ),
        ),
        explanations=for_first(explanations),
    )


def _misread_early(
    book: Book, record: Record, plate: Held, family: str, key: str, point: dict[str, Any]
) -> Explanation:
    speaks_for, against = how_read(book, record, plate)
    later = [each for each in look_alikes(book, family, key) if not _is_before(book, family, each, point)]
    if later:
        speaks_for.append(f"With one look-alike figure it would be a later number: {', '.join(later[:3])}.")
    else:
        against.append("No number one look-alike figure away is late enough.")
    return Explanation("misreading", "A figure of the plate may have been misread.", tuple(speaks_for), tuple(against))


# --- a pan younger than the papers of the car ------------------------------------------------------------------------

#: The events that a pan under a car comes before.
_AFTER_THE_PAN = ("assembled", "first_registered", "repanned")


def younger_pans(book: Book, only: int | None) -> Iterator[Conflict]:
    """Pans made after the car on them was put together or registered, as ``registry.dated`` finds by all the papers."""
    names = [name for name in (*_AFTER_THE_PAN, *dated.CALLED) if dated.CALLED.get(name, name) in _AFTER_THE_PAN]
    told = knowing.rows(
        book.db,
        f"SELECT DISTINCT car FROM statements WHERE edtf IS NOT NULL AND about IN ({', '.join('?' * len(names))})",
        names,
    )
    spoken_of = {knowing.stays(book.db, row["car"]) for row in told}
    for record in _with(book, only, lambda on: bool(on["pan"])):
        if record.id not in spoken_of or not record.here("pan"):
            continue
        answer = dated.date_car(book.db, record.id)
        for one in answer.conflicts:
            abouts = {statement.about for statement in one.statements}
            if one.kind == "dates" and "pan_made" in abouts and abouts & set(_AFTER_THE_PAN):
                yield _younger_pan(book, record, answer, one)


def _younger_pan(book: Book, record: Record, answer: Any, one: Any) -> Conflict:
    pan = record.here("pan")[0]
    statements = {row["id"]: row for row in record.statements}
    refs = [int(ref.split()[1]) for ref in one.papers if ref.startswith("statement ")]
    papers = [statements[ref] for ref in refs if ref in statements]
    said = "; ".join(f"{row['kind']}{quoted(row)}" for row in papers) or "the papers of the car"
    titles = [each for each in record.here("title") if not each.same_as(pan)]
    floor_for = [f"The title gives another number, {each.typed}." for each in titles]
    floor_for += [
        "A pan that is no longer on the car is on file."
        for thing in record.things
        if thing["kind"] == "pan" and thing["former"]
    ][:1]
    floor_against = [] if floor_for else ["Neither an invoice for a second pan nor a number of a first one is on file."]
    slip_for, slip_against = how_read(book, record, pan)
    earlier = _old_enough(book, pan, min((row["latest"] for row in papers if row["latest"]), default=""))
    if earlier:
        slip_for.append(f"With one look-alike figure it would be old enough: {', '.join(earlier[:3])}.")
    elsewhere_for = [
        f"{up(row['kind'])} was seen as {'a copy' if row['seen'] == 'copy' else 'told'} only."
        for row in papers
        if row["seen"] in ("copy", "told")
    ]
    donor = [row["value"] for row in record.statements if row["about"] == "make on the title" and row["value"]]
    elsewhere_for += [f"The title names the make {donor[-1]}." for _ in donor[-1:]]
    return Conflict(
        name=f"pan:{record.number}",
        kind=YOUNGER_PAN,
        cars=(record.number,),
        key=", ".join([pan.typed, *(str(ref) for ref in one.papers if not ref.startswith("reading "))]),
        says=one.says,
        sides=(
            Side(
                record.number,
                f"{up(claim(pan))}: a pan made {_made(answer, pan)}.",
                "Ask for the number on the tunnel again, photographed with light from the side, and for an invoice for a second pan, if there was one.",
            ),
            Side(
                record.number,
                f"The papers: {said}.",
                "Ask for the paper in the original, both sides: does any number on it stand on this car?",
            ),
        ),
        explanations=for_first(
            [
                Explanation(
                    "another floor put under it later",
                    "The body may have been moved to this pan after it was first on the road: then nothing is wrong, and tubmark repan puts it down.",
                    tuple(floor_for),
                    tuple(floor_against),
                ),
                Explanation(
                    "a paper of another thing",
                    "The paper may be the donor's or another car's.",
                    tuple(elsewhere_for),
                ),
                Explanation(
                    "misreading",
                    "A figure of the pan's number, or of the date, may have been misread.",
                    tuple(slip_for),
                    tuple(slip_against),
                ),
            ]
        ),
    )


def _old_enough(book: Book, pan: Held, latest: str) -> list[str]:
    """The numbers one look-alike figure from a pan's that were given out by the day ``latest``."""
    found = []
    for family, key in sorted(named(pan.keys)):
        for each in look_alikes(book, family, key) if family in book.tables and latest else ():
            templates = [template for template in book.tables[family].of_length(len(each)) if template.fits(each)]
            if any(segment.earliest <= latest for template in templates for segment in template.find(each)):
                found.append(each)
    return found


def _made(answer: Any, pan: Held) -> str:
    for number in answer.numbers:
        if number.thing["id"] == pan.thing["id"] and number.span is not None:
            return str(number.span.when())
    return "at a time that no table tells"


# --- a title with the number of another pan --------------------------------------------------------------------------


def titles(book: Book, only: int | None) -> Iterator[Conflict]:
    """Titles whose number is not this pan's: it is another car's, or no slip away from the pan's own."""
    looked_at = _with(book, only, lambda on: bool(on["title"]) and not (on["title"] & on["pan"]))
    if only is not None:  # its pan may be the one that another car's title names
        named_by = {car for pan in looked_at[0].here("pan") for car in _cars_with(book, pan, "title")}
        looked_at += [book.record(car) for car in sorted(named_by - {only})]
    for record in looked_at:
        pans = record.here("pan")
        for title in record.here("title"):
            if any(title.same_as(pan) for pan in pans):
                continue
            found = _title(book, record, title, pans)
            if found is not None and (only is None or only in {book.record_of(car).id for car in found.cars}):
                yield found


def _title(book: Book, record: Record, title: Held, pans: Sequence[Held]) -> Conflict | None:
    verdicts = [compare(title.typed, pan.typed, "pan", book.tables) for pan in pans]
    if any(verdict in ("same", "may be the same") for verdict in verdicts):
        return None
    other = _whose_pan(book, record, title)
    verdict = verdicts[0] if verdicts else ""
    known = [one for one in dated.date_car(book.db, record.id).compared if one.paper == "title"] if pans else []
    speaks_of_another = any(one.verdict == "another number" and one.on_paper == title.typed for one in known)
    if other is None and ("one slip apart" in verdicts or not speaks_of_another):
        return None
    gone = [one for one in record.held if one.kind == "pan" and not one.is_here and one.same_as(title)]
    moved = [row for row in record.statements if row["about"] == "repanned"]
    first = [f"The number is that of the first pan, {one.typed}, which is no longer on the car." for one in gone]
    first += [f"On file: {row['kind']}{quoted(row)}." for row in moved]
    if not first and any(thing["kind"] == "pan" and thing["former"] for thing in record.things):
        first.append("A pan that is no longer on the car is on file.")
    slip = (
        [f"Title and pan are one slip apart: {title.typed} and {pans[0].typed}."] if verdict == "one slip apart" else []
    )
    says = next((one.says for one in known if one.says and speaks_of_another), "")
    if not says:
        here = f" and the pan says {pans[0].typed}" if pans else ", and no number of the pan is on file"
        says = f"The title of {record.number} says {title.typed}{here}."
    if other is not None and other.number not in says:
        says = f"{says} {title.typed} is the number of the pan of {other.number}."
    explanations = [
        Explanation(
            "the floor was changed",
            "The title may be that of the car's first pan. It goes with that pan, wherever it is; body, first pan and present pan each "
            "have a history of their own.",
            tuple(first),
            () if first else ("No first pan and no invoice for a second one is on file.",),
        ),
        Explanation(
            "a title of another car",
            "The paper may have come from another car.",
            (f"It gives the number of the pan of {other.number}.",) if other else (),
            () if other else ("No other car on file has a pan of that number.",),
        ),
        Explanation(
            "misreading",
            "A figure may be wrong on the title or in the reading of the pan.",
            tuple(slip),
            () if slip or not pans else ("More than one character differs.",),
        ),
    ]
    if other is not None:
        explanations.append(once(one_car(record, other)))
    sides = [
        Side(
            record.number,
            f"The title says {title.typed}.",
            "Ask for the title itself, both sides: what does it call the vehicle, and which office issued it? Ask that office which object it speaks of.",
        ),
        Side(
            record.number,
            f"The pan says {' and '.join(one.typed for one in pans)}." if pans else "No number of the pan is on file.",
            "Ask for a photograph of the number on the pan, lit from the side, and for an invoice for the pan, if the floor was changed.",
        ),
    ]
    if other is not None:
        sides.append(
            Side(
                other.number,
                f"{other.number} has the pan {title.typed}.",
                "Ask for the title of this car: which number does it give?",
            )
        )
    return Conflict(
        name=f"title:{record.number}",
        kind=OTHER_TITLE,
        cars=(record.number,) + ((other.number,) if other else ()),
        key=title.typed,
        says=says,
        beside=((pans[0].typed, "on the pan"), (title.typed, "on the title")) if pans else (),
        sides=tuple(sides),
        explanations=for_first(explanations),
    )


def _whose_pan(book: Book, record: Record, title: Held) -> Record | None:
    """Another car on file whose pan has the number of this title."""
    for car in _cars_with(book, title, "pan"):
        if car != record.id and any(one.same_as(title) for one in book.record(car).here("pan")):
            return book.record(car)
    return None


def _cars_with(book: Book, number: Held, on: str) -> list[int]:
    """The cars, by id, that have a number of a known family on a thing of another kind."""
    keys = [key for family, key in named(number.keys) if family]
    marks = ", ".join("?" * len(keys))
    things = knowing.rows(
        book.db,
        "SELECT DISTINCT readings.thing FROM number_keys JOIN readings ON readings.id = number_keys.subject "
        f"WHERE subject_kind = 'reading' AND certain = 1 AND kind = ? AND key IN ({marks}) ORDER BY readings.thing",
        [on, *keys],
    )
    cars = (knowing.car_of_thing(book.db, row["thing"]) for row in things)
    return list(dict.fromkeys(car for car in cars if car is not None))


# --- one picture under two cars --------------------------------------------------------------------------------------


def pictures(book: Book, only: int | None) -> Iterator[Conflict]:
    """Pictures that are filed under two cars: one file, or two that look the same."""
    pictures = knowing.rows(
        book.db,
        f"SELECT photographs.id, coalesce(photographs.car, {OF_ENTRY}) AS car, thing, sha256, clean_sha256, dhash, view, taken "
        "FROM photographs LEFT JOIN entries ON entries.id = photographs.entry ORDER BY photographs.id",
    )
    for row in pictures:
        if row["car"] is None and row["thing"] is not None:
            row["car"] = knowing.car_of_thing(book.db, row["thing"])
        elif row["car"] is not None:
            row["car"] = knowing.stays(book.db, row["car"])
    shared: dict[tuple[int, int], list[tuple[dict[str, Any], dict[str, Any], bool]]] = defaultdict(list)
    for one, other, exactly in _same_pictures([row for row in pictures if row["car"] is not None]):
        if one["car"] != other["car"] and (only is None or only in (one["car"], other["car"])):
            if one["car"] > other["car"]:
                one, other = other, one
            shared[one["car"], other["car"]].append((one, other, exactly))
    for (a, b), pairs in sorted(shared.items()):
        yield _one_picture(book.record(a), book.record(b), pairs)


def _same_pictures(rows: Sequence[dict[str, Any]]) -> Iterator[tuple[dict[str, Any], dict[str, Any], bool]]:
    """Pairs of one picture: the same file, or one that looks the same by its difference hash."""
    met: set[tuple[int, int]] = set()
    files: dict[str, list[dict[str, Any]]] = defaultdict(list)
    bands: dict[tuple[int, int], list[tuple[int, dict[str, Any]]]] = defaultdict(list)
    for row in rows:
        for file in {row["sha256"], row["clean_sha256"]} - {None}:
            files[file].append(row)
        bits = _bits(row["dhash"])
        if bits is not None:
            # Two hashes that differ in at most ALIKE_BITS are the same in one of ALIKE_BITS + 1 bands.
            for band in range(ALIKE_BITS + 1):
                width = -(-64 // (ALIKE_BITS + 1))
                bands[band, (bits >> (band * width)) & ((1 << width) - 1)].append((bits, row))
    for group in files.values():
        for one, other in combinations(group, 2):
            if one["id"] != other["id"] and (one["id"], other["id"]) not in met:
                met.add((one["id"], other["id"]))
                yield one, other, True
    for likely in bands.values():
        for (x, one), (y, other) in combinations(likely, 2):
            pair = (min(one["id"], other["id"]), max(one["id"], other["id"]))
            if one["car"] != other["car"] and pair not in met and (x ^ y).bit_count() <= ALIKE_BITS:
                met.add(pair)
                yield one, other, False


def _bits(dhash: str | None) -> int | None:
    """A difference hash of 64 bits; None for none, and for a picture without a difference in it (a wall, a hand on the lens)."""
    if not dhash or not re.fullmatch(r"[0-9a-fA-F]{16}", dhash):
        return None
    bits = int(dhash, 16)
    return bits if ALIKE_BITS < bits.bit_count() < 64 - ALIKE_BITS else None


def _one_picture(a: Record, b: Record, pairs: Sequence[tuple[dict[str, Any], dict[str, Any], bool]]) -> Conflict:
    exactly = any(one for _, _, one in pairs)
    many = f"{len(pairs)} pictures are" if len(pairs) > 1 else "One picture is"
    how = "the same file" if exactly else "alike to the eye of the program, not the same file"
    alike = one_car(a, b)

    def filed(rows: Sequence[dict[str, Any]]) -> str:
        return "; ".join(
            ", ".join(
                filter(None, (f"photograph {row['id']}", row["view"], f"taken {row['taken']}" if row["taken"] else ""))
            )
            for row in rows
        )

    sides = tuple(
        Side(
            record.number,
            f"Filed under {record.number}: {filed([pair[place] for pair in pairs])}.",
            "Ask for a new photograph of the same view of this car, with a card in it that bears today's date.",
        )
        for place, record in enumerate((a, b))
    )
    views = {row["view"] for pair in pairs for row in pair[:2] if row["view"]}
    return Conflict(
        name=f"picture:{a.number}:{b.number}",
        kind=ONE_PICTURE,
        cars=(a.number, b.number),
        key=", ".join(sorted({pair[0]["sha256"][:12] for pair in pairs} | {pair[1]["sha256"][:12] for pair in pairs})),
        says=f"{many} filed under {a.number} and under {b.number} ({how}).",
        sides=sides,
        explanations=for_first(
            [
                once(alike),
                Explanation(
                    "filed under the wrong car",
                    "It may have been put with one of the two by mistake.",
                    ("What speaks for two cars is named above.",) if alike.speaks_against else (),
                ),
                Explanation(
                    "both cars in one picture",
                    "Two cars may stand in one picture.",
                    (f"It is filed as: {', '.join(sorted(views))}.",)
                    if any(re.search(r"\bmeet|\bboth|\brow\b", view) for view in views)
                    else (),
                ),
                Explanation(
                    "a picture taken over from elsewhere",
                    "An advertisement or another list may have used a picture of another car.",
                    () if exactly else ("The files differ: one of them was saved again.",),
                ),
            ]
        ),
    )
