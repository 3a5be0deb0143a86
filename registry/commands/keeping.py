"""The commands that keep a registry: what comes in, what is known, what was decided, and whether the file is whole.

Each is a thin shell: words in, one function of ``registry`` called, words out. Sentences go to standard output, or one JSON
document with ``--json`` (then what is said on the way goes to standard error).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import click

from registry import knowing, store
from registry.commands import telling
from registry.commands.telling import wrapped
from registry.errors import ConfirmationNeeded, NoAnswer, WrongInput
from registry.models import (
    CARRIERS,
    CONSENT_WORDS,
    ENTRY_FIELDS,
    OPINIONS,
    STOP_KINDS,
    SURFACES,
    ConsentIn,
    DecisionIn,
    EntryIn,
    EvidenceIn,
    HoldIn,
    PersonIn,
    ReadingIn,
    ReleaseIn,
    StopIn,
    TheftIn,
    check,
)
from registry.opening import create_registry, open_registry

#: What must be answered before an entry begins, and how it is asked.
_ASKED_FIRST = (
    ("who", "Who leaves it?"),
    ("why", "Why is it here?"),
    ("claim", "What do they say it is, in their own words?"),
)
#: What is asked when an entry is finished, where it is still blank.
_ASKED_LATER = (
    ("by_right", "By what right do they leave it (owner, executor, for a friend)?"),
    ("condition", "Condition at the door?"),
    ("contents", "What is in it?"),
    ("terms", "On what terms?"),
    ("until", "To be collected or looked at again by (a day)?"),
)
#: A car that a body without a number looks like is named at the door where it is at least so likely. Own assumption.
_WORTH_A_LOOK = 0.1
#: Words that are a warranty and no finding. An examination gives opinions; nobody's series is "genuine" by it.
_WARRANTIES = ("genuine", "authentic", "original", "real", "verified", "certified", "fake", "forgery")


def _registry(write: bool = False) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    return click.option(
        "-r",
        "--registry",
        "registry",
        type=click.Path(path_type=Path, dir_okay=False),
        envvar="TUBMARK_REGISTRY",
        default="registry.db",
        show_default=True,
        show_envvar=True,
        help="The registry to write in." if write else "The registry to look in.",
    )


_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
_by = click.option(
    "--by",
    metavar="NAME",
    envvar="TUBMARK_BY",
    show_envvar=True,
    help="Who does this: a name, initials, or a number on file.",
)
_yes = click.option("--yes", is_flag=True, help="Go on without asking.")


@contextmanager
def _opened(path: Path, *, write: bool = False) -> Iterator[Any]:
    db = open_registry(path, write=write)
    try:
        yield db
    finally:
        db.close()


def _at_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _document(value: Any) -> None:
    click.echo(json.dumps(value, ensure_ascii=False, indent=2, default=str))


def _say(lines: list[str], *, err: bool = False) -> None:
    click.echo("\n".join(lines), err=err)


def _today() -> str:
    return date.today().isoformat()


def _day(text: str | None, what: str, *, ahead: bool = False) -> str | None:
    """A day as a person types it, as an ISO day; a day to come only where ``ahead`` says so.

    Raises WrongInput for one that cannot be, that could be two, or that has not come yet.
    """
    if text is None:
        return None
    from decoder import DecoderError
    from decoder.dates import parse_written

    try:
        span = parse_written(text)
    except DecoderError as error:
        raise WrongInput(f"{what}: {error}") from error
    if span.earliest is None or span.earliest != span.latest:
        raise WrongInput(f"{what}: '{text}' is {span.words()}; one day is needed here. Write it as 2026-11-25.")
    day = span.earliest.isoformat()
    if day > _today() and not ahead:
        raise WrongInput(
            f"{what}: {telling.day(day)} has not come yet. Write the day it was, or leave it out for today."
        )
    return day


def _confirmed(question: str, yes: bool, otherwise: str) -> None:
    """Go on only if somebody agreed. Raises ConfirmationNeeded with ``otherwise``."""
    if yes:
        return
    if not _at_terminal() or not click.confirm(question, err=True):
        raise ConfirmationNeeded(otherwise)


def _note_new(db: Any, by: str | None) -> None:
    """Say so where the name of who does this is not on file: it will be, and a slip in it would look like somebody else."""
    if by is None or knowing.people_named(db, by):
        return
    if by.strip().isdigit():
        raise NoAnswer(f"There is no person {by.strip()} on file. Give a name.")
    import difflib

    names = [row["name"] for row in knowing.people(db).values() if row["name"]]
    near = difflib.get_close_matches(by, names, n=1, cutoff=0.8)
    also = f" {near[0]} is on file already: if that is who is meant, type the name as it stands there." if near else ""
    _say(wrapped(f"Nobody called {by} was on file; this puts the name there.{also}", ""), err=True)


def _series(db: Any) -> dict[str, str]:
    return {row["id"]: row["name"] for row in knowing.rows(db, "SELECT id, name FROM series")}


# new


@click.command("new", epilog="Example:  tubmark new loft-book.db --name 'The Loft Book' --keeper 'Teodor Pascowe'")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--name", help="What the list is called.  [default: the file's name]")
@click.option(
    "--origin",
    help="A short mark that every record made here carries, so that lists can be joined.  [default: the file's name]",
)
@click.option("--keeper", metavar="NAME", help="Who keeps it.")
@_json
def cmd_new(path: Path, name: str | None, origin: str | None, keeper: str | None, as_json: bool) -> None:
    """Where is the list to be kept? Makes a new, empty registry at PATH.

    A file that is there already is never replaced.
    """
    made = create_registry(path, name=name or path.stem, origin=origin or path.stem, keeper=keeper)
    if as_json:
        _document({"registry": str(made), "name": name or path.stem, "origin": origin or path.stem})
        return
    _say([f"{made} is ready.", "", f"Begin with the first car:  tubmark intake -r {made}"])


# intake


@click.command(
    "intake",
    epilog="Example:  tubmark intake --who 'Ann Vane' --why consign --claim 'Dad built it in 1966.' --pan 'S8 61077' --body 'KB 2034'",
)
@click.argument("entry", required=False)
@click.option("--finish", is_flag=True, help="Fill in the rest of ENTRY and close it.")
@click.option("--who", metavar="NAME", help="Who leaves it.")
@click.option("--why", help="Why it is here: consign, valuation, opinion, register ...")
@click.option("--claim", metavar="WORDS", help="What they say it is, in their own words.")
@click.option("--as", "kind", metavar="WORD", help="What they are: owner, dealer, executor ...")
@click.option("--right", "by_right", metavar="WORDS", help="By what right they leave it.")
@click.option("--town", help="Where they live.")
@click.option("--contact", help="How to reach them. Kept with the person, who can be erased.")
@click.option("--another-person", is_flag=True, help="Somebody else of a name that is on file.")
@click.option("--pan", metavar="NUMBER", help="The pan's number as you read it.")
@click.option("--body", metavar="NUMBER", help="The body's serial, moulded or written.")
@click.option("--plate", metavar="NUMBER", help="The body plate's serial.")
@click.option("--engine", metavar="NUMBER", help="The engine's number.")
@click.option("--title", metavar="NUMBER", help="The number on the title.")
@click.option("--surface", type=click.Choice(SURFACES), help="The metal around the pan's number.")
@click.option("--how", metavar="WORDS", help="How the pan's number was read: seen, rubbing, photograph.")
@click.option("--where", metavar="WORDS", help="Where the body's number is.")
@click.option(
    "--direction",
    type=click.Choice(["upright", "turned"]),
    help="From which side the body's number was read, where it can be read from both.",
)
@click.option("--date", "--on", "on", metavar="DAY", help="The day it came in.  [default: today]")
@click.option("--until", metavar="DAY", help="To be collected or looked at again by.")
@click.option("--terms", metavar="WORDS", help="The terms agreed.")
@click.option("--contents", metavar="WORDS", help="What is in it.")
@click.option("--condition", metavar="WORDS", help="Condition at the door.")
@click.option("--colour", "colour_now", metavar="WORDS", help="Colour now.")
@click.option("--colour-under", metavar="WORDS", help="Colour under it.")
@click.option(
    "--shortened",
    "shortened_mm",
    type=click.IntRange(0, 2000),
    metavar="MM",
    help="By how much the pan was shortened, in millimetres.",
)
@click.option("--alterations", metavar="WORDS", help="What was altered.")
@click.option("--notes", metavar="WORDS", help="Anything else.")
@click.option("--not-to-move", metavar="WHY", help="A stop: it must not be moved (fuel smell, battery, wheels).")
@click.option("--not-to-drive", metavar="WHY", help="A stop: it must not be driven (brakes, steering, a cracked weld).")
@click.option("--lien", metavar="WORDS", help="A stop: somebody lent money on it.")
@click.option(
    "--received",
    type=click.Choice(["received", "refused", "opinion only", "paper only"]),
    default="received",
    show_default=True,
    help="Whether it was taken in.",
)
@click.option("--consent", type=click.Choice(list(CONSENT_WORDS)), help="What they allow to be published.")
@click.option("--car", metavar="CAR", help="The car this is, where it has been here before: E23-014.")
@click.option("--reason", metavar="WORDS", help="Why two cars claim one number. 'not known yet' is a reason.")
@_by
@_yes
@_json
@_registry(write=True)
def cmd_intake(
    entry: str | None, finish: bool, registry: Path, by: str | None, yes: bool, as_json: bool, **given: Any
) -> None:
    """Who leaves it, why, and what do they say it is? Those three begin an entry.

    Numbers given are decoded and looked up, theft reports included, before
    anything is saved. What is not known yet is left out and filled in later:
    tubmark intake E26-018 --finish. At a terminal it asks for what is missing.
    """
    if finish and entry is None:
        raise WrongInput("Which entry is to be finished? tubmark intake E26-018 --finish")
    if entry is not None and not finish:
        raise WrongInput(
            f"Entry {entry} is there or it is not: to fill in the rest of it, add --finish. A new entry takes the next number by itself."
        )
    given["on"] = _day(given["on"], "The day it came in")
    given["until"] = _day(given["until"], "To be collected by", ahead=True)
    if given["until"] and given["until"] < (given["on"] or _today()):
        raise WrongInput("To be collected by: that is before the day it came in. Write a later day, or leave it out.")
    with _opened(registry, write=True) as db:
        if finish:
            assert entry is not None
            _finish(db, entry, given, by=by, yes=yes, as_json=as_json)
        else:
            _begin(db, given, by=by, yes=yes, as_json=as_json)


def _begin(db: Any, given: dict[str, Any], *, by: str | None, yes: bool, as_json: bool) -> None:
    for name, question in _ASKED_FIRST:
        if not given[name] and _at_terminal():
            given[name] = click.prompt(question, err=True).strip()
    missing = [f"--{name}" for name, _question in _ASKED_FIRST if not (given[name] or "").strip()]
    if missing:
        raise WrongInput(
            f"An entry begins with three answers: who leaves it, why, and what they say it is. Missing: {', '.join(missing)}."
        )
    person, note = _person(db, given)
    looked = _look(db, given)
    if note:
        _say(wrapped(note, ""), err=as_json)
    _settle(db, looked, given, yes=yes, as_json=as_json)
    entry = check(
        EntryIn,
        entry_date=given["on"] or _today(),
        car=given["car"],
        left_by=person,
        left_by_kind=given["kind"],
        claim_words=given["claim"],
        reason=given["why"],
        readings=_readings(given),
        stops=_stops(given, by),
        consent=CONSENT_WORDS[given["consent"]] if given["consent"] else None,
        conflict_reason=given["reason"] or "not known yet",
        received=given["received"],
        **{field: given[field] for field in _plain_fields()},
    )
    _note_new(db, by)
    number = knowing.rows(db, "SELECT number FROM entries WHERE id = ?", [store.record_entry(db, entry, by=by)])[0][
        "number"
    ]
    _saved(db, number, looked, as_json=as_json)


def _finish(db: Any, number: str, given: dict[str, Any], *, by: str | None, yes: bool, as_json: bool) -> None:
    row = knowing.entry_row(db, number)
    changes = {field: given[field] for field in _plain_fields() if given[field] is not None}
    for field, name in (("reason", "why"), ("claim_words", "claim"), ("left_by_kind", "kind"), ("entry_date", "on")):
        if given[name] is not None:
            changes[field] = given[name]
    if given["received"] != "received":
        changes["received"] = given["received"]
    if given["who"]:
        changes["left_by"], _note = _person(db, given)
    if given["consent"] or given["car"]:
        raise WrongInput("Consent is given with 'tubmark consent'; an entry stays with the car it was made for.")
    if _at_terminal():
        for field, question in _ASKED_LATER:
            if row[field] is None and field not in changes:
                said = click.prompt(
                    f"{question} (Enter leaves it blank)", default="", show_default=False, err=True
                ).strip()
                if said:
                    changes[field] = _day(said, "To be collected by", ahead=True) if field == "until" else said
    looked = _look(db, given)
    given["car"] = row["number"]
    _settle(db, looked, given, yes=yes, as_json=as_json)
    _note_new(db, by)
    with store.transaction(db):
        store.finish_entry(
            db, number, changes, readings=_readings(given), conflict_reason=given["reason"] or "not known yet", by=by
        )
        for stop in _stops(given, by):
            store.record_stop(db, stop.model_copy(update={"entry": row["number"]}), by=by)
    _saved(db, row["number"], looked, as_json=as_json)


def _plain_fields() -> list[str]:
    """The fields of an entry that the command has under the same name."""
    options = {parameter.name for parameter in cmd_intake.params}
    return [field for field in ENTRY_FIELDS if field in options and field not in ("received", "surface", "reason")]


def _person(db: Any, given: dict[str, Any]) -> tuple[int | PersonIn, str | None]:
    """The person who leaves it: the one of that name on file, or somebody new. And what to say about it."""
    new = check(PersonIn, name=given["who"].strip(), town=given["town"], contact=given["contact"])
    if given["another_person"]:
        return new, None
    found = knowing.people_named(db, given["who"])
    if not found:
        if given["who"].strip().isdigit():
            raise NoAnswer(f"There is no person {given['who'].strip()} on file. Give a name.")
        return new, None
    if len(found) > 1:
        said = "; ".join(f"{row['id']}: {row['name']}, {row['town'] or 'town not known'}" for row in found)
        raise WrongInput(
            f"Several people of that name are on file. Give the number of one with --who, or --another-person. {said}."
        )
    known = found[0]
    if given["town"] and known["town"] and given["town"].casefold() != known["town"].casefold():
        return new, f"Another {known['name']}, of {known['town']}, is on file; this is taken to be somebody else."
    left = knowing.entries_left_by(db, known["id"])
    before = f", who left {', '.join(left[-3:])}" if left else ""
    town = f" of {known['town']}" if known["town"] else ""
    return known[
        "id"
    ], f"{known['name']}{town}{before}, is on file and taken to be the same person. If not: --another-person."


def _readings(given: dict[str, Any]) -> tuple[ReadingIn, ...]:
    found = []
    for carrier in CARRIERS:
        if given[carrier]:
            more: dict[str, Any] = {}
            if carrier == "pan":
                more = {"surface": given["surface"], "how": given["how"]}
            elif carrier == "body" or (carrier == "plate" and not given["body"]):
                more = {"place": given["where"], "direction": given["direction"]}
            found.append(check(ReadingIn, stamped_on=carrier, as_typed=given[carrier], **more))
    return tuple(found)


def _stops(given: dict[str, Any], by: str | None) -> tuple[StopIn, ...]:
    kinds = (
        (
            "not_to_move",
            "unsafe to move",
            "Do not move it, and keep flame and batteries away, until somebody who can judge has looked.",
        ),
        (
            "not_to_drive",
            "unsafe to drive",
            "Do not drive it, on the yard neither, until it has been put right and looked at.",
        ),
        ("lien", "lien", "Make out no sale papers until the release is on file."),
    )
    asked = {
        "unsafe to move": "Ask whoever can put it right; fuel and batteries before anything else.",
        "unsafe to drive": "Ask whoever can put it right and measure it afterwards.",
        "lien": "Ask whoever lent the money for a written release.",
    }
    found = []
    for option, kind, advice in kinds:
        if given[option]:
            if by is None:
                raise WrongInput("A stop is put on a car by a person. Say who: --by NAME.")
            found.append(
                check(StopIn, kind=kind, says=f"{given[option].rstrip('.')}. {advice}", ask=asked[kind], by=by)
            )
    return tuple(found)


def _look(db: Any, given: dict[str, Any]) -> list[dict[str, Any]]:
    """Each number given, decoded and looked up. Nothing is written."""
    from decoder import DecoderError, decode
    from registry import lookup

    tables = knowing.house_tables(db)
    found = []
    for carrier in CARRIERS:
        text = given[carrier]
        if not text:
            continue
        try:
            answer = decode(
                text,
                on=carrier,
                surface=given["surface"] if carrier == "pan" else None,
                direction=given["direction"] if carrier in ("body", "plate") else None,
                tables=tables,
            )
            near = lookup.find(db, text, on=carrier)
        except DecoderError as error:
            raise WrongInput(f"The {carrier}'s number: {error}") from error
        found.append({"on": carrier, "typed": text, "answer": answer, "near": near})
    return found


def _settle(db: Any, looked: list[dict[str, Any]], given: dict[str, Any], *, yes: bool, as_json: bool) -> None:
    """Show what the numbers say and who holds them, and get agreement where there is something to agree to."""
    lines: list[str] = []
    for number in looked:
        lines += _number_lines(number)
    if not (given["car"] or given["body"] or given["plate"]):
        lines += _alike_lines(db, given)
    if lines:
        _say(lines, err=as_json)
    ours: set[int] = set(knowing.members(db, knowing.resolve_car(db, given["car"])["id"])) if given["car"] else set()
    concerns, claimed = [], []
    for number in looked:
        for hit in number["near"].near:
            if hit.kind == "list" or (hit.car and knowing.resolve_car(db, hit.car)["id"] in ours):
                continue
            if hit.car and _kin(hit.kind) != _kin(number["on"]):
                continue
            claim = hit.kind != "theft" and hit.how == "exact"
            (claimed if claim else concerns).append(hit)
    if not concerns and not claimed:
        return
    if yes or (given["reason"] and not concerns):
        return
    cars = list(dict.fromkeys(hit.car for hit in [*claimed, *concerns] if hit.car))
    if not _at_terminal():
        offers = ["--yes saves it as another car"]
        if cars:
            offers.insert(0, f"--car {cars[0]} says that it is that car come back")
        if claimed:
            offers.append("--reason says why two cars claim one number ('not known yet' will do)")
        near = " ".join(dict.fromkeys(hit.says for hit in [*concerns, *claimed]))
        raise ConfirmationNeeded(f"{near} Nothing was saved. {'; '.join(offers)}.")
    if cars:
        said = click.prompt(
            f"Is this one of {', '.join(cars)} come back? Type its number, or Enter if it is another car",
            default="",
            show_default=False,
            err=True,
        ).strip()
        if said:
            given["car"] = knowing.resolve_car(db, said)["number"]
            return
        if claimed:
            given["reason"] = click.prompt("Why do two cars claim this number?", default="not known yet", err=True)
    if concerns and not click.confirm("Save the entry?", default=True, err=True):
        raise ConfirmationNeeded("Nothing was saved.")


def _alike_lines(db: Any, given: dict[str, Any]) -> list[str]:
    """A body without a number may still have been here: the cars that look like it, by its colours and the town, for a second look."""
    from decoder.words import chance
    from registry import likeness

    now, under = (given.get("colour_now") or "").strip(), (given.get("colour_under") or "").strip()
    colours = f"{now} over {under}" if now and under else now or (f"{under} underneath" if under else "")
    said = ", ".join(filter(None, [colours, (given["town"] or "").strip()])) if colours else ""
    if not said.strip(" ,;."):
        return []
    out: list[str] = []
    for one in likeness.like(db, said, limit=3).near:
        if one.probability >= _WORTH_A_LOOK:
            out += wrapped(f"It looks like {one.car}: {chance(one.probability)}. {'; '.join(one.fits)}.")
    if out:
        out += [*wrapped("No number of the body was given, so this goes by colours and town alone."), ""]
    return out


def _kin(kind: str) -> str:
    return "body" if kind == "plate" else kind


def _number_lines(number: dict[str, Any]) -> list[str]:
    """A number at the door: what it says, who has it, and what stands one character away."""
    from decoder import words
    from registry.draw import strip_of, strip_text

    answer, near = number["answer"], number["near"]
    out = telling.stops(answer.stops)
    for hit in near.theft_reports:
        out += [*telling.stops([_report(hit)]), *_beside(hit)]
    cells = strip_of(answer, answer.decodings[0] if answer.decodings else None)
    out += [f"{number['on']}", *strip_text(*cells, indent=4).splitlines()]
    for sentence in [*words.tell(answer), *answer.problems]:
        out += wrapped(sentence)
    return [*out, *_hit_lines(near), ""]


def _report(hit: Any) -> dict[str, str]:
    """A theft report that a number is on, or one character from, as a stop."""
    asked = hit.ask or f"whoever keeps the report ({hit.source}), and the police of the place"
    advice = "Do not buy, sell or take it apart, and do not pass the number on."
    return {
        "kind": "near a theft report",
        # The look-up's own sentence may say whom to ask; here that stands in its own place.
        "says": hit.says.partition(" Before anything else")[0],
        "ask": f"{advice} Ask {asked.removeprefix('Ask ').rstrip('.')}.",
    }


def _beside(hit: Any, chance: bool = False) -> list[str]:
    """The two strips one above the other, where they differ or something could not be read, and how likely it is the one."""
    if hit.how == "exact" and hit.asked_key == hit.key:
        return []
    from decoder import read, words
    from registry.draw import compare_text

    where = {"theft": "in the report", "list": f"on {hit.source}"}.get(hit.kind, f"{hit.car}, {hit.kind}")
    if chance and hit.probability:
        where += f": {words.chance(hit.probability)}"
    listed = read(hit.key).cells
    if not hit.certain and len(as_read := read(hit.number).cells) == len(listed):
        listed = as_read  # a record that is itself doubtful is shown with its doubts
    return compare_text([(read(hit.asked_key).cells, "as you read it"), (listed, where)], indent=4).splitlines()


def _hit_lines(answer: Any) -> list[str]:
    """The cars and the lists that have a number, two strips for each number that is not the very one, and what they leave open."""
    shown, left_out = answer.shown
    drawn: set[str] = set()
    out: list[str] = []
    for hit in shown:
        out += wrapped(hit.says)
        if hit.key not in drawn:
            drawn.add(hit.key)
            out += _beside(hit, chance=bool(answer.none_of_these))
    for sentence in filter(None, [*left_out, answer.none_of_these]):
        out += wrapped(sentence)
    return out


def _saved(db: Any, number: str, looked: list[dict[str, Any]], *, as_json: bool) -> None:
    from registry.receipt import lines_of

    row = knowing.entry_row(db, number)
    car = knowing.stays(db, row["car"])
    stops = knowing.open_stops(db, car)
    conflicts = [conflict for conflict in knowing.conflicts_of(db, car) if conflict["state"] == "open"]
    blanks = lines_of(db, number)["blanks"]
    if as_json:
        _document(
            {
                "entry": number,
                "car": knowing.car_number(db, car),
                "stops": stops,
                "conflicts": [
                    {key: conflict[key] for key in ("kind", "says", "reason", "with")} for conflict in conflicts
                ],
                "numbers": [
                    {"on": each["on"], "decode": each["answer"].as_dict(), "near": each["near"].as_dict()["near"]}
                    for each in looked
                ],
                "blanks": blanks,
                "finished": row["finished_at"] is not None,
            }
        )
        return
    known = knowing.car_number(db, car)
    of = "" if known == number else f", one more visit of {known}"
    # What was shown before it was saved is not shown again at full length.
    shown = {stop["kind"] for each in looked for stop in each["answer"].stops}
    shown |= {"near a theft report" for each in looked if each["near"].theft_reports}
    out = telling.stops(stop for stop in stops if stop["kind"] not in shown)
    out += [f"Saved as {number}{of}."]
    if shown and stops:
        out += wrapped(f"The stops on it: {'; '.join(dict.fromkeys(stop['kind'] for stop in stops))}.")
    for conflict in conflicts:
        out += wrapped(f"Conflict kept: {conflict['says']} Why: {conflict['reason'].rstrip('.')}.")
    if blanks:
        out += wrapped(f"Still blank: {', '.join(blank.lower() for blank in blanks)}.")
    out += ["", f"  The receipt:   tubmark receipt {number}"]
    if row["finished_at"] is None:
        out += [f"  The rest:      tubmark intake {number} --finish"]
    _say(out)


# receipt


@click.command("receipt", epilog="Example:  tubmark receipt E24-017")
@click.argument("entry")
@click.option("--html", "markup", is_flag=True, help="One page of HTML, to be printed.")
@click.option("--handed-over", is_flag=True, help="Keep it as a paper that was handed over.")
@_by
@_registry()
def cmd_receipt(entry: str, markup: bool, handed_over: bool, by: str | None, registry: Path) -> None:
    """What does the one who leaves the car get in hand?

    Terms, reason, condition, contents and the day to collect, as far as they
    are on file. What is missing is named as a blank; no law is guessed.
    """
    from registry import receipt

    with _opened(registry, write=handed_over) as db:
        text = (receipt.receipt_html if markup else receipt.receipt_text)(db, entry)
        if handed_over:
            _note_new(db, by)
            store.record_paper(db, receipt.as_paper(db, entry, day=_today(), markup=markup), by=by)
    click.echo(text, nl=False)


# find


@click.command(
    "find",
    epilog="\b\nExample:  tubmark find 'KP O147' --on body\n"
    "Example:  tubmark find --like 'grey over green, Lowmere, ribs on the sill'",
)
@click.argument("number", nargs=-1)
@click.option("--on", type=click.Choice(CARRIERS), help="What you read it from.")
@click.option(
    "--like",
    metavar="WORDS",
    help="Instead of a number: what can be seen, with commas between. Colours, town, decade, features, what is missing.",
)
@click.option("--names", is_flag=True, help="With --like: also by keepers' names, for those who may see them.")
@click.option("--further", is_flag=True, help="Also what is two misread characters away.")
@click.option(
    "--doubt",
    type=click.Choice(["none", "low", "usual", "high"]),
    default="usual",
    show_default=True,
    help="How far the characters are trusted. none: as read, and nothing near it.",
)
@_json
@_registry()
@click.pass_context
def cmd_find(
    ctx: click.Context, number: tuple[str, ...], on: str | None, like: str | None, names: bool, further: bool, doubt: str, as_json: bool, registry: Path,
) -> None:  # fmt: skip
    """Is this number already on a list, or one that was read for it?

    Every spelling counts ('KP O147', 'KP147', '147 KP'), and every number of a
    car: pan, body, plate, engine, title. ? stands for a character that cannot
    be read, [38] for one that is either. Theft reports come first.
    """
    from decoder import DecoderError
    from registry import likeness, lookup

    if like is not None and number:
        raise WrongInput("A number, or --like with what can be seen: one at a time.")
    if like is None and not number:
        raise WrongInput(
            "Type a number ('KP O147'), or say what can be seen (--like 'grey over green, ribs on the sill')."
        )
    with _opened(registry) as db:
        if like is not None:
            alike = likeness.like(db, like, people=names)
            if as_json:
                _document(alike.as_dict())
            else:
                _say(_like_lines(alike))
            ctx.exit(alike.status)
        try:
            answer = lookup.find(db, " ".join(number), on=on, further=further, doubt=doubt)
        except DecoderError as error:
            raise WrongInput(str(error)) from error
        conflicts = _conflicts_between(db, answer)
        if as_json:
            _document(answer.as_dict() | {"conflicts": conflicts})
        else:
            _say(_found_lines(answer, conflicts))
    ctx.exit(answer.status)


def _like_lines(answer: Any) -> list[str]:
    """The cars that a description may be of, with what fits and what does not, and how each clue was understood."""
    from decoder.words import chance

    # A stop stands in its frame where the car is likely enough to be the one; with the others it is named.
    framed = {one.car for one in answer.near if one.probability >= 0.1}
    out = telling.stops({**s, "says": f"{s['car']}: {s['says']}"} for s in answer.stops if s["car"] in framed)
    out += wrapped(answer.like)
    for one in answer.near:
        stops = [stop["kind"] for stop in answer.stops if stop["car"] == one.car]
        out += ["", *wrapped(f"{one.car}  {chance(one.probability)}{f'  {one.title}' if one.title else ''}")]
        out += wrapped(f"stop       {'; '.join(stops)}", "    ", " " * 15) if stops else []
        for label, said in (("fits", one.fits), ("against", one.against), ("not known", one.unknown)):
            if said:
                out += wrapped(f"{label:<11}{'; '.join(said)}", "    ", " " * 15)
    out += ["", *wrapped(f"None of these: {chance(answer.none_of_these)}.")] if answer.clues else []
    if answer.more:
        out += wrapped(f"{answer.more} more are not shown.")
    for problem in answer.problems:
        out += wrapped(problem)
    if answer.clues:
        out += ["", *wrapped("How each was taken (x: how much likelier said of this car than of any):")]
        for clue in answer.clues:
            out += wrapped(f"{clue.means}: true of {round(clue.fits)} of {clue.known} here", "    ", "      ")
    if answer.near:
        out += ["", *(f"  All that is known of it:  tubmark show {one.car}" for one in answer.near[:2])]
    return out


def _conflicts_between(db: Any, answer: Any) -> list[dict[str, Any]]:
    """The conflicts among the cars that hold the number: ``cars``, ``says``, ``reason``, ``state``."""
    cars = list(dict.fromkeys(hit.car for hit in answer.cars if hit.how == "exact"))
    found = []
    for place, car in enumerate(cars):
        for conflict in knowing.conflicts_of(db, knowing.resolve_car(db, car)["id"]):
            if conflict["with"] in cars[place + 1 :]:
                found.append(
                    {"cars": [car, conflict["with"]]} | {key: conflict[key] for key in ("says", "reason", "state")}
                )
    return found


def _found_lines(answer: Any, conflicts: list[dict[str, Any]]) -> list[str]:
    from decoder import read
    from registry.draw import strip_text

    out: list[str] = []
    for hit in answer.theft_reports:
        out += [*telling.stops([_report(hit)]), *_beside(hit)]
    numbers = [hit.number for hit in answer.theft_reports]
    for stop in answer.stops:
        again = stop["kind"] == "near a theft report" and (
            not stop.get("car") or any(n in stop["says"] for n in numbers)
        )
        if not again:
            out += telling.stops(
                [{**stop, "says": f"{stop['car']}: {stop['says']}" if stop.get("car") else stop["says"]}]
            )
    out += [*([""] if numbers else []), *strip_text(read(answer.reading).cells).splitlines()]
    if not answer.cars:
        near = "" if answer.near else ", nor one that is a character away"
        out += wrapped(f"No car with this number is on file here{near}.")
    out += _hit_lines(answer)
    for conflict in conflicts:
        state = "Conflict" if conflict["state"] == "open" else "A conflict that was settled"
        out += wrapped(f"{state}: {conflict['says']} Why: {conflict['reason'].rstrip('.')}.")
    for problem in answer.problems:
        out += wrapped(problem)
    cars = list(dict.fromkeys(hit.car for hit in answer.cars))
    if cars:
        out += ["", *(f"  All that is known of it:  tubmark show {car}" for car in cars[:4])]
    elif not answer.near:
        out += ["", "  To put the car on file:   tubmark intake"]
    return out


# show, history


@click.command("show", epilog="Example:  tubmark show E21-003")
@click.argument("car")
@_json
@_registry()
def cmd_show(car: str, as_json: bool, registry: Path) -> None:
    """What is known of this car?

    Stops first, then the opinions that stand, then when its parts were made
    and put together, side by side: pan, body, assembly, registration and title
    are never one year. CAR is any entry's number that leads to it.
    """
    with _opened(registry) as db:
        record = knowing.car_record(db, car)
        if as_json:
            _document(record)
        else:
            _say(telling.car(db, record))


@click.command("history", epilog="Example:  tubmark history E23-014")
@click.argument("car")
@_json
@_registry()
def cmd_history(car: str, as_json: bool, registry: Path) -> None:
    """Who recorded or changed what about this car, when, and from what to what?"""
    with _opened(registry) as db:
        found = knowing.resolve_car(db, car)
        events = knowing.history(db, found)
        stops = knowing.open_stops(db, found["id"])
        if as_json:
            _document({"car": found["number"], "stops": stops, "events": events})
            return
        people = knowing.people(db)
        out = telling.stops(stops)
        out += [f"{found['number']}, from the first record on", ""]
        for event in events:
            out += telling.event(event, people)
        _say(out)


# decide


@click.command(
    "decide",
    epilog="Example:  tubmark decide E21-003 --opinion \"maker's series\" --series KA --evidence K05 --evidence statement:1 --reason 'Plate and sill agree.' --by 'Orla Thrennick'",
)
@click.argument("car")
@click.option("--opinion", metavar="WORDS", help=f"One of: {', '.join(OPINIONS)}.")
@click.option("--series", metavar="ID", help="The series it belongs to, as far as the opinion names one.")
@click.option("--second-series", metavar="ID", help="The other one, of two bodies joined.")
@click.option(
    "--evidence",
    "evidence",
    multiple=True,
    metavar="ROW",
    help="What it rests on: a tell (K05), or statement:3, reading:5, observation:12, stop:1. At least one.",
)
@click.option("--reason", metavar="WORDS", help="Why.")
@click.option("--date", "--on", "on", metavar="DAY", help="The day of the opinion.  [default: today]")
@click.option(
    "--supersedes",
    type=int,
    metavar="NUMBER",
    help="The decision this one replaces.  [default: the same person's last]",
)
@click.option("--slip", is_flag=True, help="The one replaced was a slip of the pen, not another opinion.")
@_by
@_json
@_registry(write=True)
def cmd_decide(
    car: str,
    opinion: str | None,
    series: str | None,
    second_series: str | None,
    evidence: tuple[str, ...],
    reason: str | None,
    on: str | None,
    supersedes: int | None,
    slip: bool,
    by: str | None,
    as_json: bool,
    registry: Path,
) -> None:
    """What is this body, in whose opinion, and on which evidence?

    A decision is signed by a person, with a day, a reason and at least one row
    of evidence. It is never edited: a later one stands in its place, and two
    people may disagree.
    """
    day = _day(on, "The day of the opinion") or _today()
    with _opened(registry, write=True) as db:
        found = knowing.resolve_car(db, car)
        if opinion is None:
            raise WrongInput(f"What is the opinion? --opinion takes one of: {', '.join(OPINIONS)}.")
        _refuse_warranty(opinion)
        if opinion not in OPINIONS:
            raise WrongInput(f"'{opinion}' is no opinion that can be kept. One of: {', '.join(OPINIONS)}.")
        if by is None:
            raise WrongInput("Whose opinion is it? A decision is signed by a person: --by NAME.")
        if not (reason or "").strip():
            raise WrongInput("Why? A decision stands with its reason: --reason WORDS.")
        if not evidence:
            raise WrongInput(_no_evidence(db, found))
        if slip and supersedes is None:
            raise WrongInput("Which decision was a slip of the pen? --supersedes NUMBER --slip")
        decision = check(
            DecisionIn,
            car=found["number"],
            opinion=opinion,
            reason=reason,
            by=by,
            at=day,
            series=series,
            second_series=second_series,
            evidence=tuple(_evidence(db, found, piece) for piece in evidence),
            supersedes=supersedes,
            slip_of=supersedes if slip else None,
        )
        _note_new(db, by)
        number = store.record_decision(db, decision, by=by)
        kept = next(each for each in knowing.decisions_of(db, found["id"]) if each["id"] == number)
        stops = knowing.open_stops(db, found["id"])
        if as_json:
            _document({"car": found["number"], "stops": stops, "decision": kept})
            return
        out = telling.stops(stops)
        said = telling.opinion(kept, knowing.people(db), _series(db))
        out += wrapped(f"Decision {number} on {found['number']}: {said}", "")
        if kept["weighed"]:
            out += wrapped(f"Kept with it is what the findings bear today: {kept['weighed']['says']}")
            leads = kept["weighed"]["leading"]
            if series and second_series is None and leads != series:
                out += wrapped(f"They lead to {_series(db).get(leads, leads)}; the opinion is the person's own.")
        if kept["supersedes"]:
            out += wrapped(f"It stands in place of decision {kept['supersedes']}, which is kept.")
        others = [each for each in knowing.standing_decisions(db, found["id"]) if each["id"] != number]
        for other in others:
            out += wrapped(
                f"Another opinion stands beside it: {telling.opinion(other, knowing.people(db), _series(db))}"
            )
        _say(out)


def _refuse_warranty(opinion: str) -> None:
    if any(word in opinion.casefold().split() for word in _WARRANTIES):
        raise WrongInput(
            f"'{opinion}' is a warranty or a charge, and no examination gives one. Say whose work it is in your opinion: {', '.join(OPINIONS)}."
        )


def _no_evidence(db: Any, car: dict[str, Any]) -> str:
    """What could be evidence, for somebody who named none."""
    offers = [f"{seen['tell']} ({seen['state']})" for seen in knowing.observations_of(db, car["id"])][:8]
    offers += [f"statement:{each['id']} ({each['about']})" for each in knowing.statements_of(db, car["id"])][:8]
    offers += [
        f"reading:{reading['id']} ({reading['stamped_on']})"
        for thing in knowing.things_of(db, car["id"])
        for reading in knowing.readings_of(db, thing["id"])
    ][:8]
    said = (
        f" On file of {car['number']}: {'; '.join(offers)}."
        if offers
        else f" Nothing is on file of {car['number']} yet that could be."
    )
    return f"On what does it rest? A decision needs at least one row of evidence: --evidence ROW.{said}"


def _evidence(db: Any, car: dict[str, Any], piece: str) -> EvidenceIn:
    kind, colon, ref = piece.partition(":")
    if colon and ref.strip().isdigit():
        evidence: EvidenceIn = check(EvidenceIn, kind=kind.strip(), ref=int(ref))
        return evidence
    seen = [each["id"] for each in knowing.observations_of(db, car["id"]) if each["tell"] == piece]
    if not seen:
        raise WrongInput(
            f"'{piece}' is no evidence on file of {car['number']}: neither a tell that was looked at, nor kind:number such as statement:3."
        )
    observed: EvidenceIn = check(EvidenceIn, kind="observation", ref=seen[-1])
    return observed


# stop, theft


@click.command(
    "stop",
    epilog="Example:  tubmark stop E25-014 --kind 'unsafe to drive' --says 'Cracked weld at the tunnel.' --ask 'Ask a welder.' --by OT",
)
@click.argument("car")
@click.option(
    "--kind", type=click.Choice(STOP_KINDS), metavar="KIND", help=f"What forbids going on: {', '.join(STOP_KINDS)}."
)
@click.option("--says", metavar="WORDS", help="What it is and what not to do.")
@click.option("--ask", metavar="WORDS", help="Whom to ask.")
@click.option("--release", type=int, metavar="NUMBER", help="The stop of this number no longer stands.")
@click.option("--reason", metavar="WORDS", help="With --release: why it no longer stands.")
@_by
@_json
@_registry(write=True)
def cmd_stop(
    car: str,
    kind: str | None,
    says: str | None,
    ask: str | None,
    release: int | None,
    reason: str | None,
    by: str | None,
    as_json: bool,
    registry: Path,
) -> None:
    """What forbids going on with this car, and does it still?

    Without options it lists the stops. A stop advises and says whom to ask; it
    accuses nobody. Only a named person puts one on or takes one off.
    """
    writes = kind is not None or release is not None
    with _opened(registry, write=writes) as db:
        found = knowing.resolve_car(db, car)
        if writes and by is None:
            raise WrongInput("Who says so? A stop is put on and taken off by a person: --by NAME.")
        if kind is not None:
            if not says or not ask:
                raise WrongInput("A stop says what it is and what not to do (--says), and whom to ask (--ask).")
            _note_new(db, by)
            store.record_stop(db, check(StopIn, kind=kind, says=says, ask=ask, car=found["number"], by=by), by=by)
        if release is not None:
            if not reason:
                raise WrongInput("Why does it no longer stand? --reason WORDS")
            if release not in [stop["id"] for stop in knowing.stops_of(db, found["id"])]:
                raise NoAnswer(f"{found['number']} has no stop {release}. 'tubmark stop {found['number']}' lists them.")
            _note_new(db, by)
            store.release_stop(db, check(ReleaseIn, stop=release, reason=reason, by=by), by=by)
        stops = knowing.stops_of(db, found["id"])
        if as_json:
            _document(
                {
                    "car": found["number"],
                    "stops": [stop for stop in stops if stop["open"]],
                    "released": [stop for stop in stops if not stop["open"]],
                }
            )
            return
        out: list[str] = []
        for stop in stops:
            if stop["open"]:
                out += telling.stops([stop | {"kind": f"{stop['kind']} (number {stop['id']})"}])
            else:
                out += wrapped(
                    f"{stop['kind']} (number {stop['id']}), released {telling.day(stop['released'])}: {stop['release_reason']}"
                )
        _say(out or [f"There is no stop on {found['number']}."])


@click.command("theft", epilog="Example:  tubmark theft 'UF-0238C' --source 'Loft Book, 2009' --on body")
@click.argument("number", nargs=-1)
@click.option("--source", metavar="WORDS", help="Who reported it, where.")
@click.option("--reported", metavar="WORDS", help="When it was reported.")
@click.option("--on", type=click.Choice(CARRIERS), help="What the number is on.")
@click.option("--ask", metavar="WORDS", help="Whom to ask about it.")
@click.option("--note", metavar="WORDS", help="Anything else.")
@_by
@_json
@_registry(write=True)
def cmd_theft(
    number: tuple[str, ...],
    source: str | None,
    reported: str | None,
    on: str | None,
    ask: str | None,
    note: str | None,
    by: str | None,
    as_json: bool,
    registry: Path,
) -> None:
    """Which numbers were reported as stolen? With NUMBER: keep one more report.

    Cars on file that carry the number, or one a character from it, get a stop.
    """
    with _opened(registry, write=bool(number)) as db:
        if number:
            if not source:
                raise WrongInput("Who reported it? --source WORDS")
            theft = check(
                TheftIn, as_typed=" ".join(number), source=source, reported=reported, stamped_on=on, ask=ask, note=note
            )
            _note_new(db, by)
            store.record_theft(db, theft, by=by)
        reports = knowing.rows(
            db, "SELECT id, as_typed, stamped_on, reported, source, ask, note FROM theft_reports ORDER BY id"
        )
        stopped = knowing.rows(
            db,
            "SELECT DISTINCT cars.number FROM stops JOIN cars ON cars.id = stops.car WHERE stops.kind = 'near a theft report' "
            "AND NOT EXISTS (SELECT 1 FROM stop_releases WHERE stop_releases.stop = stops.id) ORDER BY cars.number",
        )
        if as_json:
            _document({"reports": reports, "cars_stopped": [row["number"] for row in stopped]})
            return
        out = []
        for report in reports:
            about = ", ".join(part for part in (report["stamped_on"], report["reported"], report["source"]) if part)
            out += wrapped(f"{report['as_typed']}   {about}")
        if not out:
            out = ["No theft report is on file.  tubmark theft 'NUMBER' --source 'who reported it'"]
        if stopped:
            out += ["", *wrapped(f"Stopped for being near one: {', '.join(row['number'] for row in stopped)}.")]
        _say(out)


# consent, hold, erase


@click.command("consent", epilog="Example:  tubmark consent E22-016 'number hidden' --by 'Wim Quillory'")
@click.argument("car")
@click.argument("consent", required=False)
@click.option("--person", metavar="NAME", help="Who gives it or takes it back.")
@click.option("--reason", metavar="WORDS", help="Why.")
@click.option("--date", "--on", "on", metavar="DAY", help="From which day.  [default: today]")
@_by
@_json
@_registry(write=True)
def cmd_consent(
    car: str,
    consent: str | None,
    person: str | None,
    reason: str | None,
    on: str | None,
    by: str | None,
    as_json: bool,
    registry: Path,
) -> None:
    """May this car be published? CONSENT is given, 'number hidden', none, unknown or withdrawn.

    Without it the command says what holds now. A car whose consent is not
    known is private, and what was said before stays on file.
    """
    day = _day(on, "The day of the consent") or _today()
    with _opened(registry, write=consent is not None) as db:
        found = knowing.resolve_car(db, car)
        if consent is not None:
            if consent not in CONSENT_WORDS:
                raise WrongInput(f"'{consent}' is no consent. One of: {', '.join(CONSENT_WORDS)}.")
            if CONSENT_WORDS[consent] in ("full", "number hidden") and not by:
                raise WrongInput("Whoever puts down that a car may be published signs it: say who with --by NAME.")
            who = store.person_id(db, person) if person else None
            given = check(
                ConsentIn, car=found["number"], consent=CONSENT_WORDS[consent], at=day, person=who, reason=reason
            )
            _note_new(db, by)
            store.record_consent(db, given, by=by)
        holds = knowing.consent_of(db, found["id"])
        stops = knowing.open_stops(db, found["id"])
        said = {kept: word for word, kept in CONSENT_WORDS.items()}[holds["consent"]]
        if as_json:
            _document(
                {"car": found["number"], "stops": stops, "consent": said, "at": holds["at"], "reason": holds["reason"]}
            )
            return
        out = telling.stops(stops)
        since = f", since {telling.day(holds['at'])}" if holds["at"] else ""
        out += [f"Consent to publish {found['number']}: {said}{since}."]
        if said in ("none", "unknown", "withdrawn"):
            out += wrapped("It is absent from the next edition.")
        _say(out)


@click.command("hold", epilog="Example:  tubmark hold E22-001 --reason 'Two cars claim one serial.' --by OT")
@click.argument("car")
@click.option("--reason", metavar="WORDS", help="Why it is held, or no longer.")
@click.option("--lift", is_flag=True, help="Hold it no longer.")
@click.option("--date", "--on", "on", metavar="DAY", help="From which day.  [default: today]")
@_by
@_json
@_registry(write=True)
def cmd_hold(
    car: str, reason: str | None, lift: bool, on: str | None, by: str | None, as_json: bool, registry: Path
) -> None:
    """Is this car to be kept out of the next editions, whatever the consent says?

    Held until it is lifted. Without --reason the command says whether it is.
    """
    day = _day(on, "The day") or _today()
    with _opened(registry, write=reason is not None) as db:
        found = knowing.resolve_car(db, car)
        if lift and not reason:
            raise WrongInput("Why is it held no longer? --reason WORDS")
        if reason:
            if lift and knowing.hold_of(db, found["id"]) is None:
                raise WrongInput(f"{found['number']} is not held.")
            _note_new(db, by)
            store.record_hold(db, check(HoldIn, car=found["number"], held=not lift, reason=reason, at=day, by=by))
        held = knowing.hold_of(db, found["id"])
        stops = knowing.open_stops(db, found["id"])
        if as_json:
            _document(
                {
                    "car": found["number"],
                    "stops": stops,
                    "held": held is not None,
                    "reason": held["reason"] if held else None,
                }
            )
            return
        out = telling.stops(stops)
        out += wrapped(
            f"{found['number']} is held out of editions: {held['reason']}"
            if held
            else f"{found['number']} is not held.",
            "",
        )
        _say(out)


@click.command("erase", epilog="Example:  tubmark erase 'Briony Tindalwick' --by 'Orla Thrennick'")
@click.argument("person")
@click.option("--reason", metavar="WORDS", help="Why, without naming the person.")
@_by
@_yes
@_json
@_registry(write=True)
def cmd_erase(person: str, reason: str | None, by: str | None, yes: bool, as_json: bool, registry: Path) -> None:
    """Whose name, town, contact and notes are to be gone from this file?

    PERSON is a name, or a number on file. The values are erased, bytes and
    all; what the person left and said stays in the history under a number.
    Backups made before still hold them.
    """
    with _opened(registry, write=True) as db:
        who = store.person_id(db, person)
        row = knowing.people(db, [who])[who]
        left = knowing.entries_left_by(db, who)
        if row["erased_at"]:
            raise WrongInput(f"Person {who} was erased already, on {telling.day(row['erased_at'])}.")
        about = [
            f"Person {who}: {', '.join(row[key] for key in ('name', 'town', 'contact', 'note', 'initials') if row[key])}."
        ]
        about += [f"Left: {', '.join(left) if left else 'nothing'}. These entries stay, without the name."]
        _say([line for text in about for line in wrapped(text, "")], err=True)
        _confirmed("Erase these values for good?", yes, f"Person {who} was not erased: --yes was not given.")
        _note_new(db, by)
        done = store.erase_person(db, who, by=by, reason=reason)
    if as_json:
        _document(done)
        return
    out = wrapped(f"Person {who} is erased. The history stands, and names the person by this number.", "")
    if not done["bytes_gone"]:
        out += wrapped(
            "Another program has the file open, so old bytes may still be in it. Close that program and run: tubmark check-file --bring-up-to-date",
            "",
        )
    for place in done["still_said"]:
        out += wrapped(
            f"The name still stands in words kept as they were said: {place['table']}, row {place['row']}, {place['column']}."
        )
    out += wrapped("Backups and copies made before today still hold the values. See to those too.", "")
    _say(out)


# check-file, backup


@click.command("check-file", epilog="Example:  tubmark check-file registry.db")
@click.argument("path", required=False, type=click.Path(path_type=Path))
@click.option(
    "--bring-up-to-date",
    is_flag=True,
    help="Migrate a file of an older tubmark (a copy is made first), and overwrite what was deleted.",
)
@_json
@_registry()
@click.pass_context
def cmd_check_file(
    ctx: click.Context, path: Path | None, bring_up_to_date: bool, as_json: bool, registry: Path
) -> None:
    """Is this registry whole, and is everything in it as it was recorded?

    Looks at every page, every reference, the guards against editing, the chain
    of events, and each row against its event. Exit status 1 where something is
    wrong.
    """
    from registry.backup import check_file

    target = path or registry
    if bring_up_to_date:
        with _opened(target, write=True) as db:
            store.scrub(db)
    findings = check_file(target)
    if as_json:
        _document({"file": str(target), "sound": not findings, "findings": findings})
    elif findings:
        _say([line for text in findings for line in wrapped(text, "- ", "  ")])
    else:
        from registry.opening import is_edition

        if is_edition(target):
            _say(
                wrapped(
                    f"{target} is an edition and holds what was published: its content has the hash it carries.", ""
                )
            )
            ctx.exit(0)
        with _opened(target) as db:
            counts = knowing.counts(db)
        _say(
            wrapped(
                f"{target} is whole: {_count(counts['cars'], 'car')}, {_count(counts['entries'], 'entry', 'entries')}, {_count(counts['events'], 'event')} in an unbroken chain.",
                "",
            )
        )
    ctx.exit(1 if findings else 0)


@click.command("backup", epilog="Example:  tubmark backup '/media/stick/2026-11-25'")
@click.argument("to", type=click.Path(path_type=Path))
@click.option(
    "--verify", is_flag=True, help="Restore the backup TO into a scratch folder and look whether it is whole."
)
@_json
@_registry()
@click.pass_context
def cmd_backup(ctx: click.Context, to: Path, verify: bool, as_json: bool, registry: Path) -> None:
    """Where is a copy of everything to be kept, and does it restore?

    TO is a new folder: the registry, its photographs, a list of all files with
    their hashes, and a page that says how to put it back.
    """
    from registry.backup import backup, verify_backup

    made = to if verify else backup(registry, to)
    # A backup that was never restored is a hope; so a fresh one is tried at once as well.
    tried = verify_backup(made)
    if as_json:
        _document(
            {
                "backup": str(made),
                "files": tried.files,
                "counts": tried.counts,
                "sound": not tried.findings,
                "findings": list(tried.findings),
            }
        )
    elif tried.findings:
        _say(
            [
                f"{made} does not restore whole:",
                *(line for text in tried.findings for line in wrapped(text, "- ", "  ")),
            ]
        )
    else:
        said = "" if verify else "Copied to "
        _say(
            wrapped(
                f"{said}{made}: restored into a scratch folder and whole, {_count(tried.files, 'file')}, {_count(tried.counts['cars'], 'car')}, {_count(tried.counts['events'], 'event')}.",
                "",
            )
        )
        _say(wrapped("It holds names and addresses. Keep it as you keep the registry.", ""))
    ctx.exit(1 if tried.findings else 0)


def _count(n: int, one: str, many: str = "") -> str:
    return f"{n:,} {one if n == 1 else many or one + 's'}"
