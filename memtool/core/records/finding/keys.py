"""Which columns of records are their key, their number, their mark.

The modules of one family use the same keys and hold other values under them: columns belong to
the key as long as what they hold together occurs in all modules. Of one module alone its
first half is told against its second one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.layouts.record_place import Place
from memtool.core.layouts.region import FieldType
from memtool.core.records.finding.rows import distinct
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.records.finding.rows import Bytes

_ALIKE = 0.6
"""Share of keys that two modules have in common at least."""
_SATED = 0.98
"""Where chance alone makes so much, more says nothing."""
_KEPT = 0.85
"""Of that share, what another column may leave of it."""
_MOST_ROWS = 3000
_STEADY = 0.95
"""Share of records whose number is a small step above the one before."""
_INTEGERS = (
    (4, FieldType.U32LE, "<u4"),
    (4, FieldType.U32BE, ">u4"),
    (2, FieldType.U16LE, "<u2"),
    (2, FieldType.U16BE, ">u2"),
    (1, FieldType.U8, "u1"),
)


class KeyColumns(NamedTuple):
    """The columns of a key."""

    columns: tuple[int, ...]
    alike: float
    """Share of keys in common."""
    keys: int
    """Different ones in the module that has most."""


def find_key(modules: Sequence[Bytes], *, without: Sequence[int]) -> KeyColumns | None:
    """The key's columns; None where no column repeats and occurs in all modules.

    Args:
        modules: The records' first rows, one array for each module; of one module, its halves.
        without: Columns that are something else.
    """
    samples = [rows[:_MOST_ROWS] for rows in modules if len(rows)]
    if len(samples) == 1:
        half = len(samples[0]) // 2
        samples = [samples[0][:half], samples[0][half:]]
    if len(samples) < 2 or min(map(len, samples)) < 2:
        return None
    size = samples[0].shape[1]
    together = np.concatenate(samples)
    left = [
        column
        for column in range(size)
        if column not in without and len(distinct(together[:, column])) > 1
    ]
    chosen: list[int] = []
    alike = 1.0
    while left:
        # Most in common, then most different keys, then the first column: hence the minus.
        trials = [(*_measure(samples, [*chosen, column]), -column) for column in left]
        share, count, place = max(trials)
        if share < _ALIKE or share < _KEPT * alike:
            break
        chosen.append(-place)
        left.remove(-place)
        alike = share
    if not chosen:
        return None
    alike, count = _measure(samples, chosen)
    return KeyColumns(tuple(sorted(chosen)), alike, count)


def _measure(samples: Sequence[Bytes], columns: Sequence[int]) -> tuple[float, int]:
    """How far the columns hold the same in all modules, and how many different values.

    0 is what data without a meaning would have in common, 1 is everything: in a large store a byte
    of any content takes all its values in every module.
    """
    # One item a row, as bytes.
    kind = f"V{len(columns)}"
    sets = [
        set(np.ascontiguousarray(sample[:, list(columns)]).view(kind).ravel().tolist())
        for sample in samples
    ]
    others = {row[:-1] for held in sets for row in held}
    # The last column is the one that is tried: any byte, under each key so far.
    possible = 256 * len(others)
    shares = [
        _beyond_chance(one, other, possible)
        for number, one in enumerate(sets)
        for other in sets[number + 1 :]
    ]
    return sum(shares) / len(shares), max(map(len, sets))


def _beyond_chance(one: set[bytes], other: set[bytes], possible: int) -> float:
    """Jaccard's index (what both have, of what either has), less what chance makes of it."""
    index = len(one & other) / len(one | other)
    both = len(one) * len(other) / possible
    expected = both / (len(one) + len(other) - both)
    return 0.0 if expected >= _SATED else max(0.0, (index - expected) / (1 - expected))


def find_number(modules: Sequence[Bytes], *, without: Sequence[int]) -> Place | None:
    """A number that grows by small steps from record to record; None where none does."""
    rows = max(modules, key=len)
    for size, kind, dtype in _INTEGERS:
        for at in range(rows.shape[1] - size + 1):
            if any(column in without for column in range(at, at + size)):
                continue
            numbers = np.ascontiguousarray(rows[:, at : at + size]).view(dtype)[:, 0]
            # Modulo the number's range, so that a wrap is a small step as well.
            steps = np.mod(np.diff(numbers.astype(np.int64)), 1 << 8 * size)
            if len(steps) >= 8 and float(((steps >= 1) & (steps <= 4)).mean()) >= _STEADY:
                return _narrowed(rows, at, size, kind)
    return None


def _narrowed(rows: Bytes, at: int, size: int, kind: FieldType) -> Place:
    """Without bytes at its upper end that never change: they may be something else."""
    fixed = [len(distinct(rows[:, column])) == 1 for column in range(at, at + size)]
    little = kind.value.endswith("le") or size == 1
    # The upper end is the last byte, or with the high byte first the first one: then the place
    # moves.
    while size > 1 and fixed[size - 1 if little else 0]:
        size -= 1
        if not little:
            at, fixed = at + 1, fixed[1:]
    names = {1: "u8", 2: "u16", 3: "u24", 4: "u32"}
    order = "" if size == 1 else ("le" if little else "be")
    return Place(at=at, type=FieldType(names[size] + order), size=size)


def find_mark(rows: Bytes, keys: Sequence[bytes], *, without: Sequence[int]) -> Place | None:
    """A byte that the last record of every key has alike, and some older one otherwise."""
    last = {key: number for number, key in enumerate(keys)}
    # The last row of every key.
    newest = rows[sorted(last.values())]
    for column in range(rows.shape[1]):
        if column in without:
            continue
        held = distinct(rows[:, column])
        if 2 <= len(held) <= 3 and len(distinct(newest[:, column])) == 1:
            return Place(at=column, type=FieldType.U8, size=1)
    return None
