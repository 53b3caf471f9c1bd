"""Makes docs/performance.md: what everything takes, and what a person would use instead.

Run: ``python tests/bench/performance.py [--quick] [--print]``; needs the ``dev`` extra, a C
compiler, objcopy and cmp. ``--quick`` leaves out the largest sizes, ``--print`` writes no file.

Every number is processor time of a whole process, or of a call in one process, as a ratio to
something measured in turn with it.
"""

from __future__ import annotations

import argparse
import io
import math
import os
import platform
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[2]))

import bincopy
import intelhex
import numpy as np

from memtool.core.image import Image
from memtool.formats.codec import ImageFormat, encode_image, parse_image
from tests.bench import bench_compare, bench_discovery, bench_drafting, bench_formats
from tests.bench.bench_commands import blank_all, limit_of, play_all
from tests.bench.bench_islands import compare_islands
from tests.bench.costs import (
    BASE,
    ROOT,
    Cost,
    beside,
    command_cost,
    cost_of,
    in_turn,
    ratio_of,
)
from tests.bench.images import LARGEST, make_images

PAGE = ROOT / "docs" / "performance.md"
NOTES = """
## Where the time goes

- `inspect` of a small image: three fifths are Python, click and numpy, a third the modules that it
  loads; where there is free space, the search for stores of records takes most of the rest. The
  three imports beside it start numpy's threads for matrices; `inspect` starts none.
- `start` looks for VINs in every stored form, under every key, in each module's image; `blank` and
  `check to-write` only in what was made of it, and for the vehicle's in the donor's.
- `compare` looks for moved blocks in all that differs, which numpy alone does not.
"""
KINDS = ("structured", "random", "text", "code", "erased")
SEARCHED = (*KINDS, "six")
VIN = "1G4AH59H45G118341"
KIB, MIB = 1 << 10, 1 << 20
_TURNS = {4 * KIB: 7, 64 * KIB: 7, MIB: 3, LARGEST: 1}
"""How often a whole job is played."""
_SEARCHES = {512: 15, 4 * KIB: 15, 64 * KIB: 3, MIB: 1}
"""How often images are searched."""
Lines = Iterator[str]

HEAD = """\
# How long it takes

Processor time, as ratios to something that ran in turn with it, the median of some turns, so that
another machine gives much the same. `python tests/bench/performance.py` makes this page; `!`
marks what is beyond its aim. Images are invented ones, by `tests/bench/images.py`:
structured (erased for the most part, equal code, a VIN, settings), random, text, code, erased.
"""


def machine() -> Lines:
    """What ran it."""
    processor = "unknown"
    with Path("/proc/cpuinfo").open(encoding="ascii") as table:
        for line in table:
            if line.startswith("model name"):
                processor = line.partition(":")[2].strip()
                break
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") >> 30
    load = os.getloadavg()[0]
    yield "\n## The machine\n"
    yield (
        f"{processor}, {os.cpu_count()} processors, {memory} GiB of memory, {platform.system()},"
        f" Python {platform.python_version()}, numpy {np.__version__}."
    )
    if load > (os.cpu_count() or 1):
        yield (
            f"It was busy with other work: {load:.0f} processes wanted a processor on average."
            " Ratios vary by about a quarter on such a machine."
        )


def start() -> Lines:
    """Commands that do little, beside loading their libraries."""
    yield "\n## Start\n"
    yield "| command | takes | beside | ratio | aim |"
    yield "| --- | --- | --- | --- | --- |"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "read.bin").write_bytes(make_images("structured", 4096)[0])
        for words, code, what, limit in (
            (("--version",), "import click", "importing click", 1.3),
            (("--help",), "import click", "importing click", 1.3),
            (("vin", VIN), "import click", "importing click", 1.3),
            (("inspect", "read.bin"), BASE, "importing click, numpy, rich", 1.4),
        ):
            ours, base = beside(words, code, folder=folder, turns=15)
            yield (
                f"| `{words[0]}` | {min(ours).seconds * 1000:.0f} ms"
                f" | {what}: {min(base).seconds * 1000:.0f} ms"
                f" | {_ratio(ratio_of(ours, base), limit)} | {limit} |"
            )


