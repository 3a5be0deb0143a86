"""Number families: published numbering schemes, and where their tables are found.

This is the one file of the room that opens anything, and it opens tables only: those that come with the package
(``decoder/tables/*.yml``), those of a folder the user names, and compiled ones handed over by a registry. YAML is the
source. Reading it takes hundreds of times as long as the answer, so a compiled copy (``compiled.json``) is what runs; it
carries the hash of each source, and a copy whose hash does not agree is made anew.

A table of the same id in the user's folder wins over the packaged one, and one in the registry wins over both; the answer
names where it came from. A folder may also hold ``confirmations.json``: rows that were from memory and that somebody has
since seen in a handbook (``confirm``).
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

from decoder.errors import TableError, UnknownFamily

_HERE = Path(__file__).parent / "tables"
_COMPILED = "compiled.json"
CONFIRMATIONS = "confirmations.json"
REREADINGS = "rereadings.csv"


def load_packaged() -> dict[str, dict[str, Any]]:
    """The compiled tables that come with the package, by id."""
    return _load_folder(_HERE, "packaged table")


def load_user_folder(folder: str | os.PathLike[str]) -> dict[str, dict[str, Any]]:
    """The compiled tables of a user's folder. Raises TableError where it cannot be read or a table is wrong."""
    path = Path(folder)
    if not path.is_dir():
        raise TableError(f"There is no folder '{path}' with tables. Make it, or leave out --tables.")
    return _load_folder(path, f"table in {path}")


def load_data(name: str) -> dict[str, Any]:
    """A packaged table that a decoder of its own reads (``vin17``, ``marks``)."""
    if name not in _data:
        _data[name] = load_packaged()[name]
    return _data[name]


_data: dict[str, dict[str, Any]] = {}


def _load_folder(folder: Path, origin: str) -> dict[str, dict[str, Any]]:
    try:
        # A name that begins with a dot is some program's own (an editor's, a disk's), not a table.
        sources = sorted(p for p in os.listdir(folder) if p.endswith(".yml") and not p.startswith("."))
        texts = {name: (folder / name).read_bytes() for name in sources}
    except OSError as error:
        raise TableError(
            f"'{error.filename}' cannot be read: {error.strerror}. Mend that, or name another folder."
        ) from None
    copy = _compiled_copy(folder / _COMPILED)
    out: dict[str, dict[str, Any]] = {}
    fresh = len(copy) == len(texts)
    for name, raw in texts.items():
        compiled = copy.get(name)
        if not isinstance(compiled, dict) or compiled.get("sha256") != _sha256(raw):
            compiled, fresh = _compile(raw, folder / name), False
        out[compiled["family"]] = copy[name] = compiled
    if not fresh:
        _write_copy(folder / _COMPILED, {name: copy[name] for name in sources})
    for compiled in out.values():
        compiled["origin"] = origin
    return out


def _sha256(raw: bytes) -> str:
    # The extension modules start ten times faster than hashlib, which loads OpenSSL; decode's start-up is a promise.
    try:
        from _sha2 import sha256  # type: ignore[import-not-found,unused-ignore]  # Python 3.12 and later
    except ImportError:
        try:
            from _sha256 import sha256  # type: ignore[import-not-found,unused-ignore]
        except ImportError:
            from hashlib import sha256
    return str(sha256(raw).hexdigest())


def _compiled_copy(path: Path) -> dict[str, dict[str, Any]]:
    try:
        data = json.loads(path.read_bytes())
        if data["format"] == FORMAT:
            return dict(data["tables"])
    except (OSError, ValueError, KeyError, TypeError):
        pass  # no copy, or one of another version: it is made anew
    return {}


#: The compiled form's version; the same figure stands in decoder.compiling, which is not imported to answer (a test compares).
FORMAT = 5


def _compile(raw: bytes, path: Path) -> dict[str, Any]:
    from decoder.compiling import compile_table

    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise TableError(
            f"{path}: this is not UTF-8 text ({error.reason} at byte {error.start}). Save it as UTF-8."
        ) from None
    compiled = compile_table(text, str(path))
    if compiled.get("family") != path.stem:
        raise TableError(
            f"{path}:1: the family is '{compiled.get('family')}', but the file is '{path.name}'. Give both one name."
        )
    return compiled


