"""What a chip is: a serial EEPROM of the table, or a controller's memory of a given size.

Facts:

* Capacities of the 24Cxx family are those of the Linux driver ``at24.c``; the other
  families count kilobits in their number too (``95160``: 16 Kbit, 2,048 bytes).
* The write page differs between makers and generations of one part. It is information
  for the person and for telling page faults, never a reason to refuse an image.
* A 93Cxx part is read in bytes or in 16-bit words: by its ORG pin ("C" parts), or fixed
  ("A": bytes, "B": words). Both readings hold the same bytes in another order.
* A memory inside a controller has no marking of its own. People name it by its size, and
  the size is all that is known of it.

A name is parsed here and nowhere else: `parse_chip` for what a person types or a layout
says, `find_chip` for what an earlier version recorded, which may be no chip at all.
"""

from __future__ import annotations

import re
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.core import near
else:
    near = late_module("memtool.core.near")  # loads difflib, for names that are wrong


class ChipFamily(StrEnum):
    """How the chip is wired; decides which faults a read can have."""

    I2C = "24Cxx"
    SPI = "25xxx/95xxx"
    MICROWIRE = "93Cxx"
    CONTROLLER = "controller"
    """A memory inside a controller, known by its size alone."""


class Chip(NamedTuple):
    """One kind of memory chip."""

    name: str
    """Plain name, without maker and supply voltage: ``24C16``, ``95160``, ``93C66``.

    Of a controller's memory its size in the largest whole unit: ``512``, ``64K``, ``1M``.
    """
    family: ChipFamily
    size: int
    """Capacity in bytes; of the table's chips a power of two."""
    pages: tuple[int, ...]
    """Write pages in bytes that parts of this name have, smallest first.

    Empty: there is no page write, or (a controller's memory) nothing is known of it.
    """
    organisations: tuple[int, ...]
    """Word widths in bits that the chip can be read in; empty where they are not known."""
    source: str
    """Where capacity and page were read."""

    @property
    def page(self) -> int | None:
        """The smallest write page in bytes, or None where there is none or none is known."""
        return self.pages[0] if self.pages else None

    @property
    def title(self) -> str:
        """As a sentence names it after "a": ``24C16``, ``memory of 64K``."""
        return f"memory of {self.name}" if self.family is ChipFamily.CONTROLLER else self.name


_LINUX = "capacity: Linux drivers/misc/eeprom/at24.c"
_SMALL_I2C = f"{_LINUX}; page: data sheets AT24C01A/02/04/08/16 (0180), M24C16..01 (5067)"
_MEMORY = "page: from memory, no source"


def _i2c(name: str, size: int, pages: tuple[int, ...], source: str) -> Chip:
    return Chip(
        name=name,
        family=ChipFamily.I2C,
        size=size,
        pages=pages,
        organisations=(8,),
        source=source,
    )


def _spi(name: str, size: int, pages: tuple[int, ...], source: str) -> Chip:
    return Chip(
        name=name,
        family=ChipFamily.SPI,
        size=size,
        pages=pages,
        organisations=(8,),
        source=source,
    )


def _microwire(name: str, size: int, source: str) -> Chip:
    return Chip(
        name=name,
        family=ChipFamily.MICROWIRE,
        size=size,
        pages=(),
        organisations=(8, 16),
        source=f"capacity: {source}; no page write: from memory, no source",
    )


_X010 = "data sheets 25LC010A (DS21832), family (DS22136); 8-byte pages: from memory, no source"
_X080 = "capacity and page: from memory, no source; pages as 25xx160 (DS22150B)"
_X16 = "data sheet 25xx160 (DS22150B): suffix C 16, D 32 bytes a page"

CHIPS: tuple[Chip, ...] = (
    _i2c("24C01", 128, (8, 16), _SMALL_I2C),
    _i2c("24C02", 256, (8, 16), _SMALL_I2C),
    _i2c("24C04", 512, (16,), _SMALL_I2C),
    _i2c("24C08", 1024, (16,), _SMALL_I2C),
    _i2c("24C16", 2048, (16,), _SMALL_I2C),
    _i2c("24C32", 4096, (32,), f"{_LINUX}; {_MEMORY}"),
    _i2c("24C64", 8192, (32,), f"{_LINUX}; {_MEMORY}"),
    _i2c("24C128", 16384, (64,), f"{_LINUX}; {_MEMORY}"),
    _i2c("24C256", 32768, (64,), f"{_LINUX}; page: data sheets AT24C256B (5279), FM24C256"),
    _i2c("24C512", 65536, (128,), f"{_LINUX}; {_MEMORY}"),
    _i2c("24C1024", 131072, (256,), f"{_LINUX}; {_MEMORY}"),
    _i2c("24C2048", 262144, (256,), f"{_LINUX}; {_MEMORY}"),
    _spi("95010", 128, (8, 16), _X010),
    _spi("95020", 256, (8, 16), _X010),
    _spi("95040", 512, (8, 16), _X010),
    _spi("95080", 1024, (16, 32), _X080),
    _spi("95160", 2048, (16, 32), _X16),
    _spi("95320", 4096, (32,), "data sheet M95320"),
    _spi("95640", 8192, (32,), "data sheet M95640"),
    _spi("95128", 16384, (64,), "data sheet M95128"),
    _spi("95256", 32768, (64,), "data sheet M95256"),
    _spi("95512", 65536, (128,), "data sheet 25A512 (DS22237C)"),
    _spi("951024", 131072, (256,), "capacity and page: from memory, no source"),
    _microwire("93C46", 128, "data sheet 93LC46/56/66 (DS21712C)"),
    _microwire("93C56", 256, "data sheet 93LC46/56/66 (DS21712C)"),
    _microwire("93C66", 512, "data sheet 93LC46/56/66 (DS21712C)"),
    _microwire("93C76", 1024, "data sheet 93xx76 (DS21796M)"),
    _microwire("93C86", 2048, "data sheet 93xx86 (DS21797L)"),
)
"""Ordered by family, then by capacity."""

