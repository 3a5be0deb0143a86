"""The commands about when and how many: a car's dates, papers and say-so, marks on parts, a series' curve and survivors.

Each is a thin shell over ``registry.dated``, ``registry.counted`` and ``decoder.marks``. A picture goes to a file of its own
(``--svg FILE``); what it shows is printed as well.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import click

from registry import knowing, store
from registry.commands import telling
from registry.commands.keeping import _by, _document, _json, _note_new, _opened, _registry, _say
from registry.commands.telling import labelled, wrapped
from registry.dated import CALLED, EVENTS, RULES, Answer, date_car, order_of
from registry.errors import NoAnswer, WrongInput
from registry.models import StatementIn, check

RELATIONS = ("equals", "not before", "not after")
NATURES = ("document made at the time", "stamping", "memory", "inference")

_svg = click.option(
    "--svg",
    "svg",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw it as well, into FILE (a name with .svg).",
)
_rules = click.option(
    "--rules",
    "rules",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    envvar="TUBMARK_RULES",
    show_envvar=True,
    help="Your own events and order rules (YAML).",
)


def _order(rules: Path | None) -> tuple[Sequence[Any], Sequence[Any]]:
    """The events and the order rules to go by, with those of a file."""
    if rules is None:
        return EVENTS, RULES
    try:
        text = rules.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise WrongInput(f"'{rules}' cannot be read: {reason}. Check the name.") from None
    return order_of(text, rules.name)


def _picture_fits(svg: Path | None) -> None:
    """Raises WrongInput where a picture must not go to that file. Asked before anything is computed."""
    if svg is None:
        return
    if svg.suffix.lower() != ".svg":
        raise WrongInput(f"'{svg}' is no name of a picture: let it end with .svg.")
    if svg.is_dir() or not svg.absolute().parent.is_dir():
        raise WrongInput(f"'{svg}' cannot be written: there is no such folder. Name another place.")
    if svg.exists():
        with svg.open("rb") as there:
            if not there.read(100).lstrip().startswith(b"<svg"):
                raise WrongInput(f"'{svg}' is there already and is no picture of this program. Name another file.")


def _draw(svg: Path | None, picture: Callable[[], str], *, as_json: bool) -> None:
    """Write a picture whole or not at all, and say where it is. An empty one is not written."""
    if svg is None:
        return
    text = picture()
    if not text:
        _say(wrapped("There is nothing to draw; no picture was written.", ""), err=True)
        return
    beside = svg.with_name(f".{svg.name}.part-{os.getpid()}")
    try:
        beside.write_text(text + "\n", encoding="utf-8")
        os.replace(beside, svg)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise WrongInput(f"'{svg}' cannot be written: {error.strerror}. Name another place.") from None
    _say([f"Picture: {svg}"] if as_json else ["", f"Picture: {svg}"], err=as_json)


# date


@click.command("date", epilog="Example:  tubmark date E24-010 --svg E24-010.svg")
@click.argument("car")
@click.option(
    "--seen", multiple=True, metavar="FEATURE", help="A dated feature found on the pan; may be given more than once."
)
@click.option("--not-seen", multiple=True, metavar="FEATURE", help="One that was looked for and is not there.")
@_rules
@_svg
@_json
@_registry()
@click.pass_context
def cmd_date(
    ctx: click.Context, car: str, seen: tuple[str, ...], not_seen: tuple[str, ...], rules: Path | None, svg: Path | None,
    as_json: bool, registry: Path,
) -> None:  # fmt: skip
    """When were the pan, the body and the car made, and does it add up?

    Everything on file that bears on a date is held together: numbers as they
    were read, papers and say-so, what was fitted when. What cannot all be true
    is named, with what would settle it. The title's number is laid beside the
    pan's first. Nothing is written.
    """
    events, order = _order(rules)
    _picture_fits(svg)
    with _opened(registry) as db:
        answer = date_car(db, car, seen=seen, not_seen=not_seen, events=events, rules=order)
    if as_json:
        _document(answer.as_dict())
    else:
        _say(lines_of(answer))

    def picture() -> str:
        from registry.pictures import timeline_svg

        return timeline_svg(answer, standalone=True)

    _draw(svg, picture, as_json=as_json)
    ctx.exit(answer.status)


def lines_of(answer: Answer) -> list[str]:
    """The dates of a car for a terminal: stop, the answer, what does not add up, the events side by side, the rest."""
    out = telling.stops(answer.stops)
    out += [answer.car, "", *wrapped(answer.headline)]
    if answer.status:
        out += [
            "",
            *wrapped(f"Read a number on it, or keep what a paper says: tubmark statement add {answer.car} --help"),
        ]
        out += _part("Not taken as a date", answer.not_used)
        return out + _part("To be put right", answer.problems)
    if answer.conflicts:
        out += ["", "What does not add up"]
        for number, one in enumerate(answer.conflicts, 1):
            out += wrapped(f"{number}. {one.says}", "  ", "     ")
            if one.ask:
                out += wrapped(one.ask, "     ")
            if not one.is_certain:
                out += wrapped("It may only look so: something in it is soft, or the rule has exceptions.", "     ")
    if answer.dated.agree_without:
        groups = [" and ".join(one.label() for one in group) for group in answer.dated.agree_without]
        out += wrapped(f"All the rest would agree without: {'; or without: '.join(groups)}.")
    out += ["", "When", *_events(answer)]
    if answer.compared:
        out += ["", "Papers against metal"]
        for each in answer.compared:
            # What stands among the conflicts is not said twice.
            if each.verdict != "another number":
                out += wrapped(f"{each.says} {each.ask}".strip())
            if each.verdict not in ("same", "no number of a table"):
                out += each.text()
    out += _part("What would make it surer", answer.look)
    out += _part("Not taken as a date", answer.not_used)
    out += _part("Beside it", answer.notes)
    return out + _part("To be put right", answer.problems)


def _events(answer: Answer) -> list[str]:
    out: list[str] = []
    width = max(len(each.event.title) for each in answer.dated.events.values()) + 2
    for name, each in answer.dated.events.items():
        title = each.event.title[:1].lower() + each.event.title[1:]
        disputed = " (disputed)" if each.is_disputed else ""
        own = answer.own_of(name)
        if own == ["nobody says"]:
            out += labelled(title, "nobody says", width)
            continue
        # A single paper that says just this needs no line of its own above it.
        if len(own) == 1 and own[0].startswith(f"{each.words()}: "):
            out += labelled(title, f"{own[0]}{disputed}", width)
            continue
        out += labelled(title, f"{each.words()}{disputed}", width)
        for one in own:
            out += wrapped(one, " " * (width + 4), " " * (width + 6))
    return out


def _part(heading: str, sentences: Sequence[str]) -> list[str]:
    return ["", heading, *(line for sentence in sentences for line in wrapped(sentence))] if sentences else []


# statement


@click.group("statement", epilog="Example:  tubmark statement add E24-010 --help")
def cmd_statement() -> None:
    """What does a paper or a person say about a car, and when? Papers and say-so.

    'add' keeps one. Nothing is edited: a slip of the pen is put right by a
    statement in its place (--slip-of).
    """


@cmd_statement.command(
    "add",
    epilog="Example:  tubmark statement add E24-010 --about body_moulded --when '21 May 1966' --relation 'not after' --kind receipt --source owner",
)
@click.argument("car")
@click.option(
    "--about", required=True, metavar="EVENT", help=f"What it dates: {', '.join(event.name for event in EVENTS)}."
)
@click.option(
    "--when", required=True, metavar="TEXT", help="The date as it is written: '21 May 1966', 'about 65', 'Aug 67'."
)
@click.option(
    "--relation", type=click.Choice(RELATIONS), required=True, help="Whether it happened then, or the date bounds it."
)
@click.option(
    "--kind", required=True, metavar="WORDS", help="What the paper is: receipt, registration slip, letter ..."
)
@click.option("--source", metavar="WORDS", help="Whose it is or where it is from.")
@click.option("--seen", type=click.Choice(["original", "copy", "told"]), help="What of it was seen.")
@click.option("--nature", type=click.Choice(NATURES), metavar="NATURE", help=f"What it rests on: {', '.join(NATURES)}.")
@click.option(
    "--day-first/--month-first",
    "day_first",
    default=None,
    help="How the paper orders figures.  [default: both days are kept]",
)
@click.option("--words", metavar="WORDS", help="What it says, word for word.  [default: the date as given]")
@click.option("--locator", metavar="WORDS", help="Where in it: a page, the back of the photograph.")
@click.option("--confidence", metavar="WORDS", help="How far it is trusted: good, fair, poor.")
@click.option("--note", metavar="WORDS", help="Anything else.")
@click.option(
    "--slip-of",
    type=int,
    metavar="NUMBER",
    help="It stands in place of the statement of that number, a slip of the pen.",
)
@_rules
@_by
@_json
@_registry(write=True)
def cmd_statement_add(
    car: str, about: str, when: str, relation: str, kind: str, source: str | None, seen: str | None, nature: str | None,
    day_first: bool | None, words: str | None, locator: str | None, confidence: str | None, note: str | None,
    slip_of: int | None, rules: Path | None, by: str | None, as_json: bool, registry: Path,
) -> None:  # fmt: skip
    """What does this paper say of the car, and of which day?

    A date is typed as the paper has it. Figures that can be day first or month
    first ('04/03/66') are kept as both days until something settles it.
    """
    from decoder.dates import parse_written
    from decoder.dating import statement as checked

    events, order = _order(rules)
    about = CALLED.get(about, about)
    span = parse_written(when, day_first=day_first, today=date.today())
    # What bounds nothing, or dates nothing there is, is refused before anything is saved.
    checked(about, relation, span, kind=kind, source=source or "", nature=nature, events=tuple(events))
    with _opened(registry, write=True) as db:
        found = knowing.resolve_car(db, car)
        if slip_of is not None and slip_of not in [row["id"] for row in knowing.statements_of(db, found["id"])]:
            raise NoAnswer(
                f"{found['number']} has no statement {slip_of}. 'tubmark show {found['number']}' lists them."
            )
        said = check(
            StatementIn, car=found["number"], about=about, kind=kind, relation=relation, as_written=words or when, edtf=span.edtf,
            nature=nature, seen=seen, source=source, locator=locator, confidence=confidence, note=note, slip_of=slip_of,
        )  # fmt: skip
        _note_new(db, by)
        number = store.record_statement(db, said, by=by)
        answer = date_car(db, found["id"], events=events, rules=order)
    ref = f"statement {number}"
    clashes = [one for one in answer.conflicts if ref in one.papers]
    each = answer.dated.events.get(about)
    if as_json:
        _document(
            {
                "car": answer.car,
                "stops": list(answer.stops),
                "statement": number,
                "about": about,
                "relation": relation,
                **span.as_dict(),
                "notes": list(span.notes),
                "now": each.as_dict() if each else None,
                "conflicts": [one.as_dict() for one in clashes],
            }
        )
        return
    out = telling.stops(answer.stops)
    bound = "" if relation == "equals" else f"{relation} "
    title = next(event.title for event in events if event.name == about)
    out += wrapped(
        f"Kept as statement {number} of {answer.car}: {title[:1].lower()}{title[1:]} {bound}{span.words()}.", ""
    )
    for sentence in span.notes:
        out += wrapped(sentence)
    if each is not None:
        out += wrapped(f"With everything else on file: {each.event.title.lower()} {each.words()}.")
    for one in clashes:
        out += ["", *wrapped(f"It does not add up: {one.says}"), *wrapped(one.ask)]
    out += ["", f"  All of it:   tubmark date {answer.car}"]
    _say(out)


# datemark


@click.command("datemark", epilog="Example:  tubmark datemark 'DOT 4B9H L2K 031'")
@click.argument("mark", nargs=-1)
@click.option(
    "--by", "on", metavar="DAY", help="A day on which the part was there; later dates are dropped.  [default: today]"
)
@_json
@click.pass_context
def cmd_datemark(ctx: click.Context, mark: tuple[str, ...], on: str | None, as_json: bool) -> None:
    """When was this part made, by the mark on it?

    A tyre's DOT number, a lamp's SAE or E mark, the marks on glass, a label, as
    you read it. It dates the part and never the car.
    """
    from decoder.dates import parse_written
    from decoder.marks import read_mark

    if not mark:
        raise WrongInput("Type the mark, in quotes: tubmark datemark 'DOT 4B9H L2K 031'.")
    by = date.today()
    if on is not None:
        day = parse_written(on)
        if day.latest is None:
            raise WrongInput(f"'{on}' has no end, so nothing lies after it. Give the day on which the part was there.")
        by = day.latest
    answer = read_mark(" ".join(mark), by=by)
    if as_json:
        _document(answer.as_dict())
        ctx.exit(answer.status)
    out = [answer.mark, ""]
    for reading in answer.readings:
        out += wrapped(reading.says())
        for fact in reading.facts:
            out += wrapped(fact, "    ")
    if answer.readings:
        out += ["", *wrapped(answer.says[-1])]
    else:
        out += wrapped("No rule on file reads this mark.")
    for problem in answer.problems:
        out += wrapped(problem)
    sources = {one["id"]: one for reading in answer.readings for one in reading.sources}
    out += [""] if sources else []
    for id_, source in sources.items():
        out += [
            *wrapped(f"Source: {source.get('title', id_)}; {source.get('standing', '')}".rstrip("; "), "  ", "    ")
        ]
    _say(out)
    ctx.exit(answer.status)


# curve


@click.command("curve", epilog="Example:  tubmark curve KA --number 300 --svg KA.svg")
@click.argument("series")
@click.option(
    "--number",
    "numbers",
    multiple=True,
    metavar="SERIAL",
    help="When was the body with this serial made? May be given more than once.",
)
@_svg
@_json
@_registry()
@click.pass_context
def cmd_curve(
    ctx: click.Context, series: str, numbers: tuple[str, ...], svg: Path | None, as_json: bool, registry: Path
) -> None:
    """When was a body of this series made, by its serial, where no ledger is left?

    Learnt from the bodies of the series whose serial is known and which a paper
    dates. Hard bounds first, a curve inside them where there are cars enough;
    wrong papers are named, not followed. SERIES is its id or its name.
    """
    from registry import counted

    _picture_fits(svg)
    with _opened(registry) as db:
        learnt = counted.curve_of(db, series)
        serials = [_serial(db, learnt.series, text) for text in numbers]
    asked = [one for serial in serials for one in learnt.curve.date(serial)]
    if as_json:
        _document({**learnt.as_dict(), "asked": [one.as_dict() for one in asked]})
    else:
        out = [learnt.series["name"], ""]
        for one in asked:
            out += wrapped(one.says)
            if one.hangs_on:
                out += wrapped(f"It hangs on {' and '.join(one.hangs_on)}.", "    ")
        out += [""] if asked else []
        for sentence in learnt.says:
            out += wrapped(sentence)
        _say(out + ([] if asked else _sampled(learnt.curve)))

    def picture() -> str:
        from registry.pictures import curve_svg

        return curve_svg(learnt.curve, title=learnt.series["name"], standalone=True)

    _draw(svg, picture, as_json=as_json)
    ctx.exit(learnt.status)


def _serial(db: Any, series: dict[str, Any], text: str) -> int:
    from registry.counted import identity

    found = identity(text, series, knowing.house_tables(db), None)
    if found is None or found[1] is None:
        raise WrongInput(f"'{text}' is not one number of the {series['name']}. Type its serial, as 300.")
    return found[1]


def _sampled(curve: Any) -> list[str]:
    """A dozen serials along the curve, for a terminal: bounds, and nine times in ten where there is a band."""
    points = curve.points(10)
    if not points:
        return []
    step = max(1, len(points) // 12)
    out = ["", f"  {'serial':>7}  {'made (bounds)':<28}nine times in ten"]
    for one in points[::step]:
        band = _months(*one.band90) if one.band90 else ""
        out.append(f"  {one.serial:>7}  {_months(one.earliest, one.latest):<28}{band}".rstrip())
    return out


def _months(first: date | None, last: date | None) -> str:
    """Two days as their months, in few letters; the sentences say the days."""
    from decoder.words import MONTHS

    ends = ["" if day is None else f"{MONTHS[day.month - 1][:3]} {day.year}" for day in (first, last)]
    if ends[0] == ends[1]:
        return ends[0] or "not bounded"
    return " to ".join(ends) if all(ends) else f"from {ends[0]}" if ends[0] else f"to {ends[1]}"


# survivors


@click.command("survivors", epilog="Example:  tubmark survivors KA --list 'Loft Book' --list 'Slide survey'")
@click.argument("series")
@click.option(
    "--list",
    "lists",
    multiple=True,
    metavar="NAME",
    help="Count with this list; give two or more.  [default: every list with enough of the series]",
)
@click.option(
    "--first", type=click.IntRange(0), metavar="SERIAL", help="The serial the maker began with, where that is known."
)
@click.option("--why", is_flag=True, help="Show the assumptions, the other estimators and the checks.")
@_svg
@_json
@_registry()
@click.pass_context
def cmd_survivors(
    ctx: click.Context, series: str, lists: tuple[str, ...], first: int | None, why: bool, svg: Path | None, as_json: bool,
    registry: Path,
) -> None:  # fmt: skip
    """How many of this series were made, and how many are left?

    Made: from the serials seen, wherever the numbering began. Left: from two or
    more lists that were made without looking at each other. SERIES is its id or
    its name.
    """
    from registry import counted

    _picture_fits(svg)
    with _opened(registry) as db:
        answer = counted.survivors_of(db, series, lists=lists, first=first)
    if as_json:
        _document(answer.as_dict())
    else:
        out = [answer.series["name"], ""]
        for sentence in (*answer.says, *answer.found.problems, *answer.left_out):
            out += wrapped(sentence)
        _say(out + (_why(answer.found) if why else []))

    def picture() -> str:
        from registry.pictures import survivors_svg

        return survivors_svg(answer.found, title=answer.series["name"], standalone=True)

    _draw(svg, picture, as_json=as_json)
    ctx.exit(answer.status)


def _why(found: Any) -> list[str]:
    out: list[str] = []
    for heading, one in (("Made", found.made), ("Surviving", found.surviving)):
        if one.estimate is None:
            continue
        out += ["", f"{heading}: {one.method}"]
        for sentence in one.assumptions:
            out += wrapped(sentence)
        for other in one.others:
            span = (
                f" ({other.low:,.0f} to {other.high:,.0f})" if other.low is not None and other.high is not None else ""
            )
            note = f"; {other.note}" if other.note else ""
            out += wrapped(f"{other.method}: {other.estimate:,.0f}{span}{note}.")
        for test in one.checks:
            out += wrapped(test["says"])
    return out
