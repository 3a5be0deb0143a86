"""What to ask next: which character to look at again, which feature of the thing would decide, and what a misfit is nearest to.

Everything here is a question or a sentence for a person at the car; nothing changes an answer, except that features seen on the
thing narrow it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from decoder.channel import Channel
from decoder.errors import DecoderError
from decoder.patterns import FIRST_DAY, LAST_DAY, Family, Segment, Tables, Template
from decoder.reading import Cell, Reading
from decoder.weighing import MOST_CANDIDATES, Found, Variant, heaviest, of_family, spellings

#: With doubt about every character, characters less likely than this are not named, and only places in real doubt are asked about.
_WORTH_NAMING = 0.02
#: And a question about the thing itself has to remove this much doubt (bits).
_WORTH_ASKING = 0.2


def entropy(found: Sequence[Found]) -> float:
    """How open it is which month (or row) of which family it is, in bits; families weigh by their evidence."""
    weights: dict[tuple[str, str], float] = {}
    for f in found:
        for s, w in f.segments.values():
            key = (f.family.id, s.month or s.earliest)
            weights[key] = weights.get(key, 0.0) + f.evidence * w / f.total
    total = sum(weights.values())
    return -sum(w / total * math.log2(w / total) for w in weights.values() if w > 0) if total else 0.0


def look_again(
    found: list[Found], variants: list[Variant], direction: str | None, channel: Channel
) -> list[dict[str, Any]]:
    """For each place in doubt: what would follow from each character, and how much doubt it would remove, most first.

    ``settles_bits`` is the expected drop of uncertainty about the month, in bits.
    """
    cells = variants[0].cells
    if any(c.stretch for c in cells):
        return []
    whole = entropy(found)
    strongest = max(f.evidence for f in found)
    counted = [f for f in found if f.evidence >= strongest * _WORTH_NAMING]
    total = sum(f.total for f in counted)
    families = [f.family for f in counted]
    out: list[dict[str, Any]] = []
    for place, cell in enumerate(cells):
        if cell.is_certain and channel.rate == 0.0:
            continue
        possible = _possible(families, place, len(cells), cell, channel)
        if channel.rate > 0.0:
            named = _named_at(counted, place, len(cells))
            possible = [(c, w) for c, w in possible if named.get(c, 0.0) >= _WORTH_NAMING]
            if len(possible) < 2:
                continue
        options, left, known = [], 0.0, 0.0
        for char, likelihood in possible:
            settled = (*cells[:place], Cell(char, sure=True), *cells[place + 1 :])
            variant = Variant(settled, "", separators=variants[0].separators)
            again = [f for f in (of_family(x, [variant], direction, channel, False) for x in families) if f]
            share = min(likelihood * sum(f.total for f in again) / total, 1.0) if total else 0.0
            known += share
            left += share * entropy(again)
            options.append({"character": char, "probability": share, "then": then(again)})
        if options and (channel.rate == 0.0 or len(options) > 1):
            out.append(
                {"place": place + 1, "options": options, "settles_bits": max(whole * min(known, 1.0) - left, 0.0)}
            )
    out.sort(key=lambda o: (-o["settles_bits"], o["place"]))
    return out


def _named_at(found: list[Found], place: int, length: int) -> dict[str, float]:
    """How much weight the numbers named so far give each character at a place."""
    out: dict[str, float] = {}
    for f in found:
        named = {n: w for n, (w, _, _) in f.candidates.items() if len(n) == length}
        whole = sum(named.values())
        for number, weight in named.items():
            out[number[place]] = out.get(number[place], 0.0) + weight / whole
    return out


def _possible(families: list[Family], place: int, length: int, cell: Cell, channel: Channel) -> list[tuple[str, float]]:
    """The characters that may be stamped at a place, with the chance of reading there what was read."""
    alphabet = (
        "".join(sorted({c for f in families for t in f.of_length(length) for c in t.cells[place]})) or "0123456789"
    )
    if channel.rate == 0.0 and not cell.doubtful:
        return [(c, 1.0) for c in cell.chars or alphabet]
    return list(channel.weights(cell.chars, cell.doubtful, alphabet))


def then(again: Sequence[Found]) -> str:
    """When it was made if only these remain: ``May 1958``, ``between August 1967 and July 1968``."""
    from decoder.words import NEVER, month_in_words, when_in_words

    if not again:
        return NEVER
    best = max(again, key=lambda f: f.evidence)
    segments = heaviest([(s, w / best.total) for s, w in best.segments.values() if w > 0], 0.995)
    months = {s.month for s in segments}
    if len(months) == 1 and None not in months:
        estimated = " (estimated)" if any(s.estimated for s in segments) else ""
        return f"{month_in_words(segments[0].month or '')}{estimated}"
    return when_in_words(segments).removeprefix("in ")


# --- dated features of the thing itself -------------------------------------------------------------------------------


def _agrees(feature: dict[str, Any], segment: Segment) -> bool | None:
    """Whether things of this segment have the feature: all of them, none, or (None) it depends."""
    start, end = feature["from"] or FIRST_DAY, feature["to"] or LAST_DAY
    if segment.latest < start or segment.earliest > end:
        return False
    return True if segment.earliest >= start and segment.latest <= end else None


def known_features(tables: Tables, tried: list[Family], wanted: list[str]) -> None:
    known = {f["id"] for family in tried for f in family.raw.get("features", []) if isinstance(f, dict) and "id" in f}
    for one in wanted:
        if one not in known:
            raise DecoderError(
                f"There is no dated feature '{one}' in the tables tried. "
                + (f"There are {', '.join(sorted(known))}." if known else "None of them has any.")
            )


def with_features(found: list[Found], seen: list[str], not_seen: list[str]) -> list[str]:
    """Drop what the features seen on the thing rule out; sentences where they rule out everything (then nothing is dropped)."""
    out = []
    for f in found:
        kept = dict(f.segments)
        said = []
        for feature in f.family.raw.get("features", []):
            if feature["id"] in seen or feature["id"] in not_seen:
                against = feature["id"] in not_seen
                kept = {k: sw for k, sw in kept.items() if _agrees(feature, sw[0]) is not against}
                said.append(f"{'no ' if against else ''}{feature['what']}")
        if not said:
            continue
        if not kept:
            out.append(
                f"{f.family.id}: no number this can be goes with {' and '.join(said)}. Look at both again: a part may have been changed."
            )
            continue
        f.keep(kept)
        left = {id(s) for s, _ in kept.values()}
        f.candidates = {
            number: (w, t, tuple(s for s in segments if id(s) in left))
            for number, (w, t, segments) in f.candidates.items()
            if any(id(s) in left for s in segments)
        }
        if f.count is not None and f.count <= MOST_CANDIDATES:
            f.count = len(f.candidates)
        f.facts.append(f"seen on it: {' and '.join(said)}; that a part was changed later is not excluded")
    return out


def feature_questions(found: list[Found]) -> list[dict[str, Any]]:
    """Questions about the thing itself whose answer would settle something, with what each answer leaves."""
    out = []
    for f in found:
        by_question: dict[str, list[dict[str, Any]]] = {}
        for feature in f.family.raw.get("features", []):
            by_question.setdefault(feature["question"], []).append(feature)
        if not by_question or len({s.month or s.earliest for s, _ in f.segments.values()}) < 2:
            continue
        whole = entropy([f])
        for question, features in by_question.items():
            options, left = [], 0.0
            for feature in features:
                part = Found(f.family)
                part.evidence = f.evidence
                part.keep({k: sw for k, sw in f.segments.items() if _agrees(feature, sw[0]) is not False})
                if not part.segments:
                    continue
                share = part.total / f.total
                left += share * entropy([part])
                options.append(
                    {"feature": feature["id"], "what": feature["what"], "probability": share, "then": then([part])}
                )
            gain = whole - left
            if (
                options
                and gain > (1e-6 if f.count is not None else _WORTH_ASKING)
                and min(o["probability"] for o in options) < 1 - 1e-9
            ):
                out.append({"family": f.family.id, "question": question, "options": options, "settles_bits": gain})
    return out


# --- what a misfit is nearest to -------------------------------------------------------------------------------------


def engine_instead(
    variants: list[Variant], tables: Tables, on: str | None, families: list[str] | None, direction: str | None
) -> list[str]:
    """The sentence for an engine number that was given as a pan's. A bare run of figures is no engine number for certain."""
    if on not in (None, "pan") or families is not None or all(c.chars.isdigit() for c in variants[0].cells if c.chars):
        return []
    for family in tables:
        if "engine" in family.carried_by and of_family(family, variants, direction):
            pan = next((f for f in tables if "pan" in f.carried_by and f.house == family.house and not f.special), None)
            where = f" is {pan.where}" if pan else " is on the pan itself"
            return [
                f"That is an engine number ({family.title}). An engine is changed in an afternoon and dates nothing but itself; "
                f"the pan's number{where}."
            ]
    return []


