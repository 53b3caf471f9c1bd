"""`compare` of 16 MiB, beside a process in which numpy alone lists the runs.

Run: ``python tests/bench/bench_compare.py [MIB]``. Prints processor time and memory of whole
processes as ratios, the worst first, so that a busy machine does not change them much. Aims: at
most 3 times numpy's process where nothing moved, 20 times where blocks did, 6 times the files
in memory.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.costs import beside, ratio_of

NUMPY_ALONE = """
import sys
import numpy as np
a, b = (np.fromfile(name, np.uint8) for name in sys.argv[1:])
edges = np.flatnonzero(np.diff(a != b, prepend=False, append=False))
print(len(edges.reshape(-1, 2).tolist()))
"""


def compare_contents(folder: Path, size: int) -> None:
    """Whole files, each kind of difference."""
    data = random.Random(1).randbytes(size)
    few = bytearray(data)
    few[:: size // 1000] = bytes(len(few[:: size // 1000]))
    contents = {
        "wholly different": random.Random(2).randbytes(size),
        "slipped by one byte": b"\x00" + data[:-1],
        "a thousand bytes differ": bytes(few),
        "equal": data,
    }
    one = folder / "a.bin"
    one.write_bytes(data)
    for name, other in contents.items():
        two = folder / "b.bin"
        two.write_bytes(other)
        files = str(one), str(two)
        ours, alone = beside(("compare", *files), NUMPY_ALONE, *files)
        print(
            f"{name:24} {ratio_of(ours, alone):5.1f} x numpy alone,"
            f" memory {ours[0].memory / (2 * size):5.1f} x the files"
        )


def main() -> None:
    """Print all rows."""
    size = int(sys.argv[1] if len(sys.argv) > 1 else 16) << 20
    with tempfile.TemporaryDirectory() as folder:
        compare_contents(Path(folder), size)


if __name__ == "__main__":
    main()
