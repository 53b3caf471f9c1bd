"""How fast hex files are read, as ratios against other readers in the same run.

Run: ``python tests/bench/bench_formats.py [--large]``; needs the ``dev`` extra, and objcopy
for its row. ``--large`` adds the step from 1 MiB to 64 MiB of data. Ends with 1 where a
target is missed: 10 times as fast as intelhex, 3 times as fast as bincopy, and a large file
no more than twice as slow as its parts.
"""

from __future__ import annotations

import argparse
import io
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import bincopy
import intelhex

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from memtool.core.image import Image
from memtool.formats.codec import ImageFormat, encode_image, parse_image

MIB = 1 << 20


def best_of(rounds: int, work: Callable[[], object]) -> float:
    """Seconds of the fastest round."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def read_with_intelhex(data: bytes) -> None:
    intelhex.IntelHex().loadhex(io.StringIO(data.decode("ascii")))


def read_with_bincopy(data: bytes, format: ImageFormat) -> None:
    reader = bincopy.BinFile()
    text = data.decode("ascii")
    if format is ImageFormat.INTEL_HEX:
        reader.add_ihex(text)
    else:
        reader.add_srec(text)


def read_with_objcopy(path: Path, format: ImageFormat) -> None:
    name = "ihex" if format is ImageFormat.INTEL_HEX else "srec"
    command = ["objcopy", "-I", name, "-O", "binary", str(path), str(path.with_suffix(".out"))]
    subprocess.run(command, check=True)


def print_row(name: str, seconds: float, ours: float) -> None:
    print(f"    {name:<28} {seconds * 1000:9.1f} ms   {seconds / ours:6.1f} x ours")


def compare_readers(format: ImageFormat) -> bool:
    """One MiB with every reader; whether the targets hold."""
    image = Image.from_bytes(random.Random(1).randbytes(MIB), base=0x8000)
    data = encode_image(image, format)
    assert parse_image(data).image == image
    ours = best_of(7, lambda: parse_image(data))
    print(f"{format}, 1 MiB of data in {len(data):,} characters")
    print_row("benchimage", ours, ours)
    others = best_of(3, lambda: read_with_bincopy(data, format))
    print_row("bincopy", others, ours)
    held = others >= 3 * ours
    if format is ImageFormat.INTEL_HEX:
        others = best_of(3, lambda: read_with_intelhex(data))
        print_row("intelhex", others, ours)
        held = held and others >= 10 * ours
    if shutil.which("objcopy"):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "image.txt"
            path.write_bytes(data)
            print_row(
                "objcopy (a process, to disk)",
                best_of(3, lambda: read_with_objcopy(path, format)),
                ours,
            )
    return held


def measure_small(format: ImageFormat) -> None:
    """The sizes of usual EEPROMs, which are read line by line."""
    for size in (2048, 65536):
        data = encode_image(Image.from_bytes(random.Random(2).randbytes(size)), format)
        ours = best_of(7, lambda data=data: parse_image(data))  # type: ignore[misc]
        others = best_of(3, lambda data=data: read_with_bincopy(data, format))  # type: ignore[misc]
        print(f"{format}, {size:,} bytes of data")
        print_row("benchimage", ours, ours)
        print_row("bincopy", others, ours)


def measure_growth(format: ImageFormat) -> bool:
    """One large file against as many files of 1 MiB in the same moment; whether it is linear."""
    print(f"{format}, growth")
    small = encode_image(Image.from_bytes(bytes(range(256)) * 4096), format)
    held = True
    for size in (4, 16, 64):
        data = encode_image(Image.from_bytes(bytes(range(256)) * 4096 * size), format)
        ratios, times = [], []
        for _ in range(3):
            apart = best_of(1, lambda size=size: [parse_image(small) for _ in range(size)])  # type: ignore[misc]
            times.append(best_of(1, lambda data=data: parse_image(data)))  # type: ignore[misc]
            ratios.append(times[-1] / apart)
        print(
            f"    {size:3} MiB {min(times) * 1000:9.1f} ms"
            f"   {min(ratios):5.2f} x {size} files of 1 MiB"
        )
        held = held and min(ratios) <= 2
    return held


def main() -> int:
    """Print all rows; 1 where a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--large", action="store_true", help="also grow to 64 MiB")
    large = parser.parse_args().large
    held = True
    for format in (ImageFormat.INTEL_HEX, ImageFormat.S_RECORD):
        held = compare_readers(format) and held
        measure_small(format)
        if large:
            held = measure_growth(format) and held
    print("targets held" if held else "A TARGET WAS MISSED")
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
