"""Drafts of families planted into real memories take away nothing but the VINs.

A short form; `tests/bench/measure_drafting.py --real` is the whole one.
"""

from __future__ import annotations

from tests.drafting_score import score_real_family
from tests.real_families import make_real_family
from tests.real_images import fetch, fetch_displays


def test_nothing_beside_a_vin_in_a_real_memory_is_erasable() -> None:
    firmware, displays = fetch(("seabios", "ipxe-qemu")), fetch_displays()
    # A CRC of 8 bits fits the last family by chance.
    for seed in (*range(1000, 1012), 3010):
        family = make_real_family(seed, modules=2 + seed % 3, firmware=firmware, displays=displays)
        missed, unsafe = score_real_family(family)
        assert (missed, unsafe) == (0, []), family.name
