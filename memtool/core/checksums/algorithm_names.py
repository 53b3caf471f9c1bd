"""Names of checksum algorithms: spelling, and names that mean too much.

Facts
-----
Libraries agree on the CRCs but not on short names: a bare "CRC-16" is ARC in one and
XMODEM in another, "CRC-8" is SMBUS or DVB-S2, "CCITT" is KERMIT in the catalogue and
IBM-3740 or XMODEM in many data sheets, "CRC-32B" is BZIP2 in one library and ISO-HDLC in
another (crccheck 1.3.1, anycrc 2.1.0, crcengine 0.4.0, compared). Such a name is never
resolved and never printed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from memtool.core.checksums.sum_table import SUMS

_SEPARATORS = re.compile(r"[-/_\s]+")
_BARE = re.compile(r"CRC([0-9]{0,3})", re.ASCII)

_CCITT = ("CRC-16/KERMIT", "CRC-16/IBM-3740", "CRC-16/XMODEM", "CRC-16/SPI-FUJITSU")
_MEANS_SEVERAL = {
    "CCITT": _CCITT,
    "CRCCCITT": _CCITT,
    "CRC16CCITT": _CCITT,
    "CRC8CCITT": ("CRC-8/SMBUS", "CRC-8/I-432-1"),
    "CRC32B": ("CRC-32/ISO-HDLC", "CRC-32/BZIP2"),
    "LRC": ("XOR-8", "SUM-8/TWOS"),
    "LRC8": ("XOR-8", "SUM-8/TWOS"),
    "CHECKSUM": ("SUM-8", "SUM-16", "SUM-32"),
}
"""Folded name: what it is used for."""

_LIKELIEST = (
    *("CRC-8/SMBUS", "CRC-8/DVB-S2"),
    *("CRC-16/ARC", "CRC-16/XMODEM", "CRC-16/IBM-3740", "CRC-16/KERMIT", "CRC-16/MODBUS"),
    "CRC-32/ISO-HDLC",
)
"""What libraries and data sheets mean by a bare "CRC-8", "CRC-16", "CRC-32"; shown first."""


def fold_name(name: str) -> str:
    """`name` without what does not matter in it: case, hyphens, slashes, blanks."""
    return _SEPARATORS.sub("", name).upper()


def published_name(name: str) -> str:
    """The catalogue's spelling of a name that a library writes as ``CRC16-IBM-3740``."""
    spelt = re.sub(r"^CRC([0-9]+)-", r"CRC-\1/", name)
    return re.sub(r"^CRC([0-9]+[A-Z]?)$", r"CRC-\1", spelt)


def is_ambiguous(name: str) -> bool:
    """Whether `name` is in use for several algorithms, whatever one library means by it."""
    folded = fold_name(name)
    named = folded in _MEANS_SEVERAL or len(_sums_cut_to(folded)) > 1
    return named or _BARE.fullmatch(folded) is not None


def ambiguous_names(name: str, known: Sequence[str]) -> tuple[str, ...]:
    """The algorithms that `name` is used for, if that is more than a name may mean.

    Args:
        name: As given.
        known: All algorithms' names; a bare ``CRC-16`` may mean each one of its width.

    Returns:
        Likeliest first; empty if the name is not one of those that mean too much.
    """
    folded = fold_name(name)
    if folded in _MEANS_SEVERAL:
        return _MEANS_SEVERAL[folded]
    sums = _sums_cut_to(folded)
    if len(sums) > 1:
        return sums
    bare = _BARE.fullmatch(folded)
    if bare is None:
        return ()
    prefix = f"CRC-{bare[1]}/" if bare[1] else "CRC"
    found = [other for other in known if other.startswith(prefix)]
    return tuple(sorted(found, key=lambda other: (other not in _LIKELIEST, found.index(other))))


def _sums_cut_to(folded: str) -> tuple[str, ...]:
    """The sums whose name begins with these parts and goes on: ``WORDSUM-16`` lacks an order."""
    found = []
    for one in SUMS:
        parts = one.name.split("-")
        if folded in ("".join(parts[:count]) for count in range(1, len(parts))):
            found.append(one.name)
    return tuple(found)
