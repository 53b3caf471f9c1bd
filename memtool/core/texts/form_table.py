"""The closed list of stored forms as one table. A new form is one row of `FORMS`.

Everything that knows forms reads this table: names and pairs, undoing a field, the search
for known texts and for unknown VINs, what chance makes, the views of whole memories, the
orders that a reader may deliver by mistake. What a family of forms has in common is coded
once, by family; what tells two forms of a family apart stands in their rows.

Source of the low-bit-first packing of seven bits: 3GPP TS 23.038, 6.1.2.1. The others
are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum, auto
from typing import NamedTuple

from memtool.core.texts.key_steps import added_steps, xor_steps


class Family(Enum):
    """What kind of change a form is: it decides how a search goes about it."""

    BYTES = auto()
    """Each byte is changed by itself, always alike."""
    WORDS = auto()
    """The bytes of each word stand in reversed order."""
    BACKWARDS = auto()
    """The whole text stands in reversed order."""
    SPACED = auto()
    """A character in every so-many-th byte, foreign bytes between."""
    WIDE = auto()
    """Two bytes a character, one of them zero."""
    KEYED = auto()
    """Each byte is changed by itself, in one of 255 ways."""
    PACKED = auto()
    """Fewer than eight bits a character, from any bit on."""
    PIECES = auto()
    """The text is cut, foreign bytes between the pieces."""


Change = Callable[[int, int], int]
"""One byte, and the key (0 where there is none), to another byte."""


class KeySteps(NamedTuple):
    """How a text under an unknown key is found: by what lies between neighbouring bytes.

    The three classes are ranges of a regular expression over the steps. Digits are 0x30 to
    0x39, letters 0x41 to 0x5A.
    """

    make: Callable[[bytes], bytes]
    """The steps of some bytes; no key changes them."""
    between: bytes
    """Steps between two characters of the VIN alphabet."""
    crossing: bytes
    """Steps between a letter and a digit."""
    of_digits: bytes
    """Steps between two digits."""
    find_key: Callable[[int, int], int]
    """The key that makes the stored byte of a character, from both in this order."""
    named_otherwise: frozenset[int]
    """Keys that do what a row further up does; that row's name is given."""


class Form(NamedTuple):
    """One row: a form that a text may be stored in."""

    name: str
    """As reports and layouts write it, without key and bit offset."""
    done: str
    """What was done to the text, in words for people."""
    family: Family
    behind: tuple[str, ...] = ()
    """The forms that a reader may have to undo first: each is a pair with this one."""
    cost: int = 0
    """How unusual the form is, in bits: rough, no source; readings of the same bytes are
    weighed with it."""
    doubtful: bool = False
    """Tables and text often look like a VIN in it: an unknown one needs more evidence."""
    reader_order: bool = False
    """A reader may deliver a whole memory so by mistake, and the mistake can be told."""
    store: Change | None = None
    """Families BYTES and KEYED: from a character to the stored byte."""
    read: Change | None = None
    """Families BYTES and KEYED: from a stored byte to the character."""
    key_steps: KeySteps | None = None
    """Family KEYED."""
    unit: int = 1
    """Family WORDS: bytes of a word."""
    stride: int = 1
    """Family SPACED: distance of two characters in bytes."""
    bits: int = 8
    """Bits of memory that carry one character."""
    high_first: bool = False
    """Families WIDE and PACKED: the high byte, or the high bit, comes first."""

    @property
    def reorders(self) -> bool:
        """Whether it moves characters, so that any long text gives new ones when undone."""
        return self.family in (Family.WORDS, Family.BACKWARDS, Family.SPACED, Family.WIDE)

    @property
    def counts_near_misses(self) -> bool:
        """Whether so many readings are tried that the image's own near misses must count."""
        return self.family in (Family.KEYED, Family.PACKED)

    @property
    def keeps_every_byte(self) -> bool:
        """Whether a whole memory can be turned back from it: no byte is lost or merged."""
        if self.family in (Family.WORDS, Family.BACKWARDS, Family.KEYED):
            return True
        store = self.store
        return store is not None and len({store(value, 0) for value in range(256)}) == 256


def _same(value: int, _: int) -> int:
    return value


def _capital(value: int, _: int) -> int:
    return value - 0x20 if 0x61 <= value <= 0x7A else value


def _small(value: int, _: int) -> int:
    return value + 0x20 if 0x41 <= value <= 0x5A else value


def _inverted(value: int, _: int) -> int:
    return 0xFF - value


def _negated(value: int, _: int) -> int:
    return -value % 256


def _nibbles_swapped(value: int, _: int) -> int:
    return value >> 4 | value << 4 & 0xF0


def _bits_reversed(value: int, _: int) -> int:
    return int(f"{value:08b}"[::-1], 2)


def _combined(value: int, key: int) -> int:
    return value ^ key


def _plus(value: int, key: int) -> int:
    return (value + key) % 256


def _minus(value: int, key: int) -> int:
    return (value - key) % 256


_SWAPS = ("swapped-16", "swapped-32")