_BY_NAME = {chip.name: chip for chip in CHIPS}

_MARKING = re.compile(
    r"""
    (?:[A-Z]{1,4})?                 # maker's prefix: M, AT, CAT ...
    (?P<series>24|25|93|95)
    (?P<letters>[A-Z]{0,3})         # process and supply voltage: C, LC, AA, FC ...
    (?P<number>[0-9]{2,4})
    (?:[A-Z][A-Z0-9]*)?             # revision, ORG, package
    """,
    re.VERBOSE,
)
_MEGABIT = {"01": "1024", "02": "2048"}
"""``24M01``, ``95M01``: the number counts megabits."""


_KILO, _MEGA = 1024, 1024 * 1024
_UNITS = {"": 1, "K": _KILO, "M": _MEGA}
_SIZE = re.compile(r"(?P<count>[0-9]{1,9})(?P<unit>[KM]?)")
_SMALLEST, _LARGEST = 64, 256 * _MEGA
"""Bytes. The least that a controller keeps in non-volatile memory; the largest file read."""

CHIP_ADVICE = (
    "name it as in 24C16, 93C66, 95160, or give the size of a controller's memory, as in 64K"
)
"""What to do about a name that is no chip's."""


def parse_chip(name: str) -> Chip:
    """The chip that `name` means.

    Understood are the plain names, with any maker's prefix, process letters and
    revision (``M24C16``, ``24LC16B``, ``93LC66C``), blanks, hyphens and lower case;
    25xxx and 95xxx are one family (``25LC160``, ``25160`` and ``95160`` are one chip).
    Besides these, the size of a controller's memory: bytes, K or M (``65536``, ``64K``,
    ``1M``). Such a memory has a power of two or whole kilobytes, so that a slip in a
    chip's name (``2416``) is no size.

    Raises:
        ValueError: nothing else is a chip; says which names are near.
    """
    chip = find_chip(name)
    if chip is None:
        meant = near.suggest(name, (known.name for known in CHIPS))
        raise ValueError(f"no chip is known as '{name}'{meant}")
    return chip


def find_chip(name: str) -> Chip | None:
    """As `parse_chip`, but None for a name that is no chip's.

    For names out of a journal, a backup or a layout that version 0.1.0 kept: it took any
    word for a chip. Such a name is shown and compared as it stands.
    """
    marking = re.sub(r"[\s_/.-]+", "", name.upper())
    return _find_in_table(marking) or _controller_memory(name.strip().upper())


def _find_in_table(marking: str) -> Chip | None:
    match = _MARKING.fullmatch(marking)
    if match is None:
        return None
    series, number = match["series"], match["number"]
    if match["letters"].endswith("M"):
        number = _MEGABIT.get(number, "")
    if series in ("25", "95"):
        return _BY_NAME.get(f"95{number}")
    return _BY_NAME.get(f"{series}C{number}")


def _controller_memory(text: str) -> Chip | None:
    match = _SIZE.fullmatch(text)
    if match is None:
        return None
    size = int(match["count"]) * _UNITS[match["unit"]]
    is_whole = size % _KILO == 0 or size & (size - 1) == 0
    if not (_SMALLEST <= size <= _LARGEST and is_whole):
        return None
    unit = next(unit for unit in ("M", "K", "") if size % _UNITS[unit] == 0)
    return Chip(
        name=f"{size // _UNITS[unit]}{unit}",
        family=ChipFamily.CONTROLLER,
        size=size,
        pages=(),
        organisations=(),
        source="as the person gave it",
    )


def is_same_chip(one: str, other: str) -> bool:
    """Whether two names mean one chip; recorded names that are no chip's, as they stand."""
    return (find_chip(one) or one) == (find_chip(other) or other)


def chips_of_size(size: int) -> tuple[Chip, ...]:
    """All chips of the table that hold exactly `size` bytes; empty where none does."""
    return tuple(chip for chip in CHIPS if chip.size == size)
