"""``tubmark families``: which numberings are known, from which sources, and how a row is confirmed."""

from __future__ import annotations

import json
import os
from typing import Any

import click

from decoder import decoding
from decoder import families as tables_module
from registry.commands.decode import _wrapped, default_folder, tables_for, titled

_tables_option = click.option(
    "--tables",
    "folder",
    envvar="TUBMARK_TABLES",
    show_envvar=True,
    metavar="FOLDER",
    help="Your own tables and confirmations.",
)
_registry_option = click.option(
    "-r",
    "--registry",
    envvar="TUBMARK_REGISTRY",
    show_envvar=True,
    metavar="PATH",
    help="A registry with house tables.  [default: registry.db, if there is one]",
)
_json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")


def _load(registry: str | None, folder: str | None) -> decoding.Tables:
    tables, connection = tables_for(registry, folder)
    if connection is not None:
        connection.close()
    return tables


@click.group("families", invoke_without_command=True, epilog="Example:  tubmark families show aircooled-platform")
@_tables_option
@_registry_option
@_json_option
@click.pass_context
def cmd_families(ctx: click.Context, folder: str | None, registry: str | None, as_json: bool) -> None:
    """Which numberings are known, and from which sources?

    Without a command the families are listed. 'show ID' opens one, 'check FILE' tries a table of your own, 'confirm ID ROW'
    notes that a row from memory has been seen in a handbook.
    """
    ctx.obj = {"folder": folder, "registry": registry}
    if ctx.invoked_subcommand is not None:
        return
    tables = _load(registry, folder)
    if as_json:
        click.echo(json.dumps([_summary(f) for f in tables], ensure_ascii=False, indent=2))
        return
    for family in tables:
        count, provisional = len(family.rows), sum(bool(r["memory"] or r["structure"]) for r in family.rows)
        click.echo(f"{family.id}  ({'/'.join(family.carried_by)}{'; house table' if family.house else ''})")
        for line in _wrapped(f"{family.title}. {_rows(count, provisional)}", "    "):
            click.echo(line)
    click.echo("\n'tubmark families show ID' opens one with its rows and sources.")


def _rows(count: int, provisional: int) -> str:
    if not count:
        return "No rows: it is recognised by its pattern or read by rules of its own."
    return f"{count} row{'s' * (count != 1)}" + (
        f", {provisional} with something from memory or by pattern." if provisional else "."
    )


def _summary(family: decoding.Family) -> dict[str, Any]:
    return {
        "family": family.id, "title": family.title, "carried_by": list(family.carried_by), "house_table": family.house, "where": family.where,
        "table": family.origin, "rows": len(family.rows), "provisional_rows": [r["id"] for r in family.rows if r["memory"] or r["structure"]],
    }  # fmt: skip


@cmd_families.command("show", epilog="Example:  tubmark families show aircooled-platform")
@click.argument("id_", metavar="ID")
@_json_option
@click.pass_obj
def show(obj: dict[str, Any], id_: str, as_json: bool) -> None:
    """What does this table say, row by row, and where does each row come from?"""
    family = _load(obj["registry"], obj["folder"])[id_]
    raw = family.raw
    if as_json:
        hidden = ("segments", "templates", "sha256", "format")
        click.echo(json.dumps({k: v for k, v in raw.items() if k not in hidden}, ensure_ascii=False, indent=2))
        return
    out = [f"{family.id}: {family.title}", ""]
    if family.house:
        out += ["  House table: this numbering is invented for the demonstration.", ""]
    out += _wrapped(f"Carried by the {' or '.join(family.carried_by)}: {family.where}.")
    for scheme in raw.get("schemes", []):
        out += _wrapped(
            f"Written {scheme['print']}"
            + (f"; '{scheme['strip_as_written'][0]}' before it is no part of the number" if scheme["strip"] else "")
            + "."
        )
    if family.rows:
        out += ["", "  row                 numbers                                  made"]
    for row in family.rows:
        limits = f"{row['first']} to {row['last'] or '...'}"
        mark = " *" if row["memory"] else " +" if row["structure"] else ""
        out.append(f"  {row['id']:<19} {limits:<40} {row['built']}{mark}")
    if any(r["memory"] for r in family.rows):
        out += ["", "  * a limit or a date from memory; 'tubmark families confirm' takes the mark away"]
    if any(r["structure"] and not r["memory"] for r in family.rows):
        out += ["  + read off the pattern of a sister series"]
    for heading, key in (
        ("Never issued", "never"),
        ("What changed when", "change_points"),
        ("Dated features", "features"),
        ("Notes", "notes"),
    ):
        items = raw.get(key, [])
        if items:
            out += ["", f"  {heading}:"]
        for item in items:
            out += _wrapped(_item(item), "    ")
    out += ["", "  Sources:"]
    for name, source in raw["sources"].items():
        out += _wrapped(f"{name}: {titled(source)}; {decoding.STANDING[source['standing']]}.", "    ")
    if family.origin:
        out += ["", *_wrapped(f"From: {family.origin}.")]
    click.echo("\n".join(out))


def _item(item: dict[str, Any]) -> str:
    if "why" in item:
        return f"{item['first']} to {item['last']}: {item['why']} ({item['source']})"
    if "at" in item:
        exceptions = "".join(f" Known exception: {e}." for e in item["exceptions"])
        return f"from {item['at']}: {item['what']}.{exceptions} ({item['source']})"
    if "question" in item:
        span = f"{item['from'] or '...'} to {item['to'] or '...'}"
        return f"{item['id']}: {item['what']}, {span} ({item['source']}{', from memory' if item['memory'] else ''})"
    return f"{item['text']} ({item['source']})"


@cmd_families.command("check", epilog="Example:  tubmark families check my-tables/my-maker.yml")
@click.argument("file", metavar="FILE")
@_json_option
def check(file: str, as_json: bool) -> None:
    """Is this table well formed? Each fault is named with its line, its row and the reason."""
    compiled = tables_module.check_file(file)
    rows, provisional = (
        compiled.get("rows", []),
        [r["id"] for r in compiled.get("rows", []) if isinstance(r, dict) and (r.get("memory") or r.get("structure"))],
    )
    if as_json:
        click.echo(
            json.dumps({"family": compiled["family"], "rows": len(rows), "provisional_rows": provisional}, indent=2)
        )
        return
    click.echo(
        f"'{os.path.basename(file)}' is well formed: family {compiled['family']}, {_rows(len(rows), len(provisional))}"
    )
    click.echo("Put it into a folder and name the folder with --tables or TUBMARK_TABLES.")


@cmd_families.command(
    "confirm", epilog="Example:  tubmark families confirm aircooled-platform model-1968 --source 'handbook, p. 12'"
)
@click.argument("id_", metavar="ID")
@click.argument("row", metavar="ROW")
@click.option("--source", required=True, metavar="TEXT", help="The handbook and the page where you have seen the row.")
@_json_option
@click.pass_obj
def confirm(obj: dict[str, Any], id_: str, row: str, source: str, as_json: bool) -> None:
    """Note that a row from memory has been seen: where?

    The note is kept in your own folder (--tables before the command, TUBMARK_TABLES, else ~/.config/tubmark/tables) and counts from
    then on; the table itself is not touched.
    """
    tables = _load(obj["registry"], obj["folder"])
    folder = obj["folder"] or default_folder()
    path = tables_module.confirm(folder, tables[id_].raw, row, source)
    if as_json:
        click.echo(
            json.dumps({"family": id_, "row": row, "source": source, "file": str(path)}, ensure_ascii=False, indent=2)
        )
        return
    click.echo(f"Noted in {path}: {id_} {row} was seen in {source}.")
