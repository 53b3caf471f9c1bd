"""One run of bytes that a blanking changes, and a span that a person keeps from it.

Of a large region there are tens of thousands of runs: `Edits` holds them as columns, their
bytes joined, and makes each `Edit` where it is asked for.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import accumulate
from operator import le, lt, sub
from typing import TYPE_CHECKING, Any, NamedTuple, Self, TypeAlias, overload

from memtool.core.job.packed_bytes import PackedBytes, pack_bytes, unpack_bytes
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span, intersect_spans, spans_between, union_spans
from memtool.lazy import pydantic_core

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler
    from pydantic_core import CoreSchema

_ONE_BY_ONE = 256
"""So many edits at most are written as objects, which people read; more as columns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """One run of bytes to change.

    Raises:
        ValueError: the bytes that go or come are not as many as the addresses.
    """

    span: Span
    old: bytes
    new: bytes
    """As many bytes as `span` has addresses."""
    reason: str
    """What lies there and why it changes, in words."""
    kind: RegionKind
    """Of the region that it lies in; ``checksum`` for a checksum's own field."""

    def __post_init__(self) -> None:
        if not len(self.old) == len(self.new) == len(self.span):
            raise ValueError(f"an edit of {self.span} has other numbers of bytes")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSpan:
    """A span that a person chose to keep, with the reason."""

    span: Span
    reason: str


class Reason(NamedTuple):
    """Why a byte changes."""

    text: str
    kind: RegionKind


