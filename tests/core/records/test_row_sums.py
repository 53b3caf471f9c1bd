"""Which checksums rows may carry: none is passed over, and what proves nothing counts for none."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from crccheck.crc import ALLCRCCLASSES
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.checksums.algorithms import compute_value
from memtool.core.records.finding import sums

# The library crccheck computes CRCs on its own; those that are widely used twice are left out.
MODELS = [one for one in ALLCRCCLASSES if one._width in (8, 16, 32)]


@given(
    st.sampled_from(MODELS),
    st.lists(st.binary(min_size=1, max_size=12), min_size=5, max_size=5),
    st.integers(0, 4),
    st.sampled_from(["big", "little"]),
    st.randoms(),
)
def test_a_crc_that_one_row_carries_is_promising(
    model: Any, blocks: list[bytes], row: int, order: str, own: random.Random
) -> None:
    width = model._width // 8
    stored = [own.randbytes(width) for _ in blocks]
    stored[row] = model.calcbytes(blocks[row], byteorder=order)
    wanted = [(int.from_bytes(each, "big"), int.from_bytes(each, "little")) for each in stored]
    found = [algorithm for algorithm, _ in sums.promising(width, blocks, wanted, 5)]
    here = int.from_bytes(model.calcbytes(blocks[row], byteorder="big"), "big")
    assert any(compute_value(each, blocks[row]) == here for each in found)
    # And no other than those that hold in one row at least, each tried by itself.
    slow = [
        each
        for each in sums.algorithms_of(width)
        if any(
            compute_value(each, block) in pair for block, pair in zip(blocks, wanted, strict=True)
        )
    ]
    assert found == slow


@pytest.mark.parametrize("needed", [0, 3, 5, 9])
def test_counting_ends_early_only_where_too_few_can_hold(needed: int) -> None:
    blocks = [bytes([number]) for number in range(12)]
    wanted = [(number % 2 * number, number % 3 * 100) for number in range(12)]
    held, order = sums.count_held(lambda block: block[0], blocks, wanted, needed=needed)
    # As big-endian 0, 1, 3, 5, 7, 9 and 11 hold; as little-endian 0 alone.
    assert (held, order) == (7, "big") if needed <= 7 else held < needed


def test_zeros_that_store_zero_prove_no_checksum() -> None:
    # Half of the rows are zeros but for their first byte: the rest of them holds under every sum.
    own = random.Random(1)
    rows = np.zeros((40, 4), np.uint8)
    rows[:, 0] = np.arange(40) * 5 + 1
    rows[::2, 1:] = [list(own.randbytes(3)) for _ in range(20)]
    assert sums.find_row_sum(rows) is None
