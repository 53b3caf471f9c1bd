"""What is filler, against its definition written out byte by byte; this project's own rules."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.comparing.equal_bytes import eight_at_each
from memtool.core.comparing.filler import (
    SHORTEST,
    BusyWindows,
    busy_windows,
    without_filler,
    without_filler_each,
)
from memtool.core.comparing.windows import INDEX, REACH, telling_windows
from memtool.core.runs import array_of

# Few values and runs of them, so that filler and its borders are common.
RUN = st.builds(lambda byte, count: bytes([byte]) * count, st.integers(0, 3), st.integers(1, 9))
DATA = st.lists(RUN | st.binary(min_size=1, max_size=6), min_size=1, max_size=24).map(b"".join)


def is_busy(window: bytes) -> bool:
    return (
        all(
            sum(window[place] != window[place - distance] for place in range(distance, 16)) >= 4
            for distance in (1, 2, 4)
        )
        and len(set(window[:4])) > 1
        and len(set(window[12:])) > 1
    )


def busy_starts(data: bytes) -> list[int]:
    return [start for start in range(len(data) - 15) if is_busy(data[start : start + 16])]


def trimmed(data: bytes) -> tuple[int, int]:
    """First index and end without the constant runs of four bytes and more at both ends."""
    left = len(data) - len(data.lstrip(data[:1]))
    start = left if left >= 4 else 0
    right = len(data[start:]) - len(data[start:].rstrip(data[-1:]))
    return start, len(data) - (right if right >= 4 else 0)


@given(DATA)
def test_busy_windows_are_those_of_the_rule(data: bytes) -> None:
    found = np.flatnonzero(busy_windows(array_of(data)))
    assert found.tolist() == busy_starts(data)


@given(DATA.filter(lambda data: len(data) >= SHORTEST), st.data())
def test_busy_windows_near_places_are_found(data: bytes, draw: st.DataObject) -> None:
    places = sorted(draw.draw(st.sets(st.integers(0, len(data) - 1), min_size=1, max_size=5)))
    before = draw.draw(st.integers(0, 11))
    begin, end = (draw.draw(st.integers(0, len(data))) for _ in range(2))
    near = BusyWindows(array_of(data), np.array(places), before)
    every = np.arange(len(places))
    found = near.between(every, np.full(len(places), begin), np.full(len(places), end))
    starts = busy_starts(data)
    assert found.tolist() == [
        any(max(begin, place - before) <= start <= min(end - 16, place) for start in starts)
        for place in places
    ]
    assert near.around().tolist() == [
        any(place - before <= start <= place for start in starts) for place in places
    ]


@given(st.lists(DATA, min_size=1, max_size=9).map(b"".join))
def test_every_busy_window_holds_one_of_a_and_these_are_in_one(data: bytes) -> None:
    parts = [part & np.uint64(INDEX) for part in telling_windows(array_of(data))]
    found = {int(index) for part in parts for index in part}
    starts = busy_starts(data)
    for start in starts:
        # The first of every fourth byte; filler itself proposes nothing.
        place = -(-start // 4) * 4
        words = [data[place + step : place + step + 4] for step in (0, 4, 8)]
        assert (place in found) == (len(set(words)) > 1)
    assert all(any(place - REACH <= start <= place for start in starts) for place in found)


@given(DATA.filter(lambda data: 8 <= len(data) <= 64))
def test_filler_at_the_ends_is_left_out(data: bytes) -> None:
    expected = trimmed(data)
    assert without_filler(data, 0, len(data)) == expected
    starts, ends = without_filler_each(
        eight_at_each(data), np.array([0]), np.array([len(data)]), most=64
    )
    assert (int(starts[0]), int(ends[0])) == expected
