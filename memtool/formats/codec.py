"""Files to images and back: the one door of this package."""

from __future__ import annotations

from memtool.core.image import Image
from memtool.formats.detect import detect_format
from memtool.formats.intel_hex import parse_intel_hex
from memtool.formats.intel_hex_writing import encode_intel_hex
from memtool.formats.parsed import ImageFormat, ParsedImage
from memtool.formats.raw import encode_raw, parse_raw
from memtool.formats.s_record import parse_s_record
from memtool.formats.s_record_writing import encode_s_record

__all__ = ["DEFAULT_RECORD_LENGTH", "ImageFormat", "ParsedImage", "encode_image", "parse_image"]

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
    parse = parse_intel_hex if format is ImageFormat.INTEL_HEX else parse_s_record
    return parse(data, overlap_last=overlap_last, accept_missing_end=accept_missing_end)


def encode_image(
    image: Image,
    format: ImageFormat,
    *,
    record_length: int = DEFAULT_RECORD_LENGTH,
) -> bytes:
    """The whole file of `image`; reading it gives the same image.

    A raw file does not keep the address of its first byte.

    Args:
        image: At least one byte; for a raw file one segment.
        format: Of the file.
        record_length: Data bytes a record, 1 to 255 (S-record: 250). Raw files ignore it.

    Raises:
        ValueError: the format cannot hold this image, or the record length.
    """
    if format is ImageFormat.RAW:
        return encode_raw(image)
    encode = encode_intel_hex if format is ImageFormat.INTEL_HEX else encode_s_record
    return encode(image, record_length=record_length)
