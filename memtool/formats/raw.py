"""Raw binary: the bytes of one chip, nothing else in the file."""

from __future__ import annotations

from memtool.core.image import Image
from memtool.core.read_options import ImageFormat
from memtool.formats.parsed import ParsedImage, require_bytes, require_data_size


def parse_raw(data: bytes, *, base: int = 0) -> ParsedImage:
    """Take all bytes as they are, the first at address `base`.

    Raises:
        ImageFormatError: no bytes, or more than `parsed.MAX_DATA_SIZE`.
        ValueError: `base` is negative.
    """
    require_bytes(data)
    require_data_size(len(data))
    return ParsedImage(image=Image.from_bytes(data, base=base), format=ImageFormat.RAW, findings=())


def encode_raw(image: Image) -> bytes:
    """The bytes of the image's one segment; its address is not kept.

    Raises:
        ValueError: the image has no segment or several; gaps have no bytes.
    """
    if len(image.segments) != 1:
        raise ValueError(f"a raw file holds one segment, the image has {len(image.segments)}")
    return image.segments[0].data
