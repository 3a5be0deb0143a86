"""Imports run one way: web, commands and cli -> registry -> decoder -> the standard library.

A function that the page and the command both use lives one room below both; then they cannot differ. The walk
is over the text of the files (``ast``), so imports inside functions count as well.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
#: `_sha2` is the name that `_sha256` has from Python 3.12 on.
STANDARD = sys.stdlib_module_names | {"_sha2", "_sha256"}

#: What decoder/ may take from outside: tables are YAML, lists are arrays, and input is checked at the border.
DECODER_MAY_USE = {"yaml", "numpy", "pydantic"}
#: Names of the standard library that reach out of the room: clock, environment, files, network, chance.
REACHING_OUT = {
    "os",
    "sys",
    "io",
    "time",
    "random",
    "secrets",
    "socket",
    "ssl",
    "urllib",
    "http",
    "sqlite3",
    "subprocess",
    "shutil",
    "tempfile",
    "glob",
    "pathlib",
    "importlib",
    "threading",
    "multiprocessing",
    "asyncio",
    "uuid",
    "getpass",
    "platform",
}
#: The one file of decoder/ that opens its tables.
OPENS_TABLES = "families.py"
#: What `tubmark decode` may not wait for. `importlib.metadata` is what a version option would bring.
NOT_AT_START = ("pydantic", "numpy", "sqlite_utils", "datasette", "yaml", "importlib.metadata")


def modules(room: str) -> list[Path]:
    return sorted(path for path in (ROOT / room).rglob("*.py"))


def imports_of(path: Path) -> Iterator[tuple[str, int, bool]]:
    """Each imported module with its full name, its line, and whether it stands at the top of the file."""
    tree = ast.parse(path.read_text(encoding="utf-8"), str(path))
    inside = {
        id(node)
        for later in ast.walk(tree)
        if isinstance(later, ast.FunctionDef | ast.AsyncFunctionDef)
        # What only a type checker reads is not loaded by anybody.
        or (isinstance(later, ast.If) and ast.unparse(later.test).endswith("TYPE_CHECKING"))
        for node in ast.walk(later)
    }
    package = path.relative_to(ROOT).parent.parts
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno, id(node) not in inside
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            module = ".".join(filter(None, (base, node.module or "")))
            # `from registry import web` names a module as well as `import registry.web` does.
            for alias in node.names:
                yield f"{module}.{alias.name}", node.lineno, id(node) not in inside


def wrong(path: Path, line: int, name: str, why: str) -> str:
    return f"{path.relative_to(ROOT)}:{line} imports {name}: {why}"


def test_the_rooms_are_there():
    """A walk over nothing would find nothing wrong."""
    assert {"families.py", "decoding.py", "reading.py"} <= {path.name for path in modules("decoder")}
    assert {"store.py", "lookup.py", "publish.py", "cli.py"} <= {path.name for path in modules("registry")}
    assert modules("registry/web") and modules("registry/commands")


def test_decoder_knows_nothing_of_the_registry():
    """decoder/ imports itself, the standard library and the packages named here, nothing else."""
    faults = []
    for path in modules("decoder"):
        for name, line, _ in imports_of(path):
            top = name.partition(".")[0]
            if top not in {"decoder", *DECODER_MAY_USE} and top not in STANDARD:
                faults.append(
                    wrong(
                        path,
                        line,
                        name,
                        "decoder/ knows only itself, the standard library and " + ", ".join(sorted(DECODER_MAY_USE)),
                    )
                )
    assert faults == []


def test_decoder_reaches_for_nothing_outside():
    """No clock, no environment, no file, no network in decoder/; families.py alone opens the tables."""
    faults = []
    for path in modules("decoder"):
        if path.name == OPENS_TABLES:
            continue
        for name, line, _ in imports_of(path):
            if name.partition(".")[0] in REACHING_OUT:
                faults.append(wrong(path, line, name, "decoder/ reaches for nothing outside its tables"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                if called in {"open", "print", "input"} or called.endswith((".today", ".now", ".utcnow", ".read_text")):
                    faults.append(f"{path.relative_to(ROOT)}:{node.lineno} calls {called}")
    assert faults == []


def test_families_reads_no_clock_and_no_environment():
    """Even the file that opens the tables is told where they are: the folder is an argument."""
    path = ROOT / "decoder" / OPENS_TABLES
    faults = [
        wrong(path, line, name, "a date or a setting is an argument here")
        for name, line, _ in imports_of(path)
        if name.partition(".")[0] in REACHING_OUT - {"os", "pathlib", "importlib", "io"}
    ]
    text = path.read_text(encoding="utf-8")
    faults += [word for word in ("environ", "getenv", "expanduser", ".home()", ".cwd()", "getcwd") if word in text]
    assert faults == []


@pytest.mark.parametrize("shell", ["registry.web", "registry.cli", "registry.commands"])
def test_no_room_below_knows_the_shells(shell):
    """The functions that do the work are called by the page and by the command, and know of neither."""
    faults = []
    for path in modules("registry"):
        within = path.relative_to(ROOT / "registry").parts
        if within[0] in {"web", "commands"} or within == ("cli.py",):
            continue
        for name, line, _ in imports_of(path):
            if name == shell or name.startswith(shell + "."):
                faults.append(wrong(path, line, name, "a room below does not know the shells above it"))
    assert faults == []


def test_the_page_and_the_commands_do_not_know_each_other():
    """Neither shell takes a function from the other: what both need lies one room below."""
    faults = []
    for room, other in (("web", "commands"), ("commands", "web")):
        for path in modules(f"registry/{room}"):
            for name, line, _ in imports_of(path):
                if name.startswith((f"registry.{other}", "registry.cli")):
                    faults.append(wrong(path, line, name, "what both shells need lies one room below"))
    assert faults == []


def test_heavy_packages_are_imported_where_they_are_used():
    """On the way to `tubmark decode` no file names a heavy package at its top."""
    on_the_way = [
        "registry/__init__.py",
        "registry/cli.py",
        "registry/commands/__init__.py",
        "registry/commands/decode.py",
        "decoder/__init__.py",
        "decoder/errors.py",
        "decoder/reading.py",
        "decoder/families.py",
        "decoder/channel.py",
        "decoder/patterns.py",
        "decoder/weighing.py",
        "decoder/decoding.py",
        "decoder/words.py",
    ]
    faults = []
    for name in on_the_way:
        for imported, line, at_top in imports_of(ROOT / name):
            if at_top and any(imported == heavy or imported.startswith(heavy + ".") for heavy in NOT_AT_START):
                faults.append(wrong(ROOT / name, line, imported, "import it inside the function that needs it"))
    assert faults == []


#: Runs the command as a person does and tells which of the heavy packages it loaded.
_RUN_DECODE = """
import sys
from registry.cli import main
sys.argv = ["tubmark", "decode", "118 012 345"]
try:
    main()
except SystemExit as end:
    if end.code not in (0, None):
        raise
print("LOADED", *sorted(name for name in {heavy!r} if name in sys.modules))
"""


def test_decode_loads_no_heavy_package(tmp_path):
    """A person at the car waits for the answer, not for packages that the answer does not need."""
    ran = subprocess.run(
        [sys.executable, "-c", _RUN_DECODE.format(heavy=NOT_AT_START)],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={"PATH": "/usr/bin:/bin", "HOME": str(tmp_path)},
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert "This floor was made" in ran.stdout
    assert ran.stdout.splitlines()[-1].split() == ["LOADED"]
