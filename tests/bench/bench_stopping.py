"""How soon every command ends on Ctrl-C, and how long it is silent, on large images.

Run: ``python tests/bench/bench_stopping.py [--size 16777216] [--searched 1048576]``
``[--moments 6]``

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
import shutil
import signal
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.bench_commands import LAYOUT, VINS
from tests.bench.costs import ROOT
from tests.bench.images import make_images

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
    # An answer to whatever it asks.
    os.write(terminal, b"17\n" * 8)
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


def tell(name: str, command: list[str], folder: Path, moments: int) -> None:
    """Measure one command, each run in a copy of the folder as it is now, and print its line."""
    with tempfile.TemporaryDirectory() as place:

        def alone(stop_after: float | None) -> tuple[float, float, bool]:
            copy = Path(place) / "copy"
            shutil.copytree(folder, copy)
            measured = run(command, copy, stop_after)
            shutil.rmtree(copy)
            return measured

        whole, silence, grows = alone(None)
        spread = (0.3 + max(0.0, whole - 0.3) * turn / moments for turn in range(moments))
        ends = [alone(moment)[0] for moment in spread]
    print(
        f"{name:16} {whole:6.1f} s, silent {silence:4.2f} s at most,"
        f" share {'only grows' if grows else 'FELL'}; ends {max(ends):4.2f} s after Ctrl-C",
        flush=True,
    )


def tell_job(size: int, moments: int) -> None:
    """The commands of a job, each measured where those before it are done."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "module.toml").write_text(
            LAYOUT.format(chip=f"{size >> 10}K", size=size, state=f"0x0100+{size // 2}")
        )
        start = ["start", "--job", "job", "--layout", "module.toml", "--chip", f"{size >> 10}K"]
        start += ["--vehicle-vin", VINS[0].decode(), "--module-kind", "body"]
        start += ["--authority", "order", "--reseated"]
        images = make_images("structured", size, 2)
        for role, vin, image in zip(("original", "donor"), VINS, images, strict=True):
            memory = bytearray(image)
            memory[0x20:0x31] = vin
            for number in "12":
                (folder / f"{role}{number}.bin").write_bytes(memory)
                start += [f"--{role}", f"{role}{number}.bin"]
        job = ["--job", "job"]
        for words, command in (
            ("start", start),
            ("blank", ["blank", "donor", *job, "--confirm", VINS[1][-6:].decode()]),
            ("check to-write", ["check", *job, "--stage", "before-writing"]),
            ("report", ["report", *job, "--no-pdf"]),
        ):
            tell(words, command, folder, moments)
            run(command, folder, None)


def main() -> None:
    """Print a line for each command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=1 << 24)
    parser.add_argument("--searched", type=int, default=1 << 20, help="bytes of what is searched")
    parser.add_argument("--moments", type=int, default=6)
    given = parser.parse_args()
    begin = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number, image in enumerate(make_images("structured", given.size)):
            (folder / f"{number}.bin").write_bytes(image)
        for command in (
            ["inspect", "0.bin"],
            ["find", VINS[0].decode(), "0.bin"],
            ["compare", "0.bin", "1.bin"],
            ["convert", "0.bin", "0.hex"],
        ):
            tell(command[0], command, folder, given.moments)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        names = [f"{number}.bin" for number in range(3)]
        for file, image in zip(names, make_images("structured", given.searched), strict=True):
            (folder / file).write_bytes(image)
        draft = ["layout", "draft", *names, "--chip", str(given.searched), "--out", "draft.toml"]
        tell("discover", ["checksum", "discover", *names], folder, given.moments)
        tell("draft", draft, folder, given.moments)
    tell_job(given.size, given.moments)
    print(f"all of it took {time.monotonic() - begin:.0f} s")


if __name__ == "__main__":
    main()
