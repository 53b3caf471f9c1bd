"""Images cut into rows of one length: what the search for records looks at.

Only a sample of a large image is looked at; the rules that are found are then tried on all of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Bytes: TypeAlias = NDArray[np.uint8]
    """Rows of bytes, or a line of them."""
    Numbers: TypeAlias = NDArray[np.int64]

SAMPLE = 1 << 16
"""Bytes of an image that are looked at, those in front."""
RECORD_SIZES = (4, 6, 8, 10, 12, 16, 20, 24, 32, 40, 48, 64)
PAGE_SIZES = tuple(1 << power for power in range(7, 17))
HEADERS = (0, 2, 4, 8, 12, 16, 20, 24, 32, 48, 64, 128)
_MOST_SIZES = 5
_ALIKE = 0.08
"""Share of bytes alike from which on a distance may be a record's size; noise has 0.004."""


class Cut(NamedTuple):
    """How an image is cut: pages with headers, rows behind them."""

    page: int
    """Bytes of a page; larger than any image where there are none."""
    header: int
    record: int


class Rows(NamedTuple):
    """The rows of one image that are not erased."""

    data: Bytes
    """One row each."""
    starts: Numbers
    """Offset of each in the image."""


def distinct(values: Bytes) -> set[int]:
    """The different bytes of some. Sooner said by Python than by numpy, for as few as a column."""
    return set(values.tobytes())


def cut_rows(data: bytes, cut: Cut, erased: int) -> Rows:
    """The rows of `data` that hold anything; what is no whole row at a page's end is left out."""
    starts: list[Numbers] = []
    for page in range(0, len(data), cut.page):
        end = min(page + cut.page, len(data))
        count = (end - page - cut.header) // cut.record
        if count > 0:
            starts.append(page + cut.header + cut.record * np.arange(count, dtype=np.int64))
    if not starts:
        return Rows(np.zeros((0, cut.record), np.uint8), np.zeros(0, np.int64))
    places = np.concatenate(starts)
    flat = np.frombuffer(data, np.uint8)
    # A column of starts plus a row of offsets: the index of every byte of every row.
    rows = flat[places[:, None] + np.arange(cut.record)]
    used = (rows != erased).any(axis=1)
    return Rows(rows[used], places[used])


def rank_record_sizes(samples: Sequence[bytes], erased: int) -> tuple[int, ...]:
    """The sizes after which bytes are alike most often, the likeliest first.

    A record's size is told from its neighbours: in code and tables that hold no records bytes are
    alike as often after any distance.
    """
    scores = {size: _share_alike(samples, size, erased) for size in RECORD_SIZES}
    ordered = sorted(scores, key=lambda size: -scores[size])
    return tuple(
        size
        for size in ordered[:_MOST_SIZES]
        if scores[size] >= _ALIKE
        and all(scores[size] > _share_alike(samples, size + way, erased) for way in (-1, 1))
    )


def _share_alike(samples: Sequence[bytes], distance: int, erased: int) -> float:
    """The share of bytes that are equal to the one so many further on."""
    alike = total = 0
    for sample in samples:
        flat = np.frombuffer(sample, np.uint8)
        if len(flat) <= distance:
            continue
        first, second = flat[:-distance], flat[distance:]
        # Erased space is alike at every distance and would drown the rest.
        used = (first != erased) | (second != erased)
        alike += int(((first == second) & used).sum())
        total += int(used.sum())
    return alike / total if total else 0.0