def row_label(row: dict[str, Any]) -> str:
    """How a row is called in a sentence."""
    if row["basis"] == "model" and row["model_year"]:
        return f"model year {row['model_year']}"
    if row["basis"] == "calendar" and (row["calendar_year"] or row["earliest"][:4] == row["latest"][:4]):
        return f"calendar year {row['calendar_year'] or row['earliest'][:4]}"
    from decoder.words import span_in_words

    return span_in_words(row["earliest"], row["latest"])


def nearest(
    reading: Reading, variants: list[Variant], tried: list[Family], tables: Tables, on: str | None
) -> list[str]:
    """Sentences for a reading that fits nothing: what was expected, what is nearest."""
    cells = variants[0].cells
    out: list[str] = []
    if all(c.is_certain for c in cells):
        for family in tried:
            for spelling in spellings(family, variants[0]) if not family.special else ():
                said = _between_rows(family, "".join(c.chars for c in spelling.cells))
                if said:
                    out.append(said)
                    break
    out += _wrong_check(tried, cells)
    if out:
        return out[:3]
    if on is not None and not tried:
        return [f"No table here is for numbers on the {on}. 'tubmark families' lists what there is."]
    others = [f for f in tables if f not in tried and f.carried_by != ("engine",) and of_family(f, variants, None)]
    if others:
        return [
            f"On the {on} no table has such a number, but it fits '{f.id}' ({f.title}), which is carried by the {' or '.join(f.carried_by)}."
            for f in others[:2]
        ]
    n = len(cells)
    letters = any(c.chars.isalpha() for c in cells)
    every = [t for family in tried for t in family.templates]
    alike = [t for t in every if letters == any(not c.isdigit() for c in t.cells)] or every
    lengths: dict[int, list[str]] = {}
    for template in alike:
        lengths.setdefault(template.length, []).append(template.family.id)
    for family in tried:
        if family.special == "vin17" and letters:
            lengths.setdefault(17, []).append(family.id)
    if not lengths or any(c.stretch for c in cells):
        return ["It fits none of the tables tried. 'tubmark families' lists what each expects."]
    if n not in lengths:
        near = min(lengths, key=lambda k: (abs(k - n), -k))
        names = ", ".join(sorted(set(lengths[near]))[:3])
        lost = near > n
        return [
            f"It has {n} place{'s' * (n != 1)}, and no table tried has such numbers of {n}. The nearest have {near} ({names}): "
            f"{abs(near - n)} too {'few' if lost else 'many'}. Look for a {'lost' if lost else 'doubled'} character."
        ]
    return [
        f"It has {n} place{'s' * (n != 1)} as in {', '.join(sorted(set(lengths[n]))[:3])}, but its characters do not fit: {_expected(alike, n)}. "
        "Look again, or type ? where you are not sure."
    ]