def growth(folder: Path, sizes: list[int]) -> Lines:
    """Each command on larger images, every kind, the worst first."""
    played: dict[str, dict[str, dict[int, list[Cost]]]] = {}
    for kind in KINDS:
        own = [size for size in sizes if size < LARGEST or kind in ("structured", "random")]
        for command, costs in play_all(folder, kind, own, _TURNS).items():
            played.setdefault(command, {})[kind] = costs
    yield "\n## As images grow\n"
    yield "Each command beside itself on 4 KiB of the same kind; a whole job of two modules."
    yield "Memory is the most that any kind took.\n"
    yield "| command | size | beside 4 KiB, the worst kind first | aim | memory |"
    yield "| --- | --- | --- | --- | --- |"
    for command, by_kind in played.items():
        for size in sizes[1:]:
            limit = limit_of(command, size)
            ratios, memory = [], 0
            for kind, costs in by_kind.items():
                if size in costs:
                    ratios.append((ratio_of(costs[size], costs[sizes[0]]), kind))
                    memory = max(memory, *(cost.memory for cost in costs[size]))
            words = ", ".join(
                f"{kind} {_ratio(ratio, limit)}" for ratio, kind in sorted(ratios, reverse=True)
            )
            aim = "" if limit == math.inf else f"{limit:g}"
            yield f"| `{command}` | {_size(size)} | {words} | {aim} | {memory >> 20} MB |"


def islands(folder: Path, count: int) -> str:
    """Segments of one byte, beside one segment of as many bytes; of the worst kind."""
    worst: dict[str, tuple[float, str]] = {}
    for kind in KINDS:
        for command, ratio in compare_islands(folder, kind, count, turns=3).items():
            worst[command] = max(worst.get(command, (0.0, "")), (ratio, kind))
    ratios = ", ".join(
        f"`{command}` {_ratio(ratio, 3)} ({kind})" for command, (ratio, kind) in worst.items()
    )
    return (
        f"{count:,} segments of one byte, beside one segment of as many, the worst kind: {ratios};"
        " the aim is 3."
    )


def discovery(folder: Path, sizes: list[int]) -> Lines:
    """`checksum discover` of three images, every kind."""
    limits = {512: 10, 4 * KIB: 10, 64 * KIB: 40, MIB: 320}
    yield "\n## Searching for checksums\n"
    yield "Three images (`six`: six structured ones), everything on, both processors added up,"
    yield "beside a process that imports click, numpy and rich.\n"
    yield "| size | the worst kind first | aim | the worst but six, beside random | aim | memory |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for size in sizes:
        searches: dict[str, Callable[[], Cost]] = {}
        for kind in SEARCHED:
            files = []
            for number, image in enumerate(make_images(kind, size)):
                path = folder / f"{kind}-{size}-{number}.bin"
                path.write_bytes(image)
                files.append(str(path))
            words = ("checksum", "discover", *files)
            searches[kind] = partial(command_cost, *words, folder=folder, runs=1)
        base, *made = in_turn(
            partial(cost_of, "-c", BASE, runs=1), *searches.values(), turns=_SEARCHES[size]
        )
        costs = dict(zip(searches, made, strict=True))
        taken = sorted(((ratio_of(each, base), kind) for kind, each in costs.items()), reverse=True)
        listed = ", ".join(f"{kind} {_ratio(ratio, limits[size])}" for ratio, kind in taken)
        memory = max(cost.memory for each in costs.values() for cost in each)
        worst = max(ratio_of(costs[kind], costs["random"]) for kind in KINDS)
        yield (
            f"| {_size(size)} | {listed} | {limits[size]} | {_ratio(worst, 1.5)} | 1.5"
            f" | {memory >> 20} MB |"
        )
    library = bench_discovery.compile_brute(folder)
    for size, count in ((4 * KIB, 2), (64 * KIB, 3)):
        images = bench_discovery.make_images(size, count)
        brute, guessed = bench_discovery.time_brute(library, images, 3e8)
        ours = bench_discovery.time_discovery(images, bench_discovery.same_work(), 2)
        yield (
            f"\n{count} images of {_size(size)}, the CRCs of 16 to 64 bits alone:"
            f" {brute / ours:,.0f} times as fast as a brute force in C"
            f"{' (extrapolated)' if guessed else ''}."
        )


