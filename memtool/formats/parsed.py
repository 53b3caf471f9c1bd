"""What reading a file gives, the formats there are, and how large a file may be."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from memtool.core.finding import Finding
from memtool.core.image import Image
from memtool.errors import ImageFormatError

MAX_DATA_SIZE = 64 * 1024 * 1024
"""Most data bytes an image may define; far above any chip this tool is for."""
MAX_TEXT_SIZE = 4 * MAX_DATA_SIZE
"""Most bytes a hex file may have: `MAX_DATA_SIZE` in records of 16 bytes fits well."""
WHOLE_FILE_FROM = 256 * 1024
"""Characters from which a hex file is first tried by `memtool.formats.whole_file`."""


class ImageFormat(StrEnum):
    """The file formats that are read and written."""

    RAW = "raw"
    INTEL_HEX = "intel-hex"
    S_RECORD = "s-record"


@dataclass(frozen=True, slots=True, kw_only=True)
class ParsedImage:
    """One file, read without a fault."""

    image: Image
    """At least one byte."""
    format: ImageFormat
    findings: tuple[Finding, ...]
    """What is safe but odd about the file; empty for an ordinary one."""


def require_data_size(size: int) -> None:
    """Refuse more data than an image may have.

    Raises:
        ImageFormatError: `size` is above `MAX_DATA_SIZE`.
    """
    if size > MAX_DATA_SIZE:
        raise ImageFormatError(
            f"the file holds more than {MAX_DATA_SIZE >> 20} MiB of data, the most that is read",
            code="too-large",
            next_step="check that it is the read of one memory chip",
        )


def require_text_size(size: int) -> None:
    """Refuse a hex file that is too long, before any of it is read.

    Raises:
        ImageFormatError: `size` is above `MAX_TEXT_SIZE`.
    """
    if size > MAX_TEXT_SIZE:
        raise ImageFormatError(
            f"the file has {size:,} characters; a hex file may have {MAX_TEXT_SIZE >> 20} MiB",
            code="too-large",
            next_step="check that it is the read of one memory chip",
        )
