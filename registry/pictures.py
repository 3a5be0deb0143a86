"""Pictures: a car's timeline, a series' curve, made and surviving and listed, what findings weigh.

Each is one static SVG, 440 units wide, so that its words can be read on a telephone of 390 pixels and on a sheet of paper.
Black on white is enough: a hard end of a span is square, a soft one tapers, an open one is an arrow; what is doubtful is
hatched; what cannot be true side by side is joined by a crossed line with the number of the sentence that says why. Each
picture carries a title, a description in words for somebody who hears it, and its data as JSON in ``metadata``; ``*_rows``
give the same data as a table to stand beside it.

All functions are pure: an answer in, text out. What a person typed is escaped. With ``standalone`` a picture has a white
ground and, of a timeline, the sentences of its conflicts below it, to be read without a page around it.
"""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from decoder.curve import Curve, DatedCar, SerialDate
    from decoder.dates import Span
    from decoder.dating import EventDate, Statement
    from decoder.evidence import Evidence
    from decoder.population import Estimate, Survivors
    from registry.dated import Answer

WIDE = 440
#: Letters to a line at size 14, and at 12 and 13: for a wide letter, since the picture does not know its reader's.
_LINE, _SMALL_LINE = 50, 56
#: Room at the right for one crossed line with its number.
_GUTTER = 30.0
#: What lies under a number in a circle: white on its own, the page's ground on a page.
_GROUND = "var(--ground, #fff)"
_FONT = 'font-family="system-ui, sans-serif"'
#: What is drawn narrower than this would not be seen.
_LEAST = 5.0
#: Events without a lane of their own unless a conflict hangs on them: sales of our own day would squeeze all the rest.
_NO_LANE = ("sold",)
_ORDER = (
    "first_pan_made", "pan_made", "body_moulded", "plate_issued", "assembled", "first_registered", "title_year", "repanned", "seen",
)  # fmt: skip


def _page(parts: Iterable[str], height: float, *, title: str, says: str, data: Any, kind: str, standalone: bool) -> str:
    """The picture around its parts."""
    ground = f'<rect width="{WIDE}" height="{height:g}" fill="#fff"/>' if standalone else ""
    ink = ' color="#17202b"' if standalone else ""
    kept = json.dumps(data, ensure_ascii=False, separators=(",", ":"), default=str)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {height:g}" role="img" class="{kind}"{ink} '
        f'style="max-width:{WIDE * 1.5:g}px;width:100%;height:auto"><title>{escape(title)}</title><desc>{escape(says)}</desc>'
        f"<metadata>{escape(kept, quote=False)}</metadata>{ground}{''.join(parts)}</svg>"
    )


def _text(x: float, y: float, words: str, size: int = 14, anchor: str = "start", weight: str = "") -> str:
    bold = f' font-weight="{weight}"' if weight else ""
    return f'<text x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}" fill="currentColor" {_FONT}{bold}>{escape(words)}</text>'


def _lines(x: float, y: float, words: str, width: int, size: int, step: float) -> tuple[list[str], float]:
    """Words broken over lines; also the y below the last."""
    out = []
    for line in textwrap.wrap(words, width, break_on_hyphens=False) or [""]:
        out.append(_text(x, y, line, size))
        y += step
    return out, y


def _path(d: str, width: float = 1, dashes: str = "", fill: str = "none") -> str:
    dash = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="{d}" fill="{fill}" stroke="currentColor" stroke-width="{width:g}"{dash}/>'


def _hatch(name: str, gap: int = 6, turned: int = 45) -> str:
    return (
        f'<pattern id="{name}" width="{gap}" height="{gap}" patternUnits="userSpaceOnUse" patternTransform="rotate({turned})">'
        f'<path d="M0 0V{gap}" stroke="currentColor" stroke-width="1" opacity=".55"/></pattern>'
    )


def _step(span: float, room: float, each: float, steps: Sequence[int] = (1, 2, 5, 10, 20, 50, 100)) -> int:
    """The least step between labels that are ``each`` units wide."""
    for step in steps:
        if span / step * each <= room:
            return step
    return steps[-1] * 10


# --- timeline --------------------------------------------------------------------------------------------------------


def timeline_rows(answer: Answer) -> list[list[str]]:
    """The data of a timeline as a table: event, when, what it hangs on. The first row is its heading."""
    out = [["Event", "When", "From"]]
    for name, each in answer.dated.events.items():
        out.append([each.event.title, each.words(), "; ".join(answer.own_of(name))])
    return out


