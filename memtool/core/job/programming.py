"""What a person must know of one memory before its file is programmed, on one card.

Whether a memory is erased first, and where its write protection sits, follows from the
family of the chip. Sources: data sheets AT24C01A/02/04/08/16 (0180), M95160 (block-protect
bits in the status register) and 93LC46/56/66 (DS21712C: erase and write enable); what a
programmer does by itself is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

from memtool.core.chip import ChipFamily, find_chip
from memtool.core.image import Image
from memtool.core.read_options import PLAIN
from memtool.core.span import Span, subtract_spans

_ERASE = {
    ChipFamily.I2C: "no erase: each byte is erased as it is written",
    ChipFamily.SPI: "no erase: each byte is erased as it is written",
    ChipFamily.MICROWIRE: "no erase where the programmer writes words; most erase by themselves",
    ChipFamily.CONTROLLER: "erase first: this memory takes new bytes only where it is erased",
}
_LOCKS = {
    ChipFamily.I2C: "look at the WP pin: held high, nothing is written",
    ChipFamily.SPI: (
        "look at the block-protect bits of the status register, WPEN, and the WP pin; note"
        " their state, and set them again afterwards"
    ),
    ChipFamily.MICROWIRE: "look at the protect register, where the part has one (PRE and PE pins)",
    ChipFamily.CONTROLLER: (
        "look at the controller's lock and security bits first: a wrong step may erase the"
        " whole controller"
    ),
}
_UNKNOWN = "not known: look into the data sheet of this part"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgrammingCard:
    """One memory, its file, and how it is programmed."""

    memory: str
    file: str
    """Path of the file to program."""
    file_sha256: str
    chip: str
    program: tuple[Span, ...]
    """The spans to program."""
    leave: tuple[Span, ...]
    """Spans inside them that stay as they are in the module: nobody could read them."""
    byte_order: str
    """How the file's bytes lie: `PLAIN`, or the reader's order."""
    erase: str
    """Whether to erase first, without full stop."""
    locks: str
    """What keeps a chip from being written, without full stop."""


def make_card(
    *,
    memory: str,
    file: str,
    file_sha256: str,
    chip: str,
    image: Image,
    not_read: tuple[Span, ...] = (),
    byte_order: str = PLAIN,
) -> ProgrammingCard:
    """The card of one file to program.

    Args:
        memory: Its name.
        file: Path of the file.
        file_sha256: Digest of the file.
        chip: As the job records it; of an unknown one nothing is said.
        image: What the file holds, in the chip's order.
        not_read: Areas that the reader could not give.
        byte_order: How the reader writes its files.
    """
    known = find_chip(chip)
    family = None if known is None else known.family
    whole = image.spans
    return ProgrammingCard(
        memory=memory,
        file=file,
        file_sha256=file_sha256,
        chip=chip,
        program=subtract_spans(whole, not_read),
        leave=not_read,
        byte_order=byte_order,
        erase=_UNKNOWN if family is None else _ERASE[family],
        locks=_UNKNOWN if family is None else _LOCKS[family],
    )
