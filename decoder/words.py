"""The sentences of an answer, the same for the terminal, the page and the printed sheet.

Order: stop; the answer in one sentence; how sure, and what would make it surer; standing and source. A sentence says who
claims what. It never says when a car was built: a number dates the floor (or the body, the engine) that carries it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.decoding import Answer, Decoding
    from decoder.patterns import Family, Segment

MONTHS = (
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
)
_THING = {"pan": "floor", "body": "body", "engine": "engine", "plate": "plate", "title": "title"}


def day_in_words(iso: str) -> str:
    """``1967-08-01`` as ``1 August 1967``."""
    return f"{int(iso[8:10])} {MONTHS[int(iso[5:7]) - 1]} {iso[:4]}"


def month_in_words(month: str) -> str:
    return f"{MONTHS[int(month[5:7]) - 1]} {month[:4]}"


def span_in_words(earliest: str, latest: str, *, month: bool = False) -> str:
    """A span of whole days in words: ``August 1967``, ``1966``, ``August 1967 to July 1968``, ``14 February to 3 March 1967``."""
    from decoder.decoding import edtf_of

    if month or (earliest[:7] == latest[:7] and len(edtf_of(earliest, latest) or "") == 7):
        return month_in_words(earliest)
    edtf = edtf_of(earliest, latest) or ""
    if len(edtf) == 4:
        return edtf
    if len(edtf) == 15:
        return f"{month_in_words(earliest)} to {month_in_words(latest)}"
    return day_in_words(earliest) if earliest == latest else f"{day_in_words(earliest)} to {day_in_words(latest)}"


def chance(p: float) -> str:
    """A probability in words and figures together: ``about 9 in 10 (0.91)``.

    >>> chance(0.912), chance(0.5), chance(0.003), chance(1.0)
    ('about 9 in 10 (0.91)', 'about 1 in 2 (0.50)', 'less than 1 in 100 (0.003)', 'as good as certain (1.00)')
    """
    if p >= 0.995:
        return f"as good as certain ({min(p, 1.0):.2f})"
    if p > 0.95:
        return f"more than 19 in 20 ({p:.2f})"
    if p < 0.01:
        return f"less than 1 in 100 ({p:.1g})"
    if p < 0.095:
        return f"about 1 in {round(1 / p)} ({p:.2f})"
    pairs = [(1, 2), (1, 3), (2, 3), (1, 4), (3, 4), *((n, 10) for n in (1, 2, 3, 4, 6, 7, 8, 9)), (19, 20)]
    a, b = min(pairs, key=lambda ab: abs(ab[0] / ab[1] - p))
    return f"about {a} in {b} ({p:.2f})"


def is_misfit(answer: Answer) -> bool:
    """Whether the reading fits nothing as it stands, and what is answered is a guess: then the first sentence says so."""
    return bool(answer.decodings) and (answer.is_guess or (answer.status == 1 and not answer.is_too_little))


def tell(answer: Answer) -> list[str]:
    """The answer in sentences, the most important first; stops are not repeated here (they stand above, in their own frame)."""
    if answer.stops and answer.none_of_these is None:
        return ["Nothing is dated from this number while its surface looks altered."]
    if not answer.decodings:
        return ["It fits none of the tables tried."]
    out = []
    first = answer.decodings[0]
    several = len(answer.decodings) > 1
    misread = is_misfit(answer)
    if misread:
        out.append("As it was read it fits none of the tables tried.")
    for decoding in answer.decodings[: 2 if misread else 4]:
        lead = f"If it is {decoding.family.id}, {chance(decoding.probability)}: " if several or misread else ""
        out.append(lead + main_sentence(decoding))
    if several and not misread:
        out.append("More than one table has such a number; what the car itself is decides (--family ID). Families start equal; 'none of these' stands at "
                   f"{chance(answer.none_of_these or 0.0)}.")  # fmt: skip
    elif (answer.none_of_these or 0.0) >= 0.1 and not misread:
        out.append(f"The chance that it belongs to none of these tables is {chance(answer.none_of_these or 0.0)}.")
    out += look_sentences(answer)
    if answer.says:
        out.append(answer.says["sentence"])
    if not several:
        out += [f"Note: {w}" for w in first.warnings]
    return out


def main_sentence(decoding: Decoding) -> str:
    """What one family says, in one sentence."""
    thing = _THING[decoding.family.carried_by[0]]
    if decoding.earliest is None and decoding.latest is None:
        return f"This is a number of {decoding.family.title}; the table gives it no date."
    if decoding.earliest is None or decoding.latest is None:
        when = (
            f"not before {day_in_words(decoding.earliest)}"
            if decoding.earliest
            else f"not after {day_in_words(decoding.latest or '')}"
        )
        return f"This {thing} was made {when}; the table leaves the other end open."
    made = "was moulded" if thing == "body" else "was made"
    guess = "" if decoding.total_candidates is not None else ", nine chances in ten,"
    sentence = f"This {thing} {made}{guess} {when_in_words(decoding.likely)}"
    sentence += f"{_years(decoding.model_years)}."
    months = decoding.months
    best = decoding.likeliest_month
    ranked = sorted((p for _, p in months), reverse=True)
    if best is None or (len(months) == 1 and not decoding.months_estimated):
        pass
    elif len(ranked) > 1 and ranked[0] < 1.05 * ranked[1] and len(ranked) <= 6:
        pass  # equally likely: the months stand in the sentence already
    elif ranked[0] < 0.2:
        how = " by even output (an estimate)" if decoding.months_estimated else ""
        sentence += f" No month stands out{how}."
    else:
        sure = "" if ranked[0] > 0.99 else f", {chance(ranked[0])}"
        estimated = ": estimated by even output, not from a table" if decoding.months_estimated else ""
        sentence += f" Likeliest {month_in_words(best)}{sure}{estimated}."
    if len(decoding.model_years) > 3:
        year, p = max(decoding.model_years, key=lambda yp: yp[1])
        if p > 0.2:
            sentence += f" Likeliest model year {year}, {chance(p)}."
    return sentence


def _years(years: list[tuple[int, float]]) -> str:
    """The model years in brackets: one, or up to three with their chances unless those are equal."""
    if not 1 <= len(years) <= 3:
        return ""
    if len(years) == 1:
        return f" (model year {years[0][0]})"
    if max(p for _, p in years) < 1.05 * min(p for _, p in years):
        return f" (model year {_or([str(y) for y, _ in years])}, equally likely)"
    return f" (model year {_or([f'{y}, {chance(p)}' for y, p in years])})"


def when_in_words(segments: Sequence[Segment]) -> str:
    """When things of these segments were made: months where the table tells them, else the hard spans.

    ``in April 1976``, ``in November or December 1965, or in April 1976``, ``between August 1967 and July 1968``.
    """
    if all(s.month and not s.estimated for s in segments):
        runs = _runs(sorted({s.month for s in segments if s.month}))
        if all(len(run) == 1 for run in runs):
            return f"in {_or([month_in_words(run[0]) for run in runs])}"
        return ", or ".join(_run(run) for run in runs)
    return ", or ".join(_span(*span) for span in _joined(sorted({(s.earliest, s.latest) for s in segments})))


def _span(earliest: str, latest: str) -> str:
    """``in August 1967``, ``between August 1967 and July 1968``, ``on 14 February 1967``, ``not before 1 August 1965``."""
    from decoder.patterns import FIRST_DAY, LAST_DAY

    if earliest == FIRST_DAY or latest == LAST_DAY:
        if earliest != FIRST_DAY:
            return f"not before {day_in_words(earliest)}"
        return f"not after {day_in_words(latest)}" if latest != LAST_DAY else "at a time that the table does not give"
    edge = span_in_words(earliest, latest)
    if " to " in edge:
        return f"between {edge.replace(' to ', ' and ', 1)}"
    return f"on {edge}" if earliest == latest else f"in {edge}"


def _runs(months: list[str]) -> list[list[str]]:
    """Months in order, cut where one is missing."""
    out: list[list[str]] = []
    for month in months:
        number = int(month[:4]) * 12 + int(month[5:7])
        if out and number == int(out[-1][-1][:4]) * 12 + int(out[-1][-1][5:7]) + 1:
            out[-1].append(month)
        else:
            out.append([month])
    return out


def _run(run: list[str]) -> str:
    first, last = month_in_words(run[0]), month_in_words(run[-1])
    if len(run) == 1:
        return f"in {first}"
    if len(run) == 2:
        return f"in {first.split()[0] if run[0][:4] == run[1][:4] else first} or {last}"
    return f"between {first} and {last}"


def _joined(spans: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Spans of days joined where they touch or overlap (a works' shut month between them does not part them)."""
    import datetime as dt

    out: list[tuple[str, str]] = []
    for a, b in spans:
        # By ordinals, since an open end is the last day there is.
        if out and dt.date.fromisoformat(a).toordinal() <= dt.date.fromisoformat(out[-1][1]).toordinal() + 32:
            out[-1] = (out[-1][0], max(b, out[-1][1]))
        else:
            out.append((a, b))
    return out


