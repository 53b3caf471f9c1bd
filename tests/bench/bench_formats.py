"""How fast hex files are read, as ratios against other readers in the same run.

Run: ``python tests/bench/bench_formats.py [--large]``; needs the ``dev`` extra and objcopy.
``--large`` adds 16 MiB against objcopy's whole process, bad files of 100 MB, and what objcopy
writes of 64 MiB. One column a kind of image, the worst first. Ends with 1 where a target is
missed:

* from 1 KiB to 1 MiB at most the time of bincopy in the same process;
* at 16 MiB at most 3 times objcopy's whole process;
* a bad file is refused in at most twice the time of reading the good one.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import bincopy

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from memtool.core.image import Image
from memtool.errors import ImageFormatError
from memtool.formats.codec import ImageFormat, encode_image, parse_image
from tests.bench.costs import columns
from tests.bench.images import KINDS, LARGEST, make_images

KIB, MIB = 1 << 10, 1 << 20
NAMES = {ImageFormat.INTEL_HEX: "ihex", ImageFormat.S_RECORD: "srec"}


def best_of(rounds: int, *works: Callable[[], object]) -> list[float]:
    """Seconds of the fastest round of each, taken in turns so that all meet the same machine."""
    best = [float("inf")] * len(works)
    for _ in range(rounds):
        for number, work in enumerate(works):
            start = time.perf_counter()
            work()
            best[number] = min(best[number], time.perf_counter() - start)
    return best


def read_with_bincopy(data: bytes, format: ImageFormat) -> None:
    """All records of a file."""
    reader = bincopy.BinFile()
    text = data.decode("ascii")
    if format is ImageFormat.INTEL_HEX:
        reader.add_ihex(text)
    else:
        reader.add_srec(text)


def objcopy(*options: str) -> None:
    """One process."""
    subprocess.run(["objcopy", *options], check=True)


def compare_in_process(format: ImageFormat) -> bool:
    """Against bincopy; whether the target holds at every size."""
    held = True
    for size in (KIB, 2 * KIB, 4 * KIB, 16 * KIB, 64 * KIB, 256 * KIB, MIB):
        ratios = {}
        for kind in KINDS:
            data = encode_image(Image.from_bytes(make_images(kind, size, 1)[0]), format)
            parse_image(data)
            ours, theirs = best_of(
                3 if size >= 256 * KIB else 20,
                partial(parse_image, data),
                partial(read_with_bincopy, data, format),
            )
            ratios[kind] = ours / theirs
        print(f"{format} {size:>9,} bytes, x bincopy, at most 1:  {columns(ratios, 1)}")
        held = held and max(ratios.values()) <= 1
    return held


def compare_with_a_process(format: ImageFormat, folder: Path) -> bool:
    """16 MiB against objcopy's whole process; whether the target holds."""
    source, target = folder / "image.txt", folder / "image.bin"
    ratios = {}
    for kind in KINDS:
        source.write_bytes(encode_image(Image.from_bytes(make_images(kind, LARGEST, 1)[0]), format))
        ours, theirs = best_of(
            3,
            lambda: parse_image(source.read_bytes()),
            lambda: objcopy("-I", NAMES[format], "-O", "binary", str(source), str(target)),
        )
        ratios[kind] = ours / theirs
    print(f"{format} of 16 MiB, x objcopy's process, at most 3:  {columns(ratios, 3)}")
    return max(ratios.values()) <= 3


def read_what_objcopy_writes(folder: Path) -> bool:
    """Images of 1 to 64 MiB, written by objcopy; whether all read back equal."""
    source, target = folder / "image.bin", folder / "image.txt"
    held = True
    for name in NAMES.values():
        for size in (1, 2, 16, 64):
            source.write_bytes(random.Random(size).randbytes(size * MIB))
            objcopy("-I", "binary", "-O", name, str(source), str(target))
            image = parse_image(target.read_bytes()).image
            equal = image == Image.from_bytes(source.read_bytes())
            print(
                f"objcopy's {name} of {size:2} MiB reads back {'equal' if equal else 'OTHERWISE'}"
            )
            held = held and equal
    return held


def spoil(line: bytes) -> bytes:
    """A record with another checksum."""
    return line[:-2] + (b"1" if line[-2:-1] != b"1" else b"2") + b"\n"


def bad_files(good: bytes) -> Iterator[tuple[str, bytes]]:
    """Each about as long as `good`."""
    lines = good.splitlines(keepends=True)
    every = list(lines)
    every[100::2500] = [spoil(line) for line in every[100::2500]]
    digits = list(lines)
    digits[100::2500] = [line[:9] + b"G" + line[10:] for line in digits[100::2500]]
    yield "one bad checksum at the end", b"".join([*lines[:-2], spoil(lines[-2]), lines[-1]])
    yield "every 2,500th checksum bad", b"".join(every)
    yield "every 2,500th line with a G", b"".join(digits)
    yield "every checksum bad", b"".join(spoil(line) for line in lines)
    yield "no end record", b"".join(lines[:-1])
    yield "a blank after every line", good.replace(b"\n", b" \n")
    yield "everything after the end", lines[-1] + b"".join(lines[:-1])
    yield "all in one line", good.replace(b"\n", b"")
    yield "carriage returns alone", good.replace(b"\n", b"\r")
    yield "bare marks", (lines[0][:1] + b"\n") * (len(good) // 2)
    yield "line feeds after the end", lines[1] + lines[-1] + b"\n" * len(good)
    yield "NULs after the end", good + bytes(len(good) // 4)


def refuse_bad_files(format: ImageFormat) -> bool:
    """Files of about 100 MB; whether each is refused in twice the time of the good one."""
    size = 35 * MIB if format is ImageFormat.INTEL_HEX else 33 * MIB
    good = encode_image(Image.from_bytes(random.Random(2).randbytes(size)), format)
    held = True
    for name, bad in bad_files(good):
        seconds, whole = best_of(2, *_two_ways(bad, good, format))
        print(f"{format}  {len(bad) / 1e6:5.0f} MB, {name:28} {seconds / whole:5.2f} x reading")
        held = held and seconds <= 2 * whole
    return held


def _two_ways(bad: bytes, good: bytes, format: ImageFormat) -> tuple[Callable[[], object], ...]:
    return lambda: read_or_refuse(bad, format), lambda: read_or_refuse(good, format)


def read_or_refuse(data: bytes, format: ImageFormat) -> None:
    """Either is an answer."""
    try:
        parse_image(data, format=format)
    except ImageFormatError:
        return


def main() -> int:
    """Print all rows; 1 where a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--large", action="store_true", help="also large and bad files")
    large = parser.parse_args().large
    held = [compare_in_process(format) for format in NAMES]
    if large:
        with tempfile.TemporaryDirectory() as folder:
            held += [compare_with_a_process(format, Path(folder)) for format in NAMES]
            held.append(read_what_objcopy_writes(Path(folder)))
        held += [refuse_bad_files(format) for format in NAMES]
    print("targets held" if all(held) else "A TARGET WAS MISSED")
    return 0 if all(held) else 1


if __name__ == "__main__":
    sys.exit(main())
