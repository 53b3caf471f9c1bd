"""What the maker's procedure must set: the original's configuration, for the person at the tool.

1. Named by the layout: each configuration region in which the module differs from the
   original, by name and value; of named bits only those that differ.
2. Without a layout nobody knows what is configuration and what is a key: where the two differ
   is told by address and count alone.
3. Protected bytes are never told, whichever layout protects them.
4. In a store of records the newest value of a key counts, wherever it lies in each image.
5. Ticked off by a read after setup: an item holds what the original held, or it does not.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.events.kinds import LayoutNamed
from memtool.core.job.protection import find_guarded, spans_of_kind
from memtool.core.layouts.fields import DecodedField, FieldState, decode_field
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.record_rules import RecordRegion
from memtool.core.layouts.region import FieldType, Region, RegionKind
from memtool.core.records.pairing import ValuePair, pair_values
from memtool.core.runs import find_changes
from memtool.core.span import Span, intersect_spans, subtract_spans
from memtool.core.texts.known_identity import find_vins


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupItem:
    """One thing to set, or to look at after setup."""

    span: Span
    wanted: DecodedField | None
    """What the original holds there; None: no layout names it, and no value is told."""
    result: Verdict
    """Whether a read after setup holds it; `NOT_CHECKED` before there is one."""

    @property
    def name(self) -> str | None:
        """What the layout calls it; None without a layout."""
        return None if self.wanted is None else self.wanted.name


def find_setup(
    original: Image,
    module: Image,
    layout: Layout | None,
    *,
    finished: Image | None = None,
    not_read: Iterable[Span] = (),
    hidden: Iterable[Span] = (),
) -> tuple[SetupItem, ...]:
    """List what differs between the original and what the module holds before its setup.

    Args:
        original: Of the failed module; its configuration is the vehicle's.
        module: What the other module holds before setup.
        layout: None: by address alone.
        finished: A read after setup; None: nothing is ticked off.
        not_read: Areas of which nothing is known.
        hidden: What any layout of the job protects; see `find_protected`.

    Returns:
        By address; empty where nothing differs.
    """
    hidden = tuple(hidden)
    changed = subtract_spans(find_changes(original, module), (*not_read, *hidden))
    if layout is None:
        vins = [vin.span for image in (original, module) for vin in find_vins(image)]
        return tuple(
            SetupItem(span=span, wanted=None, result=_tick(original, finished, span))
            for span in subtract_spans(changed, vins)
        )
    flat = (
        SetupItem(
            span=region.span,
            wanted=None
            if intersect_spans([region.span], hidden)
            else _wanted(region, original, module, layout.erased),
            result=_tick(original, finished, region.span),
        )
        for region in layout.regions_of(RegionKind.CONFIGURATION)
        if intersect_spans(changed, [region.span]) and original.covers(region.span)
    )
    stored = _find_in_records(original, module, layout, finished, hidden)
    return tuple(sorted((*flat, *stored), key=lambda item: item.span))


def _find_in_records(
    original: Image,
    module: Image,
    layout: Layout,
    finished: Image | None,
    hidden: Sequence[Span],
) -> Iterator[SetupItem]:
    """Configuration in stores of records; the span is that of the original's newest value."""
    after: dict[RecordRegion, ValuePair] = {}
    if finished is not None:
        pairs = pair_values(layout, original, finished, RegionKind.CONFIGURATION)
        after = {pair.described: pair for pair in pairs}
    for pair in pair_values(layout, original, module, RegionKind.CONFIGURATION):
        if pair.is_equal or pair.first is None:
            continue
        value, result = pair.first, Verdict.NOT_CHECKED
        if pair.described in after:
            result = Verdict.PASS if after[pair.described].is_equal else Verdict.DECIDE
        wanted = value.field
        if wanted is None:
            wanted = _bytes_field(pair.described.region, value.spans[0], value.raw)
        elif isinstance(wanted.value, tuple):
            held = pair.second.field if pair.second is not None else None
            wanted = _differing_bits(wanted, held) or _bytes_field(
                pair.described.region, value.spans[0], value.raw
            )
        is_hidden = bool(intersect_spans(value.spans, hidden))
        yield SetupItem(span=value.spans[0], wanted=None if is_hidden else wanted, result=result)


def find_protected(named: Iterable[LayoutNamed], memory: str | None) -> tuple[Span, ...]:
    """What the layouts that were named for a memory protect: keys, mileage, crash data."""
    here = [each for each in named if memory is None or each.memory in (None, memory)]
    return spans_of_kind(find_guarded(here), RegionKind.PROTECTED)


def _wanted(region: Region, original: Image, module: Image, erased: int) -> DecodedField:
    """What the original holds in a region that differs."""
    wanted = decode_field(region, original.read(region.span), erased=erased)
    if wanted is None:
        return _as_bytes(region, original)
    if not isinstance(wanted.value, tuple):
        return wanted
    raw = module.read(region.span) if module.covers(region.span) else None
    # Other bits of the same bytes differ: the bytes tell what no name does.
    held = decode_field(region, raw, erased=erased)
    return _differing_bits(wanted, held) or _as_bytes(region, original)


def _differing_bits(wanted: DecodedField, held: DecodedField | None) -> DecodedField | None:
    """The named bits alone that differ; None where none of them does."""
    if not isinstance(wanted.value, tuple):
        return None
    known = held.value if held is not None and isinstance(held.value, tuple) else ()
    differing = tuple(bit for bit in wanted.value if bit not in known)
    return replace(wanted, value=differing) if differing else None


def _as_bytes(region: Region, image: Image) -> DecodedField:
    return _bytes_field(region, region.span, image.read(region.span))


def _bytes_field(region: Region, span: Span, raw: bytes) -> DecodedField:
    return DecodedField(
        name=region.name,
        kind=region.kind,
        span=span,
        value=raw.hex(),
        type=FieldType.BYTES,
        state=FieldState.DECODED,
    )


def _tick(original: Image, finished: Image | None, span: Span) -> Verdict:
    if finished is None or not (original.covers(span) and finished.covers(span)):
        return Verdict.NOT_CHECKED
    return Verdict.PASS if original.read(span) == finished.read(span) else Verdict.DECIDE
