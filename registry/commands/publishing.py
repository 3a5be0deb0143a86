"""``tubmark publish`` and ``tubmark serve``: an edition goes out, and a browser may look at it.

A thin shell over ``registry.publish`` and over Datasette's own command. What publish prints is for the
registrar: the proof names the cars that are held back and why, so it is as private as the registry.
"""

from __future__ import annotations

import os
import socket
from pathlib import Path
from typing import Any

import click

#: The addresses of this machine itself. Anything else belongs behind a server that is made to face a network.
LOOPBACK = ("127.0.0.1", "localhost", "::1")

_SETTINGS_OF_AN_EDITION = {
    # Suggesting facets counts every column of every page; a reader names the one he wants.
    "suggest_facets": "off",
    # The file never changes, so a page of it may be kept.
    "default_cache_ttl": "3600",
    "max_returned_rows": "1000",
    "sql_time_limit_ms": "1000",
}
_SETTINGS_OF_A_REGISTRY = {
    "suggest_facets": "off",
    "default_cache_ttl": "0",
    "default_allow_sql": "off",
    "allow_download": "off",
    "max_returned_rows": "1000",
}


@click.command("publish", epilog="Example:  tubmark publish edition.db --date 2026-11-25 --proof")
@click.argument("out", metavar="[OUT.db]", required=False, type=click.Path())
@click.option("--date", "dated", metavar="DAY", help="The day of the edition, as 2026-11-25.  [default: today]")
@click.option("--proof", is_flag=True, help="Only say what would go out, what not, and why; nothing is written.")
@click.option("--by", "by", metavar="NAME", help="Who publishes: a person on file.")
@click.option("--yes", is_flag=True, help="Replace what stands at OUT.db even if it is newer or of another list.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option(
    "-r",
    "--registry",
    envvar="TUBMARK_REGISTRY",
    show_envvar=True,
    metavar="PATH",
    help="The registry.  [default: registry.db]",
)
@click.pass_context
def cmd_publish(
    ctx: click.Context, out: str | None, dated: str | None, proof: bool, by: str | None, yes: bool, as_json: bool, registry: str | None
) -> None:  # fmt: skip
    """Make the edition that goes out: a file that never held anything private.

    Read the proof first: what is new, what changed since the last edition, what
    is held back and why, and whose keeper nobody has asked. Then OUT.db is made
    from nothing, checked, and put in place whole. The same registry and day
    give the same file.
    """
    from registry import publish
    from registry.errors import WrongInput
    from registry.opening import opened

    path = registry or "registry.db"
    day = dated or _today()
    if proof:
        with opened(path) as db:
            made = publish.proof(db, date=day)
        _say(as_json, {"proof": made.as_dict()}, made.sentences())
        ctx.exit(0)
    if not out:
        raise WrongInput("Name the file to publish to, such as edition.db; or read the proof first with --proof.")
    from registry.backup import check_file

    findings = check_file(path) if os.path.exists(path) else []
    if findings:
        raise WrongInput(
            f"{path} is not as its events say it was recorded ({len(findings)} finding{'s' * (len(findings) != 1)}; 'tubmark check-file {path}' "
            "lists them). Nothing is published from it; restore the last backup."
        )
    _agree(out, path, day, yes)
    with opened(path, write=True) as db:
        published = publish.publish(db, out, date=day, by=_person(db, by))
    lines = [
        *published.proof.sentences(),
        "",
        f"Published: {published.path}, the edition of {published.proof.dated} with {publish.cars_in_words(published.proof.published)}.",
        f"Content hash: {published.sha256}",
        f"Look at it with: tubmark serve {published.path} --registry {path}",
    ]
    lines[0] = lines[0].replace(" would hold ", " holds ")
    document = {
        "edition": {"path": str(published.path), "dated": published.proof.dated, "sha256": published.sha256},
        "proof": published.proof.as_dict(),
    }
    _say(as_json, document, lines)
    ctx.exit(0)


@click.command("serve", epilog="Example:  tubmark serve edition.db --registry registry.db --port 8001")
@click.argument("file", type=click.Path())
@click.option("--port", type=click.IntRange(0, 65535), default=8001, show_default=True, help="0 takes a free one.")
@click.option("--host", default="127.0.0.1", show_default=True, help="An address of this machine itself, nothing else.")
@click.option(
    "-r",
    "--registry",
    envvar="TUBMARK_REGISTRY",
    show_envvar=True,
    metavar="PATH",
    help="With an edition: the registry it came from, whose key answers look-ups. Nothing else of it is shown.",
)
def cmd_serve(file: str, port: int, host: str, registry: str | None) -> None:
    """Let a browser on this machine look at an edition, or round a registry.

    An edition is public as a whole: every page, table, query and download of
    it. Of a registry a visitor sees what was published and the pages that
    decode and look up, nothing else. Ctrl-C ends it.
    """
    from registry.errors import WrongInput
    from registry.opening import is_edition, is_registry

    if not os.path.exists(file):
        raise WrongInput(f"There is no file {file}. 'tubmark publish {file}' makes an edition.")
    edition = is_edition(file)
    if not edition and not is_registry(file):
        raise WrongInput(
            f"{file} is neither an edition nor a registry. Name a file that 'tubmark publish' or 'tubmark new' made."
        )
    if host not in LOOPBACK:
        raise WrongInput(
            f"{host} is not this machine itself ({', '.join(LOOPBACK)}). To show an edition to others put it behind a web "
            "server that is made for that, and let it ask this one."
        )
    port = _free(host, port)
    key = _lend_key(file, registry) if edition else False
    _announce(file, edition, key, host, port)
    _run(file, edition, host, port)


