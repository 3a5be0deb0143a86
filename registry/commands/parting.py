"""The commands for things that part company: another pan, another plate, two records that are one car, and what does not agree.

Each shows what it will touch before anything is written, and goes on only where a person agrees (``--yes``, or an answer at a
terminal). Nothing is edited: what ends is superseded, and a merge or a split can be undone.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from registry import conflicts as disagreeing
from registry import knowing, parting
from registry.commands import telling
from registry.commands.keeping import (
    _by,
    _confirmed,
    _day,
    _document,
    _json,
    _note_new,
    _opened,
    _registry,
    _say,
    _today,
    _yes,
)
from registry.commands.telling import labelled, wrapped
from registry.errors import WrongInput
from registry.models import SURFACES

_reason = click.option("--reason", metavar="WORDS", help="Why.")
_on = click.option("--date", "--on", "on", metavar="DAY", help="The day on which it is put down.  [default: today]")


def _signed(reason: str | None, by: str | None, why: str) -> tuple[str, str]:
    """The reason and the name, without which nothing of this is put down."""
    if not (reason or "").strip():
        raise WrongInput(f"{why} It stands with its reason: --reason WORDS")
    if by is None:
        raise WrongInput("Who says so? It stands under the name of a person: --by NAME")
    assert reason is not None
    return reason, by


# merge, split


@click.command("merge", epilog="Example:  tubmark merge E24-021 E23-014 --reason 'One car, painted since.' --by OT")
@click.argument("car")
@click.argument("other")
@_reason
@_on
@_by
@_yes
@_json
@_registry(write=True)
def cmd_merge(
    car: str, other: str, reason: str | None, on: str | None, by: str | None, yes: bool, as_json: bool, registry: Path
) -> None:
    """Are these two records of one car?

    Joins them: the number of the one that was entered first stays known, and the
    other one leads to it. Both records stay whole. What speaks for it and what
    against is shown before it is done; 'tubmark split' undoes it.
    """
    day = _day(on, "The day") or _today()
    with _opened(registry, write=True) as db:
        plan = parting.plan_merge(db, car, other)
        reason, by = _signed(reason, by, "Why are they one car?")
        _show_plan(plan, as_json=as_json)
        _confirmed(
            f"Join {plan.other} to {plan.car}?", yes, f"{plan.other} was not joined to {plan.car}: --yes was not given."
        )
        _note_new(db, by)
        stays = parting.merge(db, car, other, reason=reason, by=by, on=day)
        record = knowing.car_record(db, stays)
        if as_json:
            _document(
                {"car": stays, "joined": plan.other, "also": record["also"], "stops": record["stops"], "reason": reason}
            )
            return
        _say(wrapped(f"{plan.other} leads to {stays} now. Undo it with: tubmark split {plan.other}", ""))


@click.command("split", epilog="Example:  tubmark split E24-021 --reason 'Two cars: the ribs differ.' --by OT")
@click.argument("car")
@_reason
@_on
@_by
@_yes
@_json
@_registry(write=True)
def cmd_split(
    car: str, reason: str | None, on: str | None, by: str | None, yes: bool, as_json: bool, registry: Path
) -> None:
    """Is this record, or this visit, of another car after all?

    CAR is a record that was joined to another, which it leaves with all that was
    its own, or a later visit that was written down for the wrong car, which gets
    a record under its own number. 'tubmark merge' undoes it.
    """
    day = _day(on, "The day") or _today()
    with _opened(registry, write=True) as db:
        plan = parting.plan_split(db, car)
        reason, by = _signed(reason, by, "Why are they two cars?")
        _show_plan(plan, as_json=as_json)
        _confirmed(
            f"Split {plan.car} from {plan.other}?",
            yes,
            f"{plan.car} was not split from {plan.other}: --yes was not given.",
        )
        _note_new(db, by)
        parted, stays = parting.split(db, car, reason=reason, by=by, on=day)
        record = knowing.car_record(db, parted)
        if as_json:
            _document(
                {"car": parted, "from": stays, "also": record["also"], "stops": record["stops"], "reason": reason}
            )
            return
        _say(
            wrapped(
                f"{parted} is a car of its own now, apart from {stays}. Undo it with: tubmark merge {parted} {stays}",
                "",
            )
        )


def _show_plan(plan: parting.Plan, *, as_json: bool) -> None:
    """What will be touched, before it is: stops first. With ``--json`` it goes to standard error."""
    out = telling.stops(plan.stops)
    for sentence in plan.says:
        out += wrapped(sentence, "")
    for sentence in plan.looked_up:
        out += wrapped(sentence)
    if plan.alike is not None:
        out += ["", "What speaks for one car, as far as it is on file"]
        out += _sentences(plan.alike.speaks_for) or wrapped("Nothing on file.")
        out += ["What speaks against it"]
        out += _sentences(plan.alike.speaks_against) or wrapped("Nothing on file.")
    _say([*out, ""], err=as_json)


def _sentences(found: tuple[str, ...]) -> list[str]:
    return [line for sentence in found for line in wrapped(sentence, "  - ", "    ")]


# repan, replate


def _changing(kind: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """The options that another pan and another plate have alike."""
    options = [
        click.argument("car"),
        click.argument("number", nargs=-1),
        click.option(
            "--from",
            "from_car",
            metavar="CAR",
            help=f"The car that the {kind} comes from; the car itself where one that was off comes back.",
        ),
        click.option("--off", is_flag=True, help=f"The {kind} came off and none came on."),
        click.option(
            "--present",
            is_flag=True,
            help=f"The {kind} on file is the new one; the one before it is gone.",
        ),
        click.option("--before", metavar="NUMBER", help=f"With --present: the {kind} before, as a paper has it."),
        click.option("--when", metavar="DATE", help="When it was changed, as people write it: '14 Apr 1980', 1980."),
        click.option(
            "--relation",
            type=click.Choice(["equals", "not before", "not after"]),
            default="equals",
            show_default=True,
            help="How that date bounds the change. An invoice for the part says not before.",
        ),
        click.option("--day-first/--month-first", "day_first", default=None, help="How 04/03/66 is to be read."),
        click.option("--paper", metavar="WORDS", help="What says so: 'invoice, second-hand pan'."),
        click.option("--seen", type=click.Choice(["original", "copy", "told"]), help="How the paper was seen."),
        click.option("--statement", type=int, metavar="NUMBER", help="A paper on file that says so."),
        click.option("--where", "place", metavar="WORDS", help="Where the number stands."),
        click.option("--how", metavar="WORDS", help="How it was read: seen, rubbing, photograph."),
        click.option("--surface", type=click.Choice(SURFACES), help="The metal around it."),
        _reason,
        _by,
        _yes,
        _json,
        _registry(write=True),
    ]

    def decorate(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


@click.command(
    "repan",
    epilog="Example:  tubmark repan E26-002 'S8 61077' --when '14 Apr 1980' --paper 'invoice, pan' --reason 'A better floor.' --by OT",
)
@_changing("pan")
def cmd_repan(**given: Any) -> None:
    """Does this body stand on another pan now? NUMBER is the new one's, as you read it.

    The body keeps its number, the first pan keeps its own and leaves the car,
    and the title goes on speaking of the pan that it names. The new number is
    looked up before anything is saved, theft reports included.
    """
    _change("pan", given)


@click.command(
    "replate",
    epilog="Example:  tubmark replate E25-012 --off --when 2025 --reason 'Sent back to its own body.' --by OT",
)
@_changing("plate")
def cmd_replate(**given: Any) -> None:
    """Does this body carry another plate now? NUMBER is the new one's, as you read it.

    Plate and body are separate things: a plate that comes off keeps its number
    and its readings, and the body is judged without it.
    """
    _change("plate", given)


def _change(kind: Any, given: dict[str, Any]) -> None:
    number = " ".join(given["number"]).strip() or None
    told = [
        number is not None and given["from_car"] is None,
        given["from_car"] is not None,
        given["present"],
        given["off"],
    ]
    if sum(told) != 1:
        raise WrongInput(
            f"Which {kind} is on the car now? Give its NUMBER, or --from CAR, or --off where none is, or --present where the one on file "
            "is the new one; one of the four."
        )
    if given["before"] and not given["present"]:
        raise WrongInput(f"--before goes with --present: the {kind} on file is the new one, and that was before it.")
    reason, by = _signed(given["reason"], given["by"], f"Why was the {kind} changed?")
    order = None if given["day_first"] is None else "day first" if given["day_first"] else "month first"
    with _opened(given["registry"], write=True) as db:
        change = parting.change_of(
            db,
            kind,
            given["car"],
            reason=reason,
            number=number,
            order=order,
            **{
                name: given[name]
                for name in (
                    "from_car", "present", "before", "off", "when", "relation", "paper", "seen", "statement", "place", "how",
                    "surface",
                )
            },
        )  # fmt: skip
        plan = parting.plan_change(db, change)
        _show_plan(plan, as_json=given["as_json"])
        _confirmed("Put it down?", given["yes"], f"The {kind} of {plan.car} was not changed: --yes was not given.")
        _note_new(db, by)
        before = {stop["says"] for stop in knowing.open_stops(db, knowing.resolve_car(db, plan.car)["id"])}
        car = parting.change(db, change, by=by)
        record = knowing.car_record(db, car)
        if given["as_json"]:
            things = [thing for thing in record["things"] if thing["kind"] == kind]
            _document(
                {
                    "car": car,
                    "stops": record["stops"],
                    f"{kind}s": [
                        {
                            "number": thing["number_as_read"],
                            "edtf": thing["edtf"],
                            "earliest": thing["earliest"],
                            "latest": thing["latest"],
                            "former": thing["former"],
                        }
                        for thing in things
                    ],
                    "conflicts": [
                        {key: conflict[key] for key in ("kind", "says", "reason", "with")}
                        for conflict in record["conflicts"]
                        if conflict["state"] == "open"
                    ],
                }
            )
            return
        _say(_changed_lines(kind, record, before))


def _changed_lines(kind: str, record: dict[str, Any], before: set[str]) -> list[str]:
    out = telling.stops(stop for stop in record["stops"] if stop["says"] not in before)
    out += [f"{record['car']}: the {kind} was changed."]
    for thing in record["things"]:
        if thing["kind"] == kind:
            number = thing["number_as_read"] or "no number"
            out += wrapped(f"{'was' if thing['former'] else 'now'}  {number}{_span(thing)}")
    if not any(thing["kind"] == kind and not thing["former"] for thing in record["things"]):
        out += wrapped(f"No {kind} is on {record['car']} now; its record stands.")
    for conflict in record["conflicts"]:
        if conflict["state"] == "open":
            out += wrapped(f"Conflict kept: {conflict['says']} Why: {conflict['reason'].rstrip('.')}.")
    return out


def _span(thing: dict[str, Any]) -> str:
    if not thing["edtf"]:
        return ""
    from decoder.dates import parse

    return f"  ({parse(thing['edtf']).words()})"


# conflicts


class _OrOneCar(click.Group):
    """A group whose first word may be a car instead of one of its commands."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in self.commands:
            return "conflicts", _of_a_car, args
        return super().resolve_command(ctx, args)


