"""Two images: where they differ, what lies there, what moved, whether one layout holds for both.

Rules
-----
1. Bytes are compared where both images define them. What only one defines is told apart and is
   no differing byte.
2. A run is as long as the bytes differ without a break; with a layout it ends at the border of a
   region, so that it lies in one region or in none.
3. The bytes of a protected region are not handed out: that it differs is told, and where.
4. Whether one layout holds for both is told by size, checksums and texts. Where none of these
   can tell, it is "not checked". Without a layout only different addresses can tell.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from memtool.core.chip import Chip
from memtool.core.comparing.moved import MovedBlock, find_moved_blocks
from memtool.core.finding import Verdict
from memtool.core.image import Image, find_changes
from memtool.core.layouts.fields import DecodedField, FieldState
from memtool.core.layouts.layout import FieldType, Layout, Region, RegionKind, decode_fields
from memtool.core.layouts.layout_fit import LayoutFit, check_fit
from memtool.core.span import (
    Span,
    count_addresses,
    format_span_with_length,
    intersect_spans,
    subtract_spans,
    union_spans,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferingRun:
    """Neighbouring bytes that all differ."""

    span: Span
    a: bytes | None
    """What the first image holds there; None in a protected region."""
    b: bytes | None
    """What the second image holds there; None in a protected region."""
    region: str | None
    """Name of the region; None without a layout, and outside all regions."""
    kind: RegionKind | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldChange:
    """A field of the layout of which some byte differs."""

    name: str
    kind: RegionKind
    span: Span
    a: DecodedField
    """In the first image."""
    b: DecodedField
    """In the second image."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SameLayout:
    """Whether both images follow one layout."""

    result: Verdict
    reason: str
    """What the result rests on, one sentence with full stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """All that differs between two images."""

    equal: bool
    """Both define the same addresses with the same bytes."""
    differing_bytes: int
    """Of the addresses that both define."""
    equal_bytes: int
    """Of the addresses that both define."""
    only_in_a: tuple[Span, ...]
    """Addresses that the first image alone defines."""
    only_in_b: tuple[Span, ...]
    """Addresses that the second image alone defines."""
    runs: tuple[DifferingRun, ...]
    """By address."""
    fields: tuple[FieldChange, ...]
    """By address; empty without a layout. Protected fields have no value."""
    moved: tuple[MovedBlock, ...]
    """Blocks of the first image that stand elsewhere in the second, by address in the first."""
    same_layout: SameLayout


def compare_images(
    a: Image, b: Image, *, layout: Layout | None = None, chip: Chip | None = None
) -> Difference:
    """Say all that differs between `a` and `b`; no content makes it raise.

    Args:
        a: The first image.
        b: The second image.
        layout: Names regions and fields, and says what is protected.
        chip: The memory both come from, where it is known.
    """
    changes = find_changes(a, b)
    only_in_a = subtract_spans(a.spans, b.spans)
    only_in_b = subtract_spans(b.spans, a.spans)
    differing = sum(len(span) for span in changes)
    return Difference(
        equal=not (changes or only_in_a or only_in_b),
        differing_bytes=differing,
        equal_bytes=count_addresses(intersect_spans(a.spans, b.spans)) - differing,
        only_in_a=only_in_a,
        only_in_b=only_in_b,
        runs=tuple(_run(a, b, span, region) for span, region in _by_region(changes, layout)),
        fields=() if layout is None else _field_changes(a, b, layout, changes),
        moved=find_moved_blocks(
            a,
            b,
            changed_a=union_spans([*changes, *only_in_a]),
            changed_b=union_spans([*changes, *only_in_b]),
        ),
        same_layout=_same_addresses(a, b) if layout is None else _one_layout(a, b, layout, chip),
    )


def _run(a: Image, b: Image, span: Span, region: Region | None) -> DifferingRun:
    hidden = region is not None and region.kind is RegionKind.PROTECTED
    return DifferingRun(
        span=span,
        a=None if hidden else a.read(span),
        b=None if hidden else b.read(span),
        region=None if region is None else region.name,
        kind=None if region is None else region.kind,
    )


def _by_region(
    changes: Sequence[Span], layout: Layout | None
) -> Iterator[tuple[Span, Region | None]]:
    """The changes cut at the borders of regions; both are sorted, so one pass is enough."""
    regions = () if layout is None else layout.regions
    number = 0
    for change in changes:
        start = change.start
        while start < change.end:
            while number < len(regions) and regions[number].span.end <= start:
                number += 1
            region = regions[number] if number < len(regions) else None
            if region is None:
                border = change.end
            elif start in region.span:
                border = region.span.end
            else:
                border, region = region.span.start, None
            end = min(border, change.end)
            yield Span(start, end), region
            start = end


def _field_changes(
    a: Image, b: Image, layout: Layout, changes: Sequence[Span]
) -> tuple[FieldChange, ...]:
    pairs = zip(decode_fields(layout, a), decode_fields(layout, b), strict=True)
    return tuple(
        FieldChange(name=ours.name, kind=ours.kind, span=ours.span, a=ours, b=theirs)
        for ours, theirs in pairs
        if any(ours.span.overlaps(change) for change in _near(changes, ours.span))
    )


def _near(changes: Sequence[Span], span: Span) -> Sequence[Span]:
    """The few changes that can touch `span`: the last one before it and those that start in it."""
    first = max(bisect_left(changes, span.start, key=lambda change: change.start) - 1, 0)
    end = bisect_left(changes, span.end, key=lambda change: change.start)
    return changes[first:end]


def _same_addresses(a: Image, b: Image) -> SameLayout:
    """What can be told without a layout."""
    if a.extent != b.extent:
        reason = f"They are not of one size: A is {_extent_of(a)}, B is {_extent_of(b)}."
        return SameLayout(result=Verdict.FAIL, reason=reason)
    reason = "No layout was given, and equal addresses alone do not tell."
    return SameLayout(result=Verdict.NOT_CHECKED, reason=reason)


def _extent_of(image: Image) -> str:
    extent = image.extent
    return "empty" if extent is None else format_span_with_length(extent)


def _one_layout(a: Image, b: Image, layout: Layout, chip: Chip | None) -> SameLayout:
    """Whether `layout` fits both, and whether anything in both speaks for it."""
    fits = {"A": check_fit(layout, a, chip=chip), "B": check_fit(layout, b, chip=chip)}
    against = [
        f"{name} {fault}" for name, fit in fits.items() if (fault := _misfit(fit)) is not None
    ]
    if against:
        return SameLayout(result=Verdict.FAIL, reason=f"{' and '.join(against)}.")
    silent = [name for name, fit in fits.items() if not _speaks_for(fit)]
    if silent:
        where = " and ".join(silent)
        reason = f"The size is right, but no checksum and no text in {where} speaks for the layout."
        return SameLayout(result=Verdict.NOT_CHECKED, reason=reason)
    words = "; ".join(f"{name}: {_evidence_words(fit)}" for name, fit in fits.items())
    return SameLayout(result=Verdict.PASS, reason=f"The layout fits both ({words}).")


def _misfit(fit: LayoutFit) -> str | None:
    if not fit.size_ok:
        return f"does not define exactly the layout's {format_span_with_length(fit.layout.span)}"
    if fit.chip_ok is False:
        return "is of another chip than the layout's"
    if not fit.fits:
        return "holds none of the layout's checksums"
    return None


def _speaks_for(fit: LayoutFit) -> bool:
    return fit.evidence_bits > 0 or _count_texts(fit) > 0


def _count_texts(fit: LayoutFit) -> int:
    """Decoded fields that most bytes would not be: VINs, texts, decimal digits."""
    texts = (FieldType.VIN, FieldType.ASCII, FieldType.BCD)
    return sum(
        field.state is FieldState.DECODED and field.type in texts and field.value != ""
        for field in fit.fields
    )


def _evidence_words(fit: LayoutFit) -> str:
    words = []
    if fit.checksums:
        words.append(f"{fit.checksums_right} of {len(fit.checksums)} checksums hold")
    texts = _count_texts(fit)
    if texts:
        words.append(f"{texts} text{'s' if texts > 1 else ''} read")
    return " and ".join(words)
