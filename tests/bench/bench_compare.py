"""`compare` of 16 MiB, beside a process in which numpy alone lists the runs.

Run: ``python tests/bench/bench_compare.py [--size 16777216] [--kinds random,…]``. Prints
processor time of whole processes as ratios, one row for what is compared, one column a kind of
image, the worst first; and memory. Aims: at most 3 times numpy's process where nothing moved, 20
times where blocks did, 6 times the files in memory. In text of the same words thousands did.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.costs import beside, columns, ratio_of
from tests.bench.images import KINDS, LARGEST, make_images

NUMPY_ALONE = """
import sys
import numpy as np
a, b = (np.fromfile(name, np.uint8) for name in sys.argv[1:])
edges = np.flatnonzero(np.diff(a != b, prepend=False, append=False))
print(len(edges.reshape(-1, 2).tolist()))
"""
COMPARED = (
    "another family",
    "another module",
    "moved by one byte",
    "a thousand bytes differ",
    "equal",
)
MEMORY = 6.0
"""Times the files."""


class Measured(NamedTuple):
    """One thing that is compared, by kind of image."""

    ratios: dict[str, float]
    """Beside numpy alone."""
    memory: dict[str, float]
    """Times the files."""


def limit_of(what: str, kind: str) -> float:
    """The aim of the ratio."""
    moved = what == "moved by one byte" or (kind == "text" and what.startswith("another"))
    return 20.0 if moved else 3.0


def make_contents(kind: str, size: int) -> tuple[bytes, dict[str, bytes]]:
    """An image, and what it is compared with."""
    data, module = make_images(kind, size, 2)[:2]
    few = bytearray(data)
    for place in range(0, size, size // 1000):
        few[place] ^= 0x5A
    others = (make_images(kind, size, 1, seed=1)[0], module, b"\0" + data[:-1], bytes(few), data)
    return data, dict(zip(COMPARED, others, strict=True))


def measure(kinds: Iterable[str], size: int, turns: int) -> dict[str, Measured]:
    """All that is compared, in a folder of its own."""
    measured = {what: Measured({}, {}) for what in COMPARED}
    with tempfile.TemporaryDirectory() as folder:
        one, two = (Path(folder) / f"{name}.bin" for name in "ab")
        for kind in kinds:
            data, others = make_contents(kind, size)
            one.write_bytes(data)
            for what, other in others.items():
                two.write_bytes(other)
                files = str(one), str(two)
                ours, alone = beside(("compare", *files), NUMPY_ALONE, *files, turns=turns)
                measured[what].ratios[kind] = ratio_of(ours, alone)
                measured[what].memory[kind] = max(cost.memory for cost in ours) / (2 * size)
    return measured


def main() -> None:
    """Print all rows."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--size", type=int, default=LARGEST)
    parser.add_argument("--kinds", default=",".join(KINDS))
    given = parser.parse_args()
    for what, (ratios, memory) in measure(given.kinds.split(","), given.size, turns=3).items():
        limits = {kind: limit_of(what, kind) for kind in ratios}
        print(f"{what:24} x numpy alone, at most 3, or 20: {columns(ratios, limits)}")
        print(f"{'':24} x the files in memory, at most 6: {columns(memory, MEMORY)}")


if __name__ == "__main__":
    main()