_all = click.option("--all", "every", is_flag=True, help="Those that were settled as well.")


@click.group(
    "conflicts",
    cls=_OrOneCar,
    invoke_without_command=True,
    subcommand_metavar="[CAR] | settle ID",
    epilog="Example:  tubmark conflicts E22-001",
)
@_all
@_json
@_registry()
@click.pass_context
def cmd_conflicts(ctx: click.Context, every: bool, as_json: bool, registry: Path) -> None:
    """What in the records cannot all be so, and what would settle it?

    The same serial twice, the same pan under two cars at one time, a plate on a
    body moulded before plates, a pan younger than the car's papers, a title
    number of another pan, one picture under two cars. With CAR: both sides, what
    speaks here for each ordinary explanation, and what to ask each side for.

    A conflict stays open until a named person settles it. None of this is ever
    published.
    """
    ctx.obj = {"every": every, "as_json": as_json, "registry": registry}
    if ctx.invoked_subcommand is None:
        _list(None, registry, every=every, as_json=as_json)


@click.command("conflicts", epilog="Example:  tubmark conflicts E22-001")
@click.argument("car")
@_all
@_json
@click.option("-r", "--registry", type=click.Path(path_type=Path, dir_okay=False), help="The registry to look in.")
@click.pass_obj
def _of_a_car(obj: dict[str, Any], car: str, every: bool, as_json: bool, registry: Path | None) -> None:
    """What about this car does not agree?"""
    _list(car, registry or obj["registry"], every=every or obj["every"], as_json=as_json or obj["as_json"])


