"""``tubmark decode``: which numbering a number belongs to, and when the thing that carries it was made."""

from __future__ import annotations

import itertools
import json
import os
import sys
from collections.abc import Iterator
from typing import Any

import click

from decoder import decoding, words
from decoder.channel import LEVELS
from decoder.errors import DecoderError

WIDTH = 78


@click.command(
    "decode",
    epilog="Example:  tubmark decode '118 012 345' --on pan --says 1969",
)
@click.argument("number", nargs=-1)
@click.option(
    "--on", type=click.Choice(decoding.CARRIERS), help="What the number is stamped on. Asked first at the car."
)
@click.option("--surface", type=click.Choice(decoding.SURFACES), help="The state of the metal around it.")
@click.option(
    "--family", "families", multiple=True, metavar="ID", help="Try this family only; may be given more than once."
)
@click.option(
    "--direction",
    type=click.Choice(["upright", "turned"]),
    help="From which side it was read, for figures that can be read from both.",
)
@click.option(
    "--doubt",
    type=click.Choice(LEVELS),
    help="How far clean characters are trusted.  [default: none if it fits, else usual]",
)
@click.option(
    "--seen", multiple=True, metavar="FEATURE", help="A dated feature found on it; may be given more than once."
)
@click.option("--not-seen", multiple=True, metavar="FEATURE", help="One that was looked for and is not there.")
@click.option(
    "--says",
    type=click.IntRange(1900, 2100),
    metavar="YEAR",
    help="The year the car is said to have been put together.",
)
@click.option(
    "--tables",
    "folder",
    envvar="TUBMARK_TABLES",
    show_envvar=True,
    metavar="FOLDER",
    help="Your own tables and confirmations.",
)
@click.option(
    "-r",
    "--registry",
    envvar="TUBMARK_REGISTRY",
    show_envvar=True,
    metavar="PATH",
    help="A registry with house tables and theft reports.  [default: registry.db, if there is one]",
)
@click.option("--why", is_flag=True, help="Show the rows, the rules and the sources behind the answer.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option(
    "--file", "file", type=click.Path(), metavar="CSV", help="Decode a column of a CSV file instead of one number."
)
@click.option("--column", metavar="NAME", help="With --file: the column that holds the numbers.")
@click.option(
    "--output", type=click.Path(), metavar="CSV", help="With --file: where the answers go.  [default: standard output]"
)
@click.option("--yes", is_flag=True, help="With --output: replace the file that is there.")
@click.pass_context
def cmd_decode(
    ctx: click.Context, number: tuple[str, ...], on: str | None, surface: str | None, families: tuple[str, ...], direction: str | None,
    doubt: str | None, seen: tuple[str, ...], not_seen: tuple[str, ...], says: int | None, folder: str | None, registry: str | None, why: bool, as_json: bool, file: str | None, column: str | None, output: str | None, yes: bool,
) -> None:  # fmt: skip
    """Which numbering is this, and when was the thing that carries it made?

    NUMBER is what you can read, in quotes: ? for a character you cannot read,
    [38] or 3/8 for one that is either, 8~ for a doubtful one, * for a stretch
    that is gone. Spaces do not matter. It dates the floor, the body or the
    engine that carries it, never the car that was put together on it.
    """
    tables, connection = tables_for(registry, folder)
    try:
        if file is not None:
            if number:
                raise click.UsageError("Give either a number or --file, not both.")
            of_one = {
                "--surface": surface,
                "--direction": direction,
                "--says": says,
                "--seen": seen,
                "--not-seen": not_seen,
                "--why": why,
            }
            given = [name for name, value in of_one.items() if value]
            if given:
                raise click.UsageError(
                    f"{given[0]} goes with one number, not with --file. Decode that number by itself."
                )
            theft = None
            if connection is not None and has_theft_reports(connection):
                theft = lambda text: theft_stops(connection, text, tables)  # noqa: E731
            ctx.exit(decode_file(file, column, output, on, list(families) or None, tables, as_json, theft, yes))
        if column or output:
            raise click.UsageError("--column and --output go with --file.")
        if not number:
            raise click.UsageError("Type the number, in quotes: tubmark decode '118 012 345' --on pan.")
        text = " ".join(number)
        answer = decoding.decode(
            text,
            on,
            surface=surface,
            families=families or None,
            tables=tables,
            says=says,
            direction=direction,
            seen=seen,
            not_seen=not_seen,
            doubt=doubt,
        )
        if connection is not None:
            answer.stops += theft_stops(connection, text, tables)
    finally:
        if connection is not None:
            connection.close()
    if as_json:
        click.echo(json.dumps(answer.as_dict(), ensure_ascii=False, indent=2))
    else:
        click.echo("\n".join(lines(answer, why=why)))
    ctx.exit(answer.status)


