"""The published list as a person meets it: a browser on a telephone and on a desk, by day and by night.

An edition is published from the sample registry and served by ``tubmark serve``. The pictures stay in ``artefacts/``.
Where there is no browser the tests are skipped and say so; under CI a missing browser is a failure.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parent.parent
PICTURES = ROOT / "artefacts"
#: Seconds until a busy machine has started the server or drawn a page.
PATIENCE = 60
#: So that the browser itself asks nobody for anything.
ALONE = [
    "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


def _missing(reason: str) -> None:
    if os.environ.get("CI") == "true":
        pytest.fail(f"No browser test without a browser: {reason}")
    pytest.skip(f"{reason} Install chromium and 'pip install playwright' to run the browser tests.")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    try:
        from playwright.sync_api import Error, sync_playwright
    except ImportError:
        _missing("playwright is not installed.")
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        _missing("there is no chromium on this machine.")
    with contextlib.ExitStack() as closing:
        try:
            play = closing.enter_context(sync_playwright())
            args = [*ALONE, "--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else ALONE
            started = play.chromium.launch(executable_path=found, args=args)
        except Error as error:
            _missing(f"chromium could not be started ({str(error).splitlines()[0]}).")
        yield started
        started.close()


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of an edition of the sample, served by the command beside its key."""
    from registry import publish
    from registry.opening import opened

    folder = tmp_path_factory.mktemp("served")
    registry = folder / "registry.db"
    shutil.copy(ROOT / "sample_registry.db", registry)
    with opened(registry, write=True) as db:
        publish.publish(db, folder / "edition.db", date="2026-11-25")
    NOT_LISTED.append(_not_listed(folder / "edition.db", registry))
    log = folder / "server.log"
    command = [
        sys.executable,
        "-c",
        "from registry.cli import main; main()",
        "serve",
        "edition.db",
        "--registry",
        "registry.db",
        "--port",
        "0",
    ]
    with log.open("w", encoding="utf-8") as written:
        server = subprocess.Popen(
            command, cwd=folder, stdout=written, stderr=subprocess.STDOUT, env=os.environ | {"PYTHONPATH": str(ROOT)}
        )
    try:
        until = time.monotonic() + PATIENCE
        while True:
            said = log.read_text(encoding="utf-8")
            told = re.search(r"(http://127\.0\.0\.1:\d+)/", said)
            if told and "startup complete" in said:
                break
            assert server.poll() is None, f"The server ended by itself:\n{said}"
            assert time.monotonic() < until, f"The server did not start in {PATIENCE} seconds:\n{said}"
            time.sleep(0.1)
        yield told[1]
    finally:
        server.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            server.wait(timeout=10)
        if server.poll() is None:
            server.kill()
            server.wait()
    assert "Traceback" not in log.read_text(encoding="utf-8")


#: A serial that was issued and of which this edition knows nothing, nor anything one character off; found when it is made.
NOT_LISTED: list[str] = []


def _not_listed(path: Path, registry: Path) -> str:
    from registry import edition

    key = edition.key_from_registry(registry)
    conn = sqlite3.connect(path)
    try:
        return next(
            serial
            for serial in (f"KP {number:04}" for number in range(101, 713))
            if edition.look_up(conn, serial, key).answer == "not listed"
        )
    finally:
        conn.close()


class Visit:
    """A page with what it asked for and what it complained of."""

    def __init__(self, page: Any, address: str, name: str) -> None:
        self.page, self.address, self.name = page, address, name
        self.complaints: list[str] = []
        self.elsewhere: list[str] = []
        page.on(
            "console", lambda said: self.complaints.append(said.text) if said.type in ("error", "warning") else None
        )
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on(
            "request",
            lambda asked: None if asked.url.startswith((address + "/", "data:")) else self.elsewhere.append(asked.url),
        )
        page.set_default_timeout(PATIENCE * 1000)

    def picture(self, what: str) -> None:
        """Keep a picture of the whole page, and see that it is not wider than the screen."""
        PICTURES.mkdir(exist_ok=True)
        self.page.screenshot(path=str(PICTURES / f"{what}-{self.name}.png"), full_page=True)
        wide = self.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, f"{what} is {wide} pixels wider than the screen"


@pytest.fixture(
    params=[(390, 844, "light"), (390, 844, "dark"), (1280, 900, "light"), (1280, 900, "dark")],
    ids=lambda p: f"{p[0]}-{p[2]}",
)
def visit(request: pytest.FixtureRequest, browser: Any, address: str) -> Iterator[Visit]:
    width, height, scheme = request.param
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=scheme, java_script_enabled=False
    )
    seen = Visit(context.new_page(), address, f"{width}-{scheme}")
    yield seen
    cookies = context.cookies()
    context.close()
    assert seen.elsewhere == []
    assert seen.complaints == []
    assert cookies == []


def text(page: Any) -> str:
    return " ".join(page.inner_text("main").split())


