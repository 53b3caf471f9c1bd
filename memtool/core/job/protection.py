"""What no blanking may touch: protected and module-identity regions, by whatever layout.

1. Every layout that was ever named in the job protects its regions of these kinds, whichever
   layout the blanking goes by, and also where it goes by a VIN alone.
2. A draft that nobody has reviewed protects too, until a reviewed layout for the same
   addresses is named after it.
3. A module-identity region leaves protection only where a person has reviewed that very
   region and gave a name and a reason. A protected region never does: keys, immobiliser
   secrets, odometer and crash data lie there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from memtool.core.image import Image
from memtool.core.job.events.kinds import LayoutNamed, NamedRegion
from memtool.core.layouts.layout import Layout, ModuleKind
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.span import Span, intersect_spans, subtract_spans, union_spans

UNTOUCHED_KINDS = (RegionKind.PROTECTED, RegionKind.MODULE_IDENTITY)
"""What no plan may touch."""
_RECORDED_KINDS = (*UNTOUCHED_KINDS, RegionKind.VEHICLE_IDENTITY)
NOT_YET = 1 << 62
"""Stands for the number of an entry that is still to come."""
_SHORTEST_MASKED = 2
"""Bytes. A single byte is always the same throughout."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Guarded:
    """One region that is not to be touched, and the layout that says so."""

    region: NamedRegion
    layout: str
    """The layout's name."""

    @property
    def span(self) -> Span:
        """Its addresses."""
        return self.region.span


def name_layout(layout: Layout, *, sha256: str, memory: str | None, number: int = 0) -> LayoutNamed:
    """The event that tells that a layout was named in the job, with what it guards.

    Args:
        layout: As it was read.
        sha256: Digest of its file.
        memory: The memory that it was named for; None: every one.
        number: Of the entry, where the event is not made to be written.
    """
    return LayoutNamed(
        memory=memory,
        number=number,
        name=layout.name,
        sha256=sha256,
        module=layout.module,
        reviewed=layout.reviewed,
        span=layout.span,
        regions=tuple(
            NamedRegion(name=region.name, span=region.span, kind=region.kind)
            for region in layout.regions_of(*_RECORDED_KINDS)
        ),
    )


def find_guarded(
    named: Sequence[LayoutNamed], *, released: Iterable[Span] = ()
) -> tuple[Guarded, ...]:
    """Every region of one memory that is not to be touched, by address; equal ones once.

    Args:
        named: All layouts that the job ever named for this memory.
        released: Module-identity regions that a person has reviewed and let go.
    """
    free = frozenset(released)
    found: dict[tuple[Span, RegionKind], Guarded] = {}
    for each in named:
        if _is_replaced(each, named):
            continue
        for region in each.regions:
            if region.kind not in UNTOUCHED_KINDS:
                continue
            # That very region: a release of a part, or of something around it, does not count.
            if region.kind is RegionKind.MODULE_IDENTITY and region.span in free:
                continue
            key = (region.span, region.kind)
            # The first layout that said so is the one that is named.
            found.setdefault(key, Guarded(region=region, layout=each.name))
    return tuple(found[key] for key in sorted(found))


def hide_guarded(layout: Layout | None, guarded: Iterable[Guarded]) -> Layout | None:
    """The layout to show an image by: what any layout protects is protected in it.

    A region is hidden as a whole, a checksum whose field lies there is left out. It is for
    showing alone: what holds is judged by the layout as it is.

    Args:
        layout: The one that is used; None: there is none.
        guarded: What the job guards in this memory.

    Returns:
        None where there is neither a layout nor a protected region.
    """
    hidden = [each for each in guarded if each.region.kind is RegionKind.PROTECTED]
    if not hidden:
        return layout
    spans = union_spans(each.span for each in hidden)
    if layout is None:
        # There is nothing to show it by: an empty layout that holds only what is hidden.
        layout = Layout(
            name="",
            chip="",
            base=spans[0].start,
            size=spans[-1].end - spans[0].start,
            module=ModuleKind.OTHER,
        )
    regions = [
        region._replace(kind=RegionKind.PROTECTED, copy_of=None, blank_to=None)
        if intersect_spans([region.span], spans)
        else region
        for region in layout.regions
    ]
    for each in hidden:
        taken = [region.span for region in regions]
        regions += [
            Region(name=each.region.name, span=span, kind=RegionKind.PROTECTED)
            # What no region of the layout covers: regions may not overlap.
            for span in subtract_spans([each.span], taken)
        ]
    rules = (rule for rule in layout.checksums if not intersect_spans([rule.stored], spans))
    return replace(layout, regions=tuple(regions), checksums=tuple(rules))


def spans_of_kind(guarded: Iterable[Guarded], kind: RegionKind) -> tuple[Span, ...]:
    """The addresses of the regions of that kind."""
    return tuple(each.span for each in guarded if each.region.kind is kind)


def find_masked(
    image: Image, guarded: Iterable[Guarded], settled: Sequence[Span] = ()
) -> tuple[Guarded, ...]:
    """Protected regions that hold one value throughout, as a memory reads that was masked.

    A boot loader that hides an area gives FF or 00 for it. Such a region may be empty, or
    the most precious part of the module: the bytes cannot tell.

    Args:
        image: The donor's.
        guarded: Only the protected ones among them are looked at.
        settled: What was declared as not read, read by a second method, or decided by a
            person to be really empty.
    """
    found = []
    for each in guarded:
        if each.region.kind is not RegionKind.PROTECTED or len(each.span) < _SHORTEST_MASKED:
            continue
        # What nobody has answered for yet; a region settled in part is judged by the rest.
        open_spans = subtract_spans(intersect_spans([each.span], image.spans), settled)
        held = b"".join(image.read(span) for span in open_spans)
        if held and len(set(held)) == 1:
            found.append(each)
    return tuple(found)


def _is_replaced(each: LayoutNamed, named: Sequence[LayoutNamed]) -> bool:
    """Whether this is a draft whose review is there."""
    return not each.reviewed and any(
        # A draft named after the review guards again: it may know more.
        other.reviewed and other.number > each.number and other.span == each.span
        for other in named
    )
