"""Keeps the identity that went out of everything a customer gets to see.

What is masked: every foreign identity of the job, however it is written: in either case, in
full-width characters, with anything between its characters that is neither letter nor digit
(blanks, line breaks, slashes, commas, dashes of any kind), last character first, as hex digits;
the last eight and the last six characters where they stand alone; and any other text that stands
by itself, has the shape of a VIN and a check digit that matches. The vehicle's own VIN stays
readable.

`Masker.whole` masks all that an object of the job says, at any depth, so that no text of the
journal reaches a customer past it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from copy import copy
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any, TypeVar

from memtool.core.finding import Check
from memtool.core.texts.vin import (
    ALPHABET,
    CheckDigitState,
    check_digit_state,
    is_well_formed,
    mask_vin,
)

BULLET = "\u2022"
# Letters and digits alone never make a gap, so a pattern runs over a text once. A text that was
# made safe to print shows a line break as an escape.
_ESCAPE = r"\\(?:x[0-9a-f]{2}|u[0-9a-f]{4}|U[0-9a-f]{8})"
_GAP = rf"(?:{_ESCAPE}|[\W_])*"
_ALONE = r"(?:(?<![0-9A-Za-z])|(?<=\\x[0-9a-f]{2})|(?<=\\u[0-9a-f]{4}))"
"""What stands before a tail: no letter or digit, but for those of an escape."""
_HEX_GAP = r"[\W_]*(?:0[xX])?"
_SHORTEST_TAIL = 6
_DIGITS = r"[0-9A-Fa-f]{2}(?: ?[0-9A-Fa-f]{2}){0,7}"
_VALUE = re.compile(rf"\((?P<only>{_DIGITS})\)|(?<=stored )(?P<stored>{_DIGITS})\b")
"""A checksum's value in the text of its check; older journals have its digits in one piece."""
_UNMASKED = frozenset({"time"})
"""Fields that tell nobody's identity, though their digits may look like the end of one."""
_IDENTITIES = frozenset({"identities", "reported_vins"})
_PATHS = frozenset({"out", "subject"})
"""Where a file lies on the shop's machine is nobody else's business: its name is shown."""
_VIN_WORD = re.compile(
    f"(?<![0-9A-Za-z])[{ALPHABET}{ALPHABET.lower()}]{{17}}(?![0-9A-Za-z])", re.ASCII
)

_Value = TypeVar("_Value")


class Masker:
    """Masks identities in texts. An inactive one, for the shop's own copy, changes nothing."""

    def __init__(
        self,
        identities: Iterable[str],
        *,
        vehicle_vin: str | None,
        telling_values: Iterable[str] = (),
        active: bool = True,
    ) -> None:
        """Prepare the patterns.

        Args:
            identities: The foreign ones; the vehicle's own is left out.
            vehicle_vin: Stays readable.
            telling_values: Checksums, as hex, that were made from such an identity.
            active: False for the shop's own copy.
        """
        self.active = active
        self.vehicle_vin = vehicle_vin
        self._telling_values = frozenset(telling_values)
        self.identities = tuple(sorted({text for text in identities if text != vehicle_vin}))
        self._patterns = [
            (pattern, masked)
            for identity in self.identities
            for pattern, masked in _patterns_of(identity, vehicle_vin or "")
        ]

    def text(self, text: str) -> str:
        """`text` with every foreign identity masked."""
        if not self.active:
            return text
        for pattern, masked in self._patterns:
            text = pattern.sub(masked, text)
        return _VIN_WORD.sub(self._mask_word, text)

    def optional(self, text: str | None) -> str | None:
        """As `text`; None stays None."""
        return None if text is None else self.text(text)

    def identity(self, identity: str) -> str:
        """One identity, whatever its shape: masked unless it is the vehicle's."""
        if not self.active or identity == self.vehicle_vin:
            return identity
        return mask_vin(identity)

    def whole(self, value: _Value) -> _Value:
        """`value` with every text in it masked: a dataclass, any tuple or a text, at any depth.

        The copies are not judged again as they were when made: a masked VIN is no VIN.
        """
        masked = self._masked(value)
        assert isinstance(masked, type(value))
        return masked

    def _masked(self, value: object, field: str = "") -> object:
        # Numbers and bytes come first: of a large region they are a hundred thousand.
        if value is None or isinstance(value, int | bytes | Enum) or field in _UNMASKED:
            return value
        if isinstance(value, str):
            if field in _IDENTITIES:
                return self.identity(value)
            return self.text(_last_part(value) if field in _PATHS else value)
        if isinstance(value, tuple):
            names = getattr(value, "_fields", None)
            if names is None:
                return tuple(self._masked(item, field) for item in value)
            named = (self._masked(item, name) for item, name in zip(value, names, strict=True))
            make: Any = type(value)
            return make(*named)
        if not is_dataclass(value) or isinstance(value, type):
            return value
        masked = copy(value)
        for name in (item.name for item in fields(value)):
            object.__setattr__(masked, name, self._masked(getattr(value, name), name))
        if self.active and isinstance(masked, Check) and masked.code == "checksum":
            object.__setattr__(masked, "text", _VALUE.sub(self._mask_value, masked.text))
        return masked

    def _mask_value(self, match: re.Match[str]) -> str:
        value = match["only"] or match["stored"]
        if value.replace(" ", "").lower() not in self._telling_values:
            return match.group()
        return match.group().replace(value, re.sub(r"\S", BULLET, value))

    def _mask_word(self, match: re.Match[str]) -> str:
        word = match.group()
        vin = word.upper()
        if vin == self.vehicle_vin or not is_well_formed(vin):
            return word
        return mask_vin(vin) if check_digit_state(vin) is CheckDigitState.VALID else word


def _last_part(path: str) -> str:
    """A file's name, of either kind of system."""
    return re.split(r"[/\\]", path)[-1]


def _patterns_of(identity: str, vehicle_vin: str) -> list[tuple[re.Pattern[str], str]]:
    masked = mask_vin(identity)
    raw = identity.encode("ascii", "replace")
    written = (raw, raw[::-1], raw.lower(), raw.lower()[::-1])
    patterns = [
        (_spaced(identity), masked),
        (_spaced(identity[::-1]), masked[::-1]),
        *((_hex_pattern(data), BULLET * 2 * len(raw)) for data in written),
    ]
    for size in (8, _SHORTEST_TAIL):
        tail = identity[-size:]
        if len(identity) > size and tail != vehicle_vin[-size:]:
            alone = f"{_ALONE}{_GAP.join(map(_either_width, tail))}(?![0-9A-Za-z])"
            pattern = re.compile(alone, re.IGNORECASE)
            patterns.append((pattern, BULLET * size))
    return patterns


def _spaced(text: str) -> re.Pattern[str]:
    """The characters in order, with or without anything between that is no letter or digit."""
    return re.compile(_GAP.join(map(_either_width, text)), re.IGNORECASE)


def _either_width(character: str) -> str:
    """A pattern of a character as it is, or as wide as the signs of East Asian scripts."""
    if not "!" <= character <= "~":
        return re.escape(character)
    # U+FF01 to U+FF5E are U+0021 to U+007E, as wide.
    return f"[{re.escape(character)}{chr(ord(character) + 0xFEE0)}]"


def _hex_pattern(data: bytes) -> re.Pattern[str]:
    return re.compile(_HEX_GAP.join(f"{byte:02x}" for byte in data), re.IGNORECASE)
