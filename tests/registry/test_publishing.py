"""``tubmark publish`` and ``tubmark serve``: what is typed, what is printed, and with which status it ends."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from publishable import BY, EDITION_DAY, agree, car, stock

from registry import edition
from registry.cli import run
from registry.commands import publishing
from registry.opening import is_edition, open_registry


@pytest.fixture
def folder(db, tmp_path, monkeypatch) -> Path:
    """A folder with a registry of two cars in it, and no registry named by the surroundings."""
    stock(db)
    car(db, "E26-001", "KP 0147")
    car(db, "E26-002", "KP 0258", consent="withdrawn", owner="Corin Dravenhall")
    for name in ("TUBMARK_REGISTRY", edition.KEY_FROM):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_publish(folder, capsys):
    """The proof, then where it is and how to look at it."""
    assert run(["publish", "edition.db", "-r", "try.db", "--date", EDITION_DAY, "--by", BY]) == 0
    printed = capsys.readouterr().out
    assert is_edition("edition.db")
    assert printed.startswith(f"An edition of {EDITION_DAY} holds 1 car.")
    assert "Absent: E26-002, consent withdrawn." in printed
    assert "Look at it with: tubmark serve edition.db --registry try.db" in printed
    for private in ("Hesper", "Dravenhall", "KP 0147", "KP0147", "0258", "example.invalid"):
        assert private not in printed


def test_publish_with_the_registry_of_the_surroundings(folder, db, monkeypatch):
    """-r, else TUBMARK_REGISTRY, else registry.db."""
    monkeypatch.setenv("TUBMARK_REGISTRY", "try.db")
    assert run(["publish", "edition.db", "--date", EDITION_DAY]) == 0
    monkeypatch.delenv("TUBMARK_REGISTRY")
    assert run(["publish", "edition.db", "--date", EDITION_DAY]) == 2
    db.execute("VACUUM INTO 'registry.db'")
    assert run(["publish", "edition.db", "--date", EDITION_DAY]) == 0


def test_the_proof_alone_writes_nothing(folder, capsys, db):
    """One reads it as often as one likes."""
    before = [db[name].count for name in ("events", "editions", "published_cars")]
    assert run(["publish", "edition.db", "-r", "try.db", "--date", EDITION_DAY, "--proof"]) == 0
    assert run(["publish", "-r", "try.db", "--date", EDITION_DAY, "--proof"]) == 0
    assert not (folder / "edition.db").exists()
    assert before == [db[name].count for name in ("events", "editions", "published_cars")]
    assert f"An edition of {EDITION_DAY} would hold 1 car." in capsys.readouterr().out


def test_json(folder, capsys):
    """One document on standard output; the proof's fields and the edition's hash."""
    assert run(["publish", "-r", "try.db", "--date", EDITION_DAY, "--proof", "--json"]) == 0
    proof = json.loads(capsys.readouterr().out)["proof"]
    assert (proof["new"], proof["not_agreed"]) == (["E26-001"], [{"car": "E26-002", "consent": "withdrawn"}])
    assert {"new", "changed", "held", "consent_unknown", "gone", "coarsened"} <= set(proof)
    assert run(["publish", "edition.db", "-r", "try.db", "--date", EDITION_DAY, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert {k: document["edition"][k] for k in ("path", "dated")} == {"path": "edition.db", "dated": EDITION_DAY}
    assert len(document["edition"]["sha256"]) == 64


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (["publish", "-r", "try.db"], 2, "Name the file to publish to"),
        (["publish", "edition.db", "-r", "nothing.db"], 2, "There is no registry at nothing.db"),
        (["publish", "edition.db", "-r", "try.db", "--date", "25.11.2026"], 2, "is no day"),
        (["publish", "edition.db", "-r", "try.db", "--by", "Nobody"], 2, "Nobody called Nobody is on file"),
        (["publish", "try.db", "-r", "try.db"], 2, "is a registry, and an edition never replaces one"),
        (["publish", "nowhere/edition.db", "-r", "try.db"], 2, "There is no folder nowhere"),
        (["serve", "nothing.db"], 2, "There is no file nothing.db"),
        (["serve", "letter.txt"], 2, "neither an edition nor a registry"),
        (["serve", "try.db", "--host", "0.0.0.0"], 2, "is not this machine itself"),
        (["serve", "try.db", "--port", "70000"], 2, "70000"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(folder, capsys, arguments, status, says):
    """Status 2, no traceback, nothing written."""
    (folder / "letter.txt").write_text("Dear Teodor")
    before = (folder / "try.db").read_bytes()[:100]
    assert status == run(arguments)
    told = capsys.readouterr()
    assert says in told.err
    assert "Traceback" not in told.err + told.out
    assert before == (folder / "try.db").read_bytes()[:100]
    assert not (folder / "edition.db").exists()


def test_a_newer_edition_or_another_list_is_not_replaced_unasked(folder, capsys, tmp_path):
    """Status 3 and nothing touched; --yes is the answer."""
    assert run(["publish", "edition.db", "-r", "try.db", "--date", EDITION_DAY]) == 0
    before = (folder / "edition.db").read_bytes()
    assert run(["publish", "edition.db", "-r", "try.db", "--date", "2026-01-01"]) == 3
    assert "of a later day" in capsys.readouterr().err
    assert before == (folder / "edition.db").read_bytes()
    from registry.opening import create_registry

    create_registry(tmp_path / "other.db", name="Another list", origin="other")
    assert run(["publish", "edition.db", "-r", "other.db", "--date", "2026-12-01"]) == 3
    assert "an edition of another list (Try list)" in capsys.readouterr().err
    assert before == (folder / "edition.db").read_bytes()
    assert run(["publish", "edition.db", "-r", "other.db", "--date", "2026-12-01", "--yes"]) == 0
    assert run(["publish", "edition.db", "-r", "other.db", "--date", "2026-12-02"]) == 0


def test_nothing_private_in_an_error_of_publishing(folder, capsys, db, monkeypatch):
    """The finished file holds a name: the message says whose record, not the name."""
    from registry import publish

    car(db, "E26-003", "KP 0369", colour_now="Hesper Quillory")
    monkeypatch.setattr(publish, "_colour", lambda text: text)
    assert run(["publish", "edition.db", "-r", "try.db", "--date", EDITION_DAY]) == 2
    told = capsys.readouterr()
    assert "holds something private" in told.err
    assert "Hesper" not in told.err + told.out


# --- serving --------------------------------------------------------------------------------------------------------


def test_the_arguments_of_the_server(folder):
    """An edition is opened as one that never changes, a registry with queries and download off."""
    shown = publishing.arguments_of("edition.db", True, "127.0.0.1", 8001)
    assert shown[:2] == ["-i", "edition.db"]
    assert "default_allow_sql" not in shown
    closed = " ".join(publishing.arguments_of("try.db", False, "127.0.0.1", 8001))
    assert "-i" not in closed.split()
    assert "--setting default_allow_sql off" in closed
    assert "--setting allow_download off" in closed
    (folder / "metadata.yml").write_text("title: Ours\n")
    assert str(folder / "metadata.yml") in publishing.arguments_of("edition.db", True, "127.0.0.1", 8001)


def test_a_port_that_is_taken(folder, capsys):
    """Said before anything starts."""
    assert run(["publish", "edition.db", "-r", "try.db", "--date", EDITION_DAY]) == 0
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert run(["serve", "edition.db", "--port", str(taken.getsockname()[1])]) == 2
    assert "Name another with --port" in capsys.readouterr().err


def test_a_key_that_is_not_this_editions(folder, capsys, tmp_path):
    """It would answer "not listed" to everything."""
    from registry.opening import create_registry

    assert run(["publish", "edition.db", "-r", "try.db", "--date", EDITION_DAY]) == 0
    create_registry(tmp_path / "other.db", name="Another list", origin="other")
    assert run(["serve", "edition.db", "-r", "other.db", "--port", "0"]) == 2
    assert "has published nothing yet" in capsys.readouterr().err
    assert run(["publish", "second.db", "-r", "other.db", "--date", EDITION_DAY]) == 0
    assert run(["serve", "edition.db", "-r", "other.db", "--port", "0"]) == 2
    assert "was not published from other.db" in capsys.readouterr().err
    assert edition.KEY_FROM not in os.environ


class Server:
    """``tubmark serve`` in a process of its own, as a person starts it."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        surroundings = {k: v for k, v in os.environ.items() if not k.startswith("TUBMARK_")} | {"PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            [sys.executable, "-c", "from registry.cli import main; main()", "serve", *arguments, "--port", "0"],
            cwd=folder, env=surroundings, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.lines: list[str] = []
        self.address = ""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)
            if line.startswith("http://"):
                self.address = line.split()[0]
                break

    def get(self, path: str) -> str:
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        until = time.monotonic() + 60
        while True:
            try:
                with opener.open(self.address + path, timeout=10) as answer:
                    return str(answer.read().decode())
            except ConnectionError:
                if time.monotonic() > until or self.process.poll() is not None:
                    raise
            except urllib.error.URLError as error:
                if not isinstance(error.reason, ConnectionError) or time.monotonic() > until:
                    raise
            time.sleep(0.1)

    def stop(self) -> tuple[int, str]:
        """As Ctrl-C does; the status and what stood on standard error."""
        self.process.send_signal(signal.SIGINT)
        _, errors = self.process.communicate(timeout=30)
        return self.process.returncode, errors