def _today() -> str:
    import datetime as dt

    return dt.date.today().isoformat()


def _say(as_json: bool, document: dict[str, Any], lines: list[str]) -> None:
    if as_json:
        import json

        click.echo(json.dumps(document, ensure_ascii=False, indent=2))
        return
    import textwrap

    for line in lines:
        click.echo(
            "\n".join(textwrap.wrap(line, 78, subsequent_indent="  ", break_on_hyphens=False, break_long_words=False))
            or ""
        )


def _person(db: Any, name: str | None) -> int | None:
    from registry.errors import NoAnswer, WrongInput
    from registry.store import person_id

    if name is None:
        return None
    try:
        return person_id(db, name)
    except NoAnswer as error:
        raise WrongInput(f"{error} Publishing is signed by somebody the registry knows.") from error


def _agree(out: str, registry: str, day: str, yes: bool) -> None:
    """An edition that stands at ``out`` is replaced without a word only by a later one of the same list."""
    import sqlite3
    import sys

    from registry import knowing
    from registry.edition import edition_info
    from registry.errors import ConfirmationNeeded
    from registry.opening import is_edition, opened

    if yes or not os.path.exists(out) or not is_edition(out):
        return
    conn = sqlite3.connect(f"{Path(out).absolute().as_uri()}?mode=ro", uri=True)
    try:
        there = edition_info(conn)
    except sqlite3.DatabaseError:
        there = {}
    finally:
        conn.close()
    with opened(registry) as db:
        name = knowing.info(db).get("name", "")
    reasons = []
    if there.get("name", "") != name:
        reasons.append(f"it is an edition of another list ({there.get('name') or 'one that cannot be read'})")
    if there.get("dated", "") > day:
        reasons.append(f"it is of a later day ({there['dated']})")
    if not reasons:
        return
    says = f"{out} would be replaced, and {' and '.join(reasons)}."
    if sys.stdin.isatty() and click.confirm(f"{says} Replace it?", default=False, err=True):
        return
    raise ConfirmationNeeded(f"{says} Name another file, or say --yes. Nothing was published.")


def _free(host: str, port: int) -> int:
    """``port`` if nobody uses it, a free one for 0."""
    from registry.errors import WrongInput

    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as asked:
        asked.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            asked.bind((host, port))
        except OSError as error:
            raise WrongInput(
                f"Port {port} cannot be had on {host}: {error.strerror}. Name another with --port, or 0 for a free one."
            ) from error
        return int(asked.getsockname()[1])


def _lend_key(file: str, registry: str | None) -> bool:
    """Tell the pages which registry holds the key of this edition. Raises WrongInput where it is not that one's."""
    import sqlite3

    from registry import edition
    from registry.errors import WrongInput

    os.environ.pop(edition.KEY_FROM, None)
    if registry is None:
        return False
    key = edition.key_from_registry(registry)
    if key is None:
        raise WrongInput(f"{registry} has published nothing yet, so it has no key for look-ups. Leave --registry out.")
    conn = sqlite3.connect(f"{Path(file).absolute().as_uri()}?mode=ro", uri=True)
    try:
        if not edition.fits(conn, key):
            raise WrongInput(
                f"{file} was not published from {registry}: the key is another. Leave --registry out, or name the right one."
            )
    finally:
        conn.close()
    os.environ[edition.KEY_FROM] = str(Path(registry).absolute())
    return True


def _announce(file: str, edition: bool, key: bool, host: str, port: int) -> None:
    shown = f"[{host}]" if ":" in host else host
    what = "an edition, public as a whole" if edition else "a registry: a visitor sees only what was published"
    click.echo(f"{file}: {what}.")
    if edition and not key:
        click.echo("Look-ups are off: name the registry it came from with --registry to answer them.")
    click.echo(f"http://{shown}:{port}/   Ctrl-C ends it.")
    click.get_text_stream("stdout").flush()


def arguments_of(file: str, edition: bool, host: str, port: int) -> list[str]:
    """The arguments of Datasette's ``serve`` for a file."""
    out = ["-i", file] if edition else [file]
    if metadata := metadata_beside(file):
        out += ["-m", str(metadata)]
    for name, value in (_SETTINGS_OF_AN_EDITION if edition else _SETTINGS_OF_A_REGISTRY).items():
        out += ["--setting", name, value]
    return [*out, "--host", host, "--port", str(port)]


def metadata_beside(file: str) -> Path | None:
    """metadata.yml beside the file served, else the one that comes with the package, else None."""
    import registry.commands

    package = Path(registry.commands.__file__).resolve().parent.parent / "web"
    return next(
        (path for path in (Path(file).absolute().parent / "metadata.yml", package / "metadata.yml") if path.is_file()),
        None,
    )


def _run(file: str, edition: bool, host: str, port: int) -> None:
    import contextlib

    from datasette.cli import serve
    from uvicorn.config import LOGGING_CONFIG

    # The numbers people ask for stand in the addresses: no log of them is kept, on screen or elsewhere.
    LOGGING_CONFIG["loggers"]["uvicorn.access"]["handlers"] = []
    # The server ends by the signal that Ctrl-C sends, and then hands it on; here it has done its work.
    with contextlib.suppress(KeyboardInterrupt):
        serve.main(args=arguments_of(file, edition, host, port), prog_name="tubmark serve", standalone_mode=False)