def timeline_svg(answer: Answer, *, standalone: bool = False) -> str:
    """One lane an event, with the span that everything together leaves to it; "" where nothing has a day.

    Statements that cannot all be true stand below their lanes, joined by crossed lines and numbered as ``answer.conflicts``.
    """
    events = answer.dated.events
    clashing = [(n, one) for n, one in enumerate(answer.conflicts, 1) if one.statements]
    in_conflict = {id(each): each for _, one in clashing for each in one.statements}
    shown = sorted(
        (name for name in events if name not in _NO_LANE or any(each.about == name for each in in_conflict.values())),
        key=lambda name: _ORDER.index(name) if name in _ORDER else len(_ORDER),
    )
    days = [day for name in shown for day in _days_of(events[name].span)]
    days += [day for each in in_conflict.values() for day in _days_of(each.span)]
    if not days:
        return ""
    first, last = min(days).year, max(days).year + 1
    # An arrow needs room to be seen as one.
    margin = max(1, (last - first) // 12)
    spans = [events[name].span for name in shown] + [each.span for each in in_conflict.values()]
    ends = [end for span in spans if span is not None for end in (span.pieces[0][0], span.pieces[-1][1])]
    relations = {each.relation for each in in_conflict.values()}
    first -= margin if None in ends[::2] or "not after" in relations else 0
    last += margin if None in ends[1::2] or "not before" in relations else 0
    first, last = max(1, first), min(9999, last)
    gutters = _gutters([[shown.index(each.about) for each in one.statements] for _, one in clashing])
    left, right = 20.0, WIDE - 20.0 - _GUTTER * (max(gutters, default=-1) + 1)

    def at(day: date) -> float:
        begin, end = (
            date(first, 1, 1).toordinal(),
            date(last, 1, 1).toordinal() if last < 9999 else date.max.toordinal(),
        )
        return left + (right - left) * (day.toordinal() - begin) / max(1, end - begin)

    parts: list[str] = []
    marks: dict[int, tuple[float, float]] = {}
    y = 20.0
    for name in shown:
        each = events[name]
        doubt = " (disputed)" if each.is_disputed else ""
        label, y = _lines(left, y, f"{each.event.title}: {each.words()}{doubt}", _LINE, 14, 17)
        parts += label
        parts += _bar(each, y - 9, at, left, right)
        y += 12
        for one in in_conflict.values():
            if one.about != name:
                continue
            label, y = _lines(left, y + 6, one.label(), _SMALL_LINE, 12, 14)
            parts += label
            drawn, x = _mark(one, y - 4, at, left, right)
            parts += drawn
            marks[id(one)] = (x, y - 4)
            y += 4
        y += 16
    base = y - 10
    for (n, conflict), gutter in zip(clashing, gutters, strict=True):
        x = right + 16 + _GUTTER * gutter
        parts += _crossed(n, [marks[id(each)] for each in conflict.statements if id(each) in marks], x)
    parts = [*_years(first, last, at, base, left, right), *parts]
    y = base + 26
    if standalone:
        y += 14
        for n, conflict in enumerate(answer.conflicts, 1):
            said, y = _lines(left, y, f"{n}. {conflict.says}", _SMALL_LINE, 13, 16)
            parts += said
            y += 6
        key, y = _lines(
            left,
            y + 4,
            "Square end or bar: hard. Tapered or dotted: soft (about, from memory, supposed). Arrow: open.",
            _SMALL_LINE,
            12,
            15,
        )
        parts += key
    title = f"When: {answer.car}"
    says = " ".join([answer.headline, *(f"{n}. {one.says}" for n, one in enumerate(answer.conflicts, 1))])
    data: dict[str, Any] = {"car": answer.car, "events": {name: each.as_dict() for name, each in events.items()}}
    data["conflicts"] = [one.as_dict() for one in answer.conflicts]
    return _page(parts, y, title=title, says=says, data=data, kind="timeline", standalone=standalone)


def _days_of(span: Span | None) -> list[date]:
    if span is None:
        return []
    return [day for piece in (*span.pieces, *span.pieces_about) for day in piece if day is not None]


def _bar(each: EventDate, y: float, at: Callable[[date], float], left: float, right: float) -> list[str]:
    """A lane: filled bars, square where an end is hard, tapered where it is soft, an arrow where it is open."""
    if each.span is None:
        return [_path(f"M{left:g} {y + 6:g}H{right:g}", 1, "1 5")]
    tall, out = 12.0, []
    pieces = each.span.pieces
    for number, (begin, end) in enumerate(pieces):
        soft = (each.earliest_is_soft and number == 0, each.latest_is_soft and number == len(pieces) - 1)
        x1, x2 = at(begin) if begin else left, (at(end) if end else right)
        if begin is None or end is None:
            out.append(_open(begin is None, end is None, x1, x2, y, tall, soft))
            continue
        out.append(_closed(x1, x2, y, tall, soft))
        if number:
            was = pieces[number - 1][1]
            if was is not None:
                out.append(_path(f"M{at(was) + 3:g} {y + tall / 2:g}H{x1 - 3:g}", 1.5, "2 4"))
    return out


def _closed(x1: float, x2: float, y: float, tall: float, soft: tuple[bool, bool]) -> str:
    if x2 - x1 < _LEAST:
        middle = (x1 + x2) / 2
        x1, x2 = middle - _LEAST / 2, middle + _LEAST / 2
    reach = 8.0
    room = min(10.0, (x2 - x1) / 3)
    top, mid, bottom = y, y + tall / 2, y + tall
    start = f"M{x1 - reach + room:g} {mid:g}L{x1 + room:g} {top:g}" if soft[0] else f"M{x1:g} {bottom:g}V{top:g}"
    stop = (
        f"H{x2 - room:g}L{x2 + reach - room:g} {mid:g}L{x2 - room:g} {bottom:g}" if soft[1] else f"H{x2:g}V{bottom:g}"
    )
    close = f"H{x1 + room:g}Z" if soft[0] else f"H{x1:g}Z"
    return f'<path d="{start}{stop}{close}" fill="currentColor"/>'


def _open(start: bool, end: bool, x1: float, x2: float, y: float, tall: float, soft: tuple[bool, bool]) -> str:
    """A span open at one end: a line with an arrow there; the other end is a bar across where it is hard, dotted where it is soft."""
    mid, fades = y + tall / 2, min(26.0, (x2 - x1) / 2)
    begin, stop, d, faint = x1, x2, "", ""
    if start:
        d += f"M{x1 + 7:g} {mid - 5:g}L{x1:g} {mid:g}L{x1 + 7:g} {mid + 5:g}"
    elif soft[0]:
        begin, faint = x1 + fades, f"M{x1:g} {mid:g}H{x1 + fades:g}"
    else:
        d += f"M{x1:g} {y:g}v{tall:g}"
    if end:
        d += f"M{x2 - 7:g} {mid - 5:g}L{x2:g} {mid:g}L{x2 - 7:g} {mid + 5:g}"
    elif soft[1]:
        stop, faint = x2 - fades, f"{faint}M{x2 - fades:g} {mid:g}H{x2:g}"
    else:
        d += f"M{x2:g} {y:g}v{tall:g}"
    return _path(f"M{begin:g} {mid:g}H{stop:g}{d}", 2) + (_path(faint, 2, "2 4") if faint else "")


def _mark(one: Statement, y: float, at: Callable[[date], float], left: float, right: float) -> tuple[list[str], float]:
    """A statement of a conflict, as a thin bracket below its lane; also the x of its right end."""
    begin, end = one.span.earliest, one.span.latest
    if one.relation == "not before":
        end = None
    if one.relation == "not after":
        begin = None
    x1, x2 = at(begin) if begin else left, (at(end) if end else right)
    d = f"M{x1:g} {y:g}H{x2:g}"
    d += f"M{x1:g} {y - 4:g}v8" if begin else f"M{x1 + 6:g} {y - 4:g}L{x1:g} {y:g}L{x1 + 6:g} {y + 4:g}"
    d += f"M{x2:g} {y - 4:g}v8" if end else f"M{x2 - 6:g} {y - 4:g}L{x2:g} {y:g}L{x2 - 6:g} {y + 4:g}"
    dashes = "4 3" if one.is_soft else ""
    return [_path(d, 1.5, dashes)], x2


def _gutters(lanes: list[list[int]]) -> list[int]:
    """Which gutter each crossed line runs in: those whose lanes lie apart share one."""
    taken: list[list[tuple[int, int]]] = []
    out = []
    for found in lanes:
        first, last = min(found), max(found)
        for number, spans in enumerate(taken):
            if all(last < a or b < first for a, b in spans):
                spans.append((first, last))
                out.append(number)
                break
        else:
            taken.append([(first, last)])
            out.append(len(taken) - 1)
    return out


def _crossed(number: int, points: list[tuple[float, float]], x: float) -> list[str]:
    """A line at ``x`` that joins the statements of a conflict, crossed out, with the number of its sentence."""
    if not points:
        return []
    heights = sorted(y for _, y in points)
    first, last = heights[0], heights[-1]
    if last - first < 44:  # room for the cross and the number
        last = first + 44
    leaders = "".join(f"M{end + 4:g} {y:g}H{x:g}" for end, y in points)
    cross = first + (last - first) / 2 - 10
    return [
        _path(leaders, 1, "1 3"),
        _path(f"M{x:g} {first:g}V{last:g}", 1.5),
        _path(f"M{x - 6:g} {cross - 6:g}l12 12M{x + 6:g} {cross - 6:g}l-12 12", 2.5),
        f'<circle cx="{x:g}" cy="{cross + 20:g}" r="9" fill="{_GROUND}" stroke="currentColor" stroke-width="1.5"/>',
        _text(x, cross + 24.5, str(number), 12, "middle", "bold"),
    ]


def _years(first: int, last: int, at: Callable[[date], float], base: float, left: float, right: float) -> list[str]:
    """The calendar below the lanes, with fine lines up through them."""
    step = _step(last - first, right - left, 40)
    fine, out = "", []
    for year in range(first - first % step, last + 1, step):
        if not first <= year <= last:
            continue
        x = at(date(year, 1, 1))
        fine += f"M{x:g} 6V{base:g}"
        out.append(_text(x, base + 18, str(year), 13, "middle"))
    out.insert(0, f'<path d="{fine}" stroke="currentColor" stroke-width=".5" opacity=".35"/>')
    out.append(_path(f"M{left:g} {base:g}H{right:g}"))
    return out


# --- curve -----------------------------------------------------------------------------------------------------------


def curve_rows(curve: Curve) -> list[list[str]]:
    """The dated cars of a curve as a table: serial, car, what its paper allows, whether it was followed."""
    aside = {id(one.car) for one in curve.set_aside}
    cars = [car for run in curve.runs for car in run.cars] + [one.car for one in curve.set_aside]
    out = [["Serial", "Car", "Moulded", "Followed"]]
    for car in sorted(cars, key=lambda car: (car.serial, car.called)):
        out.append([str(car.serial), car.called, car.words, "no" if id(car) in aside else "yes"])
    return out


def curve_svg(curve: Curve, *, title: str = "", standalone: bool = False) -> str:
    """Serial against date: the band between the hard bounds, the nine-in-ten band, the dated cars; "" without a curve.

    Where no car bounds it the band has no edge and runs out of the picture.
    """
    if not curve.runs:
        return ""
    serials = [car.serial for run in curve.runs for car in run.cars] + [one.car.serial for one in curve.set_aside]
    low, high = min(serials), max(serials)
    margin = max(1, round((high - low) * 0.06))
    low, high = max(0, low - margin), high + margin
    inside = {low, high, *_steps(low, high, 90)}
    # A bound jumps at a car's own number: the numbers beside it keep the step upright.
    inside |= {
        number for run in curve.runs for car in run.cars for number in (car.serial - 1, car.serial, car.serial + 1)
    }
    points = [run.dates(sorted(s for s in inside if low <= s <= high and run.holds(s))) for run in curve.runs]
    both = [one.car for one in curve.set_aside] + [
        car for run in curve.runs for car in run.cars if car.earliest and car.latest
    ]
    days = [
        day.toordinal() for found in points for one in found for day in (one.earliest, one.latest) if day is not None
    ]
    days += [day.toordinal() for car in both for day in (car.earliest, car.latest) if day is not None]
    first, last = min(days), max(days)
    pad = max(60, round((last - first) * 0.08))
    first, last = first - pad, last + pad
    left, right, top, bottom = 52.0, WIDE - 10.0, 14.0, 334.0

    def across(serial: float) -> float:
        return left + (right - left) * (serial - low) / max(1, high - low)

    def up(ordinal: float) -> float:
        return bottom - (bottom - top) * (min(max(ordinal, first), last) - first) / (last - first)

    hatch = "curve-band"
    parts = [
        f"<defs>{_hatch(hatch, 7)}</defs>",
        *_curve_axes(low, high, first, last, across, up, left, right, top, bottom),
    ]
    for found in points:
        parts += _band(found, across, up, first, last, hatch)
    beyond = 0
    for car in (car for run in curve.runs for car in run.cars):
        day = car.latest or car.earliest
        if day is not None and not first <= day.toordinal() <= last:
            beyond += 1  # it bounds nothing that others do not bound closer
        else:
            parts.append(_car_mark(car, across, up))
    for number, one in enumerate(curve.set_aside, 1):
        x = across(one.car.serial)
        parts.append(_car_mark(one.car, across, up, "3 3"))
        day = one.car.earliest or one.car.latest
        y = up(day.toordinal()) if day else top
        parts.append(_path(f"M{x - 6:g} {y - 6:g}l12 12M{x + 6:g} {y - 6:g}l-12 12", 2))
        beside = x - 18 if number % 2 else x + 18
        parts.append(f'<circle cx="{beside:g}" cy="{y:g}" r="9" fill="{_GROUND}" stroke="currentColor"/>')
        parts.append(_text(beside, y + 4.5, str(number), 12, "middle", "bold"))
    y = bottom + 52
    has_band = any(one.band90 for found in points for one in found)
    key = [
        "Upright: a dated car, as its paper allows (arrow: open). Hatched: between the hard bounds; without an edge where no car bounds it."
    ]
    if has_band:
        key.append("Grey: nine times in ten. Heavy line: the likeliest day.")
    if beyond:
        key.append(f"Not drawn, for it bounds nothing here: {_papers(beyond)} far outside.")
    if curve.set_aside:
        key.append("Crossed: a paper that was set aside.")
    for sentence in key:
        drawn, y = _lines(10, y, sentence, _SMALL_LINE, 12, 15)
        parts += drawn
    if standalone:
        y += 6
        for number, one in enumerate(curve.set_aside, 1):
            drawn, y = _lines(10, y, f"{number}. {one.says}", _SMALL_LINE, 12, 15)
            parts += drawn
    name = title or curve.series or "Series"
    return _page(
        parts,
        y,
        title=f"Serial to date: {name} ({curve.label})",
        says=" ".join(curve.says),
        data=curve.as_dict(40),
        kind="curve",
        standalone=standalone,
    )


def _papers(n: int) -> str:
    return "1 paper" if n == 1 else f"{n:,} papers"


def _steps(low: int, high: int, count: int) -> range:
    return range(low, high + 1, max(1, (high - low) // count))


def _curve_axes(
    low: int, high: int, first: int, last: int, across: Callable[[float], float], up: Callable[[float], float],
    left: float, right: float, top: float, bottom: float,
) -> list[str]:  # fmt: skip
    out = [_path(f"M{left:g} {top:g}V{bottom:g}H{right:g}")]
    begin, end = date.fromordinal(first).year, date.fromordinal(last).year
    step = _step(end - begin + 1, bottom - top, 22)
    fine = ""
    for year in range(begin, end + 2):
        day = date(year, 1, 1).toordinal()
        if year % step or not first <= day <= last:
            continue
        fine += f"M{left:g} {up(day):g}H{right:g}"
        out.append(_text(left - 6, up(day) + 4.5, str(year), 13, "end"))
    out.insert(0, f'<path d="{fine}" stroke="currentColor" stroke-width=".5" opacity=".35"/>')
    steps = [mantissa * 10**power for power in range(7) for mantissa in (1, 2, 5)]
    step = _step(high - low, right - left, 56, steps)
    for serial in range(low - low % step, high + 1, step):
        if serial < low:
            continue
        x = across(serial)
        out.append(_path(f"M{x:g} {bottom:g}v5"))
        out.append(_text(x, bottom + 19, str(serial), 13, "middle"))
    out.append(_text((left + right) / 2, bottom + 36, "serial number", 13, "middle"))
    return out


def _band(
    points: list[SerialDate],
    across: Callable[[float], float],
    up: Callable[[float], float],
    first: int,
    last: int,
    hatch: str,
) -> list[str]:
    """The room between the hard bounds, its edges where there are any, and the curve with its band inside it."""
    if len(points) < 2:
        return []
    high = [(across(p.serial), up(p.latest.toordinal() if p.latest else last)) for p in points]
    low = [(across(p.serial), up(p.earliest.toordinal() if p.earliest else first)) for p in points]
    out = [f'<path d="{_polygon(high, low)}" fill="url(#{hatch})"/>']
    for edge, known in ((high, [p.latest for p in points]), (low, [p.earliest for p in points])):
        d, drawing = "", False
        for (x, y), day in zip(edge, known, strict=True):
            if day is not None:
                d += f"{'L' if drawing else 'M'}{x:.1f} {y:.1f}"
            drawing = day is not None
        out.append(_path(d, 1))
    with_band = [p for p in points if p.band90]
    if len(with_band) > 1:
        top = [(across(p.serial), up(p.band90[1].toordinal())) for p in with_band if p.band90]
        foot = [(across(p.serial), up(p.band90[0].toordinal())) for p in with_band if p.band90]
        out.append(f'<path d="{_polygon(top, foot)}" fill="currentColor" fill-opacity=".28"/>')
    likely = [p for p in points if p.likeliest]
    if len(likely) > 1:
        line = "".join(
            f"{'L' if i else 'M'}{across(p.serial):.1f} {up(p.likeliest.toordinal()):.1f}"
            for i, p in enumerate(likely)
            if p.likeliest
        )
        out.append(_path(line, 2.5))
    return out


def _polygon(there: list[tuple[float, float]], back: list[tuple[float, float]]) -> str:
    points = [*there, *reversed(back)]
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z"


def _car_mark(car: DatedCar, across: Callable[[float], float], up: Callable[[float], float], dashes: str = "") -> str:
    x = across(car.serial)
    if car.earliest and car.latest:
        y1, y2 = up(car.earliest.toordinal()), up(car.latest.toordinal())
        if y1 - y2 < 3:
            y1, y2 = y1 + 1.5, y2 - 1.5
        return _path(f"M{x - 3:g} {y1:.1f}h6M{x - 3:g} {y2:.1f}h6M{x:g} {y1:.1f}V{y2:.1f}", 1.5, dashes)
    day = car.earliest or car.latest
    assert day is not None
    y = up(day.toordinal())
    way = -1 if car.earliest else 1  # up the page is later
    tip = y + way * 16
    return _path(
        f"M{x - 3:g} {y:.1f}h6M{x:g} {y:.1f}V{tip:.1f}M{x - 3:g} {tip - way * 5:.1f}L{x:g} {tip:.1f}L{x + 3:g} {tip - way * 5:.1f}",
        1.2,
        dashes,
    )


# --- survivors -------------------------------------------------------------------------------------------------------


def survivors_rows(found: Survivors) -> list[list[str]]:
    """Made, surviving and listed as a table with their ranges."""
    out = [["", "About", "From", "To"]]
    for name, one in (("Made", found.made), ("Surviving", found.surviving)):
        if one.estimate is None:
            out.append([name, "not known", "", ""])
        else:
            out.append([name, f"{one.estimate:,}", f"{one.low:,}", f"{one.high:,}"])
    return [*out, ["Listed", f"{found.listed['cars']:,}", "", ""]]


def survivors_svg(found: Survivors, *, title: str = "", standalone: bool = False) -> str:
    """Made, surviving and listed as bars inside one another, to one scale; "" where neither of the first two is known."""
    made, living, listed = found.made, found.surviving, int(found.listed["cars"])
    if made.estimate is None and living.estimate is None:
        return ""
    most = max(made.high or 0, living.high or 0, listed, 1)
    left, right, top = 10.0, WIDE - 14.0, 12.0

    def at(count: float) -> float:
        return left + (right - left) * count / most

    parts = [f"<defs>{_hatch('living', 6)}</defs>"]
    tall = 120.0
    if made.estimate is not None:
        parts.append(_path(f"M{left:g} {top:g}H{at(made.estimate):g}v{tall:g}H{left:g}z", 1.5))
        parts.append(_whisker(made, at, top + 12))
    if living.estimate is not None:
        parts.append(
            _path(f"M{left:g} {top + 24:g}H{at(living.estimate):g}v{tall - 48:g}H{left:g}z", 1.5, fill="url(#living)")
        )
        parts.append(_whisker(living, at, top + 36))
    if listed:
        parts.append(
            f'<path d="M{left:g} {top + 48:g}H{max(at(listed), left + 2):g}v{tall - 96:g}H{left:g}z" fill="currentColor"/>'
        )
    base = top + tall + 10
    step = _step(most, right - left, 52, [m * 10**p for p in range(7) for m in (1, 2, 5)])
    parts.append(_path(f"M{left:g} {base:g}H{right:g}"))
    for count in range(0, most + 1, step):
        parts.append(_path(f"M{at(count):g} {base:g}v5"))
        parts.append(
            _text(
                at(count),
                base + 19,
                f"{count:,}",
                13,
                "start" if count == 0 else "middle" if at(count) < right - 16 else "end",
            )
        )
    y = base + 44
    words = [
        f"Outer frame: made, {_range(made)}.",
        f"Hatched: surviving, {_range(living)}.",
        f"Solid: listed, {listed:,}.",
        "Line with ends: the 95 % interval." if 0.949 < made.level < 0.951 else "Line with ends: the interval.",
    ]
    for sentence in words:
        drawn, y = _lines(left, y, sentence, _LINE, 14, 18)
        parts += drawn
    return _page(
        parts,
        y,
        title=f"How many: {title}" if title else "How many were made, survive and are listed",
        says=" ".join([*words[:3], made.says, living.says]),
        data={"made": made.as_dict(), "surviving": living.as_dict(), "listed": found.listed},
        kind="survivors",
        standalone=standalone,
    )


def _whisker(one: Estimate, at: Callable[[float], float], y: float) -> str:
    assert one.low is not None and one.high is not None
    # White under the line keeps it readable on the hatching.
    d = f"M{at(one.low):g} {y:g}H{at(one.high):g}M{at(one.low):g} {y - 5:g}v10M{at(one.high):g} {y - 5:g}v10"
    return _path(d, 2)


def _range(one: Estimate) -> str:
    return "not known" if one.estimate is None else f"about {one.estimate:,} ({one.low:,} to {one.high:,})"


# --- tables ----------------------------------------------------------------------------------------------------------


# --- weights ---------------------------------------------------------------------------------------------------------


def weights_rows(found: Evidence) -> list[list[str]]:
    """The data of the weights as a table: tell, state, group, weight alone and given the rest. The first row is its heading."""
    one, other = (_names(found, side) for side in (found.pair.one, found.pair.other))
    out = [["Tell", "State", "Group", f"By itself, {one} against {other}", "Given the rest"]]
    for each in found.tells:
        alone, rest = each.log10_lr, each.given_the_rest
        weighs = ["no finding", ""] if alone is None or rest is None else [_times(alone), _times(rest)]
        out.append([f"{each.tell} {each.name}", each.state, each.group, *weighs])
    for group in found.groups:
        out.append([f"all of {group.group}", f"{group.findings} findings", group.group, _times(group.log10_lr), group.note])
    if abs(found.tied) > 0.005:
        out.append(["findings of several groups that hang together by the serial", "", "", _times(found.tied), ""])
    out.append(["all together", "", "", _times(found.pair.log10_lr), found.strength.word])
    return out


def weights_svg(found: Evidence, *, car: str = "", standalone: bool = False) -> str:
    """What each finding weighs for the two sides: bars right and left of a line, in powers of ten; "" where nothing weighs.

    A bracket holds what is one group, with what it weighs together: of marks that come out of one mould that is less than
    the sum of them. What was not examined, or could not be seen, is a hollow mark on the line and no bar of length nought.
    """
    from decoder.evidence import NUMBER

    if not any(each.log10_lr is not None for each in found.tells):
        return ""
    one, other = (_names(found, side) for side in (found.pair.one, found.pair.other))
    shown = [each.log10_lr for each in found.tells if each.log10_lr is not None]
    shown += [group.log10_lr for group in found.groups] + [found.pair.log10_lr, found.tied]
    reach = max(1, math.ceil(max(abs(value) for value in shown) - 1e-9))
    left, right = 24.0, WIDE - 16.0
    middle, unit = (left + right) / 2, (right - left) / 2 / reach

    def bar(value: float, y: float, tall: float, fill: str) -> str:
        x, wide = (middle, value * unit) if value >= 0 else (middle + value * unit, -value * unit)
        return (
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{max(wide, 0.8):.1f}" height="{tall:g}" fill="{fill}" '
            f'stroke="currentColor" stroke-width="1"/>'
        )

    parts: list[str] = []
    y = 18.0
    for words in (f"Right: for {one}.", f"Left: for {other}."):
        lines, y = _lines(left, y, words, _LINE, 14, 17)
        parts += lines
    top = y + 4
    words_of, y = _axis(top, middle, unit, reach)
    parts += words_of
    base = y
    y += 10
    groups = {group.group: group for group in found.groups}
    for name in dict.fromkeys([*groups, *(each.group for each in found.tells)]):
        begin = y - 2
        group = groups.get(name)
        said = f"{name[:1].upper()}{name[1:]}"
        if group is not None:
            many = f"{group.findings} findings" if group.findings > 1 else "1 finding"
            together = " together" if group.findings > 1 else ""
            said += f": {many},{together} {_times(group.log10_lr)}"
            if abs(group.apart - group.log10_lr) >= 0.1:
                said += f"; each for itself they would come to {_times(group.apart)}"
            if group.note:
                said += f" ({group.note})"
        else:
            said += ": no finding"
        lines, y = _lines(left + 6, y + 12, said, _LINE - 1, 13, 16)
        parts += _over(lines)
        if group is not None:
            parts.append(bar(group.log10_lr, y - 9, 9, "currentColor"))
            y += 8
        for each in (each for each in found.tells if each.group == name):
            label = f"Number as read: {each.state}" if each.tell == NUMBER else f"{each.tell} {each.name}: {each.state}"
            lines, y = _lines(left + 12, y + 10, label, _SMALL_LINE - 2, 12, 14)
            parts += _over(lines)
            if each.log10_lr is None:
                parts.append(
                    f'<circle cx="{middle:g}" cy="{y - 5:.1f}" r="4" fill="{_GROUND}" stroke="currentColor" stroke-width="1.5"/>'
                )
            else:
                parts.append(bar(each.log10_lr, y - 8, 5, "none"))
            y += 6
        parts.append(_path(f"M{left - 4:g} {begin:.1f}H{left - 12:g}V{y:.1f}H{left - 4:g}", 1.5))
        y += 12
    capped = f", reported as {found.strength.lr:,.0f}" if found.strength.capped else ""
    totals = [("All together", found.pair.log10_lr)]
    if abs(found.tied) > 0.005:
        totals.insert(0, ("Findings of several groups that hang together by the serial", found.tied))
    for said, value in totals:
        also = capped if said == "All together" else ""
        lines, y = _lines(left + 6, y + 12, f"{said}: {_times(value)}{also}", _LINE - 1, 14, 16)
        parts += [*_over(lines), bar(value, y - 9, 11, "currentColor")]
        y += 14
    parts.insert(0, _path(f"M{middle:g} {base:.1f}V{y:.1f}", 1))
    parts[0:0] = [
        _path(f"M{middle + n * unit:.1f} {base:.1f}V{y:.1f}", 0.5, "1 4") for n in range(-reach, reach + 1) if n
    ]
    lines, y = _lines(
        left, y + 16, "Filled: a group as a whole. Open bar: one finding by itself. Hollow mark: not examined or not visible, so it weighs nothing.",
        _SMALL_LINE, 12, 15,
    )  # fmt: skip
    parts += lines
    title = f"Weights: {car}, {one} against {other}" if car else f"Weights: {one} against {other}"
    says = " ".join([found.strength.says, *(f"{g.group}: {_times(g.log10_lr)}." for g in found.groups)])
    document = found.as_dict()
    data = {"car": car} | {key: document[key] for key in ("tells", "groups", "tied", "log10_lr", "strength")}
    return _page(parts, y + 6, title=title, says=says, data=data, kind="weights", standalone=standalone)


def _over(lines: list[str]) -> list[str]:
    """Words with the ground's colour around them, to be read where a line runs behind."""
    return [line.replace("<text ", f'<text paint-order="stroke" stroke="{_GROUND}" stroke-width="4" ', 1) for line in lines]


def _names(found: Evidence, side: Sequence[str]) -> str:
    return " or ".join(found.titles[name] for name in side)


def _times(log10: float) -> str:
    """A weight as people say it: "12 times for", "3 times against"; nothing much is "no difference"."""
    factor = 10 ** min(abs(log10), 12)
    if factor < 1.05:
        return "no difference"
    told = f"{factor:,.0f}" if factor >= 10 else f"{factor:.2g}"
    return f"{told} times {'for' if log10 > 0 else 'against'}"


def _axis(y: float, middle: float, unit: float, reach: int) -> tuple[list[str], float]:
    """Powers of ten on both sides, and below them the published words, each in its own stretch."""
    from decoder.evidence import ENFSI_2015

    parts = [_path(f"M{middle - reach * unit:.1f} {y + 18:.1f}H{middle + reach * unit:.1f}", 1)]
    for power in range(-reach, reach + 1):
        x = middle + power * unit
        parts.append(_path(f"M{x:.1f} {y + 14:.1f}V{y + 22:.1f}", 1))
        label = f"{10 ** abs(power):,}" if abs(power) < 5 else f"10^{abs(power)}"
        anchor = "start" if power == -reach else "end" if power == reach else "middle"
        if unit >= 62 or abs(power) != reach - 1 or not power:  # beside the last one there may be no room
            parts.append(_text(x, y + 10, label, 12, anchor))
    lowest = y + 34
    for place, band in enumerate(each for each in ENFSI_2015.bands if each.low >= 2):
        start, end = math.log10(band.low), min(math.log10(band.high), reach) if band.high < math.inf else reach
        if start >= reach:
            break
        words = band.word.removesuffix(" support").split()
        for sign in (-1, 1):
            line = y + 34 + 26 * (place % 2)
            for word in words:
                parts.append(_text(middle + sign * unit * (start + end) / 2, line, word, 11, "middle"))
                line += 12
                lowest = max(lowest, line)
    lines, after = _lines(
        middle - reach * unit, lowest + 4, f"Words: {ENFSI_2015.name}, support for the side on which the bar lies.", 60, 11, 13
    )
    return [*parts, *lines], after


def table_html(rows: Sequence[Sequence[str]], *, caption: str) -> str:
    """The data beside a picture as an HTML table; everything is escaped. The first row is the heading."""
    head, *body = rows
    out = [f"<table><caption>{escape(caption)}</caption><thead><tr>"]
    out += [f'<th scope="col">{escape(cell)}</th>' for cell in head]
    out.append("</tr></thead><tbody>")
    for row in body:
        first, *rest = row
        cells = "".join(f"<td>{escape(cell)}</td>" for cell in rest)
        out.append(f'<tr><th scope="row">{escape(first)}</th>{cells}</tr>')
    return "".join([*out, "</tbody></table>"])
