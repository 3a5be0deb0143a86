"""How long ``tubmark decode`` takes to start and answer, against Python that does nothing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.benchmarks.harness import record, side_by_side

TIMES = 6  # the aim
ROOT = Path(__file__).parents[2]
COMMAND = Path(sys.executable).with_name("tubmark")


def test_start_up_of_decode(tmp_path):
    """From the shell to the answer on the screen, in a folder without a registry. The first run of each is not counted."""
    command = [str(COMMAND)] if COMMAND.exists() else [sys.executable, "-c", "from registry.cli import main; main()"]

    def ours():
        subprocess.run(
            [*command, "decode", "118 012 345", "--on", "pan"],
            cwd=tmp_path,
            stdout=subprocess.DEVNULL,
            check=True,
            env={"PATH": "", "PYTHONPATH": str(ROOT)},
        )

    def theirs():
        subprocess.run([sys.executable, "-c", "pass"], cwd=tmp_path, check=True, env={"PATH": ""})

    ours(), theirs()
    line = record("start-up of 'tubmark decode' / python -c pass", *side_by_side(ours, theirs, rounds=25), TIMES)
    assert line.is_met
