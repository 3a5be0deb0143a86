"""The look-up page and a car's page of an edition, against a raw Starlette page over the same row, both asked in the process itself."""

from __future__ import annotations

import asyncio
import os
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from time import perf_counter
from typing import Any

import httpx
import pytest

from registry import edition, publish
from registry.opening import opened
from tests.benchmarks.harness import record

starlette = pytest.importorskip("starlette", reason="needs Starlette to measure against: pip install starlette")

ROOT = Path(__file__).parents[2]
LOOK_UP, CAR = 10, 20  # the aims
ROUNDS, TIMES = 12, 20


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, Path, str]]:
    """The edition of the sample in Datasette with its key, the file, and a car in it."""
    from datasette.app import Datasette

    folder = tmp_path_factory.mktemp("pages")
    shutil.copy(ROOT / "sample_registry.db", folder / "registry.db")
    with opened(folder / "registry.db", write=True) as db:
        publish.publish(db, folder / "edition.db", date="2026-11-25")
    before = os.environ.get(edition.KEY_FROM)
    os.environ[edition.KEY_FROM] = str(folder / "registry.db")
    datasette = Datasette([], immutables=[str(folder / "edition.db")])
    conn = sqlite3.connect(folder / "edition.db")
    (car,) = conn.execute("SELECT car FROM cars ORDER BY car LIMIT 1").fetchone()
    conn.close()
    yield datasette, folder / "edition.db", car
    for database in datasette.databases.values():
        database.close()
    if datasette.executor is not None:
        datasette.executor.shutdown()
    if before is None:
        del os.environ[edition.KEY_FROM]
    else:
        os.environ[edition.KEY_FROM] = before


def raw(path: Path) -> Any:
    """A page with the same row and nothing else: one SELECT, one string."""
    from html import escape

    from starlette.applications import Starlette
    from starlette.responses import HTMLResponse
    from starlette.routing import Route

    conn = sqlite3.connect(f"file:{path}?mode=ro", uri=True, check_same_thread=False)

    def page(request: Any) -> Any:
        row = conn.execute("SELECT * FROM cars WHERE car = ?", (request.path_params["car"],)).fetchone()
        cells = "".join(f"<td>{escape(str(value))}</td>" for value in row)
        return HTMLResponse(f"<!doctype html><title>{escape(row[0])}</title><table><tr>{cells}</tr></table>")

    async def answer(request: Any) -> Any:
        return page(request)

    return Starlette(routes=[Route("/car/{car}", answer)])


async def measure(datasette: Any, path: Path, ours: str, car: str) -> tuple[float, float]:
    """Seconds a page, best of the rounds, in turn."""
    await datasette.invoke_startup()
    clients = [
        httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://127.0.0.1")
        for app in (datasette.app(), raw(path))
    ]
    best = [float("inf"), float("inf")]
    try:
        for client, asked in zip(clients, (ours, f"/car/{car}"), strict=True):
            response = await client.get(asked)
            assert 200 == response.status_code
            assert car in response.text or "look-up" in asked
        for _ in range(ROUNDS):
            for side, (client, asked) in enumerate(zip(clients, (ours, f"/car/{car}"), strict=True)):
                start = perf_counter()
                for _ in range(TIMES):
                    await client.get(asked)
                best[side] = min(best[side], (perf_counter() - start) / TIMES)
    finally:
        for client in clients:
            await client.aclose()
    return best[0], best[1]


def test_look_up_page(served):
    """A body that is known, and one that is not: what is asked of the keyed fingerprints, near ones too."""
    datasette, path, car = served
    line = record(
        "look-up page, a body that is known / a raw Starlette page over its row",
        *asyncio.run(measure(datasette, path, "/look-up?number=KP+0147", car)),
        LOOK_UP,
    )
    record(
        "look-up page, a body that is not listed / the same",
        *asyncio.run(measure(datasette, path, "/look-up?number=KP+0699", car)),
        None,
    )
    record("look-up page with nothing asked / the same", *asyncio.run(measure(datasette, path, "/look-up", car)), None)
    assert line.is_met


def test_car_page(served):
    datasette, path, car = served
    line = record(
        "a car's page / a raw Starlette page over the same row",
        *asyncio.run(measure(datasette, path, f"/car/{car}", car)),
        CAR,
    )
    assert line.is_met