def _expected(templates: list[Template], length: int) -> str:
    """The pattern of the first of ``templates`` that is this long, in words."""
    for template in templates:
        if template.length != length:
            continue
        written = []
        for name, a, b in template.parts:
            codes = next((c for x, y, c in template.codes if (x, y) == (a, b)), None)
            cell = template.cells[a] if a < b else ""
            kind = "figure" if cell.isdigit() else "letter" if cell.isalpha() else "character"
            what = (
                "/".join(list(codes)[:6])
                if codes
                else "".join(template.cells[a:b])
                if all(len(c) == 1 for c in template.cells[a:b])
                else f"{b - a} {kind}{'s' * (b - a != 1)}"
            )
            if a < b:
                written.append(f"{name} {what}")
        return f"{template.family.id} has {', '.join(written)}"
    return "none has this pattern"


def _wrong_check(tried: list[Family], cells: tuple[Cell, ...]) -> list[str]:
    """A sentence where all but the check letter is a number of the family."""
    if not all(c.is_certain for c in cells):
        return []
    text = "".join(c.chars for c in cells)
    out = []
    for family in tried:
        for template in family.of_length(len(text)):
            for at, mod, letters, of in template.checks:
                fits = all(c in cell for i, (c, cell) in enumerate(zip(text, template.cells, strict=True)) if i != at)
                if fits:
                    right = letters[int("".join(text[i] for i in of)) % mod]
                    out.append(
                        f"{family.id}: the check letter that goes with {''.join(text[i] for i in of)} is {right}, not {text[at]}. One of them is misread."
                    )
    return out


def _between_rows(family: Family, text: str) -> str:
    """Where a number of the right pattern that was never issued lies between the rows; empty where no pattern fits."""
    below: tuple[int, Segment] | None = None
    above: tuple[int, Segment] | None = None
    fits = False
    for template in family.templates:
        if not template.running or not template.fits(text):
            continue
        fits = True
        key = template.key(text)
        width = template.running[1] - template.running[0]
        for first, last, indices in template.tracks:
            for a, b, i in zip(first, last, indices, strict=True):
                if a[:-width] != key[:-width]:
                    continue
                under, over = int(key[-width:]) - int(b[-width:]), int(a[-width:]) - int(key[-width:])
                if under > 0 and (below is None or under < below[0]):
                    below = (under, family.segment(i))
                if over > 0 and (above is None or over < above[0]):
                    above = (over, family.segment(i))
    if not fits or not (below or above):
        return ""
    said = []
    if below:
        row = family.rows[below[1].rows[0]]
        said.append(
            f"{below[0]:,} above the last of {row_label(row)} ({row['last'] or 'which has no last number here'})"
        )
        after = [r for r in family.rows if r["basis"] == row["basis"] and r["earliest"] > row["earliest"]]
        if after and not (above and above[0] < below[0] * 1000):
            following = min(after, key=lambda r: (r["earliest"], r["first"]))
            said.append(f"before the first of {row_label(following)} ({following['first']})")
    if above and not (below and len(said) > 1):
        row = family.rows[above[1].rows[0]]
        said.append(f"{above[0]:,} below the first of {row_label(row)} ({row['first']})")
    never = next((f" {n['why'][0].upper()}{n['why'][1:]}." for n in family.raw["never"]), "")
    return f"{family.id}: this table issued no such number; it is {' and '.join(said)}.{never}"
