"""`compare` of 16 MiB and of islands, beside a process in which numpy alone lists the runs.

Run: ``python tests/bench/bench_compare.py [MIB]``. Prints processor time and memory of whole
processes as ratios, the worst first, so that a busy machine does not change them much. Aims: at
most 3 times numpy's process where nothing moved, 20 times where blocks did, 6 times the files
in memory; 10,000 segments of one byte at most 3 times one segment of as many bytes.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.image import Image
from memtool.formats.codec import ImageFormat, encode_image
from tests.bench.costs import command_cost, cost_of

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
        alone = cost_of("-c", NUMPY_ALONE, str(one), str(two))
        ours = command_cost("compare", str(one), str(two))
        print(
            f"{name:24} {ours.seconds / alone.seconds:5.1f} x numpy alone,"
            f" memory {ours.memory / (2 * size):5.1f} x the files"
        )


def compare_islands(folder: Path, count: int) -> dict[str, float]:
    """As many segments of one byte as a plain image has bytes: by command, how many times as
    long they take."""
    data = random.Random(3).randbytes(count)
    for name, image in (
        ("plain", Image.from_bytes(data)),
        (
            "islands",
            Image.from_pieces((3 * place, data[place : place + 1]) for place in range(count)),
        ),
    ):
        (folder / f"{name}.hex").write_bytes(encode_image(image, ImageFormat.INTEL_HEX))
    ratios = {}
    for command in (["inspect"], ["find", "8Z9DMA4B9LD001042"], ["compare"]):
        islands, plain = (
            command_cost(*command, *[str(folder / f"{name}.hex")] * times)
            for name in ("islands", "plain")
            for times in [2 if command == ["compare"] else 1]
        )
        ratios[command[0]] = islands.seconds / plain.seconds
    return ratios


def main() -> None:
    """Print all rows."""
    size = int(sys.argv[1] if len(sys.argv) > 1 else 16) << 20
    with tempfile.TemporaryDirectory() as folder:
        compare_contents(Path(folder), size)
        for command, ratio in compare_islands(Path(folder), 10_000).items():
            print(f"{command:24} {ratio:5.1f} x one segment")


if __name__ == "__main__":
    main()
