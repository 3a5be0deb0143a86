"""What a person gets by `pip install`: every table, page and stylesheet, and nothing of the workshop."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from configparser import ConfigParser
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
#: What stands in the rooms and is meant to go out. Everything else there is a by-product.
SHIPPED = (
    "decoder/**/*.py",
    "decoder/tables/*.yml",
    "decoder/tables/compiled.json",
    "registry/**/*.py",
    "registry/web/templates/*.html",
    "registry/web/static/*",
)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """The wheel, built without the network from a copy, so that no build folder is left beside the code."""
    folder = tmp_path_factory.mktemp("wheel")
    copy = folder / "project"
    copy.mkdir()
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, copy)
    for room in ("decoder", "registry"):
        shutil.copytree(ROOT / room, copy / room, ignore=shutil.ignore_patterns("__pycache__"))
    built = subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "wheel",
            "--no-deps",
            "--no-build-isolation",
            "--no-index",
            "--disable-pip-version-check",
            "--wheel-dir",
            str(folder),
            str(copy),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stdout + built.stderr
    (path,) = folder.glob("tubmark-*.whl")
    with zipfile.ZipFile(path) as opened:
        yield opened


def test_everything_shipped_is_in_the_wheel_and_nothing_else(wheel):
    """A table or a page that is left out is found missing by a stranger only."""
    expected = {
        path.relative_to(ROOT).as_posix()
        for pattern in SHIPPED
        for path in ROOT.glob(pattern)
        if path.is_file() and "__pycache__" not in path.parts
    }
    found = {name for name in wheel.namelist() if ".dist-info/" not in name}
    assert {"decoder/tables/aircooled-platform.yml", "decoder/tables/compiled.json"} <= expected
    assert any(name.startswith("registry/web/templates/") for name in expected)
    assert any(name.startswith("registry/web/static/") for name in expected)
    assert found == expected


def test_the_command_and_the_plugin_are_entry_points(wheel):
    """`tubmark` on the path, and the pages in Datasette, without any further step."""
    (name,) = (name for name in wheel.namelist() if name.endswith("entry_points.txt"))
    entry_points = ConfigParser()
    entry_points.read_string(wheel.read(name).decode())
    assert dict(entry_points["console_scripts"]) == {"tubmark": "registry.cli:main"}
    assert dict(entry_points["datasette"]) == {"tubmark": "registry.web"}


def test_the_licence_is_in_the_wheel(wheel):
    """Who gets the wheel gets the terms with it."""
    assert any(name.endswith("licenses/LICENSE") for name in wheel.namelist())


def test_the_wheel_runs_by_itself(wheel, tmp_path):
    """Unpacked alone, away from the project folder, the tables are found and a number is decoded."""
    wheel.extractall(tmp_path / "alone")
    ran = subprocess.run(
        [
            sys.executable,
            "-c",
            "import decoder, sys; print(decoder.__file__); sys.exit(decoder.decode('118 012 345').status)",
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env={"PYTHONPATH": str(tmp_path / "alone"), "PATH": "/usr/bin:/bin"},
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.strip() == str(tmp_path / "alone" / "decoder" / "__init__.py")
