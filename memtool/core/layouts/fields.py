"""Values of fields: the one door to construct (numbers) and bitstring (named bits).

Facts:

* Types are read after the stored form is undone.
* ``u16be`` is the byte order most significant first, ``u16le`` least significant first.
* ``bcd``: two decimal digits a byte, the high nibble first.
* ``bits``: the bytes are one big-endian number; bit 0 is the last byte's least significant.
* Padding of ``ascii`` (0x00, the erased byte, blanks) is cut off at the end only.

construct reads what is small and has a fixed width; its errors and those of bitstring do
not pass this module.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TypedDict

from memtool.core.layouts.region import (
    INTEGER_LENGTHS,
    BitField,
    FieldType,
    Region,
    RegionKind,
    compute_blank_bytes,
)
from memtool.core.span import Span
from memtool.core.texts.stored_forms import parse_stored_form
from memtool.core.texts.vin import VIN_LENGTH, Vin, parse_vin
from memtool.lazy import bitstring, construct


class BitValue(TypedDict):
    """One named run of bits; goes into JSON as it is."""

    name: str
    value: int


FieldValue = str | int | tuple[BitValue, ...]
"""Text of ``vin``, ``ascii`` and ``bcd``, lower-case hex of ``bytes``, a number, named bits."""


class FieldState(StrEnum):
    """What came out of reading a field."""

    DECODED = "decoded"
    BLANK = "blank"
    """Text or digits were expected, and the span holds nothing but blank; see `is_blank`."""
    FAULTY = "faulty"
    """The bytes are no value of the field's type."""
    UNDEFINED = "undefined"
    """The image does not define all bytes of the span."""
    PROTECTED = "protected"
    """Never decoded, whatever the layout says of its type."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodedField:
    """A field with what an image holds in it."""

    name: str
    kind: RegionKind
    span: Span
    value: FieldValue | None
    """None unless `state` is decoded; a faulty text that can be shown is given all the same."""
    type: FieldType | None
    """None only for a protected region that names no type."""
    state: FieldState
    reason: str | None = None
    """What is wrong with a faulty field, without full stop."""


class _FieldFaultError(Exception):
    """The bytes are no value of the type."""

    def __init__(self, reason: str, value: str | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.value = value


def decode_field(region: Region, raw: bytes | None, *, erased: int) -> DecodedField | None:
    """Read `region` as its type says.

    Args:
        region: One without a type is no field, unless it is protected.
        raw: The bytes of its span as they lie in memory; None where some are undefined.
        erased: The chip's erased byte, 0x00 to 0xFF.

    Returns:
        None for a region that is no field. No content makes it raise.
    """
    value: FieldValue | None = None
    reason: str | None = None
    if region.kind is RegionKind.PROTECTED:
        state = FieldState.PROTECTED
    elif region.type is None:
        return None
    elif raw is None:
        state = FieldState.UNDEFINED
    elif region.type in _TEXTS and is_blank(region, raw, erased=erased):
        state = FieldState.BLANK
    else:
        try:
            value, state = _decode(region, raw, erased), FieldState.DECODED
        except _FieldFaultError as fault:
            value, reason, state = fault.value, fault.reason, FieldState.FAULTY
    return DecodedField(
        name=region.name,
        kind=region.kind,
        span=region.span,
        value=value,
        type=region.type,
        state=state,
        reason=reason,
    )


def undo_stored_form(region: Region, raw: bytes) -> bytes | None:
    """The bytes of `region` in plain order; None where they cannot have its stored form."""
    try:
        return parse_stored_form(region.stored_as).undo(raw)
    except ValueError:
        return None


def is_blank(region: Region, raw: bytes, *, erased: int) -> bool:
    """Whether the bits of `raw` that carry the region's content are blank.

    Blank is zero, erased, or what the layout says of the region. Foreign bits between and
    behind the characters of a stored form do not count: blanking leaves them as they are.
    """
    try:
        mask = compute_text_mask(region, len(raw))
    except ValueError:
        mask = b"\xff" * len(raw)
    held = _masked(raw, mask)
    values = [bytes([value]) * len(raw) for value in (0x00, erased)]
    if isinstance(region.blank_to, bytes) and len(raw) == len(region.span):
        values.append(compute_blank_bytes(region, erased=erased) or b"")
    return any(held == _masked(value, mask) for value in values)


def compute_text_mask(region: Region, length: int) -> bytes:
    """Which bits of `length` bytes of `region` carry its content: one mask for each byte.

    A VIN in whole words may take a byte or more that is not its own; those stay foreign.

    Raises:
        ValueError: the stored form does not say where its pieces lie.
    """
    characters = VIN_LENGTH if region.type is FieldType.VIN else None
    return parse_stored_form(region.stored_as).occupied_mask(length, characters=characters)


def _masked(raw: bytes, mask: bytes) -> bytes:
    return bytes(byte & bits for byte, bits in zip(raw, mask, strict=True))


def is_constant(raw: bytes, values: Sequence[int]) -> bool:
    """Whether `raw` is nothing but one of `values`, repeated."""
    return any(raw == bytes([value]) * len(raw) for value in values)


_TEXTS = frozenset({FieldType.VIN, FieldType.ASCII, FieldType.BCD})


def _decode(region: Region, raw: bytes, erased: int) -> FieldValue:
    plain = undo_stored_form(region, raw)
    if plain is None:
        raise _FieldFaultError(f"the bytes cannot be stored as {region.stored_as}")
    match region.type:
        case FieldType.VIN:
            return _decode_vin(plain[:VIN_LENGTH]).text
        case FieldType.ASCII:
            return _decode_text(plain.rstrip(bytes([0x00, erased, 0x20])))
        case FieldType.BCD:
            return _decode_bcd(plain)
        case FieldType.BITS:
            return decode_bits(plain, region.bits)
        case FieldType.BYTES | None:
            return plain.hex()
        case FieldType() as number:
            return decode_integer(plain, number)


def _decode_vin(plain: bytes) -> Vin:
    text = _decode_text(plain)
    try:
        return parse_vin(text)
    except ValueError as error:
        raise _FieldFaultError(f"not a VIN: {str(error).rstrip('.')}", value=text) from None


def _decode_text(plain: bytes) -> str:
    """Printable ASCII and nothing else."""
    if not all(0x20 <= byte < 0x7F for byte in plain):
        raise _FieldFaultError("not printable text")
    return plain.decode("ascii")


def _decode_bcd(plain: bytes) -> str:
    digits = plain.hex()
    if not digits.isdecimal():
        raise _FieldFaultError("a half byte is above nine")
    return digits


def decode_integer(plain: bytes, number: FieldType) -> int:
    """The number that `plain` is, unsigned.

    Raises:
        ValueError: `number` is no integer type, or `plain` has not its length.
    """
    if len(plain) != INTEGER_LENGTHS.get(number):
        raise ValueError(f"{len(plain)} bytes are no {number}")
    readers = {
        FieldType.U8: construct.Int8ub,
        FieldType.U16BE: construct.Int16ub,
        FieldType.U16LE: construct.Int16ul,
        FieldType.U24BE: construct.Int24ub,
        FieldType.U24LE: construct.Int24ul,
        FieldType.U32BE: construct.Int32ub,
        FieldType.U32LE: construct.Int32ul,
    }
    record = construct.Struct("value" / readers[number], construct.Terminated)
    try:
        return int(record.parse(plain).value)
    except construct.ConstructError as error:
        raise ValueError(f"{plain.hex()} is no {number}") from error


def decode_bits(plain: bytes, bits: Sequence[BitField]) -> tuple[BitValue, ...]:
    """The named runs of bits, in the order given.

    Raises:
        ValueError: a run reaches past the most significant bit.
    """
    row = bitstring.Bits.from_bytes(plain)
    values: list[BitValue] = []
    for run in bits:
        if not 0 <= run.low <= run.high < len(row):
            raise ValueError(f"bits {run.high}-{run.low} are not in {len(row)} bits")
        part = row[len(row) - 1 - run.high : len(row) - run.low]
        values.append(BitValue(name=run.name, value=int(part.uint)))
    return tuple(values)
