"""How fast checksums are, against anycrc itself, zlib and crccheck in the same run.

Run: python tests/bench/bench_checksum.py [MiB]
Each time is the best of several runs. crccheck is pure Python and gets one 64th of the
data; its time is scaled up and marked.
"""

from __future__ import annotations

import importlib.metadata
import random
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


def row(name: str, baseline: str, mine: float, theirs: float) -> None:
    print(f"{name:<20} {mine * 1e3:10.3f} ms  {baseline:<22} {theirs * 1e3:11.3f} ms", end="")
    print(f"  {theirs / mine:9.2f} x as fast")


def anycrc_name(name: str) -> str:
    return name.replace("CRC-", "CRC", 1).replace("/", "-")


def bench_large(data: bytes) -> None:
    part = data[: len(data) // CRCCHECK_PART]
    crc_classes = {crc._names[0]: crc for crc in crccheck.crc.ALLCRCCLASSES}
    for name in ("CRC-8/SAE-J1850", "CRC-16/IBM-3740", "CRC-32/ISO-HDLC", "CRC-64/XZ"):
        mine = best_time(ours(name, data))
        engine = anycrc.Model(anycrc_name(name))
        row(name, "anycrc", mine, best_time(partial(engine.calc, data)))
        slow = crc_classes[name]
        theirs = best_time(partial(slow.calc, part), repeats=1) * CRCCHECK_PART
        row(name, "crccheck (scaled)", mine, theirs)
    row(
        "CRC-32/ISO-HDLC",
        "zlib.crc32",
        best_time(ours("CRC-32/ISO-HDLC", data)),
        best_time(lambda: zlib.crc32(data)),
    )
    row(
        "CRC-16/XMODEM",
        "binascii.crc_hqx",
        best_time(ours("CRC-16/XMODEM", data)),
        best_time(lambda: binascii.crc_hqx(data, 0)),
    )
    row("SUM-8", "built-in sum", best_time(ours("SUM-8", data)), best_time(lambda: sum(data) & 255))
    sums = (
        ("XOR-8", crccheck.checksum.ChecksumXor8),
        ("WORDSUM-16-BE", crccheck.checksum.Checksum16),
    )
    for name, slow in sums:
        theirs = best_time(partial(slow.calc, part), repeats=1) * CRCCHECK_PART
        row(name, "crccheck (scaled)", best_time(ours(name, data)), theirs)
    adler = best_time(lambda: zlib.adler32(data))
    for name in ("FLETCHER-16", "FLETCHER-32", "ADLER-32"):
        row(name, "zlib.adler32", best_time(ours(name, data)), adler)


def bench_small(data: bytes) -> None:
    """Seventeen bytes: what a call costs by itself."""
    times = 20_000
    engine = anycrc.Model("CRC16-IBM-3740")
    compute = ours("CRC-16/IBM-3740", data)
    mine = best_time(lambda: [compute() for _ in range(times)], repeats=3)
    theirs = best_time(lambda: [engine.calc(data) for _ in range(times)], repeats=3)
    row("17 bytes x 20,000", "anycrc", mine, theirs)
    slow = crccheck.crc.Crc16Ibm3740
    theirs = best_time(lambda: [slow.calc(data) for _ in range(times // 20)], repeats=1) * 20
    row("17 bytes x 20,000", "crccheck (scaled)", mine, theirs)


def main() -> None:
    mebibytes = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    data = random.Random(3).randbytes(mebibytes << 20)
    begin = time.perf_counter()
    count = len(list_algorithms())
    print(f"catalogue of {count} algorithms made in {(time.perf_counter() - begin) * 1e3:.1f} ms")
    versions = (f"{name} {importlib.metadata.version(name)}" for name in ("anycrc", "crccheck"))
    print(
        f"{mebibytes} MiB of random bytes; {', '.join(versions)}; Python {sys.version.split()[0]}"
    )
    bench_large(data)
    bench_small(data[:17])


if __name__ == "__main__":
    main()