def drafting(sizes: list[int]) -> Lines:
    """`layout draft` beside what it is made of."""
    yield "\n## Drafting a layout\n"
    yield "`layout draft` of the same images, beside `checksum discover` and `inspect` of them"
    yield "together.\n"
    yield "| size | the worst kind first | aim | memory, at most 512 MB |"
    yield "| --- | --- | --- | --- |"
    for size in sizes:
        measured = ((*bench_drafting.measure(kind, size), kind) for kind in SEARCHED)
        rows = sorted(measured, reverse=True)
        words = ", ".join(f"{kind} {_ratio(times, 1.5)}" for times, _, _, kind in rows)
        memory = max(memory for _, _, memory, _ in rows) >> 20
        yield f"| {_size(size)} | {words} | 1.5 | {memory} MB{'!' * (memory > 512)} |"


def comparing(size: int) -> Lines:
    """`compare` beside numpy alone, every kind."""
    yield "\n## Comparing\n"
    yield f"`compare` of two images of {_size(size)}, beside a process in which numpy alone reads"
    yield "both and lists the runs. In texts of the same words blocks moved: the aim there is 20.\n"
    yield "| what | beside numpy alone, the worst kind first | aim | memory by the files | aim |"
    yield "| --- | --- | --- | --- | --- |"
    measured = bench_compare.measure(SEARCHED, size, turns=3)
    for what, (ratios, memory) in measured.items():
        words = ", ".join(
            f"{kind} {_ratio(ratios[kind], bench_compare.limit_of(what, kind))}"
            for kind in sorted(ratios, key=ratios.__getitem__, reverse=True)
        )
        aims = {bench_compare.limit_of(what, kind) for kind in ratios}
        most = _ratio(max(memory.values()), bench_compare.MEMORY)
        aim = " or ".join(f"{aim:g}" for aim in sorted(aims))
        yield f"| {what} | {words} | {aim} | {most} | {bench_compare.MEMORY:g} |"


def bad_files() -> Lines:
    """The worst of some bad files of 100 MB."""
    for format, size in ((ImageFormat.INTEL_HEX, 35 * MIB), (ImageFormat.S_RECORD, 33 * MIB)):
        good = encode_image(Image.from_bytes(random.Random(2).randbytes(size)), format)
        # Its time is taken beside each: the machine may be slower by then.
        worst = max(
            _reading(bad, format) / _reading(good, format)
            for _, bad in bench_formats.bad_files(good)
        )
        yield (
            f"| refusing a bad {format} file of 100 MB, the worst of twelve | reading the good one"
            f" | {_ratio(worst, 2)} | 2 |"
        )


def _reading(data: bytes, format: ImageFormat) -> float:
    """Seconds of the processor until it is read or refused, the less of two runs."""
    taken = []
    for _ in range(2):
        begin = time.process_time()
        bench_formats.read_or_refuse(data, format)
        taken.append(time.process_time() - begin)
    return min(taken)


def instead(folder: Path, size: int) -> Lines:
    """Beside what a person would use."""
    data, other = (random.Random(seed).randbytes(size) for seed in (1, 2))
    for name, content in {"a": data, "b": other}.items():
        (folder / f"{name}.bin").write_bytes(content)
    yield "\n## Beside other tools\n"
    yield "| work | instead | ratio | aim |"
    yield "| --- | --- | --- | --- |"
    for kibibytes in (1, 2, 64, 1024):
        image = Image.from_bytes(random.Random(kibibytes).randbytes(kibibytes * KIB))
        text = encode_image(image, ImageFormat.INTEL_HEX)
        for name, read, aim in (("bincopy", _bincopy, 1.0), ("intelhex", _intelhex, 1.0)):
            ratios = [
                _seconds(partial(parse_image, text)) / _seconds(partial(read, text))
                for _ in range(3)
            ]
            yield (
                f"| reading {_size(kibibytes * KIB)} of Intel HEX, in one process | {name}"
                f" | {_ratio(median(ratios), aim)} | {aim:g} |"
            )
    (folder / "a.hex").write_bytes(encode_image(Image.from_bytes(data), ImageFormat.INTEL_HEX))
    reading, objcopy, nothing = in_turn(
        partial(cost_of, "-c", _READ_HEX, "a.hex", folder=folder, runs=1),
        partial(cost_of, "-c", _OBJCOPY, "a.hex", folder=folder, runs=1),
        partial(cost_of, "-c", "import subprocess", folder=folder, runs=1),
    )
    alone = [
        one._replace(seconds=one.seconds - other.seconds)
        for one, other in zip(objcopy, nothing, strict=True)
    ]
    yield (
        f"| reading {_size(size)} of Intel HEX, whole process | objcopy"
        f" | {_ratio(ratio_of(reading, alone), 3)} | 3 |"
    )
    first, second = (str(folder / f"{name}.bin") for name in "ab")
    ours, listing = beside(("compare", first, second), _CMP, first, second)
    yield (
        f"| `compare` of {_size(size)}, wholly different | `cmp -l`, a line a byte"
        f" | {ratio_of(ours, listing):.2f} | |"
    )
    summing = ("checksum", "compute", first, "--algorithm", "CRC-32/ISO-HDLC")
    for name, code in (("zlib", _ZLIB), ("anycrc", _ANYCRC)):
        ratio = ratio_of(*beside(summing, code, first))
        yield f"| CRC-32 of {_size(size)}, whole process | {name} | {ratio:.1f} | |"
    ours, theirs = beside(("find", VIN, first), _RE, first)
    yield (
        f"| `find` of a VIN in {_size(size)}, every stored form | `re`, as plain text alone"
        f" | {ratio_of(ours, theirs):.0f} | |"
    )