def test_a_number_is_decoded_from_the_front_page(visit: Visit) -> None:
    page = visit.page
    page.goto(visit.address + "/")
    visit.picture("front")
    page.get_by_label("The number, as you read it").fill("118 000 001")
    page.get_by_label("Where it is stamped").select_option("pan")
    page.get_by_role("button", name="Decode").click()
    assert "This floor was made" in text(page) and "1967" in text(page)
    assert page.get_by_role("img", name=re.compile("1; 1; 8; 0; 0; 0; 0; 0; 1")).is_visible()
    why = page.get_by_text("Why: the rows and where they stand").first
    why.click()
    assert page.get_by_text("Standing:").first.is_visible()
    visit.picture("decode")


def test_a_doubtful_number_shows_its_doubt_and_what_would_settle_it(visit: Visit) -> None:
    page = visit.page
    page.goto(visit.address + "/decode")
    page.get_by_label("The number, as you read it").fill("S6 2[17]967")
    page.get_by_label("Where it is stamped").select_option("pan")
    page.get_by_role("button", name="Decode").click()
    assert "house table" in text(page)
    assert "Look at the fourth character again" in text(page)
    assert page.locator(".strip .doubt").first.is_visible()
    visit.picture("decode-doubtful")


def test_an_altered_surface_stops(visit: Visit) -> None:
    page = visit.page
    page.goto(visit.address + "/decode")
    page.get_by_label("The number, as you read it").fill("S6 21967")
    page.get_by_label("The metal around it").select_option("ground")
    page.get_by_role("button", name="Decode").click()
    assert text(page).startswith("Stop: number looks altered")
    visit.picture("stop")


def test_what_cannot_be_read_is_said_beside_the_field(visit: Visit) -> None:
    page = visit.page
    page.goto(visit.address + "/")
    page.get_by_label("The number, as you read it").fill("11[38")
    page.get_by_role("button", name="Decode").click()
    assert page.locator("#error-number").is_visible()
    assert "not closed" in page.locator("#error-number").inner_text()
    visit.picture("wrong")
    # A browser reports the status 400 of the page itself; that is what it is meant to see.
    visit.complaints[:] = [said for said in visit.complaints if "400" not in said]


def test_a_body_is_looked_up_and_its_car_opened(visit: Visit) -> None:
    page = visit.page
    page.goto(visit.address + "/")
    page.get_by_label("The body's number, as you read it on the car").fill("KP O147")
    page.get_by_role("button", name="Look it up").click()
    assert "This number is known: E21-003." in text(page)
    visit.picture("look-up-known")
    page.get_by_role("link", name="The public entry of E21-003").click()
    assert page.url.endswith("/car/E21-003")
    said = text(page)
    assert "Pantile, series A" in said and "0147" not in said
    visit.picture("car")
    page.get_by_role("link", name=re.compile("Its row in the tables")).click()
    assert "E21-003" in text(page)
    visit.picture("row")


def test_a_body_one_character_off_is_sent_back_to_the_metal(visit: Visit) -> None:
    page = visit.page
    page.goto(visit.address + "/look-up")
    page.get_by_label("The body's number, as you read it on the car").fill("KP 0149")
    page.get_by_role("button", name="Look it up").click()
    assert "differs in a single place" in text(page)
    assert page.locator(".strip .caret").first.is_visible()
    assert "E21-003" not in text(page) and "0147" not in text(page)
    visit.picture("look-up-near")


def test_a_body_that_is_not_listed(visit: Visit) -> None:
    page = visit.page
    page.goto(visit.address + "/look-up")
    page.get_by_label("The body's number, as you read it on the car").fill(NOT_LISTED[0])
    page.get_by_role("button", name="Look it up").click()
    assert "This number is not listed here." in text(page)
    visit.picture("look-up-not-listed")


def test_browsing_leads_from_the_front_page_to_a_car(visit: Visit) -> None:
    page = visit.page
    page.goto(visit.address + "/")
    page.get_by_role("navigation").get_by_role("link", name="Cars").click()
    assert "It is no maker's number" in text(page)
    visit.picture("cars")


def test_the_tables_own_script_runs_without_a_complaint(browser: Any, address: str) -> None:
    """Datasette's table and SQL pages bring scripts of their own; they come from here and say nothing."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    seen = Visit(context.new_page(), address, "scripts")
    for path in ("/edition/cars", "/edition", "/edition?sql=select+car+from+cars", "/edition/cars/E21-003"):
        seen.page.goto(address + path)
        seen.page.wait_for_load_state("networkidle")
    context.close()
    assert (seen.elsewhere, seen.complaints) == ([], [])


@pytest.mark.parametrize("path", ["/", "/decode?number=118+000+001&on=pan", "/look-up?number=KP+O147", "/car/E21-003"])
def test_what_is_touched_is_large_enough_for_a_thumb(browser: Any, address: str, path: str) -> None:
    """44 pixels high, but for a link inside a sentence, which can be no taller than its line."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(address + path)
    small = page.evaluate(
        """() => [...document.querySelectorAll('a, button, input, select, summary')]
        .filter(one => one.offsetParent && !one.classList.contains('skip') && one.type !== 'hidden')
        .filter(one => !(one.tagName === 'A' && one.closest('p.small, p.hint')))
        .map(one => [one.outerHTML.slice(0, 80), one.getBoundingClientRect().height])
        .filter(([, height]) => height < 44)"""
    )
    context.close()
    assert small == []
