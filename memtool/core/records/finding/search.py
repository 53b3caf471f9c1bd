"""Finds stores of records in images of unknown layout.

1. Rows: the distances after which bytes are alike give record sizes; each is tried with the
   headers that pages have.
2. Proof: a checksum that the rows carry; or, without one, keys that all modules have in common
   and that are written again and again.
3. What the rows are then follows: which go on with another one's value, key, number, mark;
   pages with their numbers and bitmaps.
4. The rules are tried on the whole image. Where they do not explain it, nothing was found.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.image import Image
from memtool.core.span import Span
from memtool.lazy import late_module, np

if TYPE_CHECKING:
    from memtool.core.layouts.record_rules import RecordRules
    from memtool.core.records import reading
    from memtool.core.records import store as stores
    from memtool.core.records.finding import chains, describing, keys, sums
    from memtool.core.records.finding import rows as row_cutting
    from memtool.core.records.finding.describing import Heads
    from memtool.core.records.finding.rows import Cut, Rows
    from memtool.core.records.finding.sums import RowSum
    from memtool.core.records.store import RecordStore
else:
    reading = late_module("memtool.core.records.reading")
    stores = late_module("memtool.core.records.store")
    # Most memories have no free space where a store would grow, and are asked nothing more.
    chains = late_module("memtool.core.records.finding.chains")
    describing = late_module("memtool.core.records.finding.describing")
    keys = late_module("memtool.core.records.finding.keys")
    row_cutting = late_module("memtool.core.records.finding.rows")
    sums = late_module("memtool.core.records.finding.sums")

_SMALLEST = 1024
"""Bytes of a memory that is looked at."""
_FEWEST = 8
"""Records of a store."""
_FEWEST_UNPROVEN = 40
"""The same where no checksum speaks for it."""
_EXPLAINED = 0.5
"""Share of the used rows that carry a checksum, from which on nothing better is looked for."""
_HALVED = 0.5
"""Share of the records in the second halves of rows that speaks for half the size."""
_FREE = 16
"""Erased bytes one behind the other that free space has at least."""
_BROKEN = 0.1
"""Share of records that may be broken."""


class FoundStore(NamedTuple):
    """A store that was found, as it lies in the first image."""

    store: RecordStore
    is_proven: bool
    """A checksum speaks for it."""


def find_stores(images: Sequence[Image], *, erased: int = 0xFF) -> tuple[FoundStore, ...]:
    """Every store of records in the first of some images of one memory of one family.

    Args:
        images: One to six; more modules tell keys from values better.
        erased: The chip's erased byte.
    """
    if not images:
        return ()
    found = []
    for segment in images[0].segments:
        if len(segment.data) < _SMALLEST:
            continue
        others = [image.read(segment.span) for image in images if image.covers(segment.span)]
        # The same content twice would make every byte look like a key.
        different = list(dict.fromkeys(others))
        # Made one by one: the next search runs only where the rules before it explained nothing.
        for rules, is_proven in _candidates(different, segment.span, erased):
            read = [
                reading.read_store(image, rules, erased=erased)
                for image in images
                if image.covers(segment.span)
            ]
            if any(_is_sound(store, is_proven) for store in read):
                if len(read[0].records) > 1:
                    found.append(FoundStore(store=read[0], is_proven=is_proven))
                break
    return tuple(found)


def _is_sound(store: RecordStore, is_proven: bool) -> bool:
    """Rule 4."""
    records = len(store.records)
    broken = sum(each.standing is stores.Standing.BROKEN for each in store.records)
    fewest = _FEWEST if is_proven else _FEWEST_UNPROVEN
    return (
        records >= fewest
        and broken <= _BROKEN * records
        and len(store.keys) >= 2
        # Some key was written again, or it is a table and no store.
        and len(store.keys) < records
    )


def _candidates(
    contents: Sequence[bytes], span: Span, erased: int
) -> Iterator[tuple[RecordRules, bool]]:
    if not any(_has_free_space(content, erased) for content in contents):
        return
    samples = [content[: row_cutting.SAMPLE] for content in contents]
    # Records with lengths first: no other search takes so little where there is nothing.
    chained = chains.find_chain(samples, span, erased)
    if chained is not None:
        yield chained, True
    sizes = row_cutting.rank_record_sizes(samples, erased)
    summed = _best_sum(samples, sizes, erased)
    if summed is not None:
        heads = _heads_of(summed, samples, erased)
        rules = describing.describe(heads, samples, span, erased)
        if rules is not None:
            yield rules, True
    if len(samples) < 2:
        # Tables of pointers have columns that repeat as well: one module proves nothing.
        return
    keyed = _best_keys(samples, sizes, erased)
    if keyed is not None:
        rules = describing.describe(keyed, samples, span, erased)
        # A store has a header in front of its records; a table has none.
        if rules is not None and rules.page is not None:
            yield rules, False


def _has_free_space(content: bytes, erased: int) -> bool:
    """Used bytes with erased ones behind them, or erased pages: where records are still to go."""
    blank = bytes([erased]) * _FREE
    at = content.find(blank)
    return at >= 0 and content.count(erased) < len(content)


def _cuts(sizes: Sequence[int]) -> Iterator[Cut]:
    """Every way to cut that puts rows at other places, the commonest headers first.

    Pages of a power of two hold whole rows of most sizes, so they need not be known here.
    """
    seen: set[tuple[int, int]] = set()
    for header in row_cutting.HEADERS:
        for size in sizes:
            # A page of so many rows is larger than any image, and holds whole rows.
            cut = row_cutting.Cut(size << 24, header, size)
            # Headers that differ by whole rows put the rows at the same places.
            if (header % size, size) not in seen:
                seen.add((header % size, size))
                yield cut


class _Summed(NamedTuple):
    cut: Cut
    sum: RowSum
    explained: float


def _best_sum(samples: Sequence[bytes], sizes: Sequence[int], erased: int) -> _Summed | None:
    best: _Summed | None = None
    for cut in _cuts(sizes):
        # The image with most rows stands for all: a checksum is the same in every one.
        rows = max((row_cutting.cut_rows(sample, cut, erased) for sample in samples), key=_count)
        if len(rows.starts) < _FEWEST:
            continue
        row_sum = sums.find_row_sum(rows.data)
        if row_sum is None:
            continue
        held = np.array([row_sum.holds(bytes(row)) for row in rows.data[:400]])
        explained = float(held.mean())
        cut, explained = _halved(cut, row_sum, rows, explained)
        if best is None or explained > best.explained:
            best = _Summed(cut, row_sum, explained)
        if explained > _EXPLAINED:
            break
    return best


def _halved(cut: Cut, row_sum: RowSum, rows: Rows, explained: float) -> tuple[Cut, float]:
    """Half the size where both halves of a row carry the checksum."""
    half = cut.record // 2
    end = max(row_sum.field.end, *(span.end for span in row_sum.covers))
    if cut.record % 2 or end > half:
        return cut, explained
    held = [row_sum.holds(bytes(row)) for row in rows.data[:400, half:]]
    # `holds` reads the front of what it is given: here the second halves.
    share = sum(held) / len(held)
    if share < _HALVED * explained:
        return cut, explained
    return row_cutting.Cut(cut.page, cut.header, half), (explained + share) / 2


def _count(rows: Rows) -> int:
    return len(rows.starts)


def _heads_of(summed: _Summed, samples: Sequence[bytes], erased: int) -> Heads:
    """The rows that begin a record: those that carry the checksum."""
    heads: list[Rows] = []
    for sample in samples:
        rows = row_cutting.cut_rows(sample, summed.cut, erased)
        held = np.array([summed.sum.holds(bytes(row)) for row in rows.data], np.bool_)
        heads.append(row_cutting.Rows(rows.data[held], rows.starts[held]))
    return describing.Heads(record=summed.cut.record, rows=tuple(heads), sum=summed.sum)


def _best_keys(samples: Sequence[bytes], sizes: Sequence[int], erased: int) -> Heads | None:
    """Rule 2, without a checksum: the key lies in neighbouring columns, and repeats."""
    best: tuple[float, Heads] | None = None
    for cut in _cuts(sizes):
        # The header of a page takes whole rows, and has no key: a table has no such row.
        if cut.header or cut.record > 16:
            continue
        rows = [row_cutting.cut_rows(sample, cut, erased) for sample in samples]
        most = max(map(_count, rows))
        if most < _FEWEST_UNPROVEN or min(map(_count, rows)) < _FEWEST:
            continue
        key = keys.find_key([each.data for each in rows], without=())
        if key is None or key.alike < 0.8 or key.keys < 4:
            continue
        columns = key.columns
        # As many keys as the bytes can name are no keys but values.
        # That is, more than a quarter of them: the minus goes into the exponent.
        if key.keys > 1 << 8 * (columns[-1] - columns[0] + 1) - 2:
            continue
        if columns[-1] - columns[0] >= 4 or 2 * key.keys > most:
            continue
        others = [each for each in range(cut.record) if not columns[0] <= each <= columns[-1]]
        varied = [len(row_cutting.distinct(rows[0].data[:, each])) for each in others]
        if not varied or max(varied) < 8:
            continue
        # Rows of several records have fewer keys in common.
        score = key.alike * key.keys
        if best is None or score > best[0]:
            heads = tuple(_with_keys(each, columns, erased) for each in rows)
            # An image without any such row has no page header, and is a table.
            if any(_count(each) == _count(head) for each, head in zip(rows, heads, strict=True)):
                continue
            best = (score, describing.Heads(record=cut.record, rows=heads, sum=None))
    return best[1] if best else None


def _with_keys(rows: Rows, columns: tuple[int, ...], erased: int) -> Rows:
    """Rows whose key is erased are headers of pages."""
    keyed = (rows.data[:, columns[0] : columns[-1] + 1] != erased).any(axis=1)
    return row_cutting.Rows(rows.data[keyed], rows.starts[keyed])
