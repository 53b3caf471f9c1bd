"""How many hits chance alone would give: the model behind every `expected_by_chance`.

**Model.** Bytes are drawn one by one in the mix of this image, half a byte of every value
added so that what the image does not hold has a chance, too:

    p(v) = (count of v + 1/2) / (bytes + 128).

Fewer than 256 bytes say little: they are filled up to so many with even shares of all values.

**A known text.** A needle of stored bytes v1 ... vn stands at one given place with the
probability p(v1) * ... * p(vn); a byte of which only some bits count has the sum of p over
all values that fit. An image of N bytes has N places, and a form may have several ways to
hold the text (two or four word phases, seven or eight bit offsets, 255 keys, many cuts):

    expected = N * sum over the ways of the product over the bytes.

Digits stand beside digits in text, and high bytes beside high bytes in tables. So the upper
halves of the bytes follow each other as they do in this image, from half h to half k in the
share t(h, k) of all cases, and the byte itself is drawn among those of its upper half,

    p(h1) * p(v1 | h1) * t(h1, h2) * p(v2 | h2) * ... * t(hn-1, hn) * p(vn | hn),

all shares with half a case added, and in images under 4 KiB never less than in random bytes. Of
needles with free bits the plain product is taken.

In a random image this is N * ways * 256^-n: five plain characters in 2,048 bytes are
expected 2e-9 times, a number in two bytes 0.03 times, the latter is no proof.

**An unknown VIN.** With a the chance that a byte stands for one of the 33 characters, d for
one of the ten digits, x for `X` (in random bytes 33/256, 10/256, 1/256; in seven bits
33/128 and so on; in six bits 33/64), the four last characters being digits:

    serial only:              a^13 * d^4
    check digit and serial:   a^12 * d^4 * (d + x) / 11
    check digit only:         a^16 * (d + x) / 11
    shape only:               a^17

since the right check digit is one of eleven characters that are equally likely for random
texts. Each is multiplied by the places and by the ways of the form. Left out of the image's
mix are the hits themselves with all that lies between their characters, and runs of more
than eight equal bytes: filler, in which no VIN can lie
(`memtool.core.texts.vin_shape`, rule 4).

**What the model does not see.** For unknown VINs neighbouring bytes are taken as independent,
and beyond neighbours everything is: text has words, tables have slopes. An inventory of
part numbers holds more runs of seventeen than the mix alone explains. The search asks more
of what it reports than this number (see `memtool.core.texts.vin_search`), and
docs/stored-forms.md publishes the rates that were measured on random bytes, text, tables,
code and published dumps.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from memtool.core.image import Image
from memtool.core.runs import array_of, count_bytes, count_image
from memtool.core.texts.vin import ALPHABET
from memtool.lazy import np

REPORTED_BELOW = 0.01
"""A search reports unasked, and prefers to others, what chance gives less often than this.

