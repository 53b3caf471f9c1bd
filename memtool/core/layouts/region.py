"""One region of a layout: what lies at a span, of what type, and what blank means there."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from memtool.core.span import Span


class RegionKind(StrEnum):
    """What a span of memory is for."""

    VEHICLE_IDENTITY = "vehicle-identity"
    """The VIN and its copies."""
    MODULE_IDENTITY = "module-identity"
    """The module's own serial, part number, hardware and software level. Never blanked."""
    CONFIGURATION = "configuration"
    STATE = "state"
    """Flags and counters such as "VIN was written"."""
    CALIBRATION = "calibration"
    CODE = "code"
    CHECKSUM = "checksum"
    PROTECTED = "protected"
    """Keys, immobiliser, odometer, crash data. Never shown decoded, never changed."""
    UNUSED = "unused"


BLANKABLE = frozenset(
    {
        RegionKind.VEHICLE_IDENTITY,
        RegionKind.STATE,
        RegionKind.CONFIGURATION,
        RegionKind.UNUSED,
    }
)
"""The kinds of which a layout may say what they hold when blank."""


LONGEST_BLANK_PATTERN = 2
"""Bytes of a blank pattern. A longer one is a text that somebody wants written."""


class FieldType(StrEnum):
    """How a region's bytes are read as a value."""

    VIN = "vin"
    ASCII = "ascii"
    BCD = "bcd"
    BYTES = "bytes"
    U8 = "u8"
    U16BE = "u16be"
    U16LE = "u16le"
    U24BE = "u24be"
    U24LE = "u24le"
    U32BE = "u32be"
    U32LE = "u32le"
    BITS = "bits"


INTEGER_LENGTHS = {
    FieldType.U8: 1,
    FieldType.U16BE: 2,
    FieldType.U16LE: 2,
    FieldType.U24BE: 3,
    FieldType.U24LE: 3,
    FieldType.U32BE: 4,
    FieldType.U32LE: 4,
}
"""Bytes of each integer type."""


class BlankSource(StrEnum):
    """Where the blank value of a region comes from when it is no pattern."""

    ERASED = "erased"
    """The chip's erased byte, as the layout gives it."""
    REFERENCE = "reference"
    """The same span of the image of a never-configured module."""


class BitField(NamedTuple):
    """A named run of bits of a region.

    The region's bytes are one big-endian number: bit 0 is the least significant bit of
    the last byte, bit 7 of a one-byte region its most significant bit.
    """

    name: str
    high: int
    """Number of the most significant bit of the run."""
    low: int
    """Number of its least significant bit; equal to `high` for one bit."""


class Region(NamedTuple):
    """A named span of an image."""

    name: str
    """Unique in its layout, checksums included."""
    span: Span
    """Absolute addresses."""
    kind: RegionKind
    type: FieldType | None = None
    """None: the region is no field and is not decoded."""
    stored_as: str = "plain"
    """Name of a stored form, as `memtool.core.texts.stored_forms.parse_stored_form` reads it."""
    copy_of: str | None = None
    """Name of the region that must hold the same value."""
    blank_to: BlankSource | bytes | None = None
    """A pattern of at most `LONGEST_BLANK_PATTERN` bytes repeats until it fills the span
    exactly. None: the layout does not say."""
    bits: tuple[BitField, ...] = ()
    """The named bits of a region of type ``bits``, most significant first."""


def compute_blank_bytes(region: Region, *, erased: int) -> bytes | None:
    """What `region` holds when blank, as long as its span.

    Args:
        region: Without `blank_to` it is taken as erased.
        erased: The chip's erased byte, 0x00 to 0xFF.

    Returns:
        None where the bytes come from a reference image.

    Raises:
        ValueError: the region's pattern does not fill its span exactly.
    """
    pattern = region.blank_to
    if pattern is BlankSource.REFERENCE:
        return None
    if pattern is None or pattern is BlankSource.ERASED:
        pattern = bytes([erased])
    assert isinstance(pattern, bytes)
    times, rest = divmod(len(region.span), len(pattern)) if pattern else (0, 1)
    if rest:
        raise ValueError(f"region '{region.name}': {len(pattern)} bytes do not fill its span")
    return pattern * times