def _list(car: str | None, registry: Path, *, every: bool, as_json: bool) -> None:
    with _opened(registry) as db:
        found = disagreeing.conflicts(db, car)
        if car is None and not every:
            found = [one for one in found if one.is_open]
        cars = [knowing.resolve_car(db, car)["number"]] if car else []
        cars = list(dict.fromkeys([*cars, *(number for one in found for number in one.cars)]))
        stops = [
            {"car": number, **stop}
            for number in cars
            for stop in knowing.open_stops(db, knowing.resolve_car(db, number)["id"])
        ]
        if as_json:
            _document({"car": cars[0] if car else None, "conflicts": [one.as_dict() for one in found], "stops": stops})
            return
        people = knowing.people(db)
        if car:
            out = telling.stops(stop for stop in stops if stop["car"] == cars[0])
            for one in found:
                out += [*conflict_lines(one, people), ""]
            _say(out[:-1] if found else [*out, f"Nothing on file of {cars[0]} is in conflict."])
            return
        _say(_listed(found, stops))


def _listed(found: list[disagreeing.Conflict], stops: list[dict[str, Any]]) -> list[str]:
    if not found:
        return ["No conflict is open."]
    out: list[str] = []
    for one in found:
        state = "" if one.is_open else "settled: "
        out += wrapped(f"{one.name}  {'; '.join(one.what or (one.kind,))}", "", "    ")
        out += wrapped(one.says, "    ")
        out += wrapped(f"{state}{one.reason}", "    ")
    stopped = dict.fromkeys(f"{stop['car']} ({stop['kind']})" for stop in stops)
    if stopped:
        out += ["", *wrapped(f"Stops on cars in these: {', '.join(stopped)}.", "")]
    return [*out, "", f"  Both sides, and what to ask for:  tubmark conflicts {found[0].cars[0]}"]


