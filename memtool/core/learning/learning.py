"""A finished job's images side by side: what the maker's procedure wrote, and what follows.

One job is one vehicle: what it shows is evidence, and a person reviews every change.
"""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.layouts.region import RegionKind
from memtool.core.learning.flat import PROCEDURE_KINDS, FlatWriting
from memtool.core.learning.learned import Ended, Learned, Warned, WarningCode, WrittenPlace
from memtool.core.learning.proposing import propose
from memtool.core.learning.stored import StoreWriting
from memtool.core.span import count_addresses


def learn(ended: Ended) -> Learned:
    """Compare the file to program with the finished module; both define the same addresses."""
    flat = FlatWriting(
        ended.layout,
        before=ended.before,
        blanked=ended.blanked,
        finished=ended.finished,
        original=ended.original,
        hidden=ended.hidden,
    )
    stores = [
        StoreWriting(
            ended.layout,
            rules,
            blanked=ended.blanked,
            finished=ended.finished,
            original=ended.original,
            hidden=ended.hidden,
        )
        for rules in ended.layout.records
    ]
    in_flat = tuple(flat.written())
    written = (*in_flat, *(place for store in stores for place in store.written()))
    unexplained = (*flat.unexplained(), *(each for store in stores for each in store.unexplained()))
    return Learned(
        written=_by_address(written),
        unexplained=_by_address(unexplained),
        checksums=(*flat.checksums(), *(each for store in stores for each in store.checksums())),
        still_blank=_by_address(
            (*flat.still_blank(), *(e for store in stores for e in store.still_blank(ended.before)))
        ),
        warnings=(
            *flat.warnings(in_flat, ended.kept),
            *(each for store in stores for each in _warn_of_store(store, ended)),
        ),
        proposals=tuple(propose(ended, written, unexplained, stores)),
        changed=count_addresses((*flat.changed, *(s for store in stores for s in store.changed))),
        has_original=ended.original is not None,
    )


def _by_address(places: tuple[WrittenPlace, ...]) -> tuple[WrittenPlace, ...]:
    return tuple(sorted(places, key=lambda place: place.spans))


def _warn_of_store(store: StoreWriting, ended: Ended) -> Iterator[Warned]:
    for place in store.still_blank(ended.before):
        if place.kind is not RegionKind.VEHICLE_IDENTITY:
            yield Warned(code=WarningCode.STILL_BLANK, place=place)
    for place in store.came_back(ended.before):
        if place.kind is not RegionKind.STATE:
            yield Warned(code=WarningCode.CAME_BACK, place=place)
    for place in store.written():
        if place.kind not in PROCEDURE_KINDS:
            yield Warned(code=WarningCode.REWRITTEN, place=place)
