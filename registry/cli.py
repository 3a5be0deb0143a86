"""The command ``tubmark``: a thin shell. Each command lives in ``registry/commands`` and is loaded when it is called.

Exit status: 0 an answer (a stop is an answer), 1 no answer, 2 malformed input with a sentence that says what to do, 3 a
confirmation is needed and was not given, 70 a fault of ours.
"""

from __future__ import annotations

import os
import sys
from typing import Any

import click

#: Command name to (module below registry.commands, attribute, short help). The short help stands here so that ``--help`` loads nothing.
COMMANDS: dict[str, tuple[str, str, str]] = {
    "decode": ("decode", "cmd_decode", "Which numbering is this, and when was the thing made?"),
    "families": ("families", "cmd_families", "Which numberings are known, and from which sources?"),
    "datemark": ("dating", "cmd_datemark", "When was this part made, by the mark on it?"),
    "new": ("keeping", "cmd_new", "Start a registry."),
    "intake": ("keeping", "cmd_intake", "A car or a paper comes in: who, why, and what is claimed?"),
    "receipt": ("keeping", "cmd_receipt", "What does the one who leaves the car get in hand?"),
    "find": ("keeping", "cmd_find", "Is this number already on a list?"),
    "show": ("keeping", "cmd_show", "What is known of this car?"),
    "history": ("keeping", "cmd_history", "Who changed what, when and why?"),
    "statement": ("dating", "cmd_statement", "Keep what a paper or a person says, and of when."),
    "date": ("dating", "cmd_date", "When were pan, body and car made, and does it add up?"),
    "first-hour": ("examining", "cmd_first_hour", "After an hour: what is known, what is not, what comes next?"),
    "sheet": ("examining", "cmd_sheet", "A page to fill in at the car."),
    "inspect": ("examining", "cmd_inspect", "What was seen on this car, tell by tell?"),
    "look": ("examining", "cmd_look", "What is to be looked at next?"),
    "evidence": ("examining", "cmd_evidence", "What do the findings bear, and what not yet?"),
    "decide": ("keeping", "cmd_decide", "What is this body, in whose opinion, on which evidence?"),
    "repan": ("parting", "cmd_repan", "The body stands on another pan now."),
    "replate": ("parting", "cmd_replate", "The body carries another plate now."),
    "merge": ("parting", "cmd_merge", "Two records are one car."),
    "split": ("parting", "cmd_split", "A record, or a visit, is of another car after all."),
    "conflicts": ("parting", "cmd_conflicts", "What does not agree, and what would settle it?"),
    "review": ("examining", "cmd_review", "Which decisions hung on something that has changed?"),
    "tells": ("examining", "cmd_tells", "What is looked at, and on how many bodies was it found?"),
    "consent": ("keeping", "cmd_consent", "May this car be published?"),
    "hold": ("keeping", "cmd_hold", "Keep a car out of the next edition, or let it in again."),
    "stop": ("keeping", "cmd_stop", "Record or release what forbids going on."),
    "theft": ("keeping", "cmd_theft", "Keep the list of theft reports."),
    "erase": ("keeping", "cmd_erase", "Erase a person's values; the history stands."),
    "curve": ("dating", "cmd_curve", "When was a body of this series made, by its serial?"),
    "survivors": ("dating", "cmd_survivors", "How many were made, and how many are left?"),
    "publish": ("publishing", "cmd_publish", "Make the edition that goes out."),
    "serve": ("publishing", "cmd_serve", "Let a browser look at an edition or a registry."),
    "check-file": ("keeping", "cmd_check_file", "Is this file whole?"),
    "backup": ("keeping", "cmd_backup", "Copy a registry to a safe place, and try the copy."),
}


class LazyGroup(click.Group):
    """Loads a command's module when the command is called; listing them loads none."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        from importlib import import_module

        module, attribute, _ = COMMANDS[name]
        command = getattr(import_module(f"registry.commands.{module}"), attribute)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, short) for name, (_, _, short) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else ""
            ctx.fail(f"There is no command '{args[0]}'.{hint} 'tubmark --help' lists them.")
        return super().resolve_command(ctx, args)


def _version(ctx: click.Context, parameter: click.Parameter, value: bool) -> None:
    if value:
        from importlib.metadata import version

        click.echo(f"tubmark {version('tubmark')}")
        ctx.exit(0)


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Say which version this is."
)
def cli() -> None:
    """Say which floor is under an old glassfibre-bodied car, whose body sits on it, and whether that body is on a list.

    \b
    Numbers in quotes, since shells expand ? * and [38]:
      tubmark decode '118 012 3[38]5' --on pan
    """


def main(args: list[str] | None = None) -> None:
    """The entry point: runs the command and turns whatever is raised into a sentence and an exit status."""
    sys.exit(run(sys.argv[1:] if args is None else args))


def run(args: list[str]) -> int:
    """Run one command line; returns the exit status."""
    try:
        # Windows would expand ? * and [38] itself, also in quotes: exactly the reading grammar.
        result: Any = cli.main(args=list(args), prog_name="tubmark", standalone_mode=False, windows_expand_args=False)
        return result if isinstance(result, int) else 0
    except click.exceptions.Exit as done:
        return done.exit_code
    except click.Abort:
        click.echo("Stopped; nothing was saved by this step.", err=True)
        return 3
    except click.NoSuchOption as error:
        error.show()
        click.echo("A number that begins with - needs -- before it.", err=True)
        return 2
    except click.ClickException as error:
        error.show()
        return 2 if isinstance(error, click.UsageError) or error.exit_code == 1 else error.exit_code
    except BrokenPipeError:
        # The reader of our output has gone (less, head): not a fault, but Python would complain again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except SystemExit:
        if isinstance(sys.stdout, click.utils.PacifyFlushWrapper):
            return 0  # click's way of ending when the reader of our output has gone; it sees to the streams itself
        raise
    except KeyboardInterrupt:
        click.echo("Stopped.", err=True)
        return 130
    except Exception as error:
        return _fault(error)


def _fault(error: Exception) -> int:
    """Known errors are sentences; anything else is a fault of ours, told without a traceback."""
    from decoder.errors import DecoderError

    if isinstance(error, DecoderError):
        click.echo(f"Error: {error}", err=True)
        return 2
    from registry.errors import RegistryError

    if isinstance(error, RegistryError):
        click.echo(f"Error: {error}", err=True)
        return error.exit_code
    if os.environ.get("TUBMARK_TRACEBACK"):
        raise error
    import sqlite3

    damaged = isinstance(error, sqlite3.DatabaseError) and not isinstance(error, sqlite3.OperationalError)
    if damaged or "malformed" in str(error) or "not a database" in str(error):
        click.echo(
            f"Error: the file is damaged ({error}). 'tubmark check-file FILE' says where; restore the last backup and keep this file as it is.",
            err=True,
        )
        return 2
    if isinstance(error, OSError):
        click.echo(f"Error: {error.strerror or error}: {error.filename or 'the output'}. Name another place.", err=True)
        return 2
    click.echo(
        f"This is a fault in Tubmark, not in what you typed ({type(error).__name__}). Nothing was half-written: each step is saved whole or "
        "not at all. Set TUBMARK_TRACEBACK=1, run it again and send what it prints to the keeper of the program.",
        err=True,
    )
    return 70