def conflict_lines(one: disagreeing.Conflict, people: dict[int, dict[str, Any]]) -> list[str]:
    """A conflict whole: how it stands, both sides with what to ask, and the ordinary explanations."""
    out = wrapped(f"Conflict {one.name}: {'; '.join(one.what or (one.kind,))}", "", "  ")
    who = f", {people[one.by_person]['said']}" if one.by_person else ""
    when = f" ({telling.day(one.at)}{who})" if one.at else ""
    out += wrapped(f"{'Open' if one.is_open else 'Settled'}{when}: {one.reason.rstrip('.')}.")
    out += ["", *wrapped(one.says)]
    if one.beside:
        from decoder import read
        from registry.draw import compare_text

        out += compare_text([(read(number).cells, where) for number, where in one.beside], indent=4).splitlines()
    for side in one.sides:
        out += ["", *wrapped(side.says)]
        out += wrapped(side.ask, "    ")
    told = [each for each in one.explanations if each.speaks_for]
    if told:
        out += ["", "  What may explain it, and what speaks for each here"]
    for each in told:
        out += wrapped(f"{each.name}: {each.says}", "  ", "    ")
        for label, sentences in (("for", each.speaks_for), ("against", each.speaks_against)):
            for sentence in sentences:
                out += [f"  {line}" for line in labelled(label, sentence, 9)]
    silent = [each for each in one.explanations if not each.speaks_for]
    if silent:
        out += ["", "  Nothing on file speaks for"]
    for each in silent:
        out += wrapped(f"{each.name}. {' '.join(each.speaks_against)}".strip(), "  ", "    ")
    if one.is_open:
        out += ["", *wrapped(f"When it is known:  tubmark conflicts settle {one.name} --reason WORDS --by NAME")]
        if not one.on_file:
            out += wrapped(
                "Nobody has put it down yet, so it keeps no car out of an edition. To put it down as open: --reason 'not known yet'"
            )
    return out


@cmd_conflicts.command(
    "settle",
    short_help="Settle one, or keep it open with a reason.",
    epilog="Example:  tubmark conflicts settle 7 --reason 'One car: sold in December 2023.' --by OT",
)
@click.argument("id_", metavar="ID")
@_reason
@click.option("--open", "keep_open", is_flag=True, help="Put the reason down as far as it is known; it stays open.")
@_on
@_by
@_yes
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option("-r", "--registry", type=click.Path(path_type=Path, dir_okay=False), help="The registry to write in.")
@click.pass_obj
def cmd_settle(
    obj: dict[str, Any],
    id_: str,
    reason: str | None,
    keep_open: bool,
    on: str | None,
    by: str | None,
    yes: bool,
    as_json: bool,
    registry: Path | None,
) -> None:
    """Why is this conflict none after all? ID is as 'tubmark conflicts' gives it.

    It is settled by a named person with a reason, and what was put down before
    stays on file. A reason of 'not known yet' settles nothing: then it is kept
    on file as open.
    """
    day = _day(on, "The day") or _today()
    as_json = as_json or obj["as_json"]
    with _opened(registry or obj["registry"], write=True) as db:
        one = disagreeing.named_conflict(db, id_)
        reason, by = _signed(reason, by, "Why is it none? 'not known yet' keeps it open.")
        stays_open = keep_open or disagreeing.is_not_known(reason)
        _say([*conflict_lines(one, knowing.people(db)), ""], err=True)
        doing = "kept open" if stays_open else "settled"
        _confirmed(
            "Keep it open with this reason?" if stays_open else "Settle it with this reason?",
            yes,
            f"Conflict {one.name} was not {doing}: --yes was not given.",
        )
        _note_new(db, by)
        kept = disagreeing.settle(db, id_, reason=reason, by=by, on=day, keep_open=keep_open)
        stops = [
            {"car": number, **stop}
            for number in kept.cars
            for stop in knowing.open_stops(db, knowing.resolve_car(db, number)["id"])
        ]
        if as_json:
            _document({"conflict": kept.as_dict(), "stops": stops})
            return
        said = f"Conflict {kept.name} ({' and '.join(kept.cars)}) is {doing}: {kept.reason.rstrip('.')}."
        out = wrapped(said, "")
        if not kept.is_open:
            out += wrapped("What was put down before stays on file, and so do all records.", "")
        _say(out)