def _write_copy(path: Path, tables: dict[str, dict[str, Any]]) -> None:
    """Keep the compiled copy for the next time; a folder that cannot be written is no fault."""
    plain = {name: {k: v for k, v in t.items() if k != "origin"} for name, t in tables.items()}
    text = json.dumps({"format": FORMAT, "tables": plain}, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        temporary.write_text(text + "\n", encoding="utf-8")
        os.replace(temporary, path)
    except OSError:
        with suppress(OSError):
            temporary.unlink()


def check_file(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Compile one file and return it. Raises TableError with file, line, row and reason."""
    file = Path(path)
    try:
        raw = file.read_bytes()
    except OSError as error:
        raise TableError(f"'{file}' cannot be read: {error.strerror}. Check the name.") from None
    return _compile(raw, file)


def confirm(folder: str | os.PathLike[str], family: dict[str, Any], row: str, source: str) -> Path:
    """Note in the user's own folder that a row from memory has been seen in ``source``; returns the file written.

    Raises UnknownFamily where the family has no such row, TableError where the row is not from memory or the folder cannot
    be written.
    """
    rows = {r["id"]: r for r in family.get("rows", [])}
    if row not in rows:
        raise UnknownFamily(
            f"Family {family['family']} has no row '{row}'. 'tubmark families show {family['family']}' lists them."
        )
    if not (rows[row]["memory"] or rows[row]["structure"]):
        raise TableError(
            f"Row '{row}' of {family['family']} was seen in its source already; there is nothing to confirm."
        )
    if not source.strip():
        raise TableError("Name the source: which handbook, which page.")
    path = Path(folder) / CONFIRMATIONS
    notes = read_confirmations(folder)
    notes.setdefault(family["family"], {})[row] = source.strip()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_name(f".{path.name}.{os.getpid()}")
        temporary.write_text(json.dumps(notes, indent=2, ensure_ascii=False, sort_keys=True) + "\n", encoding="utf-8")
        os.replace(temporary, path)
    except OSError as error:
        raise TableError(f"'{path}' cannot be written: {error.strerror}. Name another folder with --tables.") from None
    return path


def read_confirmations(folder: str | os.PathLike[str]) -> dict[str, dict[str, str]]:
    """The confirmations of a folder: family to row to source; empty where there are none."""
    path = Path(folder) / CONFIRMATIONS
    try:
        raw = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise TableError(f"'{path}' cannot be read: {error.strerror}.") from None
    try:
        data = json.loads(raw)
        return {str(f): {str(r): str(s) for r, s in rows.items()} for f, rows in data.items()}
    except (ValueError, AttributeError):
        raise TableError(f"'{path}' is damaged. Mend it or take it away; no table is touched by that.") from None


def read_rereadings(folder: str | os.PathLike[str]) -> dict[str, dict[str, int]]:
    """A shop's own re-readings: ``rereadings.csv`` with the columns stamped, read, count; empty where there is none.

    Raises TableError naming the line that is wrong.
    """
    import csv

    path = Path(folder) / REREADINGS
    out: dict[str, dict[str, int]] = {}
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            rows = csv.DictReader(file)
            for row in rows:
                stamped, read, count = ((row.get(k) or "").strip().upper() for k in ("stamped", "read", "count"))
                if not (len(stamped) == len(read) == 1 and (stamped + read).isalnum() and count.isdigit()):
                    raise TableError(
                        f"{path}:{rows.line_num}: a row is the character stamped, the one that was read, and how often, as 3,8,2."
                    )
                out.setdefault(stamped, {})[read] = out.get(stamped, {}).get(read, 0) + int(count)
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise TableError(f"'{path}' cannot be read: {error}.") from None
    return out


def with_confirmations(
    tables: dict[str, dict[str, Any]], notes: dict[str, dict[str, str]]
) -> dict[str, dict[str, Any]]:
    """``tables`` with the confirmed rows seen: no longer from memory, their source named first."""
    out = dict(tables)
    for family, rows in notes.items():
        table = out.get(family)
        if table is None or "rows" not in table:
            continue
        confirmed = [
            {**r, "memory": [], "structure": [], "confirmed": rows[r["id"]]} if r["id"] in rows else r
            for r in table["rows"]
        ]
        out[family] = {**table, "rows": confirmed}
    return out


def named(tables: dict[str, dict[str, Any]], wanted: Iterable[str]) -> None:
    """Raises UnknownFamily for the first of ``wanted`` that is not in ``tables``."""
    for one in wanted:
        if one not in tables:
            raise UnknownFamily(f"There is no family '{one}'. 'tubmark families' lists them.")
