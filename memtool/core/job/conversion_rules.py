"""What no conversion brings into a file: a VIN, or a trace of a known one, that no input held.

A vote takes reads of one module: reads with different VINs are refused, and so is a VIN
that a single read gave a byte to.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from memtool.core.image import Image
from memtool.core.job.leftovers import CHANCE_LIMIT
from memtool.core.runs import find_changes
from memtool.core.span import Span, format_span_with_length, subtract_spans, union_spans
from memtool.core.texts.different_vins import find_different_vins
from memtool.core.texts.known_identity import find_identity, find_vins
from memtool.core.texts.new_identity import find_new_identity
from memtool.core.texts.vin import mask_vin
from memtool.errors import RefusalError


def require_one_module(reads: Sequence[Image]) -> None:
    """Refuse a vote of reads that hold different VINs.

    Raises:
        RefusalError: code ``two-modules``.
    """
    different = find_different_vins(reads)
    if different is not None:
        first, second = map(mask_vin, different)
        raise RefusalError(
            f"the reads hold different VINs ({first} and {second}), so they are not of one module",
            code="two-modules",
            next_step="vote on reads of one module's memory only; leave a misread one out and"
            " read again",
        )


def require_voted_vins(reads: Sequence[Image], voted: Image) -> None:
    """Refuse a vote whose VIN was put together from several reads.

    Each of its bytes must stand at its address in two reads at least.

    Raises:
        RefusalError: code ``new-identity``.
    """
    for vin in find_vins(voted):
        if all(_stands_twice(reads, voted, piece) for piece in vin.pieces):
            continue
        raise RefusalError(
            f"the vote would make the VIN {mask_vin(vin.text)} at"
            f" {format_span_with_length(vin.span)}, with bytes that one read alone holds",
            code="new-identity",
            next_step="read the memory again, so that two reads agree on these bytes",
            address=vin.span.start,
        )


def require_no_new_identity(
    source: Image, written: Image, *, known: Iterable[str] = (), is_view: bool = False
) -> None:
    """Refuse what would come out with a VIN, or a trace of a known one, that did not go in.

    Args:
        source: What was read, or voted.
        written: What is to be written.
        known: VINs of the job. Under a view one that the source holds as a whole may show
            in other places, since every trace of it changes its form.
        is_view: Whether the whole image was turned.

    Raises:
        RefusalError: code ``new-identity``.
    """
    changed = (*find_changes(source, written), *subtract_spans(written.spans, source.spans))
    if not changed:
        return
    asked = tuple(vin for vin in known if not (is_view and _holds_whole(source, vin)))
    new = find_new_identity(
        [source], written, union_spans(changed), chance_limit=CHANCE_LIMIT, known=asked
    )
    if new:
        raise RefusalError(
            f"the file would hold a VIN or a part of one ({mask_vin(new[0].text)} at"
            f" {format_span_with_length(new[0].span)}) that no input holds",
            code="new-identity",
            next_step="leave these bytes as the module's own read has them",
            address=new[0].span.start,
        )


def _stands_twice(reads: Sequence[Image], voted: Image, piece: Span) -> bool:
    """Whether every byte of the vote in that span is also in two of the reads."""
    parts = [read.read(piece) for read in reads]
    return all(
        sum(part[offset] == value for part in parts) >= 2
        for offset, value in enumerate(voted.read(piece))
    )


def _holds_whole(image: Image, vin: str) -> bool:
    return any(match.part == "whole" for match in find_identity(image, vin))
