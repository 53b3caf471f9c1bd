"""CRCs: their parameters, the catalogue, and computing. The one door to `anycrc`.

Facts
-----
- The fields are those of R. Williams, "A Painless Guide to CRC Error Detection
  Algorithms", chapter 15; names and values those of G. Cook, "Catalogue of parametrised
  CRC algorithms", as `anycrc` carries them.
- `anycrc` computes up to 64 bits; CRC-82/DARC is the one catalogued CRC that is missing.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any, NamedTuple

from memtool.lazy import anycrc, anycrc_models


class CrcParameters(NamedTuple):
    """What makes one CRC, in the catalogue's terms."""

    width: int
    """Bits, 3 to 64."""
    poly: int
    """Without its top bit, never reflected."""
    init: int
    """The register at the start, never reflected."""
    refin: bool
    """Each byte enters low bit first."""
    refout: bool
    """The final register is reflected."""
    xorout: int
    """Applied after `refout`."""
    check: int
    """The CRC of ASCII ``123456789``."""

    @property
    def residue(self) -> int:
        """The register after a block and its own CRC, reflected if `refout`, before `xorout`.

        The CRC follows the block in the bit order of the message. What is left is then
        `xorout` alone, moved on by `width` bits.
        """
        top, mask = 1 << (self.width - 1), (1 << self.width) - 1
        register = reflect(self.xorout, self.width) if self.refout else self.xorout
        # The register and the stored CRC cancel but for `xorout`, which goes on through as many
        # bits.
        for _ in range(self.width):
            register = ((register << 1) & mask) ^ (self.poly if register & top else 0)
        return reflect(register, self.width) if self.refout else register


class CataloguedCrc(NamedTuple):
    """One row of the catalogue, in the library's spelling."""

    name: str
    aliases: tuple[str, ...]
    parameters: CrcParameters


def reflect(value: int, width: int) -> int:
    """The lowest `width` bits of `value` in reverse order."""
    return int(f"{value:0{width}b}"[::-1], 2)


def compute_crc(parameters: CrcParameters, data: bytes) -> int:
    """The CRC of `data` under any parameters, catalogued or not."""
    if not data:
        start = parameters.init
        return (reflect(start, parameters.width) if parameters.refout else start) ^ (
            parameters.xorout
        )
    return _engine(parameters)(data)


def crc_function(parameters: CrcParameters) -> Callable[[bytes], int]:
    """The function that computes this CRC; it wants at least one byte."""
    return _engine(parameters)


@lru_cache(maxsize=256)
def _engine(parameters: CrcParameters) -> Callable[[bytes], int]:
    engine: Callable[[bytes], int] = anycrc.CRC(
        parameters.width,
        parameters.poly,
        parameters.init,
        parameters.refin,
        parameters.refout,
        parameters.xorout,
    ).calc
    return engine


def list_catalogued_crcs() -> tuple[CataloguedCrc, ...]:
    """All rows with up to 64 bits, names as `anycrc` spells them, in its order."""
    by_target: dict[str, list[str]] = {}
    for alias, target in anycrc_models.aliases.items():
        by_target.setdefault(target, []).append(alias)
    return tuple(
        CataloguedCrc(
            name=key,
            aliases=tuple(by_target.get(key, ())),
            parameters=_parameters(model),
        )
        for key, model in anycrc_models.models.items()
    )


def _parameters(model: Any) -> CrcParameters:
    return CrcParameters(
        width=model.width,
        poly=model.poly,
        init=model.init,
        refin=model.refin,
        refout=model.refout,
        xorout=model.xorout,
        check=model.check,
    )
