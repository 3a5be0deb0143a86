"""The commands of the examination: sheets, what was seen, what to look at next, what it bears, what to review.

Each is a thin shell over ``registry.examining``, ``sheets``, ``reviewing``, ``first_hour`` and ``tell_file``. A file that a command
writes is written whole or not at all, and one that is there already is not replaced unless it is of the same kind.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from registry import examining, inspecting, knowing, own_counts, tells
from registry.commands import telling
from registry.commands.dating import _draw, _picture_fits, _svg
from registry.commands.keeping import _by, _day, _document, _json, _note_new, _opened, _registry, _say, _today
from registry.commands.telling import labelled, wrapped
from registry.errors import NoAnswer, WrongInput

_sheet = click.option(
    "--sheet", metavar="NAME", help="The sheet to go by: its name, or a series.  [default: the one that fits the car]"
)
_prior = click.option(
    "--prior",
    multiple=True,
    metavar="HYP=WEIGHT",
    help="Other odds beforehand: a series and its weight (KA=3), none=0.05, joined=0.2.",
)
_aside = click.option(
    "--set-aside", "set_aside", multiple=True, metavar="GROUP", help="A group of tells that is not to count, as mould."
)

#: So many tells to look at are listed; the rest is in --json and with --all.
_MOST_LOOKS = 8


def _odds(texts: tuple[str, ...]) -> dict[str, float] | None:
    found: dict[str, float] = {}
    for text in texts:
        name, equals, weight = text.rpartition("=")
        try:
            found[name.strip()] = float(weight)
        except ValueError:
            equals = ""
        if not equals or not name.strip():
            raise WrongInput(f"'{text}' gives no odds. Write a series and its weight: --prior KA=3")
    return found or None


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise WrongInput(f"'{path}' cannot be read: {reason}. Check the name.") from None


def _may_write(path: Path, ends: dict[str, tuple[str, ...]]) -> None:
    """Raises WrongInput where a file must not go there. ``ends``: by the end of its name, how a file of ours of that kind begins."""
    if path.suffix.lower() not in ends:
        raise WrongInput(f"'{path}' has no name that tells what it is to be: let it end with {' or '.join(ends)}.")
    if path.is_dir() or not path.absolute().parent.is_dir():
        raise WrongInput(f"'{path}' cannot be written: there is no such folder. Name another place.")
    if path.exists():
        begins = ends[path.suffix.lower()]
        with path.open("rb") as there:
            if not there.read(200).decode("utf-8", "replace").lstrip("\ufeff").startswith(begins):
                raise WrongInput(f"'{path}' is there already and is no such file of this program. Name another one.")


def _write(path: Path, text: str) -> None:
    beside = path.with_name(f".{path.name}.part-{os.getpid()}")
    try:
        beside.write_text(text, encoding="utf-8")
        os.replace(beside, path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise WrongInput(f"'{path}' cannot be written: {error.strerror}. Name another place.") from None


# inspect


@click.command("inspect", epilog="Example:  tubmark inspect E24-004 K04=present T02=a K05=nv --by 'Orla Thrennick'")
@click.argument("car")
@click.argument("findings", nargs=-1, metavar="TELL=STATE...")
@click.option(
    "--file", "file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="A filled sheet (CSV)."
)
@click.option("--place", metavar="WORDS", help="Where on the car: front or rear first, where the two are told apart.")
@click.option("--blind", is_flag=True, help="You have not seen what others found on this car.")
@click.option("--date", "--on", "on", metavar="DAY", help="The day it was seen.  [default: today]")
@_by
@_json
@_registry(write=True)
def cmd_inspect(
    car: str, findings: tuple[str, ...], file: Path | None, place: str | None, blind: bool, on: str | None, by: str | None,
    as_json: bool, registry: Path,
) -> None:  # fmt: skip
    """What did you see on this car, tell by tell?

    A state is present (p), absent (a), altered (alt), gone with traces left
    (t), not visible (nv) or not examined (ne). Not seen is not absent. A doubt
    goes behind it: K05=present~0.3. All of it is recorded, or nothing.

    With --blind nothing is shown of what others found until yours is recorded;
    then it says on which tells you differ.
    """
    day = _day(on, "The day it was seen")
    with _opened(registry, write=True) as db:
        found = knowing.resolve_car(db, car)
        lines = inspecting.findings_in(_read(file), file.name) if file else []
        lines += [inspecting.finding_typed(text) for text in findings]
        if not lines:
            raise WrongInput(
                "What was seen? Write the tell, = and its state: K01=present. Or a filled sheet: --file FILE"
            )
        if by is None:
            raise WrongInput("Who looked? A finding is kept with its examiner: --by NAME.")
        _note_new(db, by)
        done = inspecting.record_inspection(db, car, lines, by=by, blind=blind, place=place, day=day)
        people = knowing.people(db)
        if as_json:
            _document(
                {
                    "car": done.car,
                    "stops": list(done.stops),
                    "recorded": len(done.ids),
                    "findings": done.findings,
                    "blind": done.blind,
                    "differences": list(done.differences),
                }
            )
            return
        out = telling.stops(done.stops)
        seen = f"{len(done.ids)} tell{'' if len(done.ids) == 1 else 's'} of {found['number']} recorded, {done.findings} of them findings"
        out += wrapped(f"{seen}{', without sight of what others found' if blind else ''}.", "")
        for each in done.differences:
            out += _differ_lines(each, people)
        try:
            bears = examining.evidence_of(db, found["id"], own=False)
        except NoAnswer:
            bears = None
        if bears is not None and bears.findings:
            out += ["", *wrapped(bears.evidence.says)]
        out += ["", f"  What is left to look at:  tubmark look {found['number']}"]
        out += [f"  What it bears:            tubmark evidence {found['number']}"]
        _say(out)


def _differ_lines(each: dict[str, Any], people: dict[int, dict[str, Any]]) -> list[str]:
    one, other = (people[who]["said"] for who in each["people"])
    n = len(each["differ"])
    if not n:
        return wrapped(f"{one} and {other} agree on all {each['agree']} tells on which both have a finding.")
    what = "this one" if n == 1 else f"these {_COUNTED.get(n, n)}"
    out = ["", *wrapped(f"{one} and {other} differ on {what}, and agree on {each['agree']}:")]
    for tell in each["differ"]:
        out += wrapped(f"{tell['tell']} {tell['name']}: {tell['states'][0]} and {tell['states'][1]}", "    ")
    return [*out, *wrapped("What two people saw differently weighs nothing until somebody looks again.")]


_COUNTED = {2: "two", 3: "three", 4: "four", 5: "five", 6: "six", 7: "seven", 8: "eight", 9: "nine"}


# look


@click.command("look", epilog="Example:  tubmark look E24-004")
@click.argument("car")
@click.option("--maker", is_flag=True, help="Only whose body it is, not which of the maker's series.")
@click.option("--blind", is_flag=True, help="As somebody who has not seen what others found (with --by).")
@click.option("--all", "everything", is_flag=True, help=f"All that is left, not the first {_MOST_LOOKS}.")
@_sheet
@_prior
@_aside
@_by
@_json
@_registry()
@click.pass_context
def cmd_look(
    ctx: click.Context, car: str, maker: bool, blind: bool, everything: bool, sheet: str | None, prior: tuple[str, ...],
    set_aside: tuple[str, ...], by: str | None, as_json: bool, registry: Path,
) -> None:  # fmt: skip
    """What is to be looked at next on this car?

    What is left of its sheet, in the order of doubt removed per minute of
    trouble. What was not visible comes with the minutes of uncovering it, and
    waits for the owner's leave.
    """
    with _opened(registry) as db:
        who = None
        if blind:
            if by is None:
                raise WrongInput("Who looks? --blind goes by what one person found: --by NAME.")
            known = knowing.people_named(db, by)
            who = known[0]["id"] if len(known) == 1 else -1
        left = examining.look_of(db, car, sheet=sheet, prior=_odds(prior), set_aside=set_aside, by=who, maker=maker)
    if as_json:
        _document(left.as_dict())
    else:
        _say(_look_lines(left, everything))
    ctx.exit(left.status)


def _look_lines(left: examining.LookOf, everything: bool) -> list[str]:
    out = telling.stops(left.stops)
    if not left.looks:
        return [*out, *wrapped(f"Nothing is left on the sheet {left.on_file.name} to look at on {left.car}.", "")]
    shown = left.looks if everything else left.looks[:_MOST_LOOKS]
    out += [f"{left.car}   sheet {left.on_file.name}", ""]
    for place, each in enumerate(shown, 1):
        row = left.on_file.rows[each.tell]
        trouble = f"{each.minutes:g} min"
        out += labelled(f"{place}. {each.tell} {each.name}"[:34], f"{trouble:>7}   {each.gain:.2f} bit", 36)
        out += wrapped(f"{row['looks_like']}{f' ({each.how})' if each.how else ''}", "     ")
        if each.place:
            out += wrapped(f"Where: {each.place}", "     ")
        if left.cautions(each):
            out += wrapped(f"Careful: {left.cautions(each)}", "     ")
        if each.note:
            out += wrapped(f"{each.note[:1].upper()}{each.note[1:]}.", "     ")
    rest = len(left.looks) - len(shown)
    if rest:
        out += ["", *wrapped(f"{rest} more that remove less doubt a minute: --all lists them.")]
    example = " ".join(f"{each.tell}=..." for each in shown[:2])
    return [*out, "", f"  tubmark inspect {left.car} {example} --by NAME"]


# evidence


@click.command("evidence", epilog="Example:  tubmark evidence E22-001 --svg E22-001.svg")
@click.argument("car")
@click.option(
    "--against", "pair", nargs=2, metavar="ONE OTHER", help="The two to compare, as KA TP.  [default: the two leading]"
)
@click.option(
    "--errs", type=click.FloatRange(0, 0.5), metavar="SHARE", help="How often the examiner is wrong.  [default: 0.01]"
)
@click.option("--why", is_flag=True, help="Every tell with its counts, and everything that is assumed.")
@_sheet
@_prior
@_aside
@_svg
@_json
@_registry()
@click.pass_context
def cmd_evidence(
    ctx: click.Context, car: str, pair: tuple[str, str] | None, errs: float | None, why: bool, sheet: str | None,
    prior: tuple[str, ...], set_aside: tuple[str, ...], svg: Path | None, as_json: bool, registry: Path,
) -> None:  # fmt: skip
    """What do the findings on this car bear, and what not yet?

    How many times more probable the findings are on the one kind of body than
    on the other, in the published words; what carries that and what speaks
    against it; what was believed beforehand, apart. "Not yet decidable" is an
    answer. Nothing is written.
    """
    _picture_fits(svg)
    with _opened(registry) as db:
        found = examining.evidence_of(
            db, car, sheet=sheet, prior=_odds(prior), pair=pair, set_aside=set_aside, error=errs
        )
        ours = _grounds(db, found) if why else {}
    if as_json:
        _document(found.as_dict())
    else:
        _say(evidence_lines(found, why=why, ours=ours))

    def picture() -> str:
        from registry.pictures import weights_svg

        return weights_svg(found.evidence, car=found.car, standalone=True)

    _draw(svg, picture, as_json=as_json)
    ctx.exit(found.status)


def _grounds(db: Any, found: examining.Examined) -> dict[tuple[str, str], own_counts.Counted]:
    car = knowing.resolve_car(db, found.car)["id"]
    counts = own_counts.counts_of(db, codes=found.on_file.sheet.tells, leave_out=car)
    return {(each.code, each.series): each for each in counts}


def evidence_lines(
    found: examining.Examined, *, why: bool = False, ours: dict[tuple[str, str], own_counts.Counted] | None = None
) -> list[str]:
    """The evidence on a car for a terminal: stop, the answer, how strong, what carries it, the odds apart, the tells by group."""
    said = found.evidence
    out = telling.stops(found.stops)
    out += [
        f"{found.car}   sheet {found.on_file.name}, {found.findings} finding{'' if found.findings == 1 else 's'}",
        "",
    ]
    if not found.findings and found.number.number is None:
        out += wrapped("Nothing has been examined on this car yet, so nothing can be said of whose body it is.")
        return [*out, "", f"  What to look at first:  tubmark look {found.car}"]
    out += wrapped(said.says)
    out += wrapped(said.strength.says)
    if said.strength.capped:
        out += wrapped(f"It is not put higher, since {said.strength.capped}.")
    for label, codes in (("Carried by", said.carries), ("Against it", said.contradicts)):
        if codes:
            out += wrapped(f"{label}: {_named(found, codes)}.", "  ", "    ")
    for paper in found.papers:
        out += wrapped(f"{paper['says']} {paper['ask']}", "  ", "    ")
    out += ["", *_answers(found)]
    out += wrapped(found.prior_says)
    if found.own:
        out += wrapped(
            f"The last column adds what {found.own_cars} other cars decided here showed to the counts on file. It is no second "
            "opinion: these are opinions of the same people."
        )
    out += ["", *_tell_lines(found, why, ours or {})]
    for note in found.notes:
        out += wrapped(note)
    if why:
        out += ["", "What is assumed"]
        for name, each in said.assumptions.as_dict().items():
            out += wrapped(f"{name.replace('_', ' ')} {each['value']}: {each['says']}", "  ", "    ")
        out += wrapped(f"Words: {said.strength.scale}.")
    else:
        out += ["", f"  Every count, and what is assumed:  tubmark evidence {found.car} --why"]
    return [*out, f"  What is left to look at:           tubmark look {found.car}"]


def _named(found: examining.Examined, codes: tuple[str, ...]) -> str:
    names = {each.tell: each.name for each in found.evidence.tells}
    return ", ".join("the number" if code == "number" else f"{code} {names[code]}" for code in codes)


def _answers(found: examining.Examined) -> list[str]:
    said = found.evidence
    heads = ["before", "now", "if erring", *(["with own"] if found.own else [])]
    out = [f"  {'':<34}" + "".join(f"{head:>10}" for head in heads)]
    for name in sorted(said.names, key=lambda each: -said.posterior[each]):
        shares = [said.prior[name], said.posterior[name], said.if_examiner_errs[name]]
        shares += [found.own[name]] if found.own else []
        label = f"{name}  {said.titles[name]}" if said.titles[name] != name else name
        out.append(f"  {label[:33]:<34}" + "".join(f"{_chance(p):>10}" for p in shares))
    return [*out, *wrapped("In 100. If erring: should the examiner err one time in twenty.")]


def _chance(p: float) -> str:
    return "> 99" if p > 0.995 else "< 1" if p < 0.005 else f"{100 * p:.0f}"


def _tell_lines(found: examining.Examined, why: bool, ours: dict[tuple[str, str], own_counts.Counted]) -> list[str]:
    """The tells by group; of each group what it weighs together, of each tell what it weighs by itself."""
    from registry.pictures import _times

    said = found.evidence
    one, other = (" or ".join(said.titles[name] for name in side) for side in (said.pair.one, said.pair.other))
    out = wrapped(f"Weights, for {one} against {other}:", "")
    groups = {group.group: group for group in said.groups}
    silent: dict[str, list[str]] = {}
    for name in dict.fromkeys([*groups, *(each.group for each in said.tells)]):
        group = groups.get(name)
        if group is not None:
            note = f" ({group.note})" if group.note else ""
            apart = f"; each for itself {_times(group.apart)}" if abs(group.apart - group.log10_lr) >= 0.1 else ""
            out += wrapped(f"{name}: {_times(group.log10_lr)}{apart}{note}", "  ", "    ")
        for each in said.tells:
            if each.group != name:
                continue
            if each.log10_lr is None:
                silent.setdefault(each.state + (f", {each.note}" if each.note else ""), []).append(each.tell)
                continue
            label = f"number {each.state}" if each.tell == "number" else f"{each.tell} {each.name}, {each.state}"
            note = f" ({each.note})" if each.note else ""
            out += wrapped(f"{label}: {_times(each.log10_lr)}{note}", "      ", "        ")
            if why:
                out += _count_lines(found, each, ours)
    if abs(said.tied) > 0.005:
        out += wrapped(f"findings of several groups that hang together by the serial: {_times(said.tied)}")
    capped = f", reported as {said.strength.lr:,.0f}" if said.strength.capped else ""
    out += wrapped(f"all together: {_times(said.pair.log10_lr)}{capped}, {said.strength.word}")
    for state, codes in silent.items():
        out += wrapped(f"No evidence, {state}: {', '.join(codes)}", "  ", "    ")
    return out


def _count_lines(found: examining.Examined, each: Any, ours: dict[tuple[str, str], own_counts.Counted]) -> list[str]:
    out = []
    for series, count in each.counts.items():
        text = f"{series} {count.seen_on:g}/{count.out_of:g}"
        mine = ours.get((each.tell, series))
        if mine and mine.own[1]:
            text += f" (decided here {mine.own[0]:g}/{mine.own[1]:g}, of them with a ground of their own {mine.grounded[0]:g}/{mine.grounded[1]:g})"
        out.append(text)
    return wrapped("; ".join(out), "        ", "          ") if out else []


# sheet


@click.command("sheet", epilog="Example:  tubmark sheet KA --out sheet.html")
@click.argument("series")
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="FILE", help="Write it: .html to print, .csv to fill in, or .txt."
)
@_registry()
def cmd_sheet(series: str, out: Path | None, registry: Path) -> None:
    """What is to be filled in at the car, for this series?

    SERIES is a series, a sheet's name, or a car. One page to print (A4 or
    Letter): a box for each state, how to look, minutes, cautions, room for a
    sketch. A filled one comes back with tubmark inspect CAR --file FILE.
    """
    from registry import sheets

    if out is not None:
        _may_write(out, {".html": ("<!doctype html>",), ".csv": ("tell,",), ".txt": ("Examination sheet",)})
    with _opened(registry) as db:
        on_file = tells.sheet_for(db, series)
        keeper = knowing.info(db).get("name", "")
    if out is None:
        click.echo(sheets.sheet_text(on_file), nl=False)
        return
    made = {".html": lambda: sheets.sheet_html(on_file, keeper=keeper), ".csv": lambda: sheets.sheet_csv(on_file)}
    _write(out, made.get(out.suffix.lower(), lambda: sheets.sheet_text(on_file))())
    _say([f"{out}: {on_file.name}, {len(on_file.rows)} tells."])


# review


@click.command("review", epilog="Example:  tubmark review")
@click.argument("car", required=False)
@click.option("--all", "everything", is_flag=True, help="Decisions on which nothing changed as well.")
@_json
@_registry()
def cmd_review(car: str | None, everything: bool, as_json: bool, registry: Path) -> None:
    """Which decisions hung on something that has changed since?

    Each is laid beside what the findings bear today: a table, a fact or a slip
    of the pen may have changed. Nothing re-decides itself; a person does, with
    tubmark decide, and the old decision stays on file.
    """
    from registry.reviewing import review

    with _opened(registry) as db:
        found = review(db, car, everything=everything)
        people = knowing.people(db)
        series = {row["id"]: row["name"] for row in knowing.rows(db, "SELECT id, name FROM series")}
        stops = knowing.open_stops(db, knowing.resolve_car(db, car)["id"]) if car else []
    if as_json:
        _document({"stops": stops, "review": [each.as_dict() for each in found]} | ({"car": car} if car else {}))
        return
    out = telling.stops(stops)
    if not found:
        out += wrapped("No standing decision hangs on anything that has changed since it was given.", "")
    for each in found:
        if not car:
            out += telling.stops(each.stops)
        out += wrapped(
            f"{each.car}, decision {each.decision['id']}: {telling.opinion(each.decision, people, series)}", ""
        )
        out += wrapped(each.says)
        if each.agrees is False:
            out += wrapped("The findings of today lead elsewhere than the opinion that stands.")
        for change in each.changed:
            out += wrapped(f"- {change}", "  ", "    ")
        if each.matters:
            out += wrapped(
                f"To look again: tubmark evidence {each.car}; to give another opinion: tubmark decide {each.car}"
            )
        out += [""]
    _say(out)


# first-hour


@click.command("first-hour", epilog="Example:  tubmark first-hour E24-004 --html first-hour.html")
@click.argument("car")
@click.option("--html", "page", type=click.Path(path_type=Path), metavar="FILE", help="Write it as a page to print.")
@click.option("--date", "--on", "on", metavar="DAY", help="The day that stands on it.  [default: today]")
@_json
@_registry()
def cmd_first_hour(car: str, page: Path | None, on: str | None, as_json: bool, registry: Path) -> None:
    """What is known of this car after an hour, what is not, and what comes next?

    Half a page, stops first. It says nothing that the other commands do not,
    and where there is more it names the command.
    """
    from registry import first_hour

    day = _day(on, "The day") or _today()
    if page is not None:
        _may_write(page, {".html": ("<!doctype html>",)})
    with _opened(registry) as db:
        half = first_hour.first_hour(db, car, day=day)
    if page is not None:
        _write(page, first_hour.first_hour_html(half))
    if as_json:
        _document(half.as_dict())
        return
    if page is not None:
        _say([*telling.stops(half.stops), f"{page}: {half.car}, the first hour."])
        return
    click.echo(first_hour.first_hour_text(half, stops=telling.stops(half.stops)), nl=False)


# tells


@click.command("tells", epilog="Example:  tubmark tells export tells.yml")
@click.argument("what", required=False, metavar="[CODE | export FILE | import FILE]")
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False), metavar="")
@click.option("--dry-run", is_flag=True, help="With import: only say what would change.")
@_by
@_json
@_registry(write=True)
def cmd_tells(
    what: str | None, file: Path | None, dry_run: bool, by: str | None, as_json: bool, registry: Path
) -> None:
    """What is looked at, and on how many bodies was it found?

    Alone it lists the sheets; with a CODE it tells all of one tell, its
    versions and three columns of counts. 'export FILE' writes everything as a
    readable file (YAML), 'import FILE' brings one back: what differs becomes a
    new version, and decisions keep what they rested on.
    """
    from registry import tell_file

    if what in ("export", "import"):
        if file is None:
            raise WrongInput(f"Which file? tubmark tells {what} tells.yml")
        if what == "export":
            _may_write(file, {".yml": ("# Tells of",), ".yaml": ("# Tells of",)})
            with _opened(registry) as db:
                text = tell_file.export(db)
            _write(file, text)
            _say([f"{file} written."], err=as_json)
            return
        text = _read(file)
        if by is None and not dry_run:
            raise WrongInput("Who puts these tells on file? --by NAME.")
        with _opened(registry, write=not dry_run) as db:
            if not dry_run:
                _note_new(db, by)
            done = tell_file.bring(db, text, file.name, write=not dry_run, **({} if dry_run else {"by": by}))
        if as_json:
            _document(done.as_dict() | {"written": not dry_run})
            return
        _say(_brought_lines(done, dry_run))
        return
    if file is not None:
        raise WrongInput(f"'{what}' is neither export nor import. tubmark tells export tells.yml")
    with _opened(registry) as db:
        if what is None:
            _list_tells(db, as_json)
        else:
            _one_tell(db, what, as_json)


def _brought_lines(done: Any, dry_run: bool) -> list[str]:
    would = "Would be" if dry_run else "Now"
    out = []
    for label, codes in (
        ("new on file", done.new), ("in a later version", done.changed), ("other odds at the gate", done.odds),
    ):  # fmt: skip
        if codes:
            out += wrapped(f"{would} {label}: {', '.join(codes)}.", "")
    out += wrapped(f"As on file already: {done.same} tell{'' if done.same == 1 else 's'}.", "")
    if not dry_run and (done.changed or done.odds):
        out += ["", "  Decisions that hung on what changed:  tubmark review"]
    return out


def _list_tells(db: Any, as_json: bool) -> None:
    rows = tells.tells_on_file(db)
    odds = tells.odds_on_file(db)
    if as_json:
        _document({"tells": list(rows.values()), "odds": odds})
        return
    out: list[str] = []
    for sheet in dict.fromkeys(row["sheet"] for row in rows.values()):
        out += ["", sheet] if out else [sheet]
        if sheet in odds:
            weights = ", ".join(f"{series} {weight:g}" for series, weight in odds[sheet]["weights"].items())
            out += wrapped(f"At the gate (version {odds[sheet]['version']}): {weights}")
        for row in rows.values():
            if row["sheet"] == sheet:
                counts = ", ".join(f"{c['series']} {c['seen_on']:g}/{c['out_of']:g}" for c in row["counts"])
                version = f", version {row['version']}" if row["version"] > 1 else ""
                out += wrapped(f"{row['code']}  {row['name']} ({row['grp']}{version}): {counts}", "  ", "       ")
    _say(out or wrapped("No tell is on file yet. Bring a file of them: tubmark tells import tells.yml --by NAME", ""))


def _one_tell(db: Any, code: str, as_json: bool) -> None:
    rows = tells.tells_on_file(db)
    known = next((each for each in rows if each.casefold() == code.casefold()), None)
    if known is None:
        raise NoAnswer(f"There is no tell {code} on file. 'tubmark tells' lists them.")
    row = rows[known]
    counts = own_counts.counts_of(db, codes=[known])
    versions = [
        r["version"] for r in knowing.rows(db, "SELECT version FROM tells WHERE code = ? ORDER BY version", [known])
    ]
    if as_json:
        columns = [
            {
                "series": c.series,
                "on_file": list(c.on_file),
                "grounded": list(c.grounded),
                "own": list(c.own),
                "cars": c.cars,
            }
            for c in counts
        ]
        _document(row | {"versions": versions, "columns": columns})
        return
    out = [f"{row['code']}  {row['name']}   sheet {row['sheet']}, group {row['grp']}, version {row['version']}", ""]
    out += wrapped(row["looks_like"])
    minutes = f"{row['minutes']:g} min" if row["minutes"] else None
    about = "; ".join(part for part in (row["how"], minutes, row["place"]) if part)
    out += wrapped(about) if about else []
    out += wrapped(f"Careful: {row['cautions']}") if row["cautions"] else []
    out += ["", f"  {'found on':<10}{'on file':>12}{'with a ground':>16}{'with own':>12}"]
    for c in counts:
        columns_ = [f"{seen:g}/{of:g}" if of else "-" for seen, of in (c.on_file, c.grounded, c.own)]
        out.append(f"  {c.series:<10}{columns_[0]:>12}{columns_[1]:>16}{columns_[2]:>12}")
    out += wrapped(
        "With a ground: cars decided here that have a document of their time, a record of the maker's or a second examiner. With own: all cars "
        "decided here. Only what is on file is weighed with."
    )
    for change in row["changes"]:
        before, after = (f"{change[f'{when}_seen']:g}/{change[f'{when}_of']:g}" for when in ("before", "after"))
        out += wrapped(f"On {change['series']} from {change['at']} on {after}, before it {before}.")
    sources = dict.fromkeys(each["source"] for each in (*row["counts"], *row["changes"]))
    out += wrapped(f"Source: {'; '.join(sources)}.") if sources else []
    _say(out)
