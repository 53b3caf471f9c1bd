"""Several reads of one chip: do they agree, and if not, what does the difference look like?

Equal content is what good reads look like, and no proof: a copied file and a stuck line
agree with themselves too. Whether the clip was put on anew between the reads is asked of
the person, not read from the bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from memtool.core.finding import Finding, Severity
from memtool.core.health.disagreement import explain_disagreement
from memtool.core.health.voting import reads_to_settle, vote_bytes
from memtool.core.image import Image
from memtool.core.runs import defined_bytes, spans_of_mask
from memtool.core.span import (
    Span,
    count_addresses,
    intersect_spans,
    subtract_spans,
    union_spans,
)
from memtool.core.words import count_of
from memtool.errors import InputError
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Bytes

LISTED_DIFFERENCES = 1000
"""`Agreement.differences` stops here; `differing_bytes` has the true number."""

EQUAL_IS_NO_PROOF = (
    "A copied file or a stuck line gives that too: this is only evidence if the clip was removed"
    " and refitted between the reads."
)
"""What equal reads are worth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ByteDifference:
    """One address at which the reads do not all hold the same byte."""

    address: int
    values: tuple[int, ...]
    """The byte of each read, in the order of the reads."""
    rising: int
    """Mask of the bits that the basis holds as 0 and some read holds as 1. The basis is
    the majority, with two reads the first of them."""
    falling: int
    """Mask of the bits that the basis holds as 1 and some read holds as 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What a comparison of several reads of one chip says."""

    agree: bool
    differing_bytes: int
    """Addresses at which not all reads hold the same; undefined in one read counts."""
    spans: tuple[Span, ...]
    """Those addresses: sorted, disjoint."""
    differences: tuple[ByteDifference, ...]
    """The first `LISTED_DIFFERENCES` of the addresses that all reads define."""
    more_reads: int | None
    """How many further reads would let a majority settle every byte; 0 if the reads
    agree, None where no number of reads mends the cause."""
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Majority:
    """Each byte as most reads have it. Information: nothing says that most reads are right."""

    image: Image
    doubtful: tuple[Span, ...]
    """Where the reads do not all agree."""
    undecided: tuple[Span, ...]
    """The part of `doubtful` where no value is held by more than half of the reads; the
    image has the first read's byte there."""


def compare_reads(images: Sequence[Image]) -> Agreement:
    """Compare all reads of one chip and say what their difference looks like.

    One read alone agrees with itself and gets no finding.

    Raises:
        ValueError: no image was given.
    """
    if not images:
        raise ValueError("no read to compare")
    common = _common_spans(images)
    parts = [image if image.spans == common else image.select(common) for image in images]
    extra: tuple[Span, ...] = ()
    if any(part is not image for part, image in zip(parts, images, strict=True)):
        every = union_spans(span for image in images for span in image.spans)
        extra = subtract_spans(every, common)
    arrays = [defined_bytes(part) for part in parts]
    # False everywhere, of the right length.
    mask = arrays[0] != arrays[0]
    for array in arrays[1:]:
        mask |= arrays[0] != array
    differing = spans_of_mask(mask, parts[0])
    spans = union_spans((*differing, *extra))
    count = count_addresses(spans)
    if not count:
        return Agreement(
            agree=True,
            differing_bytes=0,
            spans=(),
            differences=(),
            more_reads=0,
            findings=_agreeing(images),
        )
    more = None if extra else reads_to_settle(arrays)
    finding, settles = explain_disagreement(images, arrays, differing, extra, more)
    return Agreement(
        agree=False,
        differing_bytes=count,
        spans=spans,
        differences=_list_differences(parts[0], arrays),
        more_reads=more if settles else None,
        findings=(finding,),
    )


def majority_image(images: Sequence[Image]) -> Majority:
    """Vote byte by byte.

    Raises:
        ValueError: no image was given.
        InputError: the reads do not define the same addresses.
    """
    if not images:
        raise ValueError("no read to vote on")
    if len({image.spans for image in images}) > 1:
        raise InputError(
            "the reads do not define the same addresses, so no majority can be formed",
            code="reads-differ-size",
            next_step="read the chip again with the same chip, size and base chosen each time",
        )
    arrays = [defined_bytes(image) for image in images]
    winner, votes = vote_bytes(arrays)
    doubtful = votes < len(arrays)
    # Half of the votes are no majority.
    undecided = 2 * votes <= len(arrays)
    content = winner.tobytes()
    # The votes were counted over all segments joined: cut apart again.
    pieces, offset = [], 0
    for segment in images[0].segments:
        pieces.append((segment.start, content[offset : offset + len(segment.data)]))
        offset += len(segment.data)
    return Majority(
        image=Image.from_pieces(pieces),
        doubtful=spans_of_mask(doubtful, images[0]),
        undecided=spans_of_mask(undecided, images[0]),
    )


def _common_spans(images: Sequence[Image]) -> tuple[Span, ...]:
    common = images[0].spans
    for image in images[1:]:
        if image.spans != common:
            common = intersect_spans(common, image.spans)
    return common


def _all_reads(number: int) -> str:
    return "Both reads" if number == 2 else f"All {number} reads"


def _agreeing(images: Sequence[Image]) -> tuple[Finding, ...]:
    if len(images) < 2:
        return ()
    return (
        Finding(
            code="reads-agree",
            severity=Severity.INFO,
            text=f"{_all_reads(len(images))} are identical"
            f" ({count_of(images[0].size, 'byte')}). {EQUAL_IS_NO_PROOF}",
        ),
    )


def _list_differences(image: Image, arrays: Sequence[Bytes]) -> tuple[ByteDifference, ...]:
    mask = arrays[0] != arrays[0]
    for array in arrays[1:]:
        mask |= arrays[0] != array
    places = np.flatnonzero(mask)[:LISTED_DIFFERENCES]
    columns = [array[places] for array in arrays]
    basis = columns[0] if len(arrays) == 2 else vote_bytes(columns)[0]
    if not len(places):
        return ()
    addresses = _addresses(image, [int(place) for place in places])
    found = []
    for index, address in enumerate(addresses):
        values = tuple(int(column[index]) for column in columns)
        any_set = all_set = values[0]
        for value in values[1:]:
            # Bits that some read has, and bits that all have: what lies between them changed.
            any_set |= value
            all_set &= value
        base = int(basis[index])
        found.append(
            ByteDifference(
                address=address, values=values, rising=any_set & ~base, falling=base & ~all_set
            )
        )
    return tuple(found)


def _addresses(image: Image, places: Sequence[int]) -> list[int]:
    """Addresses of ascending places among the defined bytes."""
    found: list[int] = []
    segments = iter(image.segments)
    segment, offset = next(segments), 0
    for place in places:
        while place - offset >= len(segment.data):
            offset += len(segment.data)
            segment = next(segments)
        found.append(segment.start + place - offset)
    return found
