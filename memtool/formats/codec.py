"""Files to images and back: the one door of this package."""

from __future__ import annotations

from typing import TYPE_CHECKING

from memtool.core.image import Image
from memtool.core.read_options import PLAIN, ImageFormat, ReadOptions
from memtool.formats.detect import detect_format
from memtool.formats.parsed import ParsedImage, whole_file_error
from memtool.formats.raw import encode_raw, parse_raw
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.core import reader_order
    from memtool.formats import intel_hex, intel_hex_writing, s_record, s_record_writing
else:
    reader_order = late_module("memtool.core.reader_order")
    intel_hex = late_module("memtool.formats.intel_hex")
    intel_hex_writing = late_module("memtool.formats.intel_hex_writing")
    s_record = late_module("memtool.formats.s_record")
    s_record_writing = late_module("memtool.formats.s_record_writing")

__all__ = [
    "DEFAULT_RECORD_LENGTH",
    "ImageFormat",
    "ParsedImage",
    "encode_image",
    "parse_as",
    "parse_image",
]

DEFAULT_RECORD_LENGTH = 16
"""Data bytes a record, the most common choice."""


def parse_image(
    data: bytes,
    *,
    format: ImageFormat | None = None,
    base: int = 0,
    overlap_last: bool = False,
    accept_missing_end: bool = False,
) -> ParsedImage:
    """Read a whole file, strictly: it is sound from its first byte to its last, or refused.

    Args:
        data: The file, not empty.
        format: None tells it by content; then a file of another kind (archive, picture,
            text) is refused. `ImageFormat.RAW` reads any bytes.
        base: Address of a raw file's first byte; the other formats bring their own.
        overlap_last: Where records give an address different bytes, take the last.
        accept_missing_end: Read a hex file without end record.

    Returns:
        The image, and what is safe but odd about the file as warnings.

    Raises:
        ImageFormatError: the file is not a sound image; carries all faults, its own
            message, line and address are those of the first.
        ValueError: `base` is negative.
    """
    if format is None:
        format = detect_format(data)
    if format is ImageFormat.RAW:
        return parse_raw(data, base=base)
    if format is ImageFormat.INTEL_HEX:
        parse = intel_hex.parse_intel_hex
    else:
        parse = s_record.parse_s_record
    return parse(data, overlap_last=overlap_last, accept_missing_end=accept_missing_end)


def parse_as(data: bytes, options: ReadOptions) -> ParsedImage:
    """As `parse_image`, with all that says how a file is read as one object.

    The image is in the chip's order, whatever order the reader wrote.

    Raises:
        As `parse_image`; also ImageFormatError where the file does not consist of whole
            words of that order (code ``order-does-not-fit``).
    """
    parsed = parse_image(
        data,
        format=options.format,
        base=options.base,
        overlap_last=options.overlap_last,
        accept_missing_end=options.accept_missing_end,
    )
    if options.order == PLAIN:
        return parsed
    if not reader_order.fits(parsed.image, options.order):
        raise whole_file_error(
            f"the file does not consist of whole words, so it cannot be in the order"
            f" {options.order}",
            code="order-does-not-fit",
            expected=f"whole words of {options.order}",
            found="bytes beside them",
            next_step="read the memory again from its first address on",
        )
    return parsed._replace(image=reader_order.turn(parsed.image, options.order))


def encode_image(
    image: Image,
    format: ImageFormat,
    *,
    record_length: int = DEFAULT_RECORD_LENGTH,
    order: str = PLAIN,
) -> bytes:
    """The whole file of `image`; reading it gives the same image.

    A raw file does not keep the address of its first byte.

    Args:
        image: At least one byte; for a raw file one segment.
        format: Of the file.
        record_length: Data bytes a record, 1 to 255 (S-record: 250). Raw files ignore it.
        order: In which the reader writes its files.

    Raises:
        ValueError: the format cannot hold this image, or the record length.
    """
    if order != PLAIN:
        image = reader_order.turn(image, order)
    if format is ImageFormat.RAW:
        return encode_raw(image)
    if format is ImageFormat.INTEL_HEX:
        encode = intel_hex_writing.encode_intel_hex
    else:
        encode = s_record_writing.encode_s_record
    return encode(image, record_length=record_length)
