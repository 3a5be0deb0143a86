"""House tables and theft reports of a registry, for ``tubmark decode``: plain sqlite3, light to import, read only."""

from __future__ import annotations

import json
import os
import sqlite3
from typing import Any
from urllib.parse import quote

from registry.errors import WrongInput
from registry.schema import EDITION_APPLICATION_ID, REGISTRY_APPLICATION_ID


def open_for_tables(path: str) -> sqlite3.Connection:
    """A read connection to a registry or an edition. Raises WrongInput with a sentence where it is neither."""
    if os.path.isdir(path):
        raise WrongInput(f"'{path}' is a folder. Name the registry file in it with -r.")
    if not os.path.exists(path):
        raise WrongInput(
            f"There is no registry '{path}'. 'tubmark new {path}' starts one; leave out -r to decode without one."
        )
    address = f"file:{quote(os.path.abspath(path))}"
    found = None
    # A registry in a folder that cannot be written (a stick, a CD) has no place for its log: then it is read as it stands.
    for how in ("mode=ro", "mode=ro&immutable=1"):
        connection = sqlite3.connect(f"{address}?{how}", uri=True)
        try:
            found = connection.execute("PRAGMA application_id").fetchone()[0]
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
            break
        except sqlite3.OperationalError:
            connection.close()
        except sqlite3.DatabaseError:
            break
    else:
        raise WrongInput(f"'{path}' cannot be opened. Look whether you may read it.")
    if found not in (REGISTRY_APPLICATION_ID, EDITION_APPLICATION_ID):
        connection.close()
        raise WrongInput(f"'{path}' is not a registry of this program. Name the right file with -r.")
    return connection


def compiled_tables(connection: sqlite3.Connection) -> list[dict[str, Any]]:
    """The compiled house tables in a registry, the latest of each family; the answer names the registry as their place."""
    if connection.execute("PRAGMA application_id").fetchone()[0] != REGISTRY_APPLICATION_ID:
        from registry.edition import tables

        return [family.raw for family in tables(connection) if family.house]
    rows = connection.execute(
        "SELECT family, compiled FROM family_tables WHERE id IN (SELECT max(id) FROM family_tables GROUP BY family) ORDER BY family"
    ).fetchall()
    return [{**json.loads(compiled), "origin": "table in the registry"} for _, compiled in rows]


def near_theft_reports(connection: sqlite3.Connection, text: str, tables: Any) -> list[dict[str, str]]:
    """A stop for each theft report that holds this number or one a character away."""
    from registry.lookup import theft_stops

    if connection.execute("PRAGMA application_id").fetchone()[0] != REGISTRY_APPLICATION_ID:
        return []  # an edition holds no theft reports
    return theft_stops(connection, text, tables)


def has_theft_reports(connection: sqlite3.Connection) -> bool:
    """Whether this is a registry that keeps any theft report; an edition holds none."""
    if connection.execute("PRAGMA application_id").fetchone()[0] != REGISTRY_APPLICATION_ID:
        return False
    return bool(connection.execute("SELECT count(*) FROM theft_reports").fetchone()[0])