_Row: TypeAlias = tuple[int, int, int, slice]
"""First address, first behind it, place in `Edits.reasons`, place in its joined bytes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edits(Sequence[Edit]):
    """Edits by address, none over another.

    Raises:
        ValueError: they are not in that order, or a column has another length.
    """

    edges: tuple[int, ...] = ()
    """Of each edit the first address and the first behind it, one after the other."""
    numbers: tuple[int, ...] = ()
    """Of each edit its place in `reasons`."""
    reasons: tuple[Reason, ...] = ()
    old: bytes = b""
    """The bytes that go, of all edits."""
    new: bytes = b""
    """The bytes that come."""

    def __post_init__(self) -> None:
        starts, ends = self.edges[::2], self.edges[1::2]
        if not (
            len(starts) == len(ends) == len(self.numbers)
            and len(self.old) == len(self.new) == sum(ends) - sum(starts)
            and all(map(lt, starts, ends))
            and all(map(le, ends, starts[1:]))
            and (not starts or starts[0] >= 0)
            and set(self.numbers) <= set(range(len(self.reasons)))
        ):
            raise ValueError("the edits are not by address, or do not fit their bytes")

    @classmethod
    def of(cls, edits: Iterable[Edit]) -> Self:
        """The same edits, given by address.

        Raises:
            ValueError: as for the class.
        """
        given = tuple(edits)
        places: dict[Reason, int] = {}
        numbers = [places.setdefault(Reason(edit.reason, edit.kind), len(places)) for edit in given]
        return cls(
            edges=tuple(edge for edit in given for edge in (edit.span.start, edit.span.end)),
            numbers=tuple(numbers),
            reasons=tuple(places),
            old=b"".join(edit.old for edit in given),
            new=b"".join(edit.new for edit in given),
        )

    @property
    def size(self) -> int:
        """How many bytes change."""
        return len(self.new)

    @property
    def spans(self) -> tuple[Span, ...]:
        """The addresses that change: sorted, disjoint, neighbours joined."""
        return _joined(self.edges)

    def __len__(self) -> int:
        return len(self.numbers)

    def __iter__(self) -> Iterator[Edit]:
        return map(self._edit, self._rows())

    @overload
    def __getitem__(self, index: int) -> Edit: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[Edit, ...]: ...
    def __getitem__(self, index: int | slice) -> Edit | tuple[Edit, ...]:
        return tuple(self)[index]

    def pieces(self) -> Iterator[tuple[int, int, bytes, bytes]]:
        """Of each edit the first address, the first behind it, the bytes that go and that come."""
        for start, end, _, own in self._rows():
            yield start, end, self.old[own], self.new[own]

    def new_pieces(self) -> Iterator[tuple[int, bytes]]:
        """Of each edit the first address and the bytes that come."""
        edges, place = iter(self.edges), 0
        for start, end in zip(edges, edges, strict=True):
            after = place + end - start
            yield start, self.new[place:after]
            place = after

    def of_kinds(self, *kinds: RegionKind) -> tuple[Edit, ...]:
        """Those in regions of one of these kinds."""
        wanted = {at for at, reason in enumerate(self.reasons) if reason.kind in kinds}
        if wanted.isdisjoint(self.numbers):
            return ()
        return tuple(self._edit(row) for row in self._rows() if row[2] in wanted)

    def told_reasons(self) -> tuple[str, ...]:
        """Why they change, each reason once, by address."""
        return tuple(dict.fromkeys(self.reasons[at].text for at in dict.fromkeys(self.numbers)))

    def hiding(self, spans: Iterable[Span]) -> Self:
        """The same edits, with zeros for the bytes that go from `spans`."""
        old = bytearray(self.old)
        starts, ends = self.edges[::2], self.edges[1::2]
        # Of each edit how many bytes all those before it have.
        before = tuple(accumulate(map(sub, ends, starts), initial=0))
        for span in intersect_spans(self.spans, spans):
            number = bisect_right(starts, span.start) - 1
            # Edits side by side are one span here, and their bytes lie side by side as well.
            first = before[number] + span.start - starts[number]
            old[first : first + len(span)] = bytes(len(span))
        return replace(self, old=bytes(old))

    def _edit(self, row: _Row) -> Edit:
        start, end, number, own = row
        reason, kind = self.reasons[number]
        return Edit(
            span=Span(start, end), old=self.old[own], new=self.new[own], reason=reason, kind=kind
        )

    def _rows(self) -> Iterator[_Row]:
        """Of each edit what tells it."""
        edges = iter(self.edges)
        place = 0
        for start, end, number in zip(edges, edges, self.numbers, strict=True):
            after = place + end - start
            yield start, end, number, slice(place, after)
            place = after

    @classmethod
    def __get_pydantic_core_schema__(
        cls, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """How the journal's facts hold them: one by one, or as `_Columns`."""
        schema = pydantic_core.core_schema
        few = handler.generate_schema(tuple[Edit, ...])
        many = handler.generate_schema(_Columns)
        return schema.union_schema(
            [
                (schema.no_info_after_validator_function(cls.of, few), "one-by-one"),
                (schema.no_info_after_validator_function(_unpack, many), "columns"),
            ],
            mode="left_to_right",
            serialization=schema.plain_serializer_function_ser_schema(_to_facts),
        )


# Each rule of the gate asks for them.
@lru_cache(maxsize=2)
def _joined(edges: tuple[int, ...]) -> tuple[Span, ...]:
    return union_spans(spans_between(edges))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Columns:
    """`Edits` as JSON values."""

    edges: tuple[int, ...]
    numbers: tuple[int, ...]
    reasons: tuple[tuple[str, RegionKind], ...]
    old: PackedBytes
    new: PackedBytes


def _to_facts(edits: Edits) -> list[dict[str, Any]] | dict[str, Any]:
    if len(edits) > _ONE_BY_ONE:
        return {
            "edges": edits.edges,
            "numbers": edits.numbers,
            "reasons": edits.reasons,
            "old": pack_bytes(edits.old),
            "new": pack_bytes(edits.new),
        }
    return [
        {
            "span": {"start": edit.span.start, "end": edit.span.end},
            "old": edit.old.hex(),
            "new": edit.new.hex(),
            "reason": edit.reason,
            "kind": edit.kind,
        }
        for edit in edits
    ]


def _unpack(columns: _Columns) -> Edits:
    size = sum(columns.edges[1::2]) - sum(columns.edges[::2])
    return Edits(
        edges=columns.edges,
        numbers=columns.numbers,
        reasons=tuple(Reason(text, kind) for text, kind in columns.reasons),
        old=unpack_bytes(columns.old, size),
        new=unpack_bytes(columns.new, size),
    )