def default_folder() -> str:
    """Where a person's own tables and confirmations lie unless another folder is named."""
    config = os.environ.get("XDG_CONFIG_HOME") or os.path.join(os.path.expanduser("~"), ".config")
    return os.path.join(config, "tubmark", "tables")


def own_folder() -> str | None:
    """That folder, where there is one."""
    return default_folder() if os.path.isdir(default_folder()) else None


def tables_for(registry: str | None, folder: str | None) -> tuple[decoding.Tables, Any]:
    """The tables to answer from and, where there is a registry, an open read connection to it."""
    folder = folder or own_folder()
    path = registry or ("registry.db" if os.path.exists("registry.db") else None)
    if path is None:
        return decoding.load_tables(folder=folder), None
    from registry.reading_tables import compiled_tables, open_for_tables

    connection = open_for_tables(path)
    try:
        return decoding.load_tables(folder=folder, extra=compiled_tables(connection)), connection
    except BaseException:
        connection.close()
        raise


def has_theft_reports(connection: Any) -> bool:
    """Whether this is a registry that keeps any theft report."""
    from registry.reading_tables import has_theft_reports as has

    return has(connection)


def theft_stops(connection: Any, text: str, tables: decoding.Tables) -> list[dict[str, str]]:
    """Stops for theft reports that hold this number or one a character away."""
    from registry.reading_tables import near_theft_reports

    return near_theft_reports(connection, text, tables)


# --- one answer, as text ---------------------------------------------------------------------------------------------


def lines(answer: decoding.Answer, *, why: bool = False) -> list[str]:
    """The answer for a terminal of 80 columns: stop, number, sentences, standing, source."""
    from registry.draw import strip_of, strip_text

    out: list[str] = []
    for stop in answer.stops:
        out += stop_lines(stop)
    out += [
        *strip_text(*strip_of(answer, answer.decodings[0] if len(answer.decodings) == 1 else None)).splitlines(),
        "",
    ]
    told = words.tell(answer)
    first_said = 1 if words.is_misfit(answer) else len(told)  # of a misfit what it is nearest to comes before any guess
    for sentence in [*told[:first_said], *answer.problems, *told[first_said:]]:
        out += _wrapped(sentence)
    first = answer.decodings[0] if answer.decodings else None
    if first is not None and len(answer.decodings) == 1:
        for fact in words.facts(first) if why or len(words.facts(first)) <= 3 else words.facts(first)[:3]:
            out += _wrapped(fact[0].upper() + fact[1:] + ("" if fact.endswith(".") else "."))
    for one in answer.decodings[:4]:
        standing = words.standing(one)
        if standing:
            out += ["", *_wrapped(standing[0].upper() + standing[1:])]
    for one in answer.decodings[:4]:
        out += ["", *_wrapped(words.source_line(one))]
        if why:
            out += why_lines(one)
    if why and answer.decodings:
        out += ["", *_wrapped(f"Beforehand every family tried ({answer.families_tried}) stood equal, 'none of these' at {decoding_prior()}; "
                              "within a family every number issued is equally likely.")]  # fmt: skip
        out += _wrapped(f"None of these now: {words.chance(answer.none_of_these or 0.0)}.")
    return out


def decoding_prior() -> str:
    return f"{decoding.NONE_BEFOREHAND:.2f}"


