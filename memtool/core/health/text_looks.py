"""How the texts of an image look, in the read itself and in every other view: worked out once.

A read is judged when its order is asked for, when it is kept and when it is shown. Its bytes are
the same each time; only what is known besides differs.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.health.readable import (
    SHORTEST_RUN,
    TextSigns,
    count_common_pairs,
    find_padded_vins,
    find_text_runs,
    find_text_signs,
    text_table,
)
from memtool.core.health.views import OtherView
from memtool.core.image import Image
from memtool.core.runs import defined_bytes
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.health.readable import PairCounts
    from memtool.core.runs import Bytes

_LONGEST_LOOK = 1 << 20
"""Bytes from the start in which texts are looked for; order is wrong everywhere or nowhere."""


class TextLook(NamedTuple):
    """What some bytes show as text."""

    signs: TextSigns
    has_vin: bool
    """Whether a VIN stands in them that holds as evidence in one of many views."""


class TextLooks:
    """The looks of one image, each worked out when it is first asked for."""

    def __init__(self, data: Bytes) -> None:
        """Take all defined bytes of the image."""
        self._data = data[:_LONGEST_LOOK]
        self._pair_counts: PairCounts | None = None
        self._run_counts: dict[bytes, int] = {}
        self._looks: dict[Callable[[Bytes], Bytes | None] | None, TextLook | None] = {}

    def plain(self) -> TextLook:
        """Of the read as it is."""
        look = self._look(None, lambda: self._data)
        assert look is not None
        return look

    def through(self, view: OtherView) -> TextLook | None:
        """Of a view; None where the bytes do not divide into its words."""
        return self._look(view.make, lambda: view.make(self._data))

    def has_fewer_common_pairs(self, table: Bytes, count: int) -> bool:
        """Whether a view by a table has fewer than so many, where that is told without a look.

        Its signs count no pairs but those of neighbours, and one where two runs of text meet.
        """
        if self._pair_counts is None:
            pairs = self._data[:-1].astype(np.uint16) << 8 | self._data[1:]
            self._pair_counts = np.bincount(pairs, minlength=1 << 16).reshape(256, 256)
        most = count_common_pairs(self._pair_counts, table)
        # A run has eight characters, and behind each but the last stands a byte that is no text.
        is_text = text_table()[table]
        behind_text = self._pair_counts[is_text]
        runs = min(int(behind_text.sum()) // SHORTEST_RUN, int(behind_text[:, ~is_text].sum()))
        if most + runs < count:
            return True
        return most + self._count_runs(table) < count

    def _count_runs(self, table: Bytes) -> int:
        """How many runs of text a view by a table has."""
        name = table.tobytes()
        if name not in self._run_counts:
            self._run_counts[name] = len(find_text_runs(self._data.tobytes(), table))
        return self._run_counts[name]

    def content(self, view: OtherView | None = None) -> bytes:
        """The bytes of a view that can be made, or of the read as it is."""
        seen = self._data if view is None else view.make(self._data)
        return b"" if seen is None else seen.tobytes()

    def _look(
        self, name: Callable[[Bytes], Bytes | None] | None, make: Callable[[], Bytes | None]
    ) -> TextLook | None:
        if name not in self._looks:
            seen = make()
            self._looks[name] = None if seen is None else _look_at(seen.tobytes())
        return self._looks[name]


def _look_at(content: bytes) -> TextLook:
    runs = find_text_runs(content)
    return TextLook(
        signs=find_text_signs(content, runs), has_vin=bool(find_padded_vins(content, runs))
    )


@lru_cache(maxsize=4)
def text_looks_of(image: Image) -> TextLooks:
    """The looks of an image, kept for the last images: one command asks for them many times."""
    return TextLooks(defined_bytes(image))