def look_sentences(answer: Answer) -> list[str]:
    """What to look at again: the one place, or the one feature of the thing itself, that would settle most."""
    out = []
    places = [o for o in answer.look_again if "place" in o and len(o["options"]) > 1]
    questions = [o for o in answer.look_again if "question" in o]
    if places:
        best = places[0]
        shown = sorted(best["options"], key=lambda o: -o["probability"])
        issued = [o for o in shown if o["then"] != NEVER]
        place = ordinal(best["place"])
        same = len({o["then"] for o in issued}) == 1
        if same and len(issued) > 1:
            which = _or([o["character"] for o in issued]) if len(issued) <= 4 else "one of several"
            out.append(
                f"The {place} character is {which}; for the date that makes no difference, for the number it does."
            )
        elif 1 < len(issued) <= 4 and max(len(o["then"]) for o in issued) <= 60:
            rest = [f"If it is {o['character']}: {o['then']}." for o in issued[1:]]
            out.append(" ".join([f"If the {place} character is {issued[0]['character']}: {issued[0]['then']}.", *rest]))
        if best["settles_bits"] > 1e-9 and len(issued) > 1 and not same:
            out.append(f"Look at the {place} character again: it would settle most.")
    for one in places:
        never = [o["character"] for o in one["options"] if o["then"] == NEVER]
        if never and len(one["options"]) <= 6:
            out.append(
                f"With {_or(never)} in the {ordinal(one['place'])} place no such number was issued; that is dropped."
            )
    for one in questions[:1] if not answer.is_guess else ():
        answers = "; ".join(f"{o['what']}: {o['then']}" for o in one["options"])
        out.append(f"{one['question']} {answers[0].upper()}{answers[1:]}. (--seen {one['options'][0]['feature']})")
    return out