The rates in docs/stored-forms.md were measured with it. What a hit proves is not for a search
to say: `memtool.core.job.leftovers` does.
"""

_FEWEST = 256
"""Fewer bytes say little about a mix: it is filled up to so many."""
_SMALL = 4096
"""Bytes; in smaller images the mix alone may make a short number too unlikely."""
_WORTH_NUMPY = 1 << 19
"""Bytes from which on numpy has counted them before Python would have without loading it."""
_ADDED = 0.5
"""Of every value, so that none is impossible (Krichevsky and Trofimov's estimate)."""
VIN_CODES = ALPHABET.encode()
DIGIT_CODES = b"0123456789"


class ByteMix(NamedTuple):
    """How often each byte value is to be expected at a place of one image."""

    size: int
    """Bytes of the image, its number of places."""
    chances: tuple[float, ...]
    """p(v) for v from 0 to 255."""
    within: tuple[float, ...]
    """p(v | h): the share of v among the bytes of the same upper half."""
    follows: tuple[float, ...]
    """t(h, k) at 16 * h + k: how often a byte of upper half k follows one of h."""

    def of_values(self, values: Iterable[int]) -> float:
        """The chance that a byte has one of `values`."""
        return min(1.0, sum(self.chances[value] for value in values))

    def of_needle(self, values: bytes, masks: bytes) -> float:
        """The chance that a needle stands at one given place; zero bits of a mask are free."""
        # Every bit of every byte counts: the chain of halves can be used.
        if not masks.strip(b"\xff"):
            # Few bytes say little of a mix: then never less than in random ones.
            least = 256.0 ** -len(values) if self.size < _SMALL else 0.0
            return max(self._in_a_row(values), least)
        product = 1.0
        for value, mask in zip(values, masks, strict=True):
            product *= self.chances[value] if mask == 0xFF else self._of_bits(value, mask)
        return product

    def _in_a_row(self, values: bytes) -> float:
        product = self.chances[values[0]]
        for before, value in pairwise(values):
            # The index is h·16 + k: the upper half of the one before in its place, that of this one
            # below.
            product *= self.follows[before & 0xF0 | value >> 4] * self.within[value]
        return product

    def _of_bits(self, value: int, mask: int) -> float:
        return min(1.0, sum(self.chances[other] for other in _fitting(value & mask, mask)))


@lru_cache(maxsize=4096)
def _fitting(value: int, mask: int) -> tuple[int, ...]:
    return tuple(other for other in range(256) if other & mask == value)


def measure_mix(image: Image, *, without: Iterable[bytes] = ()) -> ByteMix:
    """The mix of an image's bytes.

    Args:
        image: Every defined byte counts.
        without: Runs of its bytes to leave out.
    """
    if image.size < _WORTH_NUMPY:
        all_bytes = _count(segment.data for segment in image.segments)
    else:
        all_bytes = count_image(image).tolist()
    left_out = _count(without)
    counts = [count - less for count, less in zip(all_bytes, left_out, strict=True)]
    # A small image is filled up with even shares; a large one gets half a case each.
    added = _ADDED + max(0, _FEWEST - sum(counts)) / 256
    total = sum(counts) + 256 * added
    chances = tuple((count + added) / total for count in counts)
    halves = [sum(counts[half : half + 16]) + 16 * added for half in range(0, 256, 16)]
    within = tuple((count + added) / halves[value >> 4] for value, count in enumerate(counts))
    return ByteMix(image.size, chances, within, _measure_following(image))


def _measure_following(image: Image) -> tuple[float, ...]:
    """t(h, k) of the image; of a half that hardly occurs as in random bytes."""
    pairs = _count(_upper_halves(segment.data) for segment in image.segments)
    totals = [sum(pairs[code] for code in range(half, half + 16)) for half in range(0, 256, 16)]
    # The same for each row of sixteen.
    added = [_ADDED + max(0, _FEWEST // 16 - total) / 16 for total in totals]
    return tuple(
        (pairs[code] + added[code >> 4]) / (totals[code >> 4] + 16 * added[code >> 4])
        for code in range(256)
    )


def _upper_halves(data: bytes) -> bytes:
    """The upper half of each byte beside that of the next one, as one byte."""
    size = len(data) - 1
    if size < 1:
        return b""
    if len(data) >= _WORTH_NUMPY:
        values = np.frombuffer(data, np.uint8)
        return (values[:-1] & 0xF0 | values[1:] >> 4).tobytes()
    # All at once, as digits of one long number.
    here = int.from_bytes(data[:-1], "big") & int.from_bytes(b"\xf0" * size, "big")
    behind = int.from_bytes(data[1:], "big") >> 4
    return (here | behind & int.from_bytes(b"\x0f" * size, "big")).to_bytes(size, "big")


def _count(runs: Iterable[bytes]) -> list[int]:
    """How often each byte value occurs in all runs together."""
    data = b"".join(runs)
    if len(data) < _WORTH_NUMPY:
        counted = Counter(data)
        return [counted[value] for value in range(256)]
    found: list[int] = count_bytes(array_of(data)).tolist()
    return found


class CharacterChances(NamedTuple):
    """How often a place stands for a character of the VIN alphabet, in one form."""

    alphabet: float
    """One of the 33 characters."""
    digit: float
    """One of the ten digits."""
    check: float
    """A character that may be a check digit: a digit or `X`."""

    def of_vin(self, *, check_digit: bool, serial: bool) -> float:
        """The chance that seventeen characters have the shape of a VIN.

        Args:
            check_digit: Position 9 matches.
            serial: The last four are digits.
        """
        # Booleans count as 0 and 1: characters about which nothing is asked.
        free = 17 - 4 * serial - check_digit
        chance = self.alphabet**free
        if serial:
            chance *= self.digit**4
        return chance * self.check / 11 if check_digit else chance


def chances_of_bytes(mix: ByteMix, stored: Sequence[int]) -> CharacterChances:
    """Of a form that stores the character c as the byte ``stored[c]``."""
    return CharacterChances(
        alphabet=mix.of_values(stored[code] for code in VIN_CODES),
        digit=mix.of_values(stored[code] for code in DIGIT_CODES),
        check=mix.of_values(stored[code] for code in DIGIT_CODES + b"X"),
    )