def why_lines(d: decoding.Decoding) -> list[str]:
    """Rows, candidates, months and sources behind one decoding."""
    from registry.draw import month_strip_text

    out: list[str] = []
    if len(d.candidates) > 1:
        if d.total_candidates is None:
            out += ["", "  It can be many numbers; the likeliest:"]
        else:
            likeliest = ", the likeliest first:" if d.total_candidates > 12 else ":"
            out += ["", f"  It can be {d.total_candidates:,.0f} numbers that were issued{likeliest}"]
        out += [f"    {decoding.as_written(c):<20} {c.probability:.3f}" for c in d.candidates[:12]]
    if len(d.months) > 1:
        out += ["", "  By month" + (" (estimated by even output):" if d.months_estimated else ":")]
        out += month_strip_text(d.months, estimated=d.months_estimated).splitlines()
    out += ["", "  Rows:"]
    for row in d.rows[:6]:
        limits = f"{row['first']} to {row['last'] or '(last not known)'}"
        marks = ", ".join(f"{m} from memory" for m in row["memory"]) or ", ".join(
            f"{m} by pattern" for m in row["structure"]
        )
        if row.get("confirmed"):
            marks = f"confirmed here: {row['confirmed']}"
        out += _wrapped(
            f"  {row['id']}: {limits}, {words.span_in_words(row['earliest'], row['latest'])}; {row['source']}"
            + (f" ({marks})" if marks else ""),
            "    ",
        )
        if row["note"]:
            out += _wrapped(row["note"], "      ")
    out += ["", "  Sources:"]
    for id_ in d.source_ids:
        source = d.family.raw["sources"][id_]
        out += _wrapped(f"{id_}: {titled(source)}; {decoding.STANDING[source['standing']]}", "    ")
    for note in d.family.raw["notes"]:
        out += _wrapped(f"{note['text']} ({note['source']})", "    ")
    if d.family.origin:
        out += _wrapped(f"The table used: {d.family.origin}.", "    ")
    return out


def titled(source: dict[str, Any]) -> str:
    """A source's title, with its edition where there is one."""
    return ", ".join(part for part in (source["title"], source.get("edition", "")) if part)


def stop_lines(stop: dict[str, Any]) -> list[str]:
    """A stop between heavy rules: what it is, what not to do, whom to ask."""
    rule = "=" * WIDTH
    return [
        rule,
        *_wrapped(f"STOP: {stop['kind']}.", ""),
        *_wrapped(stop["says"], ""),
        *_wrapped(stop["ask"], ""),
        rule,
        "",
    ]


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    import textwrap

    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False) or [""]


# --- a list of numbers -----------------------------------------------------------------------------------------------

#: Rows decoded at a time.
CHUNK = 20_000
COLUMNS = [
    "reading",
    "family",
    "number",
    "probability",
    "earliest",
    "latest",
    "model_year",
    "likeliest_month",
    "estimated",
    "also",
    "stop",
    "problem",
]


def decode_file(
    file: str,
    column: str | None,
    output: str | None,
    on: str | None,
    families: list[str] | None,
    tables: decoding.Tables,
    as_json: bool,
    theft: Any = None,
    yes: bool = False,
) -> int:
    """Decode a column of a CSV file row by row, going on past rows that cannot be read; returns the exit status.

    ``theft``: what says which theft reports a number is near (``theft_stops`` without its text); ``yes``: an output that is
    there already may be replaced.
    """
    import csv

    _may_be_written(output, file, yes)

    try:
        source = sys.stdin if file == "-" else open(file, encoding="utf-8-sig", newline="")  # noqa: SIM115 - closed below
    except OSError as error:
        raise DecoderError(f"'{file}' cannot be read: {error.strerror}. Check the name.") from None
    target: Any = None
    done = False
    try:
        head = source.readline()
        rows = csv.DictReader(itertools.chain([head], source), delimiter=max(",;\t", key=head.count), strict=True)
        names = rows.fieldnames or []
        if not names:
            raise DecoderError(f"'{file}' is empty. It needs a first line with the names of the columns.")
        column = column or (names[0] if len(names) == 1 else None)
        if column is None:
            raise DecoderError(
                f"Say which column holds the numbers: --column NAME. The columns are {', '.join(names)}."
            )
        if column not in names:
            raise DecoderError(f"There is no column '{column}' in '{file}'. The columns are {', '.join(names)}.")
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise DecoderError(
                f"Two columns of '{file}' are called '{twice}'. Give each its own name, or one of them would be lost."
            )
        list(_records(["0"], on, families, tables))  # a family that there is not is said before anything is written
        target, finish = _target(output)
        mine = []
        for c in COLUMNS[1:]:
            while c in names:  # what was typed is never written over
                c = f"decoded_{c}"
            mine.append(c)
        writer = None if as_json else csv.writer(target, lineterminator="\n")
        if writer:
            writer.writerow([*names, *mine])
        counts = {"answered": 0, "none": 0, "bad": 0}
        for chunk, lines_ in _chunks(rows):
            for row, line, record in zip(
                chunk, lines_, _records([r.get(column) or "" for r in chunk], on, families, tables), strict=True
            ):
                status = record.pop("status")
                counts[("answered", "none", "bad")[status]] += 1
                if status == 2:
                    click.echo(f"line {line}: {record['problem']}", err=True)
                further = row.get(None) or []  # type: ignore[call-overload]
                if further:
                    click.echo(
                        f"line {line}: it has more cells than the first line has names; the last {len(further)} stand behind the answer.",
                        err=True,
                    )
                stops = theft(record["reading"]) if theft and status != 2 else []
                if stops:
                    record["stop"] = " ".join(f"{one['kind']}: {one['says']}" for one in stops)
                    click.echo(f"line {line}: STOP, {record['stop']}", err=True)
                if writer:
                    writer.writerow(
                        [
                            *(row[n] for n in names),
                            *("" if v is None else v for v in list(record.values())[1:]),
                            *further,
                        ]
                    )
                else:
                    target.write(
                        ("[\n" if sum(counts.values()) == 1 else ",\n")
                        + json.dumps({"line": line, **record}, ensure_ascii=False)
                    )
            if sum(counts.values()) >= CHUNK:
                click.echo(f"{sum(counts.values()):,} rows", err=True)
        if as_json:
            target.write("\n]\n" if sum(counts.values()) else "[]\n")
        done = True
    except csv.Error as error:
        raise DecoderError(
            f"'{file}' is no CSV file that can be read ({error}). Save it as CSV with UTF-8 text."
        ) from None
    except UnicodeDecodeError:
        raise DecoderError(f"'{file}' is not UTF-8 text. Save it as CSV with UTF-8 text.") from None
    finally:
        if source is not sys.stdin:
            source.close()
        if target is not None:
            finish(done)
    click.echo(
        f"{sum(counts.values()):,} rows: {counts['answered']:,} answered, {counts['none']:,} fit no table, {counts['bad']:,} cannot be read.",
        err=True,
    )
    return 0 if counts["answered"] else 1