@pytest.fixture
def started(folder) -> Iterator[list[Server]]:
    servers: list[Server] = []
    yield servers
    for server in servers:
        if server.process.poll() is None:
            server.process.kill()
        server.process.communicate()


def test_an_edition_is_served_until_ctrl_c(folder, started):
    """Its address is printed, its pages and queries answer, look-ups too with the registry's key, and Ctrl-C is no fault."""
    assert run(["publish", "edition.db", "-r", "try.db", "--date", EDITION_DAY]) == 0
    server = Server(folder, "edition.db", "--registry", "try.db")
    started.append(server)
    assert server.address.startswith("http://127.0.0.1:")
    assert "edition.db: an edition, public as a whole.\n" in server.lines
    document = json.loads(server.get("look-up.json?number=147+KP"))
    assert (document["answer"], [entry["car"] for entry in document["cars"]]) == ("known", ["E26-001"])
    rows = json.loads(server.get("edition/cars.json?_shape=objects"))["rows"]
    assert [row["body_serial"] for row in rows] == ["KP …7"]
    asked = json.loads(server.get("edition.json?sql=select+count(*)+as+n+from+cars&_shape=objects"))
    assert asked["rows"] == [{"n": 1}]
    status, errors = server.stop()
    assert status == 0
    assert "Traceback" not in errors


