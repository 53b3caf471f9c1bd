"""VINs that nobody has told: found by their structure, believed by what chance makes.

What is reported without being asked for more:

1. Check digit and four digits at the end, in any form. In a run of more than twenty
   characters, and under a key or in six bits a character, also a maker's code that is
   assigned to a country. Where characters were swapped, reversed or spaced the run has 27
   at most: these find a VIN in any longer text. Under a key two neighbours at most fit as well, and
   none where the text is as smooth as a table, with fewer than five large steps.
2. Four digits at the end without a matching check digit, which many markets do not ask
   for: only where the text stands alone (a run of seventeen characters, or of several
   seventeens, or up to three accidental neighbours more) or the standards allow it, in
   another order of its characters with a model year and six digits at the end; outside
   plain text only with a maker's code that is assigned to a country, and never under a key
   or in six bits: there tables and text make such readings by the dozen, as was measured.
3. A check digit without four digits at the end: only alone and in plain text.
4. What looks like a table or a digest (rules 6 and 7 of `memtool.core.texts.vin_shape`) outside
   plain text: only what the standards allow with six digits at the end, and a model year and
   a border on both sides, or the check digit in a run of 27 characters at most; never what looks
   like both.

Each of them only while the number that chance gives of its kind, in its form, in an image
of this size and mix, is below `REPORTED_BELOW`. Under keys and in packed forms near misses
count as well, see `memtool.core.texts.vin_chances`: the larger number counts.

`deep` asks for the rest: forms in which chance makes more, texts of the mere shape, less
clear neighbourhoods, keys without a check digit.

Of several readings of the same bytes the likeliest is reported, with the others that the
standards allow and that have hardly less weight, see `memtool.core.texts.vin_readings`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import lru_cache
from math import lcm
from typing import NamedTuple

from memtool.core.image import Image
from memtool.core.span import Span
from memtool.core.texts.chance import REPORTED_BELOW
from memtool.core.texts.dates import find_dates
from memtool.core.texts.form_table import FORMS
from memtool.core.texts.key_steps import LONG
from memtool.core.texts.long_runs import Condensed, condense, find_long_runs
from memtool.core.texts.vin import VIN_LENGTH, CheckDigitState, check_digit_state
from memtool.core.texts.vin_candidates import VinCandidate, is_clear
from memtool.core.texts.vin_chances import NearMisses, VinChances
from memtool.core.texts.vin_crowd import VinCrowd
from memtool.core.texts.vin_in_bits import searches_in_bits
from memtool.core.texts.vin_in_bytes import find_in_bytes
from memtool.core.texts.vin_readings import choose_readings
from memtool.core.texts.vin_under_key import searches_under_key

_SHORTEST = 13
"""Bytes that hold seventeen characters of six bits, the densest form."""
_ERASED = (0xFF, 0x00)
"""Bytes of erased memory. By themselves they hold no text in any form: equal bytes are one
character throughout, and seven or six equal bits none at all."""
_LEFT_OF_ERASED = 1024
"""Bytes that stay at either end of a long run of them: more than any text occupies, with all that
is looked at around it."""
_LEFT_OUT_BY = lcm(VIN_LENGTH, *(form.unit * form.stride for form in FORMS))
"""Bytes are left out by multiples of it: words and strides go on, and so do the seventeens by which
near misses are counted."""


class VinReading(NamedTuple):
    """Another way to read the bytes of a finding that the standards allow as well."""

    text: str
    span: Span
    stored_as: str


class VinFinding(NamedTuple):
    """A text that has the structure of a VIN."""

    text: str
    """Seventeen characters of the VIN alphabet."""
    span: Span
    """From the first to the last byte, foreign bytes between included."""
    stored_as: str
    """Name of the stored form, key or bit offset included."""
    check_digit: CheckDigitState
    expected_by_chance: float
    """Texts of at least this structure that chance gives in such an image, in this form."""
    pieces: tuple[Span, ...]
    """The byte runs that are really occupied."""
    mask: bytes
    """One for each byte of `pieces`, in order: its bits that belong to the text."""
    readings: tuple[VinReading, ...]
    """Other windows and orders of the same bytes that the standards allow, likeliest first."""

    @property
    def all_readings(self) -> tuple[VinReading, ...]:
        """The reading that is believed, then the others."""
        best = VinReading(text=self.text, span=self.span, stored_as=self.stored_as)
        return (best, *self.readings)

    @property
    def texts(self) -> frozenset[str]:
        """Every text that it may be."""
        return frozenset(reading.text for reading in self.all_readings)


def find_vins(image: Image, *, deep: bool = False) -> tuple[VinFinding, ...]:
    """Find what has the structure of a VIN, in every stored form but ``split``.

    Args:
        image: A gap between segments breaks a text.
        deep: Report what chance may have made as well, see the module.

    Returns:
        Sorted by address. Two findings share no byte, packed ones at most two, but for
        readings under two keys that are equally good.

    Raises:
        InputError: there are more than `memtool.core.texts.vin_crowd.MOST_VINS`.
    """
    return _find_vins(image, deep)


@lru_cache(maxsize=4)
def _find_vins(image: Image, deep: bool) -> tuple[VinFinding, ...]:
    """The same, kept for the last images: one command asks for those of a module many times."""
    near_misses = NearMisses()
    wanted = list(_find_candidates(image, near_misses, deep=deep))
    dates = find_dates(image)
    wanted = [each for each in wanted if not any(map(each.trace.span.overlaps, dates))]
    if not deep:
        wanted = [each for each in wanted if near_misses.expected(each) < REPORTED_BELOW]
        if not any(map(_is_clear, wanted)):
            return ()
    if not wanted:
        return ()
    chances = VinChances(image, wanted, near_misses)
    likely = [each for each in wanted if chances.expected(each) < REPORTED_BELOW]
    clear = [each for each in likely if _is_clear(each)]
    # What is told without being asked for more stays the reading to believe. What is not asked
    # for is told beside a clear one of the same bytes: the true one may be among it.
    chosen = choose_readings(clear, after=wanted) if deep else choose_readings(clear, likely)
    findings = [_make_finding(one, others, chances) for one, others in chosen]
    return tuple(sorted(findings, key=lambda finding: (finding.span, finding.stored_as)))


def _is_clear(candidate: VinCandidate) -> bool:
    return is_clear(candidate.form, candidate.shape, candidate.run)


def _find_candidates(
    image: Image, near_misses: NearMisses, *, deep: bool
) -> Iterator[VinCandidate]:
    """All texts of the shape; unless `deep`, those left out that are not reported anyway."""
    crowd = VinCrowd(image.size)
    condensed = _without_erased(image)
    for segment in condensed.image.segments:
        if len(segment.data) < _SHORTEST:
            continue
        in_bytes = find_in_bytes(segment, deep=deep)
        for search in (in_bytes, *searches_under_key(segment), *searches_in_bits(segment)):
            for found in search:
                candidate = _in_whole_image(found, condensed)
                near_misses.note(candidate)
                crowd.note(candidate)
                yield candidate
                if not deep and near_misses.rule_out(candidate.form):
                    break


def _without_erased(image: Image) -> Condensed:
    """The image without the insides of what is erased for long: most of many a memory."""
    # A small image is searched sooner than numpy is loaded.
    runs = () if image.size < LONG else find_long_runs(image)
    return condense(image, runs, margin=_LEFT_OF_ERASED, step=_LEFT_OUT_BY, values=_ERASED)


def _in_whole_image(candidate: VinCandidate, condensed: Condensed) -> VinCandidate:
    if len(condensed.places) == len(condensed.image.segments):
        return candidate
    pieces = tuple(map(condensed.real, candidate.trace.pieces))
    return candidate._replace(trace=candidate.trace._replace(pieces=pieces))


def _make_finding(
    candidate: VinCandidate, others: Iterable[VinCandidate], chances: VinChances
) -> VinFinding:
    return VinFinding(
        text=candidate.text,
        span=candidate.trace.span,
        stored_as=candidate.form.name,
        check_digit=check_digit_state(candidate.text),
        expected_by_chance=chances.expected(candidate),
        pieces=candidate.trace.pieces,
        mask=candidate.trace.mask,
        readings=tuple(
            VinReading(text=other.text, span=other.trace.span, stored_as=other.form.name)
            for other in others
        ),
    )