def _may_be_written(output: str | None, file: str, yes: bool) -> None:
    """Refuse an output that would write over the list itself, or (unless told so) over anything."""
    if output is None or output == "-" or not os.path.exists(output):
        return
    if os.path.isdir(output):
        raise DecoderError(f"'{output}' is a folder. Name a file in it with --output.")
    if file != "-" and os.path.exists(file) and os.path.samefile(output, file):
        raise DecoderError(f"'{output}' is the list itself. Name another file with --output; the list stays as it is.")
    if not yes:
        from registry.errors import ConfirmationNeeded

        raise ConfirmationNeeded(f"'{output}' is there already. Name another file, or add --yes to replace it.")


def _target(output: str | None) -> tuple[Any, Any]:
    """Where the answers go, and what to call at the end: a file is written beside and moved into place whole."""
    if output is None or output == "-":
        return sys.stdout, lambda done: None
    temporary = f"{output}.part-{os.getpid()}"
    try:
        handle = open(temporary, "w", encoding="utf-8", newline="")  # noqa: SIM115 - closed by finish
    except OSError as error:
        raise DecoderError(
            f"'{output}' cannot be written: {error.strerror}. Name another place with --output."
        ) from None

    def finish(done: bool) -> None:
        handle.close()
        if not done:
            os.unlink(temporary)
            return
        try:
            os.replace(temporary, output)
        except OSError as error:
            os.unlink(temporary)
            raise DecoderError(
                f"'{output}' cannot be written: {error.strerror}. Name another place with --output."
            ) from None

    return handle, finish


def _chunks(rows: Any) -> Iterator[tuple[list[dict[str, Any]], list[int]]]:
    """The rows in pieces of CHUNK, so that a list of any length takes the same memory, with the line each ends on."""
    chunk, lines_ = [], []
    for row in rows:
        chunk.append(row)
        lines_.append(rows.line_num)
        if len(chunk) == CHUNK:
            yield chunk, lines_
            chunk, lines_ = [], []
    if chunk:
        yield chunk, lines_


def _records(
    texts: list[str], on: str | None, families: list[str] | None, tables: decoding.Tables
) -> Iterator[dict[str, Any]]:
    from decoder.columns import decode_many

    columns = decode_many(texts, on, families=families, tables=tables)
    for i, text in enumerate(texts):
        fits = columns["status"][i] == 0
        yield {
            "reading": text,
            "family": columns["family"][i],
            "number": columns["number"][i] if fits else "",
            "probability": round(float(columns["probability"][i]), 4) if fits else None,
            "earliest": columns["earliest"][i],
            "latest": columns["latest"][i],
            "model_year": int(columns["model_year"][i]) or None,
            "likeliest_month": columns["likeliest_month"][i],
            "estimated": bool(columns["estimated"][i]) if fits else None,
            "also": columns["also"][i],
            "stop": "",
            "problem": columns["problem"][i],
            "status": int(columns["status"][i]),
        }
