"""`compare` of 16 MiB, beside a process in which numpy alone lists the runs.

Run: ``python tests/bench/bench_compare.py [--size 16777216] [--kinds random,…]``. Prints
processor time of whole processes as ratios, one row for what is compared, one column a kind of
image, the worst first; and memory. Aims: at most 3 times numpy's process where nothing moved, 20
times where blocks did, 6 times the files in memory.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

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
LIMITS = {
    "another family": 3.0,
    "another module": 3.0,
    "moved by one byte": 20.0,
    "a thousand bytes differ": 3.0,
    "equal": 3.0,
}


def make_contents(kind: str, size: int) -> tuple[bytes, dict[str, bytes]]:
    """An image, and what it is compared with."""
    data, module = make_images(kind, size, 2)[:2]
    few = bytearray(data)
    for place in range(0, size, size // 1000):
        few[place] ^= 0x5A
    others = (make_images(kind, size, 1, seed=1)[0], module, b"\0" + data[:-1], bytes(few), data)
    return data, dict(zip(LIMITS, others, strict=True))


def main() -> None:
    """Print all rows."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--size", type=int, default=LARGEST)
    parser.add_argument("--kinds", default=",".join(KINDS))
    given = parser.parse_args()
    ratios: dict[str, dict[str, float]] = {name: {} for name in LIMITS}
    memory: dict[str, dict[str, float]] = {name: {} for name in LIMITS}
    with tempfile.TemporaryDirectory() as folder:
        one, two = (Path(folder) / f"{name}.bin" for name in "ab")
        for kind in given.kinds.split(","):
            data, others = make_contents(kind, given.size)
            one.write_bytes(data)
            for name, other in others.items():
                two.write_bytes(other)
                files = str(one), str(two)
                ours, alone = beside(("compare", *files), NUMPY_ALONE, *files, turns=3)
                ratios[name][kind] = ratio_of(ours, alone)
                memory[name][kind] = max(cost.memory for cost in ours) / (2 * given.size)
    for name, limit in LIMITS.items():
        print(f"{name:24} x numpy alone, at most {limit:g}: {columns(ratios[name], limit)}")
        print(f"{'':24} x the files in memory, at most 6: {columns(memory[name], 6)}")


if __name__ == "__main__":
    main()
