"""Keeps the identity that went out of everything a customer gets to see.

What is masked: every foreign identity of the job, however it is written: in either case,
with blanks or hyphens between, last character first, as hex digits; the last eight and the
last six characters where they stand by themselves; and any other text that stands by itself,
has the shape of a VIN and a check digit that matches. The vehicle's own VIN stays readable.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from memtool.core.identity.vin import (
    ALPHABET,
    CheckDigitState,
    check_digit_state,
    is_well_formed,
    mask_vin,
)

BULLET = "\u2022"
_GAP = r"[\s_.\-]?"
_SHORTEST_TAIL = 6
_VIN_WORD = re.compile(
    f"(?<![0-9A-Za-z])[{ALPHABET}{ALPHABET.lower()}]{{17}}(?![0-9A-Za-z])", re.ASCII
)


class Masker:
    """Masks identities in texts. An inactive one, for the shop's own copy, changes nothing."""

    def __init__(
        self, identities: Iterable[str], *, vehicle_vin: str | None, active: bool = True
    ) -> None:
        """Prepare the patterns.

        Args:
            identities: The foreign ones; the vehicle's own is left out.
            vehicle_vin: Stays readable.
            active: False for the shop's own copy.
        """
        self.active = active
        self.vehicle_vin = vehicle_vin
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

    def _mask_word(self, match: re.Match[str]) -> str:
        word = match.group()
        vin = word.upper()
        if vin == self.vehicle_vin or not is_well_formed(vin):
            return word
        return mask_vin(vin) if check_digit_state(vin) is CheckDigitState.VALID else word


def _patterns_of(identity: str, vehicle_vin: str) -> list[tuple[re.Pattern[str], str]]:
    masked = mask_vin(identity)
    raw = identity.encode("ascii", "replace")
    patterns = [
        (_spaced(identity), masked),
        (_spaced(identity[::-1]), masked[::-1]),
        *((_hex_pattern(data), BULLET * 2 * len(raw)) for data in (raw, raw[::-1])),
    ]
    for size in (8, _SHORTEST_TAIL):
        tail = identity[-size:]
        if len(identity) > size and tail != vehicle_vin[-size:]:
            pattern = re.compile(f"(?<![0-9A-Za-z]){re.escape(tail)}(?![0-9A-Za-z])", re.IGNORECASE)
            patterns.append((pattern, BULLET * size))
    return patterns


def _spaced(text: str) -> re.Pattern[str]:
    """The characters in order, a blank or hyphen between them or not."""
    return re.compile(_GAP.join(re.escape(character) for character in text), re.IGNORECASE)


def _hex_pattern(data: bytes) -> re.Pattern[str]:
    return re.compile(r"[\s:]?".join(f"{byte:02x}" for byte in data), re.IGNORECASE)
