"""A numeric identity as a number: packed BCD and binary integers, in either byte order."""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.texts.needles import Needle
from memtool.core.texts.stored_forms import parse_stored_form

_PLAIN = parse_stored_form("plain")
INTEGER_SIZES = (4, 3, 2)
"""Bytes of an integer, longest first: a short one lies inside a longer one."""


def make_bcd_needles(digits: str) -> Iterator[tuple[Needle, ...]]:
    """Two digits a byte. With an odd number of digits the free half may hold anything.

    Leading zeros are kept, as the digits of a serial are. A number of value 0 gives nothing.
    """
    if int(digits) == 0:
        return
    if len(digits) % 2 == 0:
        readings = [(digits, "f" * len(digits))]
    else:
        readings = [
            ("0" + digits, "0" + "f" * len(digits)),
            (digits + "0", "f" * len(digits) + "0"),
        ]
    needles = []
    for values, masks in readings:
        stored, mask = bytes.fromhex(values), bytes.fromhex(masks)
        needles.append(Needle(_PLAIN, stored, mask))
        needles.append(Needle(_PLAIN, stored[::-1], mask[::-1]))
    yield tuple(dict.fromkeys(needles))


def make_integer_needles(digits: str) -> Iterator[tuple[Needle, ...]]:
    """The value in each size it fits into, high byte first and low byte first.

    A number of value 0 gives nothing.
    """
    value = int(digits)
    for size in INTEGER_SIZES:
        if 0 < value < 256**size:
            stored = (value.to_bytes(size, "big"), value.to_bytes(size, "little"))
            yield tuple(Needle(_PLAIN, data, b"\xff" * size) for data in dict.fromkeys(stored))