#: What follows from a character with which no number was issued.
NEVER = "no number that was issued"


def _or(items: list[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} or {items[-1]}"


def ordinal(n: int) -> str:
    """``1`` as ``first``, ``21`` as ``21st``."""
    names = (
        "first",
        "second",
        "third",
        "fourth",
        "fifth",
        "sixth",
        "seventh",
        "eighth",
        "ninth",
        "tenth",
        "eleventh",
        "twelfth",
    )
    if n <= len(names):
        return names[n - 1]
    return f"{n}{'th' if 10 < n % 100 < 14 else {1: 'st', 2: 'nd', 3: 'rd'}.get(n % 10, 'th')}"


def facts(decoding: Decoding) -> list[str]:
    """Facts about the number itself: its parts, what changed when, the rows' own facts."""
    out = list(decoding.facts_extra)
    for name, characters, meaning in decoding.parts:
        if meaning:
            out.append(f"{name} {characters}: {meaning}")
    rows = decoding.rows[:3]
    for row in rows:
        for fact in row["facts"]:
            shared = all(fact in other["facts"] for other in rows)
            said = fact if shared else f"if it is of {_row_span(row)}: {fact}"
            if said not in out:
                out.append(said)
    out += _change_points(decoding)
    if len({r["run"] for r in decoding.rows if r["run"]}) > 1 and decoding.number:
        out.append(
            "The same figures were used more than once: " + " and ".join(_row_span(r) for r in decoding.rows[:4]) + "."
        )
    return out


def _row_span(row: dict[str, Any]) -> str:
    if row["latest"] == "9999-12-31":
        return f"{day_in_words(row['earliest'])} or later"
    return f"{span_in_words(row['earliest'], row['latest'])}{' (' + row['run'] + ')' if row['run'] else ''}"


def _change_points(decoding: Decoding) -> list[str]:
    out: list[str] = []
    points = decoding.family.raw.get("change_points", [])
    if not points or not decoding.candidates:
        return out
    for point in points:
        sides = set()
        for candidate in decoding.candidates:
            template = candidate.template
            if template is None or template.running is None or template.scheme != point["scheme"]:
                continue
            key = template.key(candidate.number)
            width = template.running[1] - template.running[0]
            here = (key[:-width], int(key[-width:]))
            sides.add(here >= (point["block"], point["running"]))
        if not sides:
            continue
        if len(sides) > 1:
            side = f"Whether it is before or after {point['at']} is open"
        else:
            side = (
                f"It is {point['at']} or later"
                if sides == {True}
                else f"It is before {point['at']}, so as a rule without this"
            )
        out.append(f"{side}: {point['what']}." + "".join(f" Known exception: {e}." for e in point["exceptions"]))
    return out


def warnings(decoding: Decoding) -> list[str]:
    """What to be careful about: open rows, a repeating year figure, sources at odds, codes not confirmed."""
    out = list(decoding.notes)
    rows = decoding.rows
    if decoding.family.house:
        out.append("house table: this numbering is invented for the demonstration.")
    if decoding.number and decoding.candidates[0].template:
        template = decoding.candidates[0].template
        for a, b, codes in template.codes:
            note = codes.get(decoding.number[a:b], ["", "", ""])[1]
            if note:
                out.append(note)
    for row in rows[:2]:
        if not row["last"]:
            out.append(f"the table has no last number for {_label(row)}, so no month can be estimated there.")
        if row.get("confirmed"):
            out.append(f"row {row['id']} was confirmed here: {row['confirmed']}.")
        for d in row["disputed"]:
            name = d["source"].split("[")[0].strip()
            title = decoding.family.raw["sources"].get(name, {}).get("title", name)
            out.append(f"{title} says {d['says']} instead; {d['kept_because']}.")
    if any(s.at_odds for s, w in decoding.weights if w > 0):
        out.append("the calendar-year and the model-year rows disagree here; both are given.")
    return list(dict.fromkeys(out))


def _label(row: dict[str, Any]) -> str:
    from decoder.asking import row_label

    return row_label(row)


def standing(decoding: Decoding) -> str:
    """One plain line where a row is from memory, else empty."""
    rows = decoding.provisional
    if not rows or decoding.family.house:
        return ""
    row = rows[0]
    what = "range from memory" if row["memory"] else "range read off the pattern of a sister series"
    return f'standing: {what}; confirm it with a handbook: tubmark families confirm {decoding.family.id} {row["id"]} --source "handbook, page"'


def source_line(decoding: Decoding) -> str:
    """The rows and the sources behind an answer, for the foot of it."""
    if not decoding.rows:
        return f"Source: {decoding.family.title}."
    names = "; ".join(decoding.family.raw["sources"][i]["title"] for i in decoding.source_ids[:2])
    more = f" and {len(decoding.rows) - 2} more rows" if len(decoding.rows) > 2 else ""
    house = "house table " if decoding.family.house else "table "
    if decoding.family.origin.startswith("table in ") and not decoding.family.house:
        house = f"{decoding.family.origin}: "
    return f"Source: {house}{decoding.family.id}, {', '.join(_label(r) for r in decoding.rows[:2])}{more}. {names}."


def said_year(answer: Answer) -> dict[str, Any]:
    """How the year a car is said to have been put together goes with its floor (or body). Only a later floor is a conflict.

    ``verdict``: agrees, the floor is younger than that, put together later, or nothing to compare. Where the floor may be of either
    side of the year (S4: 1964 or 1974) nothing is in conflict yet, and the sentence says what each would mean.
    """
    from decoder.patterns import FIRST_DAY, LAST_DAY

    year = answer.says_year
    assert year is not None
    dated = [d for d in answer.decodings if (d.earliest or d.latest) and d.family.carried_by[0] != "engine"]
    things = {_THING[d.family.carried_by[0]] for d in dated}
    thing = things.pop() if len(things) == 1 else "floor"
    made = "was moulded" if thing == "body" else "was made"
    spans = {(s.earliest, s.latest) for d in dated for s in d.carrying} - {(FIRST_DAY, LAST_DAY)}
    older = [span for span in spans if span[1] < f"{year}-01-01"]
    younger = [span for span in spans if span[0] > f"{year}-12-31"]
    if not spans:
        engine = bool(answer.decodings) and not dated and answer.decodings[0].family.carried_by[0] == "engine"
        why = "An engine dates nothing but itself" if engine else f"The {thing} has no date here"
        return {
            "year": year, "verdict": "nothing to compare", "sentence": f"{why}, so {year} can be neither supported nor doubted.",
        }  # fmt: skip
    if len(older) + len(younger) < len(spans):
        return {
            "year": year,
            "verdict": "agrees",
            "sentence": f"That it was put together in {year} agrees with the {thing}.",
        }
    if not older:
        return {
            "year": year, "verdict": f"the {thing} is younger than that",
            "sentence": f"The {thing} is younger than {year}: it {made} {day_in_words(min(a for a, _ in younger))} or later. "
            f"Was the {thing} changed? Ask for a second invoice or an older photograph.",
        }  # fmt: skip
    normal = "put together later is normal: "
    normal += (
        "a body may lie for years before it is put on a floor"
        if thing == "body"
        else "the cars were built on used floors"
    )
    if younger:
        return {
            "year": year, "verdict": "put together later",
            "sentence": f"If the {thing} {made} {', or '.join(_span(*s) for s in _joined(sorted(older)))}, {normal}; if "
            f"{', or '.join(_span(*s) for s in _joined(sorted(younger)))}, it is younger than {year}. Settle which it is first.",
        }  # fmt: skip
    return {
        "year": year, "verdict": "put together later",
        "sentence": f"The {thing} is older than {year}. {normal[0].upper()}{normal[1:]}.",
    }  # fmt: skip


def family_line(family: Family) -> str:
    return f"{family.id}: {family.title}"
