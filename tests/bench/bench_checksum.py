"""How fast checksums are, against anycrc itself, zlib and crccheck in the same run.

Run: python tests/bench/bench_checksum.py [MiB]
Each time is the best of several runs. crccheck is pure Python and gets one 64th of the
data; its time is scaled up and marked.
"""

from __future__ import annotations

import importlib.metadata
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

import binascii
import zlib

import anycrc
import crccheck.checksum
import crccheck.crc

from memtool.core.checksums.algorithms import compute_value, get_algorithm, list_algorithms
from tests.bench.images import KINDS, make_images

CRCCHECK_PART = 64


def best_time(action: Callable[[], Any], *, repeats: int = 7) -> float:
    """Seconds of the fastest of `repeats` runs."""
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        action()
        times.append(time.perf_counter() - begin)
    return min(times)


def ours(name: str, data: bytes) -> Callable[[], int]:
    algorithm = get_algorithm(name)
    return lambda: compute_value(algorithm, data)


def row(name: str, baseline: str, times_as_fast: dict[str, float]) -> None:
    """One column a kind of image, the slowest first."""
    cells = sorted(times_as_fast.items(), key=lambda cell: cell[1])
    print(f"{name:<20} {baseline:<22} times as fast: ", end="")
    print("  ".join(f"{kind} {times:.2f}" for kind, times in cells), flush=True)


def anycrc_name(name: str) -> str:
    return name.replace("CRC-", "CRC", 1).replace("/", "-")


def bench_large(images: dict[str, bytes]) -> None:
    """Whole images, each algorithm beside what computes the same or as much."""
    crc_classes = {crc._names[0]: crc for crc in crccheck.crc.ALLCRCCLASSES}

    def compare(name: str, baseline: str, theirs: Callable[[bytes], Any]) -> None:
        ratios = {
            kind: best_time(partial(theirs, data)) / best_time(ours(name, data))
            for kind, data in images.items()
        }
        row(name, baseline, ratios)

    def compare_scaled(name: str, theirs: Callable[[bytes], Any]) -> None:
        ratios = {}
        for kind, data in images.items():
            part = data[: len(data) // CRCCHECK_PART]
            taken = best_time(partial(theirs, part), repeats=1) * CRCCHECK_PART
            ratios[kind] = taken / best_time(ours(name, data))
        row(name, "crccheck (scaled)", ratios)

    for name in ("CRC-8/SAE-J1850", "CRC-16/IBM-3740", "CRC-32/ISO-HDLC", "CRC-64/XZ"):
        compare(name, "anycrc", anycrc.Model(anycrc_name(name)).calc)
        compare_scaled(name, crc_classes[name].calc)
    compare("CRC-32/ISO-HDLC", "zlib.crc32", zlib.crc32)
    compare("CRC-16/XMODEM", "binascii.crc_hqx", lambda data: binascii.crc_hqx(data, 0))
    compare("SUM-8", "built-in sum", lambda data: sum(data) & 255)
    compare_scaled("XOR-8", crccheck.checksum.ChecksumXor8.calc)
    compare_scaled("WORDSUM-16-BE", crccheck.checksum.Checksum16.calc)
    for name in ("FLETCHER-16", "FLETCHER-32", "ADLER-32"):
        compare(name, "zlib.adler32", zlib.adler32)


def bench_small(images: dict[str, bytes]) -> None:
    """Seventeen bytes: what a call costs by itself."""
    times = 20_000
    engine, slow = anycrc.Model("CRC16-IBM-3740"), crccheck.crc.Crc16Ibm3740
    beside_engine, beside_slow = {}, {}
    for kind, image in images.items():
        data = image[:17]
        compute = ours("CRC-16/IBM-3740", data)
        mine = best_time(partial(_call_often, compute, times), repeats=3)
        theirs = best_time(partial(_call_often, partial(engine.calc, data), times), repeats=3)
        beside_engine[kind] = theirs / mine
        few = best_time(partial(_call_often, partial(slow.calc, data), times // 20), repeats=1)
        beside_slow[kind] = 20 * few / mine
    row("17 bytes x 20,000", "anycrc", beside_engine)
    row("17 bytes x 20,000", "crccheck (scaled)", beside_slow)


def _call_often(call: Callable[[], Any], times: int) -> None:
    for _ in range(times):
        call()


def main() -> None:
    mebibytes = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    images = {kind: make_images(kind, mebibytes << 20, 1)[0] for kind in KINDS}
    begin = time.perf_counter()
    count = len(list_algorithms())
    print(f"catalogue of {count} algorithms made in {(time.perf_counter() - begin) * 1e3:.1f} ms")
    versions = (f"{name} {importlib.metadata.version(name)}" for name in ("anycrc", "crccheck"))
    print(f"images of {mebibytes} MiB; {', '.join(versions)}; Python {sys.version.split()[0]}")
    bench_large(images)
    bench_small(images)


if __name__ == "__main__":
    main()
