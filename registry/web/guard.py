"""Who may see what, where a list is served.

Two kinds of file are served. An *edition* holds nothing private and is public as a whole: Datasette's ordinary rules hold.
A *registry* holds everything, so of it a visitor sees the views named ``public_*`` and nothing else: no table, no row of a
table, no SQL, no download, no page of Datasette's own about the instance (they name paths on disk). The rule is a denial
with an exception, not a list of denials. As long as one registry is served, every other file of the instance that is not
an edition is closed as well, Datasette's own in-memory ones included, since a query there can reach an attached registry.

A file that only looks like an edition (a registry whose mark was lost, an edition with a table of people in it) is taken
for a registry. Whoever started the server and signed in as root falls under Datasette's ordinary rules.
"""

from __future__ import annotations

import sqlite3
from typing import Any

from registry.schema import EDITION_APPLICATION_ID, REGISTRY_APPLICATION_ID

EDITION, REGISTRY, OTHER = "edition", "registry", "other"

#: Tables that stand in a registry and never in an edition.
_PRIVATE_TABLES = frozenset(
    {"people", "entries", "events", "consents", "statements", "readings", "theft_reports", "number_keys"}
)

#: What may stand in the address of a public view: Datasette's own arguments that read nothing but that view.
_ARGUMENTS = frozenset(
    [
        "_sort_by_desc",
        "_size",
        "_next",
        "_shape",
        "_facet_size",
        "_nofacet",
        "_nocount",
        "_nosuggest",
        "_labels",
        "_stream",
        "_dl",
        "_header",
        "_nl",
        "_json",
        "_json_infinity",
        "_search",
    ]
)
#: Those whose value is a column, which has to be one of the view's.
_NAMING_COLUMNS = frozenset({"_sort", "_sort_desc", "_facet", "_col", "_nocol", "_label"})

#: The kind of each database object, as far as it cannot change: a registry stays one, an immutable file stays what it is.
_KNOWN_KIND = "_tubmark_kind"


def _kind_of_file(conn: sqlite3.Connection) -> tuple[int, set[str]]:
    mark = conn.execute("PRAGMA application_id").fetchone()[0]
    return mark, {
        row[0].lower() for row in conn.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")
    }


async def kind(datasette: Any, name: str) -> str:
    """Whether the database ``name`` is an edition, a registry or something else (a name that is not served: something else)."""
    db = datasette.databases.get(name)
    if db is None:
        return OTHER
    known = getattr(db, _KNOWN_KIND, None)
    if known is not None:
        return str(known)
    if db.is_memory or name == "_internal":
        return OTHER
    mark, tables = await db.execute_fn(_kind_of_file)
    if mark == REGISTRY_APPLICATION_ID or tables & _PRIVATE_TABLES:
        found = REGISTRY
    elif mark == EDITION_APPLICATION_ID:
        found = EDITION
    else:
        found = OTHER
    if found == REGISTRY or not db.is_mutable:
        setattr(db, _KNOWN_KIND, found)
    return found


async def kinds(datasette: Any) -> dict[str, str]:
    """The kind of every database that is served, by name."""
    return {name: await kind(datasette, name) for name in datasette.databases}


async def public_views(datasette: Any, name: str) -> list[str]:
    """The views of a registry that anybody may see."""
    return [view for view in await datasette.databases[name].view_names() if view.startswith("public_")]


def is_root(actor: Any) -> bool:
    """Whether the visitor is whoever started this server and signed in with the address it printed."""
    return bool(actor) and actor.get("id") == "root"


async def allowed(datasette: Any, actor: Any, action: str, resource: Any) -> bool | None:
    """The answer to one question of Datasette's: False to refuse, True to allow, None to leave it to the ordinary rules."""
    if is_root(actor):
        return None
    database = resource[0] if isinstance(resource, tuple) else resource
    found = await kinds(datasette)
    if REGISTRY not in found.values():
        return None
    if isinstance(database, str) and found.get(database) == EDITION:
        # Said aloud, since what is asked next, after silence, is the instance, and that is closed. An operator's own rule for
        # the edition keeps its force.
        own_rule = (
            datasette.metadata("allow", database=database, fallback=False) is not None
            or datasette.metadata("allow") is not None
        )
        return True if action == "view-database" and not own_rule else None
    if action == "view-table" and isinstance(resource, tuple) and found.get(database) == REGISTRY:
        return resource[1] in await public_views(datasette, resource[0])
    return False


async def refused_arguments(datasette: Any, request: Any, database: str, table: str) -> list[str]:
    """Arguments in the address of a registry's view that could reach past it: a search table, a join, a condition, a column
    that the view has not."""
    if is_root(request.actor) or await kind(datasette, database) != REGISTRY:
        return []
    columns = set(await datasette.databases[database].table_columns(table))
    refused = set()
    for key in request.args:
        if not key.startswith("_"):
            if key.partition("__")[0] not in columns:
                refused.add(key)
        elif key in _NAMING_COLUMNS or key.startswith("_filter_column"):
            if any(value and value not in columns for value in request.args.getlist(key)):
                refused.add(key)
        elif key == "_next" and not all(value.isdigit() for value in request.args.getlist(key)):
            refused.add(key)  # in a view the next page begins at a row's number; Datasette fails on anything else
        elif key not in _ARGUMENTS and not key.startswith(("_filter_op", "_filter_value")):
            refused.add(key)
    return sorted(refused)
