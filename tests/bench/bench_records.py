"""How long a memory that is a store of records takes, against one of the same size without one.

Run: python tests/bench/bench_records.py [SIZE …], sizes in KiB; 64 by default. At 1024 the draft
of the other memory takes minutes.

Three modules of each kind. The store is one of equal records with a running number and a CRC, in
two banks, three quarters full; the other memory is the "structured" one of the other benchmarks.
Times are of the processor, from one run: `inspect` looks at one image and searches it for stores,
`draft` makes a layout of three, `blank` plans the blanking by the store's layout. Prints times and
ratios; nothing here is a test.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.drafting.draft import Draft, ModuleReads
from memtool.core.drafting.steps import draft_layout
from memtool.core.health.inspection import inspect_images
from memtool.core.image import Image
from memtool.core.job.blanking import plan_blank
from memtool.core.layouts.layout import Layout, ModuleKind
from tests.bench.images import make_images
from tests.build import DONOR_VIN, VEHICLE_VIN
from tests.stores.plain import equal_records

_VINS = ([VEHICLE_VIN, DONOR_VIN], [VEHICLE_VIN], [DONOR_VIN])


def draft(images: Sequence[Image]) -> Draft:
    """A layout of three modules, one read of each."""
    return draft_layout(
        [
            ModuleReads(name=str(number), role=None, vin=None, reads=(image,))
            for number, image in enumerate(images)
        ]
    )


def layout_of(made: Draft, size: int) -> Layout:
    """The layout that a draft stands for; only its stores matter here."""
    return Layout(
        name="bench",
        chip=str(size),
        size=size,
        module=ModuleKind.BODY,
        records=tuple(guess.rules for guess in made.records),
    )


def main(sizes: Sequence[int]) -> None:
    """Print one row a size."""
    print(f"{'KiB':>6} {'inspect':>18} {'draft':>18} {'blank':>8}")
    for kib in sizes:
        size = kib << 10
        stores = [
            Image.from_bytes(
                equal_records(vins, seed=seed, family=4, bank=size // 2, writes=size // 42)[0]
            )
            for seed, vins in enumerate(_VINS)
        ]
        others = [Image.from_bytes(data) for data in make_images("structured", size)]
        layout = layout_of(draft(stores[:1]), size)  # Loads what is loaded once.
        started = [time.process_time()]
        for images in (stores, others):
            inspect_images(images[:1], chip=None, layout=None)
            started.append(time.process_time())
        for images in (stores, others):
            made = draft(images)
            layout = layout_of(made, size) if images is stores else layout
            started.append(time.process_time())
        plan_blank(stores[0], layout)
        started.append(time.process_time())
        inspected, plain, drafted, plainly, blanked = (b - a for a, b in pairwise(started))
        print(
            f"{kib:>6} {inspected:8.2f} s x{inspected / plain:6.2f}"
            f" {drafted:9.2f} s x{drafted / plainly:6.2f} {blanked:6.2f} s"
        )


if __name__ == "__main__":
    main([int(size) for size in sys.argv[1:]] or [64])
