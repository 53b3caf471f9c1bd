"""How soon does a long checksum search end when it is interrupted, and does it tell its progress?

Run: python tests/bench/bench_interrupt.py [--size 1048576] [--kinds random,…] [--moments 4]

Full searches, everything on, over each kind of image.

1. In one process a timer signals every 10 ms, and Python's own handler notes how long it
   was kept waiting. Ctrl-C waits in the same way, for the numpy call that is under way. So
   the longest wait over the whole search bounds it at every moment. Times of the clock and
   of the processor are both printed: on a busy machine the first contain what others did.
2. The command as a process of its own gets SIGINT at moments spread over the search; the
   time until it has ended counts, with all that Python does on the way out.

Target: half a second, for both, on a machine with nothing else to do.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.discovery import discover_checksums
from memtool.core.image import Image
from tests.bench.costs import ROOT, columns
from tests.bench.images import KINDS, make_images

TICK = 0.01


class EnoughError(Exception):
    """The seconds given are over."""


@dataclass(slots=True)
class Waits:
    """The longest waits of the handler, and between two words of progress."""

    until: float
    last: tuple[float, float] = (0.0, 0.0)
    told: float = 0.0
    longest: list[tuple[float, float, str]] = field(default_factory=list)
    silences: list[tuple[float, str]] = field(default_factory=list)

    def tick(self, number: int, frame: FrameType | None) -> None:
        """The handler: note what went by since the last tick, and where."""
        now = time.monotonic(), time.thread_time()
        if self.last[0] and frame is not None:
            place = f"{Path(frame.f_code.co_filename).name}:{frame.f_lineno}"
            self.longest.append((now[0] - self.last[0], now[1] - self.last[1], place))
            if len(self.longest) > 4096:
                self.longest = sorted(self.longest, reverse=True)[:64]
        self.last = time.monotonic(), time.thread_time()

    def progress(self, done: int, total: int, text: str) -> None:
        """What the search calls."""
        now = time.monotonic()
        self.silences.append((now - self.told, text))
        self.told = now
        if now > self.until:
            raise EnoughError


def measure_inside(images: list[bytes], seconds: float) -> tuple[float, float]:
    """The longest wait in a search within this process, and its length; prints the ten longest."""
    begin = time.monotonic()
    waits = Waits(until=begin + seconds, told=begin)
    given = [Image.from_bytes(image) for image in images]
    signal.signal(signal.SIGALRM, waits.tick)
    signal.setitimer(signal.ITIMER_REAL, TICK, TICK)
    try:
        discover_checksums(given, progress=waits.progress)
        what = "whole search"
    except EnoughError:
        what = "search cut short"
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
    waits.longest.sort(reverse=True)
    taken = time.monotonic() - begin
    print(f"{what}: {taken:.0f} s")
    print("longest waits of a signal: clock, processor, where")
    for wall, used, place in waits.longest[:10]:
        print(f"  {wall:5.2f} s {used:5.2f} s  {place}")
    silence, text = max(waits.silences)
    print(f"longest silence of the progress: {silence:.2f} s ({text})")
    return waits.longest[0][0], taken


def measure_process(paths: list[Path], moments: list[float]) -> float:
    """The longest time from SIGINT to the end of a process."""
    worst = 0.0
    command = [sys.executable, "-m", "memtool", "checksum", "discover", *map(str, paths)]
    for moment in moments:
        process = subprocess.Popen(
            command,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            # A shell that starts this script in the background has SIGINT ignored.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )
        time.sleep(moment)
        begin = time.monotonic()
        process.send_signal(signal.SIGINT)
        output, errors = process.communicate()
        taken = time.monotonic() - begin
        worst = max(worst, taken)
        if process.returncode != 130 or output or "Traceback" in errors:
            print(f"  after {moment:.1f} s: exit {process.returncode}, {errors[-300:]}")
        print(f"  {taken:.2f} s when interrupted after {moment:.1f} s")
    return worst


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=1 << 20)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--count", type=int, default=3)
    parser.add_argument("--moments", type=int, default=4)
    parser.add_argument("--seconds", type=float, default=3600.0, help="at most, inside")
    arguments = parser.parse_args()
    inside, outside = {}, {}
    for kind in arguments.kinds.split(","):
        images = make_images(kind, arguments.size, arguments.count)
        print(
            f"{kind}, {arguments.size >> 10} KiB x {len(images)}, everything,"
            f" load {os.getloadavg()[0]:.1f}"
        )
        inside[kind], taken = measure_inside(images, arguments.seconds)
        # With two processors the command takes half as long.
        moments = [0.1 + turn * taken / 2 / arguments.moments for turn in range(arguments.moments)]
        with tempfile.TemporaryDirectory() as folder:
            paths = [Path(folder) / f"{number}.bin" for number in range(len(images))]
            for path, image in zip(paths, images, strict=True):
                path.write_bytes(image)
            print("SIGINT to a process")
            outside[kind] = measure_process(paths, moments)
    print(f"worst, in seconds, inside, at most 0.5:  {columns(inside, 0.5)}")
    print(f"worst, in seconds, as a process, at most 0.5:  {columns(outside, 0.5)}")


if __name__ == "__main__":
    main()
