"""What the maker's procedure wrote into a store of records: told by key, not by address.

1. A key was written where its value in force is another one than in the file to program. A
   record written again with the same value, as when a full page is copied over, says nothing.
2. Of a record the parts that regions describe are told by these, and the rest of its value by
   the key: key, length, mark, number and checksums belong to the store.
3. A value is the original's where the original's value in force of the same key is the same;
   a longer or shorter one is not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.record_rules import Key, RecordRules
from memtool.core.layouts.region import RegionKind
from memtool.core.learning.learned import MovedChecksums, WrittenPlace
from memtool.core.records.pairing import ValuePair, pair_values
from memtool.core.records.reading import read_store
from memtool.core.records.store import RecordStore, StoredRecord
from memtool.core.runs import find_changes
from memtool.core.span import Span, count_addresses, intersect_spans, subtract_spans, union_spans


@dataclass(frozen=True, slots=True)
class _Rest:
    """What no region describes of the record in force of a key."""

    record: StoredRecord
    spans: tuple[Span, ...]
    raw: bytes


class StoreWriting:
    """One store of records of one memory, before and after the procedure."""

    def __init__(
        self,
        layout: Layout,
        rules: RecordRules,
        *,
        blanked: Image,
        finished: Image,
        original: Image | None,
        hidden: Sequence[Span],
    ) -> None:
        """Read the store in each image; `hidden` is what any layout of the job protects."""
        self.rules = rules
        self._layout = layout
        self._images = blanked, finished
        self._original = original
        self._hidden = union_spans(hidden)
        self._stores = [
            None if image is None else read_store(image, rules, erased=layout.erased)
            for image in (blanked, finished, original)
        ]
        self.changed = intersect_spans(find_changes(blanked, finished), [rules.span])

    def _pairs(self, first: Image, second: Image) -> dict[str, ValuePair]:
        own = set(self.rules.regions)
        pairs = pair_values(self._layout, first, second, *RegionKind)
        return {pair.name: pair for pair in pairs if pair.described in own}

    def written(self) -> Iterator[WrittenPlace]:
        """Each region whose value in force is another one now."""
        blanked, finished = self._images
        after = self._pairs(blanked, finished)
        like = {} if self._original is None else self._pairs(self._original, finished)
        for name, pair in after.items():
            if pair.is_equal or pair.second is None:
                continue
            count = len(pair.second.raw)
            kind = pair.described.region.kind
            if intersect_spans(pair.second.spans, self._hidden):
                kind = RegionKind.PROTECTED
            equal = None
            if name in like and kind is not RegionKind.PROTECTED:
                equal = max(0, count - like[name].differing)
            yield WrittenPlace(
                name=name,
                kind=kind,
                spans=pair.second.spans,
                count=count,
                as_original=equal,
                store=self.rules.name,
            )

    def still_blank(self, before: Image) -> Iterator[WrittenPlace]:
        """Each region whose value in force was blanked and is blank still."""
        blanked, finished = self._images
        edited = self._pairs(before, blanked)
        for name, pair in self._pairs(blanked, finished).items():
            if edited[name].is_equal or not pair.is_equal or pair.second is None:
                continue
            yield self._told(name, pair)

    def came_back(self, before: Image) -> Iterator[WrittenPlace]:
        """Each region whose value in force was blanked and is the donor's again."""
        blanked, finished = self._images
        edited = self._pairs(before, blanked)
        for name, pair in self._pairs(before, finished).items():
            if not edited[name].is_equal and pair.is_equal and pair.second is not None:
                yield self._told(name, pair)

    def _told(self, name: str, pair: ValuePair) -> WrittenPlace:
        return WrittenPlace(
            name=name,
            kind=pair.described.region.kind,
            spans=pair.spans,
            count=count_addresses(pair.spans),
            as_original=None,
            store=self.rules.name,
        )

    def unexplained(self) -> Iterator[WrittenPlace]:
        """Each key of whose value in force no region describes what changed."""
        blanked, finished, original = (
            {} if store is None or image is None else self._rests(store, image)
            for store, image in zip(self._stores, (*self._images, self._original), strict=True)
        )
        for key, rest in finished.items():
            if key in blanked and blanked[key].raw == rest.raw:
                continue
            is_secret = bool(intersect_spans(rest.spans, self._hidden))
            equal = None
            if self._original is not None and not is_secret:
                equal = len(rest.raw) if key in original and original[key].raw == rest.raw else 0
            yield WrittenPlace(
                name=None,
                kind=RegionKind.PROTECTED if is_secret else None,
                spans=rest.spans,
                count=len(rest.raw),
                as_original=equal,
                store=self.rules.name,
                key=key,
            )

    def record_of(self, key: Key) -> StoredRecord | None:
        """The record in force of a key in the finished module."""
        store = self._stores[1]
        newest = () if store is None else store.newest
        return next((record for record in newest if record.key == key), None)

    def checksums(self) -> Iterator[MovedChecksums]:
        """All checksums of new records and of pages whose field changed."""
        store = self._stores[1]
        moved = [
            checksum
            for checksum in (() if store is None else store.checksums)
            if intersect_spans(self.changed, [checksum.stored])
        ]
        if moved:
            yield MovedChecksums(
                name=self.rules.name,
                is_store=True,
                count=len(moved),
                holding=sum(checksum.holds for checksum in moved),
                spans=tuple(checksum.stored for checksum in moved),
            )

    def _rests(self, store: RecordStore, image: Image) -> dict[Key, _Rest]:
        found = {}
        for record in store.newest:
            spans = subtract_spans(self._value_of(record), self._described(record))
            if spans:
                raw = b"".join(image.read(span) for span in spans)
                found[record.key] = _Rest(record, spans, raw)
        return found

    def _value_of(self, record: StoredRecord) -> tuple[Span, ...]:
        """Rule 2: the record's value, or all that is not the store's own."""
        if record.value is not None:
            return (record.value,)
        rules, start = self.rules, record.span.start
        places = [*rules.key]
        places += [rules.newest.place] if rules.newest.place else []
        places += [rules.mark.place] if rules.mark else []
        places += [rules.length.place] if rules.length else []
        own = [Span(start + place.at, start + place.at + place.size) for place in places]
        return subtract_spans([record.span], [*own, *(each.stored for each in record.checksums)])

    def _described(self, record: StoredRecord) -> Iterator[Span]:
        for described in self.rules.regions:
            for key in described.keys:
                # A layout may name the first parts of a key only: it then means all records that
                # begin so.
                if record.key[: len(key)] != key:
                    continue
                if len(described.keys) > 1:
                    yield record.span
                else:
                    span, start = described.region.span, record.span.start
                    yield Span(start + span.start, start + span.end)
