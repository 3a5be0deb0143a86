"""`make demo` is the first thing that a stranger runs: it works, leaves nothing behind, and says so where it does not work."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import re
import socket
import subprocess
import sys
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def demo():
    spec = importlib.util.spec_from_file_location("demo", ROOT / "tools" / "demo.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_once_it_goes_all_the_way_and_leaves_nothing_behind(tmp_path):
    """A number, a body, an edition, its pages; the committed sample is not touched, the server and the folder are gone."""
    sample = ROOT / "sample_registry.db"
    before = hashlib.sha256(sample.read_bytes()).hexdigest()
    ran = subprocess.run(
        [sys.executable, str(ROOT / "tools" / "demo.py"), "--once"],
        capture_output=True,
        text=True,
        env={**os.environ, "TMPDIR": str(tmp_path), "TUBMARK_REGISTRY": "nowhere.db"},
        cwd=tmp_path,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert ran.stderr == ""
    assert ran.stdout.endswith("All as it should be.\n")
    for command in ("decode", "find", "publish", "serve"):
        assert f"$ tubmark {command} " in ran.stdout
    port = int(re.search(r"http://127\.0\.0\.1:(\d+)/", ran.stdout).group(1))
    with socket.socket() as tried:
        assert tried.connect_ex(("127.0.0.1", port)) != 0, "the server is still there"
    assert list(tmp_path.iterdir()) == []
    assert hashlib.sha256(sample.read_bytes()).hexdigest() == before


@pytest.fixture
def other_server():
    """A server of somebody else, with pages that say something else."""

    class Other(BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200 if self.path == "/" else 500)
            self.end_headers()
            self.wfile.write(b"<title>x</title><main>Nothing of the kind.</main>")

        def log_message(self, *_):
            pass

    with HTTPServer(("127.0.0.1", 0), Other) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}/"
        server.shutdown()
        thread.join()


def test_a_page_that_says_something_else_is_not_as_it_should_be(demo, other_server):
    """It names the page, what is missing there, and what stands there instead."""
    with pytest.raises(
        demo.NotAsItShouldBe, match=r"/ was fetched, but 'This floor' does not stand there.*Nothing of the kind"
    ):
        demo.look(other_server, "/", "A page.", "This floor")
    with pytest.raises(demo.NotAsItShouldBe, match="status 500"):
        demo.look(other_server, "/decode", "A page.", "This floor")


def test_a_command_that_fails_ends_the_demo(demo, tmp_path, capsys):
    """The line that failed stands in the sentence, and what it printed above it."""
    with pytest.raises(demo.NotAsItShouldBe, match="ended with status 2"):
        demo.typed("tubmark", "decode", "[38", folder=tmp_path)
    assert "$ tubmark decode '[38'" in capsys.readouterr().out
