"""How soon every command ends on Ctrl-C, and how long it is silent, on large images.

Run: ``python tests/bench/bench_stopping.py [--size 16777216] [--moments 6]``

Each command is a process of its own at a real pseudo-terminal. It gets SIGINT at moments spread
over its run. Seconds of the processor count, from the signal to the end of the process, and from
one word on the terminal to the next: a busy machine does not change them much. Aims: half a
second to the end, a second between two words; the share that a search tells never falls.
"""

from __future__ import annotations

import argparse
import os
import pty
import re
import select
import signal
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.costs import ROOT
from tests.bench.images import make_images

VIN = "1G4AH59H45G118341"
_TICKS = os.sysconf("SC_CLK_TCK")
_SHARE = re.compile(rb"searching: \[[#.]+\] (\d+) %")


def used_by(process: int) -> float:
    """Seconds of the processor that a process has used so far."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS


def run(command: list[str], folder: Path, stop_after: float | None) -> tuple[float, float, bool]:
    """One run.

    Args:
        command: Words after ``benchimage``.
        folder: Where it runs.
        stop_after: Seconds of the processor after which it gets SIGINT; None: never.

    Returns:
        Seconds of the processor from the signal to the end (0 where it was over before; of the
        whole run without one), the longest silence, and whether the share that was told only grew.
    """
    kept = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    process, terminal = pty.fork()
    if process == 0:
        # A shell that starts this script in the background has SIGINT ignored.
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        os.chdir(folder)
        kept |= {"PYTHONPATH": str(ROOT), "BENCHIMAGE_STORE": str(folder / "store")}
        os.execve(sys.executable, [sys.executable, "-m", "memtool", *command], kept)
    told, silence, stopped, shares = 0.0, 0.0, None, [0]
    while True:
        ready, _, _ = select.select([terminal], [], [], 0.01)
        used = used_by(process)
        if ready:
            said = b""
            with suppress(OSError):
                said = os.read(terminal, 65536)
            if not said:
                break
            shares += map(int, _SHARE.findall(said)) if stopped is None else []
            told = used
        silence = max(silence, used - told) if stopped is None else silence
        if stop_after is not None and stopped is None and used >= stop_after:
            os.kill(process, signal.SIGINT)
            stopped = used
    _, _, usage = os.wait4(process, 0)
    os.close(terminal)
    total = usage.ru_utime + usage.ru_stime
    if stopped is None:
        return total if stop_after is None else 0.0, silence, shares == sorted(shares)
    return total - stopped, silence, shares == sorted(shares)


def main() -> None:
    """Print a line for each command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=1 << 24)
    parser.add_argument("--moments", type=int, default=6)
    given = parser.parse_args()
    begin = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number, image in enumerate(make_images("structured", given.size)):
            (folder / f"{number}.bin").write_bytes(image)
        for number, image in enumerate(make_images("structured", min(given.size, 1 << 18))):
            (folder / f"small{number}.bin").write_bytes(image)
        small = [f"small{number}.bin" for number in range(3)]
        for command in (
            ["inspect", "0.bin"],
            ["find", VIN, "0.bin"],
            ["compare", "0.bin", "1.bin"],
            ["convert", "0.bin", "0.hex"],
            ["checksum", "discover", *small],
        ):
            whole, silence, grows = run(command, folder, None)
            (folder / "0.hex").unlink(missing_ok=True)
            ends = []
            for moment in range(given.moments):
                ends.append(
                    run(command, folder, 0.3 + max(0.0, whole - 0.3) * moment / given.moments)[0]
                )
                (folder / "0.hex").unlink(missing_ok=True)
            print(
                f"{command[0]:10} {whole:6.1f} s, silent {silence:4.2f} s at most,"
                f" share {'only grows' if grows else 'FELL'}; ends {max(ends):4.2f} s after Ctrl-C",
                flush=True,
            )
    print(f"all of it took {time.monotonic() - begin:.0f} s")


if __name__ == "__main__":
    main()
