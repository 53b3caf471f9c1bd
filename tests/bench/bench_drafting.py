"""What a layout draft costs, against the discovery and the inspection of the same images.

Run: python tests/bench/bench_drafting.py [SIZE …], sizes in bytes; 512 to 65536 by default.

Three modules of each kind (six of ``six``), one read each, by the real commands: `layout draft`,
`checksum discover` of all, `inspect` of all. Prints one row a size, the kinds as columns, the
worst first: the draft's time as times of the two others together, and its peak memory. Times are
of the processor, the median of three runs; nothing here is a test.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.costs import command_cost
from tests.bench.images import KINDS, SIZES, make_images


def measure(kind: str, size: int) -> tuple[float, float, int]:
    """(times of discovery and inspection, seconds of the draft, its bytes of memory)."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = []
        for number, data in enumerate(make_images(kind, size)):
            files.append(f"module-{number}.bin")
            (folder / files[-1]).write_bytes(data)
        drafts, ratios = [], []
        for run in range(3 if size <= 1 << 16 else 1):
            found = command_cost("checksum", "discover", *files, folder=folder, runs=1)
            looked = command_cost("inspect", *files, folder=folder, runs=1)
            # The next draft's file would exist: each gets a name of its own by a folder of its own.
            place = folder / str(run)
            place.mkdir()
            for file in files:
                shutil.copy(folder / file, place)
            line = ("layout", "draft", *files, "--chip", str(size), "--out", "draft.toml")
            drafts.append(command_cost(*line, folder=place, runs=1))
            if drafts[-1].status not in (0, 1) or not (place / "draft.toml").exists():
                raise SystemExit(f"the draft of {kind}, {size} bytes, ended with another status")
            ratios.append(drafts[-1].seconds / (found.seconds + looked.seconds))
        draft = min(drafts)
        return median(ratios), draft.seconds, draft.memory


def main(sizes: list[int]) -> None:
    """Print one row a size."""
    for size in sizes:
        rows = sorted(((*measure(kind, size), kind) for kind in KINDS), reverse=True)
        told = (
            f"{kind} {times:5.2f} ({secs:.1f} s, {memory >> 20} MiB)"
            for times, secs, memory, kind in rows
        )
        print(f"{size:>8}  {'  '.join(told)}", flush=True)


if __name__ == "__main__":
    main([int(size) for size in sys.argv[1:]] or list(SIZES[:3]))
