"""What an image must be to be written as records of a hex file."""

from __future__ import annotations

from memtool.core.image import Image
from memtool.core.span import Span, format_address

_LIMIT = 1 << 32
"""Both formats have addresses of 32 bits at most."""


def require_writable(image: Image, record_length: int, *, longest: int) -> Span:
    """The span from the image's first to its last byte.

    Args:
        image: What is to be written.
        record_length: Data bytes a record.
        longest: The most that a record of the format can hold.

    Raises:
        ValueError: no data, an address past 4 GiB, or a record length out of range.
    """
    extent = image.extent
    if extent is None:
        raise ValueError("an image without data has no file")
    if extent.end > _LIMIT:
        raise ValueError(f"address {format_address(extent.end - 1)} is past 4 GiB")
    if not 1 <= record_length <= longest:
        raise ValueError(f"record length {record_length} is not 1 to {longest}")
    return extent
