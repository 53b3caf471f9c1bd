"""What reading a file gives, the formats there are, and how large a file may be."""

from __future__ import annotations

from typing import NamedTuple

from memtool.core.finding import Finding
from memtool.core.image import Image
from memtool.core.read_options import ImageFormat
from memtool.errors import Fault, ImageFormatError

MAX_DATA_SIZE = 64 * 1024 * 1024
"""Most data bytes an image may define; far above any chip this tool is for."""
MAX_TEXT_SIZE = 4 * MAX_DATA_SIZE
"""Most bytes a hex file may have: `MAX_DATA_SIZE` in records of 16 bytes fits well."""


class ParsedImage(NamedTuple):
    """One file, read without a fault."""

    image: Image
    """At least one byte."""
    format: ImageFormat
    findings: tuple[Finding, ...]
    """What is safe but odd about the file; empty for an ordinary one."""


def whole_file_error(
    text: str, *, code: str, expected: str, found: str, next_step: str, line: int | None = None
) -> ImageFormatError:
    """The error of a file that is not read at all, as one fault."""
    return ImageFormatError(
        text,
        code=code,
        faults=[Fault(code=code, text=text, line=line, expected=expected, found=found)],
        next_step=next_step,
        line=line,
    )


def require_data_size(size: int) -> None:
    """Refuse more data than an image may have.

    Raises:
        ImageFormatError: `size` is above `MAX_DATA_SIZE`.
    """
    if size > MAX_DATA_SIZE:
        raise _too_large("data", size, MAX_DATA_SIZE)


def require_text_size(size: int) -> None:
    """Refuse a hex file that is too long, before any of it is read.

    Raises:
        ImageFormatError: `size` is above `MAX_TEXT_SIZE`.
    """
    if size > MAX_TEXT_SIZE:
        raise _too_large("hex text", size, MAX_TEXT_SIZE)


def require_bytes(data: bytes) -> None:
    """Refuse an empty file.

    Raises:
        ImageFormatError: there is no byte.
    """
    if not data:
        raise whole_file_error(
            "the file is empty",
            code="empty-file",
            expected="a memory image",
            found="no byte",
            next_step="read the chip again",
        )


def _too_large(what: str, size: int, limit: int) -> ImageFormatError:
    return whole_file_error(
        f"the file holds more than {limit >> 20} MiB of {what}, the most that is read",
        code="too-large",
        expected=f"{limit:,} bytes or fewer",
        found=f"{size:,} bytes or more",
        next_step="check that it is the read of one memory chip",
    )
