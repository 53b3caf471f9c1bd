"""How long the searches take, against one `re` scan for seventeen characters.

Run from the project's root: python tests/bench/bench_identity.py
Each time is the best of several runs. The images are of all kinds of tests/fillers.py: random,
and of tables and text, which are the worse case, since they hold many runs that have to be
looked at. Nothing but random digits, or capitals and digits, is worse still. No module holds
an image of that, so it is shown, but no limit is set for it.
"""

from __future__ import annotations

import random
import re
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.identity.known_identity import find_identity, find_vins
from memtool.core.image import Image
from tests.fillers import FILLERS, make_filler

VIN = "1G4AH59H45G118341"
SCAN = re.compile(rb"[A-HJ-NPR-Z0-9]{17}")
MOST_TIMES_THE_SCAN = 100
MOST_SECONDS_FOR_4_KIB = 0.030
SIZES = (1 << 12, 1 << 16, 1 << 18, 1 << 20)
CHARACTERS = {"digits": b"0123456789", "capitals": b"ABCDEFGHJKLMNPRSTUVWXYZ0123456789"}


def best_time(action: Callable[[], Any], *, repeats: int) -> float:
    """Seconds of the fastest of `repeats` runs."""
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        action()
        times.append(time.perf_counter() - begin)
    return min(times)


def _scan(data: bytes) -> int:
    return sum(1 for _ in SCAN.finditer(data))


def _make(kind: str, size: int) -> bytes:
    rng = random.Random(f"bench {kind}")
    if kind in CHARACTERS:
        return bytes(rng.choices(CHARACTERS[kind], k=size))
    return make_filler(kind, size, rng)


def main() -> None:
    late = False
    print(f"{'image':>18} {'re scan':>9} {'find_vins':>10} {'times':>6}", end="")
    print(f" {'find_identity':>14} {'times':>6}")
    for kind in (*FILLERS, *CHARACTERS):
        for size in SIZES if kind in ("random", "text", "tables") else SIZES[-1:]:
            data = _make(kind, size)
            image, repeats = Image.from_bytes(data), 3 if size >= 1 << 18 else 7
            scan = best_time(partial(_scan, data), repeats=repeats)
            vins = best_time(partial(find_vins, image), repeats=repeats)
            known = best_time(partial(find_identity, image, VIN), repeats=repeats)
            print(
                f"{kind:>9} {size // 1024:>4} KiB {1e3 * scan:>7.2f}ms {1e3 * vins:>8.1f}ms"
                f" {vins / scan:>6.0f} {1e3 * known:>12.1f}ms {known / scan:>6.0f}"
            )
            if size == SIZES[0]:
                late |= max(vins, known) > MOST_SECONDS_FOR_4_KIB
            if size == SIZES[-1] and kind in FILLERS:
                late |= max(vins, known) > MOST_TIMES_THE_SCAN * scan
    print("limits: 1 MiB of each filler 100 times the scan, 4 KiB 30 ms;", end=" ")
    print("NOT KEPT" if late else "kept")
    sys.exit(1 if late else 0)


if __name__ == "__main__":
    main()
