"""The end of the first hour: half a page of what is known, what is not, and what comes next.

It is what the keeper of the shop says to whoever brought the car, and what goes on the clipboard for tomorrow. Stops come
first. What is known says from what it is known; what is not known is said as plainly; what comes next is two or three things
that somebody can do. It is kept to half a page: where there is more, the line that leads to the rest says so.

It is put together from the same answers as ``tubmark date``, ``evidence``, ``look`` and ``conflicts`` give, and claims nothing that they do
not. The claim stands in the words in which it was made.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from decoder.errors import DecoderError
from decoder.evidence import JOINED, NONE_OF_THESE
from registry import examining, knowing
from registry.dated import date_car
from registry.errors import NoAnswer, WrongInput

if TYPE_CHECKING:
    from registry.examining import Examined
    from registry.knowing import Source

WIDTH = 78
#: So many lines of each kind at most: it is half a page.
MOST = 6
#: A tell that is expected to remove less doubt than this, in bits, is not worth a line here.
WORTH_LOOKING = 0.02


@dataclass(frozen=True)
class FirstHour:
    """Half a page. Each of ``known``, ``not_known`` and ``next`` is a tuple of sentences; ``more`` says where the rest is."""

    car: str
    day: str
    stops: tuple[dict[str, Any], ...]
    claim: str
    known: tuple[str, ...]
    not_known: tuple[str, ...]
    next: tuple[str, ...]
    more: str

    def as_dict(self) -> dict[str, Any]:
        return {
            "car": self.car,
            "stops": list(self.stops),
            "day": self.day,
            "claim": self.claim,
            "known": list(self.known),
            "not_known": list(self.not_known),
            "next": list(self.next),
            "more": self.more,
        }


def first_hour(db: Source, car: str, *, day: str) -> FirstHour:
    """Half a page on a car, as of ``day`` (ISO; it is printed, and nothing is worked out from it). Raises NoAnswer."""
    row = knowing.resolve_car(db, car)
    number = row["number"]
    stops = tuple(knowing.open_stops(db, row["id"]))
    known, unknown, after = [], [], []
    dates = date_car(db, row)
    found, why_not = _evidence(db, row["id"])
    known += list(_opinions(db, row["id"]))
    # The body: what the findings bear, or why not yet.
    if found is None:
        unknown.append(f"Whose body it is: {why_not}")
    elif not found.findings:
        unknown.append("Whose body it is: nothing has been examined yet.")
    else:
        said = found.evidence
        if said.decidable:
            known.append(f"The body, by {_count(found.findings, 'finding')}: {said.says} {_for(found)}")
        else:
            level = said.levels["maker"]
            unknown.append(" ".join(["Whose body it is: not yet decidable.", level.says, *level.why[:2]]))
    # The pan, and when what was made.
    told = {f"statement {paper['statement']}" for paper in found.papers} if found else set()
    pan = _number_on(db, row["id"], "pan")
    altered = any(stop["kind"] == "number looks altered" for stop in stops)
    if altered:
        unknown.append("When the pan was made: the metal under the number looks altered, and no date is taken from it.")
    elif pan is None:
        unknown.append("The number of the pan: none has been read.")
    for name, words in (("pan_made", "The pan was made"), ("body_moulded", "The body was moulded")):
        each = dates.dated.events[name]
        if name == "body_moulded" and told and {str(one.ref) for one in each.own} & told:
            continue  # the paper is named below: it dates another body
        if each.own and each.span and not (altered and name == "pan_made"):
            disputed = "; what speaks of it does not agree" if each.is_disputed else ""
            known.append(f"{words} {each.span.when()}{disputed}.")
        elif not (name == "pan_made" and (pan is None or altered)):
            unknown.append(f"{words}: nothing on file says when.")
    if _number_on(db, row["id"], "body") is None and _number_on(db, row["id"], "plate") is None:
        unknown.append("The serial of the body: none was found. No serial is an answer; it is not filled in.")
    # Papers against metal, and what cannot all be true.
    for one in dates.compared:
        if one.verdict not in ("same",):
            unknown.append(one.says)
            if one.ask:
                after.append(one.ask)
    if not altered and any(one.paper == "title" and one.verdict == "same" for one in dates.compared):
        known.append("The number on the title is the pan's.")
    for paper in found.papers if found else ():
        unknown.append(paper["says"])
        after.append(paper["ask"])
    for clash in dates.conflicts:
        if not told & set(clash.papers):
            unknown.append(clash.says)
            after.append(clash.ask)
    # On a list already?
    claims = [each for each in knowing.conflicts_of(db, row["id"]) if each["state"] == "open"]
    for conflict in claims:
        unknown.append(f"{conflict['says']} Why: {conflict['reason'].rstrip('.')}.")
        if conflict["with"]:
            after.append(f"Lay it beside the other record: tubmark show {conflict['with']}")
    if not claims and _numbers(db, row["id"]):
        known.append("No other car on file claims its numbers.")
    after = [*_looks(db, row["id"], found), *after, *_blanks(db, row["id"])]
    return FirstHour(
        number,
        day,
        stops,
        _claim(db, row["id"]),
        tuple(_few(known)),
        tuple(_few(unknown)),
        tuple(_few(after, 4)),
        f"All of it: tubmark show {number}; when: tubmark date {number}; whose body: tubmark evidence {number}",
    )


def _evidence(db: Source, car: int) -> tuple[Examined | None, str]:
    try:
        return examining.evidence_of(db, car, own=False), ""
    except (NoAnswer, WrongInput, DecoderError) as error:
        return None, str(error)


def _for(found: Examined) -> str:
    strength = found.evidence.strength
    names = {found.evidence.titles[name] for name in (*strength.favours, *strength.against)}
    if {NONE_OF_THESE, JOINED} & names:
        return ""
    return strength.says


def _opinions(db: Source, car: int) -> Iterable[str]:
    people = knowing.people(db)
    names = {row["id"]: row["name"] for row in knowing.rows(db, "SELECT id, name FROM series")}
    standing = knowing.standing_decisions(db, car)
    for one in standing:
        of = f": {names.get(one['series'], one['series'])}" if one["series"] else ""
        also = f" and {names.get(one['second_series'], one['second_series'])}" if one["second_series"] else ""
        yield f"In the opinion of {people[one['by_person']]['said']} ({one['at'][:10]}): {one['opinion']}{of}{also}."
    if len(standing) > 1:
        yield "These opinions all stand; a third look would help."


def _number_on(db: Source, car: int, kind: str) -> str | None:
    for thing in knowing.things_on(db, car):
        if thing["kind"] == kind and (reading := knowing.best_reading(db, thing["id"])) is not None:
            return str(reading["as_typed"])
    return None


def _numbers(db: Source, car: int) -> bool:
    return any(_number_on(db, car, kind) for kind in ("pan", "body", "plate"))


def _claim(db: Source, car: int) -> str:
    entries = [entry for entry in knowing.entries_of(db, car) if entry["claim_words"]]
    return str(entries[-1]["claim_words"]) if entries else ""


def _looks(db: Source, car: int, found: Examined | None) -> list[str]:
    """The two things to look at that remove most doubt a minute."""
    if found is None:
        return []
    try:
        looks = examining.look_of(db, car)
    except (NoAnswer, WrongInput, DecoderError):
        return []
    out = []
    for each in looks.looks[:2]:
        if each.gain < WORTH_LOOKING:
            break
        row = looks.on_file.rows[each.tell]
        leave = " Something has to come off: with the owner's leave." if each.hidden else ""
        how = f" ({each.how})" if each.how else ""
        out.append(
            f"Look at {each.tell}, {each.name}{how}, {_count(each.minutes, 'minute')}: {row['looks_like']}.{leave}"
        )
    return out


def _blanks(db: Source, car: int) -> list[str]:
    entries = knowing.entries_of(db, car)
    if entries and not entries[-1]["finished_at"]:
        return [f"Finish the entry: tubmark intake {entries[-1]['number']} --finish"]
    return []


def _few(sentences: Iterable[str], most: int = MOST) -> list[str]:
    """Each once, and no more than half a page holds; how many are left out is said."""
    every = list(dict.fromkeys(" ".join(each.split()) for each in sentences if each.strip()))
    if len(every) <= most:
        return every
    return [*every[: most - 1], f"And {len(every) - most + 1} more; the commands below give them."]


def _count(n: float, one: str) -> str:
    return f"{n:g} {one}{'' if n == 1 else 's'}"


def first_hour_text(page: FirstHour, *, stops: Iterable[str] = ()) -> str:
    """The half page for a terminal or a printer, 78 columns. ``stops`` are lines to stand in place of its own, if given."""
    out = list(stops)
    if not out:
        for stop in page.stops:
            out += [
                "=" * WIDTH,
                *textwrap.wrap(f"STOP, {stop['kind']}: {stop['says']} {stop['ask']}", WIDTH),
                "=" * WIDTH,
            ]
    out += [f"{page.car}   the first hour   {page.day}", ""]
    if page.claim:
        out += textwrap.wrap(f"The claim, as it was made: \u201c{page.claim}\u201d", WIDTH)
    for title, sentences, nothing in _parts(page):
        out += ["", title]
        for sentence in sentences or (nothing,):
            out += textwrap.wrap(
                sentence, WIDTH, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False
            )
    return "\n".join([*out, "", *textwrap.wrap(page.more, WIDTH)]) + "\n"


def _parts(page: FirstHour) -> tuple[tuple[str, tuple[str, ...], str], ...]:
    return (
        ("Known", page.known, "Nothing yet."),
        ("Not known", page.not_known, "Nothing that was asked is open."),
        ("What comes next", page.next, "Nothing is left that would remove much doubt."),
    )


def first_hour_html(page: FirstHour) -> str:
    """The half page as HTML to be printed; nothing is loaded from elsewhere."""
    e = escape
    stops = "".join(
        f"<section class='stop'><h2>Stop: {e(stop['kind'])}</h2><p>{e(stop['says'])}</p><p>{e(stop['ask'])}</p></section>"
        for stop in page.stops
    )
    claim = f"<p>The claim, as it was made: \u201c{e(page.claim)}\u201d</p>" if page.claim else ""
    parts = "".join(
        f"<h2>{e(title)}</h2><ul>{''.join(f'<li>{e(each)}</li>' for each in sentences or (nothing,))}</ul>"
        for title, sentences, nothing in _parts(page)
    )
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>The first hour: {e(page.car)}</title>
<style>
@page {{ margin: 14mm; }}
body {{ font: 17px/1.4 system-ui, sans-serif; color: #17202b; background: #fff; max-width: 70ch; margin: 1rem auto; padding: 0 1rem; }}
h1 {{ font-size: 1.3rem; margin: 0; }}
h2 {{ font-size: 1rem; margin: .7rem 0 .1rem; }}
ul {{ margin: 0; padding-left: 1.1rem; }}
.stop {{ border-top: 5px solid #8a1538; border-bottom: 5px solid #8a1538; color: #8a1538; margin: .6rem 0; }}
.stop p {{ margin: .2rem 0; }}
small {{ color: #3b4654; }}
@media print {{ body {{ margin: 0; padding: 0; font-size: 11pt; max-width: none; }} }}
</style>
</head>
<body>
{stops}<h1>{e(page.car)}: the first hour</h1>
<p>{e(page.day)}</p>
{claim}{parts}
<p><small>{e(page.more)}</small></p>
</body>
</html>
"""