def test_without_the_registry_look_ups_are_off(folder, started):
    """And it is said, at the terminal and on the page."""
    assert run(["publish", "edition.db", "-r", "try.db", "--date", EDITION_DAY]) == 0
    server = Server(folder, "edition.db")
    started.append(server)
    assert "Look-ups are off: name the registry it came from with --registry to answer them.\n" in server.lines
    assert json.loads(server.get("look-up.json?number=147+KP"))["answer"] == "no key"
    assert server.stop()[0] == 0


def test_a_registry_is_served_closed(folder, started):
    """For looking round: what was published, and nothing else."""
    db = open_registry("try.db", write=True)
    agree(db, "E26-002", "unknown", "2026-03-01")
    db.close()
    assert run(["publish", "edition.db", "-r", "try.db", "--date", EDITION_DAY]) == 0
    server = Server(folder, "try.db")
    started.append(server)
    assert "try.db: a registry: a visitor sees only what was published.\n" in server.lines
    assert [row["car"] for row in json.loads(server.get("try/public_cars.json?_shape=objects"))["rows"]] == ["E26-001"]
    for closed in ("try/people.json", "try.json?sql=select+*+from+people", "try.db"):
        with pytest.raises(urllib.error.HTTPError) as refused:
            server.get(closed)
        assert refused.value.code == 403
        refused.value.close()
    assert server.stop()[0] == 0