_READ_HEX = """
import pathlib, sys
from memtool.formats.codec import parse_image
parse_image(pathlib.Path(sys.argv[1]).read_bytes())
"""
_OBJCOPY = """
import subprocess, sys
subprocess.run(["objcopy", "-I", "ihex", "-O", "binary", sys.argv[1], "objcopy.out"], check=True)
"""
_CMP = """
import subprocess, sys
subprocess.run(["cmp", "-l", *sys.argv[1:]], stdout=subprocess.DEVNULL)
"""
_ZLIB = "import pathlib, sys, zlib; zlib.crc32(pathlib.Path(sys.argv[1]).read_bytes())"
_ANYCRC = """
import pathlib, sys, anycrc
anycrc.Model("CRC32").calc(pathlib.Path(sys.argv[1]).read_bytes())
"""
_RE = """
import pathlib, re, sys
re.findall(rb"1G4AH59H45G118341", pathlib.Path(sys.argv[1]).read_bytes())
"""


def _bincopy(text: bytes) -> None:
    bincopy.BinFile().add_ihex(text.decode("ascii"))


def _intelhex(text: bytes) -> None:
    intelhex.IntelHex().loadhex(io.StringIO(text.decode("ascii")))


def _seconds(work: Callable[[], object]) -> float:
    """Of the processor, the best of some rounds of at least a fiftieth of a second each."""
    work()
    begin = time.process_time()
    work()
    times = max(1, int(0.02 / max(time.process_time() - begin, 1e-6)))
    best = float("inf")
    for _ in range(5):
        begin = time.process_time()
        for _ in range(times):
            work()
        best = min(best, (time.process_time() - begin) / times)
    return best


def _ratio(ratio: float, limit: float) -> str:
    words = f"{ratio:.2f}" if ratio < 10 else f"{ratio:.0f}"
    return words if ratio <= limit else f"{words}!"


def _size(size: int) -> str:
    if size < KIB:
        return f"{size} B"
    return f"{size >> 20} MiB" if size >= MIB else f"{size >> 10} KiB"


def make_page(*, quick: bool) -> Lines:
    """The page, line by line."""
    sizes = [4 * KIB, 64 * KIB, MIB] + ([] if quick else [LARGEST])
    yield HEAD.rstrip()
    yield from machine()
    yield from start()
    with tempfile.TemporaryDirectory() as folder:
        yield from growth(Path(folder), sizes)
        if not quick:
            yield ""
            yield blank_all(Path(folder) / "all-state", LARGEST)
        yield ""
        yield islands(Path(folder), 10_000)
    with tempfile.TemporaryDirectory() as folder:
        yield from discovery(Path(folder), [512, 4 * KIB, 64 * KIB] + ([] if quick else [MIB]))
        yield from drafting([4 * KIB, 64 * KIB] + ([] if quick else [MIB]))
        yield from comparing(MIB if quick else LARGEST)
        yield from instead(Path(folder), MIB if quick else LARGEST)
        if not quick:
            yield from bad_files()
    yield NOTES.rstrip()


def main() -> None:
    """Write or print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="leave the largest sizes out")
    parser.add_argument("--print", action="store_true", dest="only_print", help="write no file")
    given = parser.parse_args()
    lines = []
    for line in make_page(quick=given.quick):
        print(line, flush=True)
        lines.append(line)
    if not given.only_print:
        PAGE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
