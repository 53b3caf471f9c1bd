"""What must hold between the tables of a layout file.

1. A byte lies in one region at most; a checksum's stored field is a region by itself, and a
   store of records keeps its whole span.
2. No two regions, checksums or stores share a name, the regions of stores included.
3. `copy_of` names a region of the same length of content, never itself, not in a circle,
   and not a protected one unless the copy is protected too.
4. Checksums do not cover each other's fields in a circle.
"""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.checksums.checksum import ChecksumCycleError, refresh_order
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span, format_span
from memtool.formats.layout_toml.checksums import ChecksumDraft
from memtool.formats.layout_toml.faults import FaultBook
from memtool.formats.layout_toml.lines import KeyPath
from memtool.formats.layout_toml.records import RecordsDraft
from memtool.formats.layout_toml.tables import RegionDraft


def judge_together(
    regions: Sequence[RegionDraft],
    checksums: Sequence[ChecksumDraft],
    records: Sequence[RecordsDraft],
    faults: FaultBook,
) -> None:
    """Judge all tables together, as far as each of them is sound."""
    drafts: list[RegionDraft | ChecksumDraft | RecordsDraft] = [*regions, *checksums, *records]
    named = [(draft.path, draft.label, draft.name) for draft in drafts if draft.name is not None]
    named += [(path, f"region '{name}'", name) for draft in records for path, name in draft.names]
    _judge_names(named, faults)
    _judge_overlaps([*regions, *records], checksums, faults)
    _judge_copies(regions, faults)
    _judge_cycles(checksums, faults)


def _judge_names(named: Sequence[tuple[KeyPath, str, str]], faults: FaultBook) -> None:
    first: dict[str, KeyPath] = {}
    for path, label, name in named:
        place = (*path, "name")
        if not name.strip():
            faults.add(place, "layout-value", f"{label}: 'name' is blank")
        elif name in first:
            line = faults.line_of(first[name])
            faults.add(place, "layout-name-taken", f"the name '{name}' is taken by line {line}")
        first.setdefault(name, place)


def _judge_overlaps(
    regions: Sequence[RegionDraft | RecordsDraft],
    checksums: Sequence[ChecksumDraft],
    faults: FaultBook,
) -> None:
    """Each region is told against the one that reaches furthest before it."""
    taken: list[tuple[Span, KeyPath, str]] = [
        (draft.span, (*draft.path, "span"), draft.label)
        for draft in regions
        if draft.span is not None
    ]
    taken += [
        (draft.stored, (*draft.path, "stored"), draft.label)
        for draft in checksums
        if draft.stored is not None
    ]
    taken.sort(key=lambda item: item[0])
    furthest: tuple[Span, KeyPath, str] | None = None
    for item in taken:
        if furthest is not None and item[0].overlaps(furthest[0]):
            early, late = sorted((furthest, item), key=lambda one: faults.line_of(one[1]))
            text = (
                f"{late[2]} at {format_span(late[0])} overlaps {early[2]} at"
                f" {format_span(early[0])} (line {faults.line_of(early[1])})"
            )
            faults.add(late[1], "layout-overlap", text)
        if furthest is None or item[0].end > furthest[0].end:
            furthest = item


def _judge_copies(regions: Sequence[RegionDraft], faults: FaultBook) -> None:
    by_name = {draft.name: draft for draft in regions if draft.name is not None}
    for draft in regions:
        if draft.copy_of is None:
            continue
        place = (*draft.path, "copy_of")
        source = by_name.get(draft.copy_of)
        if source is None:
            meant = faults.suggest(draft.copy_of, by_name)
            text = f"{draft.label}: copy_of '{draft.copy_of}' names no region{meant}"
            faults.add(place, "layout-copy-unknown", text)
            continue
        for code, text in _copy_faults(draft, source):
            faults.add(place, code, f"{draft.label}: {text}")
    _judge_circles(by_name, faults)


def _copy_faults(draft: RegionDraft, source: RegionDraft) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    if source is draft:
        return found  # The shortest circle; told with the others.
    lengths = (draft.plain_length, source.plain_length)
    if None not in lengths and lengths[0] != lengths[1]:
        text = f"it holds {lengths[0]} bytes, but '{source.name}' holds {lengths[1]}"
        found.append(("layout-copy-length", text))
    if source.kind is RegionKind.PROTECTED and draft.kind not in (None, RegionKind.PROTECTED):
        text = f"'{source.name}' is protected, so its copy must be protected too"
        found.append(("layout-copy-protected", text))
    return found


def _judge_circles(by_name: dict[str, RegionDraft], faults: FaultBook) -> None:
    """Name each circle of copies once, at its first region in the file."""
    done: set[str] = set()
    for first in by_name:
        trail: dict[str, None] = {}
        name: str | None = first
        while name is not None and name in by_name and name not in done and name not in trail:
            trail[name] = None
            name = by_name[name].copy_of
        if name in trail:
            names = list(trail)
            circle = names[names.index(name) :]
            chain = " is a copy of ".join(f"'{part}'" for part in (*circle, name))
            text = f"regions are copies in a circle: {chain}"
            faults.add((*by_name[name].path, "copy_of"), "layout-copy-circle", text)
        done.update(trail)


def _judge_cycles(checksums: Sequence[ChecksumDraft], faults: FaultBook) -> None:
    """Name one circle of checksums; more may show when it is mended."""
    sound = [draft for draft in checksums if draft.rule is not None]
    try:
        refresh_order([draft.rule for draft in sound if draft.rule is not None])
    except ChecksumCycleError as error:
        first = next(draft for draft in sound if draft.rule and draft.rule.name in error.names)
        faults.add((*first.path, "covers"), "layout-checksum-circle", str(error).rstrip("."))
