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

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.chip import Chip
from memtool.core.comparing.moved import MOST_BLOCKS, MovedBlock, find_moved_blocks
from memtool.core.comparing.runs_by_region import DifferingRun, DifferingRuns
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.layouts.region import FieldType, RegionKind
from memtool.core.runs import edges_of, find_change_edges
from memtool.core.span import (
    Span,
    count_addresses,
    format_span_with_length,
    intersect_spans,
    subtract_spans,
)
from memtool.lazy import late_module, np

if TYPE_CHECKING:
    from memtool.core.layouts import fields, layout_fit
    from memtool.core.layouts import layout as layouts
    from memtool.core.layouts.fields import DecodedField
    from memtool.core.layouts.layout import Layout
    from memtool.core.layouts.layout_fit import LayoutFit
    from memtool.core.records import placing
    from memtool.core.runs import Edges
else:
    fields = late_module("memtool.core.layouts.fields")
    layout_fit = late_module("memtool.core.layouts.layout_fit")
    layouts = late_module("memtool.core.layouts.layout")
    placing = late_module("memtool.core.records.placing")

__all__ = [
    "Difference",
    "DifferingRun",
    "FieldChange",
    "SameLayout",
    "compare_images",
]


class FieldChange(NamedTuple):
    """A field of the layout of which some byte differs."""

    name: str
    kind: RegionKind
    span: Span
    a: DecodedField
    """In the first image."""
    b: DecodedField
    """In the second image."""


class SameLayout(NamedTuple):
    """Whether both images follow one layout."""

    result: Verdict
    reason: str
    """What the result rests on, one sentence with full stop."""


class Difference(NamedTuple):
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
    runs: DifferingRuns
    """By address; a run is made when it is asked for."""
    fields: tuple[FieldChange, ...]
    """By address; empty without a layout. Protected fields have no value."""
    moved: tuple[MovedBlock, ...]
    """Blocks of the first image that stand elsewhere in the second, by address in the first."""
    same_layout: SameLayout

    @property
    def moved_until(self) -> int | None:
        """Address in the first image from which no moved blocks were looked for, there being so
        many before; None where all were."""
        if len(self.moved) < MOST_BLOCKS:
            return None
        return self.moved[-1].a_start + self.moved[-1].length


def compare_images(
    a: Image,
    b: Image,
    *,
    layout: Layout | None = None,
    shown: Layout | None = None,
    chip: Chip | None = None,
) -> Difference:
    """Say all that differs between `a` and `b`; no content makes it raise.

    Args:
        a: The first image.
        b: The second image.
        layout: Names regions and fields, and says what is protected.
        shown: The same with everything protected that must not be shown; `layout` if left out.
        chip: The memory both come from, where it is known.
    """
    if layout is not None:
        layout = placing.place_in_all(layout, (a, b))
    shown = layout if shown is None else placing.place_in_all(shown, (a, b))
    edges = find_change_edges(a, b)
    only_in_a = subtract_spans(a.spans, b.spans)
    only_in_b = subtract_spans(b.spans, a.spans)
    differing = int((edges[:, 1] - edges[:, 0]).sum())
    return Difference(
        equal=not (len(edges) or only_in_a or only_in_b),
        differing_bytes=differing,
        equal_bytes=count_addresses(intersect_spans(a.spans, b.spans)) - differing,
        only_in_a=only_in_a,
        only_in_b=only_in_b,
        runs=DifferingRuns(a, b, edges, shown),
        fields=() if shown is None else _field_changes(a, b, shown, edges),
        moved=find_moved_blocks(
            a,
            b,
            changed_a=_with_spans(edges, only_in_a),
            changed_b=_with_spans(edges, only_in_b),
        ),
        same_layout=_same_addresses(a, b) if layout is None else _one_layout(a, b, layout, chip),
    )


def _with_spans(edges: Edges, spans: Sequence[Span]) -> Edges:
    """The runs and the spans, which share no address, by address."""
    if not spans:
        return edges
    both = np.concatenate((edges, edges_of(spans)))
    return both[np.argsort(both[:, 0])]


def _field_changes(a: Image, b: Image, layout: Layout, edges: Edges) -> tuple[FieldChange, ...]:
    pairs = zip(layouts.decode_fields(layout, a), layouts.decode_fields(layout, b), strict=True)
    return tuple(
        FieldChange(name=ours.name, kind=ours.kind, span=ours.span, a=ours, b=theirs)
        for ours, theirs in pairs
        if _touches(edges, ours.span)
    )


def _touches(edges: Edges, span: Span) -> bool:
    """Whether a byte of `span` differs."""
    # The first run that ends behind the span's start; it touches if it begins before the end.
    first = int(edges[:, 1].searchsorted(span.start, "right"))
    return first < len(edges) and int(edges[first, 0]) < span.end


def _same_addresses(a: Image, b: Image) -> SameLayout:
    """What can be told without a layout."""
    if a.extent != b.extent:
        reason = f"They differ in size: A is {_extent_of(a)}, B is {_extent_of(b)}."
        return SameLayout(result=Verdict.FAIL, reason=reason)
    reason = "No layout was given, and equal addresses alone prove nothing."
    return SameLayout(result=Verdict.NOT_CHECKED, reason=reason)


def _extent_of(image: Image) -> str:
    extent = image.extent
    return "empty" if extent is None else format_span_with_length(extent)


def _one_layout(a: Image, b: Image, layout: Layout, chip: Chip | None) -> SameLayout:
    """Whether `layout` fits both, and whether anything in both speaks for it."""
    fits = {
        "A": layout_fit.check_fit(layout, a, chip=chip),
        "B": layout_fit.check_fit(layout, b, chip=chip),
    }
    against = [
        f"{name} {fault}" for name, fit in fits.items() if (fault := _misfit(fit)) is not None
    ]
    if against:
        return SameLayout(result=Verdict.FAIL, reason=f"{' and '.join(against)}.")
    silent = [name for name, fit in fits.items() if not _speaks_for(fit)]
    if silent:
        where = " and ".join(silent)
        reason = f"The size is right, but no checksum and no text in {where} supports the layout."
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
        field.state is fields.FieldState.DECODED and field.type in texts and field.value != ""
        for field in fit.fields
    )


def _evidence_words(fit: LayoutFit) -> str:
    words = []
    if fit.checksums:
        words.append(f"{fit.checksums_right} of {len(fit.checksums)} checksums right")
    texts = _count_texts(fit)
    if texts:
        words.append(f"{texts} text{'s' if texts > 1 else ''} readable")
    return " and ".join(words)
