"""The pages: a Datasette plugin, and a thin shell over the functions that the commands call.

It adds a front page that is a tool, ``/decode``, ``/look-up`` and ``/car/<id>`` (each also with ``.json``, which gives the
command's document), and keeps everything of a registry but its ``public_*`` views from a visitor (``registry.web.guard``).
Under our pages Datasette's own tables, facets and SQL of an edition remain, in our colours.

Each hook is a few lines that call a function. The package brings its templates and static files, which Datasette finds only
beside a package. Written for Datasette 0.65; what 1.0 changes stands in one place each: permission checks in ``guard``,
metadata in ``pages.describe``.
"""

from __future__ import annotations

from typing import Any

import datasette.handle_exception as _handle_exception
from datasette import Forbidden, hookimpl
from datasette.utils import StartupError

from registry.web import guard, pages

# Where the package rich is installed, Datasette prints every error with the local variables of each frame, which may be
# private, into the log, and takes a hundred times as long over it. It offers no setting for this.
_handle_exception.rich = None

#: First parts of our own addresses; a file of such a name would lie under them.
OURS = ("decode", "look-up", "car", "robots")


@hookimpl
def startup(datasette: Any) -> Any:
    for name in datasette.databases:
        if name in OURS:
            raise StartupError(
                f"A file named {name}.db cannot be served: /{name} is a page of Tubmark's. Give the file another name."
            )
    return lambda: pages.describe(datasette)


@hookimpl
def register_routes() -> list[tuple[str, Any]]:
    return [
        (r"/$", pages.front),
        (r"/decode(?P<format>\.json)?$", pages.decode_page),
        (r"/look-up(?P<format>\.json)?$", pages.look_up_page),
        (r"/car/(?P<car>[^/]+?)(?P<format>\.json)?$", pages.car_page),
        (r"/robots\.txt$", pages.robots),
    ]


# Last in line, so that no other rule, and no other plugin's, opens what this one closes.
@hookimpl(trylast=True)
def permission_allowed(datasette: Any, actor: Any, action: str, resource: Any) -> Any:
    async def answer() -> bool | None:
        return await guard.allowed(datasette, actor, action, resource)

    return answer


@hookimpl(tryfirst=True)
def filters_from_request(request: Any, database: str, table: str, datasette: Any) -> Any:
    async def check() -> None:
        refused = await guard.refused_arguments(datasette, request, database, table)
        if refused:
            named = ", ".join(one[:30] for one in refused[:5])
            raise Forbidden(
                f"{named}: that cannot be asked of a registry's public view. Use the columns that the view shows."
            )

    return check


@hookimpl
def render_cell(value: Any, column: str, database: str, datasette: Any) -> Any:
    async def link() -> Any:
        return await pages.car_link(datasette, database, column, value)

    return link


@hookimpl
def forbidden(datasette: Any, request: Any, message: str) -> Any:
    async def page() -> Any:
        return await pages.refused(datasette, request, message)

    return page


@hookimpl
def get_metadata(datasette: Any, key: str, database: str, table: str) -> dict[str, Any]:
    return pages.described(datasette)


@hookimpl
def prepare_jinja2_environment(env: Any, datasette: Any) -> None:
    # Also for pages that are rendered without the extra variables below, as Datasette's own error page is.
    env.globals["tubmark_static"] = lambda name: pages.static(datasette, name)


@hookimpl(tryfirst=True)
def handle_exception(datasette: Any, request: Any, exception: Exception) -> Any:
    async def page() -> Any:
        return await pages.failed(datasette, request, exception)

    return page


@hookimpl
def extra_template_vars(datasette: Any, request: Any) -> Any:
    async def variables() -> dict[str, Any]:
        return await pages.head_and_foot(datasette)

    return variables
