"""Checksum algorithms by name: catalogued CRCs, sums, XOR, Fletcher and Adler.

Facts
-----
- CRCs bear the names of G. Cook's "Catalogue of parametrised CRC algorithms".
- ``SUM-n`` adds bytes in n bits. ``WORDSUM-n-BE`` and ``-LE`` add 16-bit words of that
  byte order in n bits. ``/ONES`` and ``/TWOS`` give the complement of the sum, ``/TOTAL``
  the number that is missing from the sum to a total. Common practice, no one source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache

from memtool.core.checksums.algorithm_names import (
    ambiguous_names,
    fold_name,
    is_ambiguous,
    published_name,
)
from memtool.core.checksums.crc import CrcParameters, compute_crc, list_catalogued_crcs
from memtool.core.checksums.sums import (
    ByteOrder,
    add_bytes,
    add_words,
    adler_32,
    fletcher_16,
    fletcher_32,
    xor_bytes,
)
from memtool.core.near import near_names

_SHOWN_CANDIDATES = 6


class Family(StrEnum):
    """How an algorithm works."""

    CRC = "crc"
    SUM = "sum"
    WORD_SUM = "word-sum"
    XOR = "xor"
    FLETCHER = "fletcher"
    ADLER = "adler"


class Ending(StrEnum):
    """What of a sum is stored, where it is not the sum itself."""

    ONES = "ones"
    """Its one's complement."""
    TWOS = "twos"
    """Its two's complement."""
    TOTAL = "total"
    """What is missing to a total: block and field together add up to it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Algorithm:
    """One way to make a number of `width` bits from a block of bytes."""

    name: str
    """As published; for sums and the like our own name. Unique."""
    width: int
    """Bits of the value."""
    family: Family
    crc: CrcParameters | None = None
    """Given for CRCs alone."""
    word_order: ByteOrder | None = None
    """Byte order of the words that a word sum adds."""
    ending: Ending | None = None
    """Given for sums that do not store the plain sum."""
    aliases: tuple[str, ...] = ()
    """Other published names that mean this algorithm and no other."""

    @property
    def field_length(self) -> int:
        """Bytes that hold the value; of a width that is no multiple of 8, right-aligned."""
        return (self.width + 7) // 8


class UnknownAlgorithmError(ValueError):
    """A name means no algorithm, or more than one."""

    def __init__(self, name: str, candidates: tuple[str, ...], *, ambiguous: bool) -> None:
        """Keep the facts.

        Args:
            name: As it was given.
            candidates: Names that may have been meant, the likeliest first.
            ambiguous: The name is in use, for each of `candidates`.
        """
        self.name = name
        self.candidates = candidates
        self.ambiguous = ambiguous
        super().__init__(self._sentence())

    def _sentence(self) -> str:
        shown = self.name if len(self.name) <= 40 else f"{self.name[:40]}..."
        listed = ", ".join(self.candidates[:_SHOWN_CANDIDATES])
        more = len(self.candidates) - _SHOWN_CANDIDATES
        if more > 0:
            listed += f" and {more} more"
        if self.ambiguous:
            return f"'{shown}' does not name one algorithm; write which one is meant: {listed}"
        if fold_name(self.name) == fold_name("CRC-82/DARC"):
            return "CRC-82/DARC is not computed: it is wider than 64 bits"
        near = f"; nearest to it: {listed}" if listed else ""
        return f"'{shown}' is no known checksum algorithm{near}"


@cache
def list_algorithms() -> tuple[Algorithm, ...]:
    """All algorithms: CRCs by width and name, then sums, XOR, Fletcher, Adler."""
    return (*_crcs(), *_sums())


def get_algorithm(name: str) -> Algorithm:
    """The algorithm that `name` means.

    Case, hyphens, slashes, underscores and blanks do not matter. An alias is accepted
    where the catalogue has it for one algorithm alone.

    Raises:
        UnknownAlgorithmError: no algorithm is called so, or several are (``CRC-16``).
    """
    folded = fold_name(name)
    index = _index()
    if folded in index:
        return index[folded]
    names = tuple(algorithm.name for algorithm in list_algorithms())
    several = ambiguous_names(name, names)
    if several:
        raise UnknownAlgorithmError(name, several, ambiguous=True)
    near = near_names(folded, index)
    candidates = tuple(dict.fromkeys(index[key].name for key in near))
    raise UnknownAlgorithmError(name, candidates, ambiguous=False)


def compute_value(algorithm: Algorithm, data: bytes, *, total: int | None = None) -> int:
    """The checksum of `data`, 0 to 2**width - 1.

    With the ending ``/TOTAL``, `data` is the block without its field, and the result is
    what the field must hold: `total` (0 if None) less the sum of `data`.

    Raises:
        ValueError: a word sum of an odd number of bytes; `total` for another algorithm,
            or out of range.
    """
    if total is not None and algorithm.ending is not Ending.TOTAL:
        raise ValueError(f"{algorithm.name} takes no total")
    if total is not None and not 0 <= total < 1 << algorithm.width:
        raise ValueError(f"total {total} does not fit into {algorithm.width} bits")
    mask = (1 << algorithm.width) - 1
    value = _plain_value(algorithm, data) & mask
    match algorithm.ending:
        case Ending.ONES:
            return value ^ mask
        case Ending.TWOS:
            return -value & mask
        case Ending.TOTAL:
            return ((total or 0) - value) & mask
        case None:
            return value


def _crcs() -> list[Algorithm]:
    found = [
        Algorithm(
            name=published_name(row.name),
            width=row.parameters.width,
            family=Family.CRC,
            crc=row.parameters,
            aliases=tuple(
                sorted(published_name(alias) for alias in row.aliases if not is_ambiguous(alias))
            ),
        )
        for row in list_catalogued_crcs()
    ]
    return sorted(found, key=lambda algorithm: (algorithm.width, algorithm.name))


def _sums() -> list[Algorithm]:
    orders: tuple[tuple[str, ByteOrder], ...] = (("BE", "big"), ("LE", "little"))
    endings = (None, Ending.ONES, Ending.TWOS, Ending.TOTAL)
    found: list[Algorithm] = []
    for width in (8, 16, 32):
        found += [_sum(f"SUM-{width}", width, Family.SUM, ending) for ending in endings]
    for width in (16, 32):
        for suffix, order in orders:
            name = f"WORDSUM-{width}-{suffix}"
            found += [_sum(name, width, Family.WORD_SUM, ending, order) for ending in endings]
    found.append(Algorithm(name="XOR-8", width=8, family=Family.XOR))
    found.append(Algorithm(name="FLETCHER-16", width=16, family=Family.FLETCHER))
    found.append(Algorithm(name="FLETCHER-32", width=32, family=Family.FLETCHER))
    found.append(Algorithm(name="ADLER-32", width=32, family=Family.ADLER))
    return found


def _sum(
    name: str, width: int, family: Family, ending: Ending | None, order: ByteOrder | None = None
) -> Algorithm:
    full = name if ending is None else f"{name}/{ending.upper()}"
    return Algorithm(name=full, width=width, family=family, word_order=order, ending=ending)


@cache
def _index() -> dict[str, Algorithm]:
    """Every accepted name, folded."""
    index: dict[str, Algorithm] = {}
    for algorithm in list_algorithms():
        for name in (algorithm.name, *algorithm.aliases):
            index[fold_name(name)] = algorithm
    return index


def _plain_value(algorithm: Algorithm, data: bytes) -> int:
    """The value before its ending; a sum may be longer than its width."""
    match algorithm.family:
        case Family.SUM:
            return add_bytes(data)
        case Family.WORD_SUM:
            return add_words(data, algorithm.word_order or "big")
        case Family.XOR:
            return xor_bytes(data)
        case Family.FLETCHER:
            return fletcher_16(data) if algorithm.width == 16 else fletcher_32(data)
        case Family.ADLER:
            return adler_32(data)
        case Family.CRC:
            assert algorithm.crc is not None
            return compute_crc(algorithm.crc, data)
