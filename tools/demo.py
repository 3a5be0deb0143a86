"""The demo: from a number on a floor to a published list, in front of you.

usage: python tools/demo.py [--once]

It works in a scratch folder on a copy of the sample registry, runs the commands that a person would type,
shows what they print, and serves what was published on a free port of this machine only. Ctrl-C ends it and
the server. With --once it asks the server for its pages itself, says what it saw, and ends: with 0 if all was
as it should be.
"""

from __future__ import annotations

import argparse
import contextlib
import html
import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import textwrap
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
#: The day the edition is dated: an argument, so that an edition made twice is the same file.
EDITION_DAY = "2026-11-25"
#: Seconds to wait for the server to answer for the first time.
PATIENCE = 60


class NotAsItShouldBe(Exception):
    """Something in the demo did not go as it should. The text is a sentence."""


def say(text: str = "") -> None:
    """Prints at once, so that the steps are seen as they go."""
    print(text, flush=True)


def surroundings() -> dict[str, str]:
    """This environment's commands first on the path, and nobody's registry or tables in the way."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("TUBMARK_")}
    kept["PATH"] = os.pathsep.join([str(Path(sys.executable).parent), kept.get("PATH", "")])
    return kept


def step(number: int, what: str) -> None:
    """Says what comes next."""
    say()
    say(f"{number}. {what}")
    say()


def typed(*words: str, folder: Path, seen: str = "") -> str:
    """Shows a command line, runs it in the folder, shows what it printed, and returns that.

    Lines that stood in ``seen`` as well are not shown a second time.
    """
    say("   $ " + shlex.join(words))
    ran = subprocess.run(
        words,
        cwd=folder,
        env=surroundings(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
        check=False,
    )
    lines, before = ran.stdout.splitlines(), set(filter(None, seen.splitlines()))
    again = sum(line in before for line in lines)
    for line in lines:
        if line not in before:
            say(f"   {line}".rstrip())
    if again:
        say(f"   (and {again} lines as above)")
    if ran.returncode:
        raise NotAsItShouldBe(
            f"'{shlex.join(words)}' ended with status {ran.returncode}; what it printed stands above."
        )
    return ran.stdout


def free_port() -> int:
    """A port of the loopback address that nobody uses now."""
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return asked.getsockname()[1]


def page(address: str) -> str:
    """Fetches a page. Proxies of this machine are left out: the server is on the machine itself."""
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    with opener.open(address, timeout=10) as answer:
        return answer.read().decode("utf-8")


@contextlib.contextmanager
def served(edition: str, registry: str, folder: Path) -> Iterator[str]:
    """Serves the edition for the length of the block and gives its address; afterwards the server is gone.

    The registry lends the key with which look-ups are answered; nothing else of it is shown.
    """
    port = free_port()
    words = ["tubmark", "serve", edition, "-r", registry, "--port", str(port)]
    say("   $ " + shlex.join(words))
    address = f"http://127.0.0.1:{port}/"
    log = folder / "server.log"
    with log.open("w", encoding="utf-8") as written:
        # No session of its own: what ends this program from outside (Ctrl-C, a closed window) ends both.
        server = subprocess.Popen(
            words,
            cwd=folder,
            env=surroundings(),
            stdin=subprocess.DEVNULL,
            stdout=written,
            stderr=subprocess.STDOUT,
        )
    try:
        until = time.monotonic() + PATIENCE
        while True:
            if server.poll() is not None:
                raise NotAsItShouldBe(f"The server ended by itself:\n{log.read_text(encoding='utf-8')}")
            try:
                page(address)
                break
            except (OSError, urllib.error.URLError):
                if time.monotonic() > until:
                    raise NotAsItShouldBe(
                        f"The server gave no answer in {PATIENCE} seconds:\n{log.read_text(encoding='utf-8')}"
                    ) from None
                time.sleep(0.1)
        yield address
    finally:
        if server.poll() is None:
            server.terminate()
            try:
                server.wait(timeout=10)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()


def words_of(text: str) -> str:
    """What a person reads on a page below its head."""
    text = re.sub(r"(?s).*<main\b[^>]*>|</main>.*", " ", text)
    text = re.sub(r"(?s)<(style|script|head|svg)\b.*?</\1>", " ", text)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text))).strip()


def look(address: str, path: str, what: str, *expected: str) -> None:
    """Fetches a page, says what was asked and what stands there, and minds what is expected."""
    where = address.rstrip("/") + path
    try:
        text = words_of(page(where))
    except urllib.error.HTTPError as error:
        raise NotAsItShouldBe(f"{where} answered with status {error.code}.") from None
    for wanted in expected:
        found = re.search(wanted, text, re.IGNORECASE)
        if not found:
            raise NotAsItShouldBe(f"{where} was fetched, but '{wanted}' does not stand there. It says: {text[:600]}")
    place = re.search(expected[0], text, re.IGNORECASE)
    say(f"   {what}")
    say(f"      GET {path}")
    for line in textwrap.wrap(text[place.start() : place.start() + 240], 72)[:3]:
        say(f"      {line}")


def main() -> int:
    """Runs the demo; the exit status is 0 where all was as it should be."""
    parser = argparse.ArgumentParser(
        prog="make demo ARGS=...", description="From a number on a floor to a published list."
    )
    parser.add_argument("--once", action="store_true", help="fetch the pages once, say what was seen, and end")
    once = parser.parse_args().once
    # Ended by another program is ended as by Ctrl-C: the server goes too.
    signal.signal(signal.SIGTERM, signal.default_int_handler)

    with tempfile.TemporaryDirectory(prefix="tubmark-demo-") as scratch:
        folder = Path(scratch)
        try:
            return run(folder, once)
        except NotAsItShouldBe as problem:
            print(f"Error: {problem}", file=sys.stderr)
            return 1
        except KeyboardInterrupt:
            say()
            say("Ended. The server has stopped and the scratch folder is gone.")
            return 0


def run(folder: Path, once: bool) -> int:
    """The steps, one after the other."""
    sample = ROOT / "sample_registry.db"
    if not sample.exists():
        raise NotAsItShouldBe(f"{sample} is not there. Build it with: make sample")
    shutil.copy(sample, folder / "sample_registry.db")
    say("Tubmark, from a number on a floor to a published list. Cars, makers and people of the sample are")
    say("invented; the number table of the air-cooled platform is not.")

    step(1, "Which floor is this, and when was it made? A number as somebody reads it, one figure unsure.")
    typed("tubmark", "decode", "118 [38]12 345", "--on", "pan", "--says", "1968", folder=folder)

    step(2, "Is this body on the list already? Asked in the registry, which knows everything.")
    typed("tubmark", "find", "KP O147", "-r", "sample_registry.db", folder=folder)

    step(3, "Publish it: first what would go out and what is held back, then the edition itself.")
    dated = ("--date", EDITION_DAY, "-r", "sample_registry.db")
    proof = typed("tubmark", "publish", "edition.db", "--proof", *dated, folder=folder)
    typed("tubmark", "publish", "edition.db", *dated, folder=folder, seen=proof)

    step(4, "Serve it, on this machine only.")
    with served("edition.db", "sample_registry.db", folder) as address:
        say(f"   {address}")
        if once:
            step(5, "What stands on its pages.")
            look_round(address)
            say()
            say("All as it should be.")
            return 0
        say()
        say(f"Open {address} in a browser. Ctrl-C ends it.")
        while True:
            signal.pause()


def look_round(address: str) -> None:
    """The pages that a visitor would open, and the same answers for programs."""
    front = ("A list of surviving bodies", "When was this floor made", "Is this body known")
    look(address, "/", "The front page.", *front)
    decoded = "This floor was made between August 1967 and July 1968"
    look(address, "/decode?number=118+012+345&on=pan", "A number decoded.", decoded, "model year 1968")
    look(address, "/look-up?number=KP+O147", "A body that is on the list.", "E21-003")
    look(address, "/look-up?number=KP+0699", "A body that is not.", "not listed")
    look(address, "/car/E21-003", "Its page.", "E21-003", "Pantile")
    text = page(address + "car/E21-003")
    if re.search("Quillory|ow01@|473616|0147", text):
        raise NotAsItShouldBe("The page of E21-003 shows a name, a contact or a whole number.")
    say("   Neither name nor contact nor a whole number stands there.")


if __name__ == "__main__":
    sys.exit(main())
