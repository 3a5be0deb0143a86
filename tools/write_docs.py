"""Writes what the documentation shows of the program: the help of each command, the sessions in README.

`make docs` runs it; tests/test_documented.py uses the same functions to check that nothing is out of date.

A block fenced as ``console`` is a session. A line that begins with ``$ `` is a command, run by the shell; the
lines up to the next one are what it prints, on standard output and standard error alike. All sessions of one
document run in order in one scratch folder that holds a copy of sample_registry.db. The terminal is 80
columns wide and has no colour.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
COMMANDS = ROOT / "docs" / "commands.md"
#: The exit status of a fault of ours.
FAULT = 70
#: The documents whose sessions are run.
TOURS = (ROOT / "README.md",)

_SESSION = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)

_HEAD = """\
# Every command, as it answers to --help

Written by `make docs` from what the program prints; a test compares. What a command answers, and with which
exit status, is in [DEVELOPERS.md](../DEVELOPERS.md); a tour with real output is in [README.md](../README.md).
"""


def environment(folder: Path) -> dict[str, str]:
    """The surroundings of a session: these programs, 80 columns, no colour, nobody's settings."""
    programs = os.pathsep.join([str(Path(sys.executable).parent), "/usr/bin", "/bin"])
    return {
        "PATH": programs,
        "HOME": str(folder),
        "COLUMNS": "80",
        "NO_COLOR": "1",
        "LANG": "C.UTF-8",
        "TZ": "UTC",
    }


def run(command: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Runs one command line in the folder, as a person would; standard error comes with standard output."""
    return subprocess.run(
        ["/bin/sh", "-c", command],
        cwd=folder,
        env=environment(folder),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )


def sessions(text: str) -> Iterator[tuple[int, list[tuple[str, str]]]]:
    """The sessions in a document: the line each begins at, and its commands, each with its output as shown.

    >>> list(sessions("```console\\n$ echo one\\none\\n```\\n"))
    [(2, [('echo one', 'one\\n')])]
    """
    for found in _SESSION.finditer(text):
        line = text.count("\n", 0, found.start(1)) + 1
        parts = re.split(r"^\$ (.*)\n", found.group(1), flags=re.MULTILINE)
        yield line, list(zip(parts[1::2], parts[2::2], strict=True))


def as_shown(command: str, printed: str) -> str:
    """A command and its output as they stand in a session. Blanks at the ends of lines are not shown."""
    lines = [line.rstrip() for line in printed.splitlines()]
    return "\n".join([f"$ {command}", *lines]) + "\n"


def prepare(folder: Path) -> None:
    """Puts into a scratch folder what the sessions start from."""
    shutil.copy(ROOT / "sample_registry.db", folder / "sample_registry.db")
    shutil.copy(ROOT / "sample" / "list_to_decode.csv", folder / "cars.csv")


def _printed(command: str, folder: Path) -> str:
    ran = run(command, folder)
    if ran.returncode == FAULT:
        raise SystemExit(f"'{command}' met a fault of ours, which is not for the documentation:\n{ran.stdout}")
    return ran.stdout


def with_sessions_run(text: str, folder: Path) -> str:
    """The document with each session as it goes today."""

    def again(found: re.Match[str]) -> str:
        ((_, steps),) = sessions(found.group(0))
        shown = [as_shown(command, _printed(command, folder)) for command, _ in steps]
        return "".join(["```console\n", *shown, "```"])

    return _SESSION.sub(again, text)


def command_names(group=None, before: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Each command with the words that lead to it, in the order of the help."""
    import click

    from registry.cli import cli

    group = cli if group is None else group
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        yield (*before, name)
        if isinstance(command, click.Group):
            yield from command_names(command, (*before, name))


def help_section(words: tuple[str, ...], folder: Path) -> str:
    """The section of docs/commands.md for one command."""
    title = " ".join(("tubmark", *words))
    printed = run(f"{title} --help", folder)
    if printed.returncode:
        raise SystemExit(f"'{title} --help' ended with {printed.returncode}: {printed.stdout}")
    return f"## {title}\n\n```text\n{printed.stdout.rstrip()}\n```\n"


def commands_page(folder: Path) -> str:
    """docs/commands.md whole."""
    return "\n".join([_HEAD, *(help_section(words, folder) for words in [(), *command_names()])])


def main() -> None:
    """Writes all of it again."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        COMMANDS.parent.mkdir(exist_ok=True)
        COMMANDS.write_text(commands_page(folder), encoding="utf-8")
        print(f"{COMMANDS.relative_to(ROOT)} written")
    for path in TOURS:
        with tempfile.TemporaryDirectory() as scratch:
            prepare(Path(scratch))
            path.write_text(with_sessions_run(path.read_text(encoding="utf-8"), Path(scratch)), encoding="utf-8")
            print(f"{path.relative_to(ROOT)}: its sessions were run and their output written")


if __name__ == "__main__":
    main()