FORMS: tuple[Form, ...] = (
    Form(name="plain", done="as typed", family=Family.BYTES, store=_same, read=_same),
    Form(
        name="lower-case",
        done="small letters, digits unchanged",
        family=Family.BYTES,
        cost=2,
        store=_small,
        read=_capital,
    ),
    Form(
        name="swapped-16",
        done="the two bytes of each 16-bit word swapped",
        family=Family.WORDS,
        cost=3,
        unit=2,
        reader_order=True,
    ),
    Form(
        name="swapped-32",
        done="the four bytes of each 32-bit word reversed",
        family=Family.WORDS,
        cost=5,
        unit=4,
        reader_order=True,
    ),
    Form(
        name="reversed",
        done="last character first",
        family=Family.BACKWARDS,
        behind=_SWAPS,
        cost=5,
    ),
    Form(
        name="every-2",
        done="a character in every 2nd byte, foreign bytes between",
        family=Family.SPACED,
        cost=3,
        stride=2,
    ),
    Form(
        name="every-4",
        done="a character in every 4th byte, foreign bytes between",
        family=Family.SPACED,
        cost=5,
        stride=4,
    ),
    Form(
        name="utf-16-be",
        done="two bytes a character, high byte first",
        family=Family.WIDE,
        bits=16,
        high_first=True,
    ),
    Form(
        name="utf-16-le",
        done="two bytes a character, low byte first",
        family=Family.WIDE,
        bits=16,
    ),
    Form(
        name="inverted",
        done="every bit inverted",
        family=Family.BYTES,
        behind=(*_SWAPS, "reversed", "every-2"),
        cost=4,
        reader_order=True,
        store=_inverted,
        read=_inverted,
    ),
    Form(
        name="negated",
        done="the two's complement of each byte",
        family=Family.BYTES,
        behind=_SWAPS,
        cost=6,
        store=_negated,
        read=_negated,
    ),
    Form(
        name="nibbles-swapped",
        done="the halves of each byte swapped",
        family=Family.BYTES,
        behind=_SWAPS,
        cost=6,
        store=_nibbles_swapped,
        read=_nibbles_swapped,
    ),
    Form(
        name="bits-reversed",
        done="the bits of each byte in reverse order",
        family=Family.BYTES,
        behind=_SWAPS,
        cost=6,
        reader_order=True,
        store=_bits_reversed,
        read=_bits_reversed,
    ),
    Form(
        name="xor",
        done="exclusive or with a key, 01 to fe",
        family=Family.KEYED,
        behind=(*_SWAPS, "every-2"),
        cost=12,
        doubtful=True,
        store=_combined,
        read=_combined,
        key_steps=KeySteps(
            make=xor_steps,
            # The exclusive or of two characters has equal bits 5 and 6 and no bit 7.
            between=rb"\x00-\x1f\x60-\x7f",
            crossing=rb"\x60-\x7f",
            of_digits=rb"\x00-\x0f",
            find_key=_combined,
            named_otherwise=frozenset({0x00, 0xFF}),
        ),
    ),
    Form(
        name="added",
        done="a key added, modulo 256, 01 to ff",
        family=Family.KEYED,
        cost=12,
        doubtful=True,
        store=_plus,
        read=_minus,
        key_steps=KeySteps(
            make=added_steps,
            # Two characters differ by 42 at most.
            between=rb"\x00-\x2a\xd6-\xff",
            crossing=rb"\x08-\x2a\xd6-\xf8",
            of_digits=rb"\x00-\x09\xf7-\xff",
            find_key=_minus,
            named_otherwise=frozenset({0x00, 0x80}),
        ),
    ),
    Form(
        name="packed-7-msb",
        done="seven bits a character, high bit first",
        family=Family.PACKED,
        behind=_SWAPS,
        cost=6,
        bits=7,
        high_first=True,
    ),
    Form(
        name="packed-7-lsb",
        done="seven bits a character, low bit first",
        family=Family.PACKED,
        behind=_SWAPS,
        cost=6,
        bits=7,
    ),
    Form(
        name="packed-6-msb",
        done="six bits (code less 0x20), high bit first",
        family=Family.PACKED,
        cost=8,
        doubtful=True,
        bits=6,
        high_first=True,
    ),
    Form(
        name="packed-6-lsb",
        done="six bits, low bit first",
        family=Family.PACKED,
        cost=8,
        doubtful=True,
        bits=6,
    ),
    Form(
        name="split",
        done="two or three pieces, up to 16 foreign bytes between",
        family=Family.PIECES,
    ),
)
"""In the order of preference: of two forms that read the same bytes alike the earlier wins."""

BY_NAME: dict[str, Form] = {form.name: form for form in FORMS}
RANKS: dict[str, int] = {form.name: rank for rank, form in enumerate(FORMS)}
PAIRS: tuple[tuple[Form, Form], ...] = tuple(
    (first, second) for first in FORMS for second in FORMS if first.name in second.behind
)
"""The pairs that are searched and may be named, each in the order of undoing."""


def forms_of(*families: Family) -> tuple[Form, ...]:
    """The rows of these families, in the order of the table."""
    return tuple(form for form in FORMS if form.family in families)


def orders_of(form: Form) -> tuple[Form | None, ...]:
    """Under what `form` is looked for: None for itself alone, then the first of each pair."""
    return (None, *(first for first, second in PAIRS if second is form))
