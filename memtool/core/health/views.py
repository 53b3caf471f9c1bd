"""The other ways to see a read: each is what the chip holds if one thing went wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.health.byte_orders import ORDERS, order_advice, reordered
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Bytes

_DUMMY_BYTES = (1, 2, 3, 4, -1, -2)
"""Bytes too many at the start of a read, or too few."""


class OtherView(NamedTuple):
    """One other way to see a read."""

    code: str
    """Of the finding that names it."""
    words: str
    """How the read is then understood: ``every bit inverted``."""
    advice: str
    """What to do, a sentence."""
    keeps_text: bool
    """Whether text that this view shows is readable in the read too."""
    make: Callable[[Bytes], Bytes | None]
    """None where the bytes do not divide into whole words."""
    shows_same_text: bool = False
    """Whether it only moves whole bytes, so that texts and VINs say nothing about it."""
    crosses_lines: bool = False
    """Whether it is one of the many views with two data lines exchanged."""
    table: Bytes | None = None
    """The view as a table of 256 byte values, where it changes each byte by itself."""


@cache
def list_views() -> tuple[OtherView, ...]:
    """All views, whole orders first."""
    return (*_orders(), *_bit_shifts(), *_byte_shifts(), *_crossed_lines())


def _orders() -> Iterator[OtherView]:
    values = np.arange(256, dtype=np.uint8)
    for name, words in ORDERS:
        by_word = name.startswith("swapped")
        advice = order_advice(name)
        yield OtherView(
            code=f"order-{name}",
            words=words,
            advice=advice,
            keeps_text=by_word,
            make=_order_maker(name),
            table=None if by_word else reordered(values, name),
        )


def _order_maker(name: str) -> Callable[[Bytes], Bytes | None]:
    return lambda data: reordered(data, name)


def _bit_shifts() -> Iterator[OtherView]:
    advice = "The clock was early or late: lower the clock rate, shorten the wires, read again."
    for bits in range(1, 8):
        yield OtherView(
            code="order-bits-shifted",
            words=f"all bits shifted {bits} place{'s' if bits > 1 else ''} towards the start",
            advice=advice,
            keeps_text=False,
            make=_bit_shifter(bits),
        )


def _bit_shifter(bits: int) -> Callable[[Bytes], Bytes]:
    """The last byte is filled with zeros."""

    def shift(data: Bytes) -> Bytes:
        moved = data << np.uint8(bits)
        # The upper bits of the next byte move up into the free lower ones.
        moved[:-1] |= data[1:] >> np.uint8(8 - bits)
        return moved

    return shift


def _byte_shifts() -> Iterator[OtherView]:
    for number in _DUMMY_BYTES:
        many = "s" if abs(number) > 1 else ""
        way = "fewer" if number > 0 else "more"
        yield OtherView(
            code="order-bytes-shifted",
            words=f"{abs(number)} byte{many} {way} at the start",
            advice="A dummy byte was counted as data or data as a dummy byte: check the chip "
            "chosen in the reader, read again.",
            keeps_text=True,
            shows_same_text=True,
            make=_byte_shifter(number),
        )


def _byte_shifter(number: int) -> Callable[[Bytes], Bytes | None]:
    """As long as before; what is not in the read is FF."""

    def shift(data: Bytes) -> Bytes | None:
        if len(data) <= abs(number):
            return None
        moved = np.full_like(data, 0xFF)
        if number > 0:
            moved[:-number] = data[number:]
        else:
            moved[-number:] = data[:number]
        return moved

    return shift


def _crossed_lines() -> Iterator[OtherView]:
    for low, high in combinations(range(8), 2):
        table = _exchange_table(low, high)
        yield OtherView(
            code="data-lines-swapped",
            words=f"bits {low} and {high} exchanged",
            advice=f"Lines D{low} and D{high} are crossed in the adapter: fix it, read again.",
            keeps_text=False,
            crosses_lines=True,
            make=_table_maker(table),
            table=table,
        )


def _table_maker(table: Bytes) -> Callable[[Bytes], Bytes]:
    values = table.tobytes()

    def translate(data: Bytes) -> Bytes:
        # Several times as fast as indexing the table with an array.
        return np.frombuffer(data.tobytes().translate(values), dtype=np.uint8)

    return translate


def _exchange_table(low: int, high: int) -> Bytes:
    """Each byte value with two of its bits exchanged."""
    values = range(256)
    unequal = [(value >> low ^ value >> high) & 1 for value in values]
    return np.array(
        # Where the two bits differ, turning both over exchanges them; `<<` comes before `^`.
        [value ^ bit << low ^ bit << high for value, bit in zip(values, unequal, strict=True)],
        dtype=np.uint8,
    )
