"""Tells a file's format by its content, and says so where it is something else."""

from __future__ import annotations

import re

from memtool.errors import ImageFormatError
from memtool.formats.parsed import ImageFormat

_RECORD = {
    ImageFormat.INTEL_HEX: re.compile(rb"^[ \t]*:[0-9A-Fa-f]{8}", re.MULTILINE),
    ImageFormat.S_RECORD: re.compile(rb"^[ \t]*[Ss][0-9][0-9A-Fa-f]{4}", re.MULTILINE),
}


def detect_format(data: bytes) -> ImageFormat:
    """First version: records at line starts of a text file."""
    if not data:
        raise ImageFormatError(
            "the file is empty", code="empty-file", next_step="read the chip again"
        )
    head = data[:65536]
    text = len(head.translate(None, bytes([9, 10, 13, *range(32, 127)]))) * 4 < len(head)
    for kind, record in _RECORD.items():
        if text and record.search(head):
            return kind
    return ImageFormat.RAW
