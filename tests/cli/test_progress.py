"""Work that takes over a second says so, at a real pseudo-terminal and piped."""

from __future__ import annotations

import random
import re
from pathlib import Path

from tests.command_line import run_benchimage
from tests.fillers import make_filler
from tests.hostile.at_terminal import run_at_terminal


def wiped_apart(shown: str) -> tuple[str, str, str]:
    """What stood before the last line that was wiped away, the wiping, and what came behind."""
    places = list(re.finditer(r"\r +\r", shown))
    if not places:
        return "", "", shown
    last = places[-1]
    return shown[: last.start()], last[0], shown[last.end() :]


def test_long_look_counts_the_seconds_at_a_terminal_and_leaves_no_trace(tmp_path: Path) -> None:
    rng = random.Random("long look")
    # Twice as much as takes a second on a slow laptop.
    (tmp_path / "read.bin").write_bytes(make_filler("tables", 1 << 20, rng) * 5)
    status, shown = run_at_terminal(["inspect", "read.bin"], cwd=tmp_path)
    before, wiped, after = wiped_apart(shown)
    assert status == 0
    assert re.match(r"\rlooking at the image: [1-9] s", before)
    assert wiped
    assert "looking at the image" not in after
    assert "read.bin" in after.splitlines()[0]


def test_short_look_leaves_nothing_of_time(tmp_path: Path) -> None:
    path = tmp_path / "read.bin"
    path.write_bytes(random.Random(1).randbytes(2048))
    done = run_benchimage("inspect", path)
    assert done.returncode == 0
    assert "looking" not in done.stderr + done.stdout
    _, shown = run_at_terminal(["inspect", "read.bin"], cwd=tmp_path)
    # On a busy machine it may have taken its second; then the line was wiped away.
    assert "looking" not in wiped_apart(shown)[2]
