"""Checksum algorithms by name: catalogued CRCs, sums, XOR, Fletcher and Adler.

Facts
-----
- CRCs bear the names of G. Cook's "Catalogue of parametrised CRC algorithms", sums those
  of `sum_table`.
- ``/ONES`` and ``/TWOS`` give the complement of a sum, ``/TOTAL`` the number that is missing
  from the sum to a total. Common practice, no one source.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.checksums.algorithm_names import (
    ambiguous_names,
    fold_name,
    is_ambiguous,
    published_name,
)
from memtool.core.checksums.crc import (
    CrcParameters,
    compute_crc,
    crc_function,
    list_catalogued_crcs,
)
from memtool.core.checksums.sum_table import SUMS
from memtool.core.checksums.sums import ByteOrder, Ending, Sum
from memtool.core.checksums.written_crc import (
    format_written_crc,
    is_written_crc,
    parse_written_crc,
)
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.core import near
else:
    near = late_module("memtool.core.near")  # loads difflib, for names that are wrong

_SHOWN_CANDIDATES = 6


class Algorithm(NamedTuple):
    """One way to make a number of `width` bits from a block of bytes."""

    name: str
    """As published; for sums and the like our own name. Unique."""
    width: int
    """Bits of the value."""
    crc: CrcParameters | None = None
    """Given for CRCs, ..."""
    sum: Sum | None = None
    """... and this for all others."""
    ending: Ending | None = None
    """Given for sums that do not store the plain sum."""
    aliases: tuple[str, ...] = ()
    """Other published names that mean this algorithm and no other."""

    @property
    def field_length(self) -> int:
        """Bytes that hold the value; of a width that is no multiple of 8, right-aligned."""
        return (self.width + 7) // 8

    @property
    def family(self) -> str:
        """How it works, as JSON names it: ``crc``, or the kind of sum."""
        return "crc" if self.sum is None else self.sum.family

    @property
    def word_order(self) -> ByteOrder | None:
        """Byte order of the words, where an odd number of bytes has no value."""
        words = self.sum is not None and self.sum.needs_whole_words
        return self.sum.word_order if self.sum is not None and words else None

    @property
    def makes_totals(self) -> bool:
        """Whether block and field together make a known number."""
        return self.sum is not None and (self.ending is Ending.TOTAL or self.sum.cancels)


class UnknownAlgorithmError(ValueError):
    """A name means no algorithm, or more than one."""

    def __init__(
        self,
        name: str,
        candidates: tuple[str, ...] = (),
        *,
        ambiguous: bool = False,
        reason: str | None = None,
    ) -> None:
        """Keep the facts.

        Args:
            name: As it was given.
            candidates: Names that may have been meant, the likeliest first.
            ambiguous: The name is in use, for each of `candidates`.
            reason: What is wrong with a CRC that is written out by its parameters.
        """
        self.name = name
        self.candidates = candidates
        self.ambiguous = ambiguous
        super().__init__(reason or self._sentence())

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
        return f"'{shown}' is not a known checksum algorithm{near}"


@cache
def list_algorithms() -> tuple[Algorithm, ...]:
    """All algorithms: CRCs by width and name, then sums, XOR, Fletcher, Adler."""
    return (*_crcs(), *_sums())


def get_algorithm(name: str) -> Algorithm:
    """The algorithm that `name` means.

    Case, hyphens, slashes, underscores and blanks do not matter. An alias is accepted
    where the catalogue has it for one algorithm alone. A CRC that the catalogue does not have
    is written out by its parameters, as `written_crc` reads them.

    Raises:
        UnknownAlgorithmError: no algorithm is called so, or several are (``CRC-16``).
    """
    if is_written_crc(name):
        return _written(name)
    folded = fold_name(name)
    index = _index()
    if folded in index:
        return index[folded]
    names = tuple(algorithm.name for algorithm in list_algorithms())
    several = ambiguous_names(name, names)
    if several:
        raise UnknownAlgorithmError(name, several, ambiguous=True)
    meant = near.near_names(folded, index)
    candidates = tuple(dict.fromkeys(index[key].name for key in meant))
    raise UnknownAlgorithmError(name, candidates, ambiguous=False)


@lru_cache(maxsize=64)
def _written(text: str) -> Algorithm:
    """The catalogue's own algorithm where it has one of these parameters."""
    try:
        parameters = parse_written_crc(text)
    except ValueError as error:
        raise UnknownAlgorithmError(text, reason=str(error)) from error
    return _by_parameters().get(parameters) or written_algorithm(parameters)


def written_algorithm(parameters: CrcParameters) -> Algorithm:
    """A CRC that the catalogue does not have, by the name under which a layout writes it."""
    return Algorithm(name=format_written_crc(parameters), width=parameters.width, crc=parameters)


@cache
def _by_parameters() -> dict[CrcParameters, Algorithm]:
    """The catalogue's CRCs; where two have the same parameters, the first."""
    crcs = [(each.crc, each) for each in list_algorithms() if each.crc is not None]
    return dict(reversed(crcs))


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
    if algorithm.crc is not None:
        return compute_crc(algorithm.crc, data)
    return ((total or 0) + value_function(algorithm)(data)) % (1 << algorithm.width)


def value_function(algorithm: Algorithm) -> Callable[[bytes], int]:
    """What `compute_value` does without a total, as quick as can be: for searches."""
    if algorithm.crc is not None:
        return crc_function(algorithm.crc)
    assert algorithm.sum is not None
    compute, mask = algorithm.sum.compute, (1 << algorithm.width) - 1
    match algorithm.ending:
        case Ending.ONES:
            return lambda data: ~compute(data) & mask
        case Ending.TWOS | Ending.TOTAL:
            return lambda data: -compute(data) & mask
        case None:
            return lambda data: compute(data) & mask


def _crcs() -> list[Algorithm]:
    found = [
        Algorithm(
            name=published_name(row.name),
            width=row.parameters.width,
            crc=row.parameters,
            aliases=tuple(
                sorted(published_name(alias) for alias in row.aliases if not is_ambiguous(alias))
            ),
        )
        for row in list_catalogued_crcs()
    ]
    return sorted(found, key=lambda algorithm: (algorithm.width, algorithm.name))


def _sums() -> list[Algorithm]:
    return [
        Algorithm(
            name=one.name if ending is None else f"{one.name}/{ending.upper()}",
            width=one.width,
            sum=one,
            ending=ending,
        )
        for one in SUMS
        for ending in one.endings
    ]


@cache
def _index() -> dict[str, Algorithm]:
    """Every accepted name, folded."""
    index: dict[str, Algorithm] = {}
    for algorithm in list_algorithms():
        for name in (algorithm.name, *algorithm.aliases):
            index[fold_name(name)] = algorithm
    return index
