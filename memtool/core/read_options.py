"""How a file is to be understood: the answers that give the same image again."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

PLAIN = "plain"
"""The order of a file that holds the bytes as the chip does."""


class ImageFormat(StrEnum):
    """The file formats that are read and written."""

    RAW = "raw"
    INTEL_HEX = "intel-hex"
    S_RECORD = "s-record"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """What a reader is told about a file: typed by a person, kept with a backup."""

    format: ImageFormat | None = None
    """None: told by content."""
    base: int = 0
    """Address of a raw file's first byte; the other formats bring their own."""
    overlap_last: bool = False
    """Where records give an address different bytes, the last counts."""
    accept_missing_end: bool = False
    """A hex file without its end record is read."""
    order: str = PLAIN
    """How the reader wrote the bytes; the image is in the chip's order."""
