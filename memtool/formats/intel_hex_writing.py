"""Intel HEX, written: the one door to the intelhex library.

The library makes each record. Its container is not used: it keeps a dict entry for every
byte, and an image is already sorted and disjoint.
"""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.image import Image, Segment
from memtool.formats.writable import require_writable
from memtool.lazy import intelhex

MAX_RECORD_LENGTH = 255
_BLOCK = 0x10000


def encode_intel_hex(image: Image, *, record_length: int = 16) -> bytes:
    """Data records, type 04 before each new 64 KiB, and the end record.

    No record crosses a multiple of 64 KiB, so that all readers agree on its addresses.

    Args:
        image: At least one byte.
        record_length: Data bytes a record, at most 255.

    Raises:
        ValueError: no data, an address past 4 GiB, or a record length out of range.
    """
    require_writable(image, record_length, longest=MAX_RECORD_LENGTH)
    return "".join(_lines(image, record_length)).encode("ascii")


def _lines(image: Image, record_length: int) -> Iterator[str]:
    upper = 0
    for segment in image.segments:
        for address, data in _pieces(segment, record_length):
            if address >> 16 != upper:
                upper = address >> 16
                yield f"{intelhex.Record.extended_linear_address(upper)}\n"
            yield f"{intelhex.Record.data(address & 0xFFFF, list(data))}\n"
    yield f"{intelhex.Record.eof()}\n"


def _pieces(segment: Segment, record_length: int) -> Iterator[tuple[int, bytes]]:
    address = segment.start
    while address < segment.end:
        end = min(address + record_length, segment.end, (address // _BLOCK + 1) * _BLOCK)
        yield address, segment.data[address - segment.start : end - segment.start]
        address = end
