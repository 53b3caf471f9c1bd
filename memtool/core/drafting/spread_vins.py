"""VINs that a store of records spreads over several keys, a few bytes under each.

The values in force of keys that follow each other are joined in the keys' order, and VINs are
looked for in what that gives: none of them lies in the image as a whole.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from memtool.core.image import Image
from memtool.core.layouts.record_rules import Key, RecordRules
from memtool.core.records.store import RecordStore
from memtool.core.texts.known_identity import find_vins
from memtool.core.texts.vin import VIN_LENGTH

Spread = tuple[tuple[Key, ...], int, str]
"""The keys, the first byte's place in their joined values, and the stored form."""


def find_spread_vins(
    rules: RecordRules, images: Sequence[Image], stores: Sequence[RecordStore]
) -> tuple[Spread, ...]:
    """Every VIN over several keys, those that most modules have first.

    Args:
        rules: Of the store; without values of one size under one number there is none.
        images: Of some modules.
        stores: The store in each of them.
    """
    size = rules.value.size if rules.value else None
    if size is None or size >= VIN_LENGTH or len(rules.key) != 1 or not rules.key[0].is_number:
        return ()
    found: Counter[Spread] = Counter()
    for image, store in zip(images, stores, strict=True):
        for keys, joined in _runs(image, store, size):
            for vin in find_vins(Image.from_bytes(joined)):
                if len(vin.span) != VIN_LENGTH:
                    continue
                first, last = vin.span.start // size, (vin.span.end - 1) // size
                if last > first:
                    at = vin.span.start - first * size
                    found[keys[first : last + 1], at, vin.stored_as] += 1
    return tuple(each for each, _ in found.most_common())


def _runs(image: Image, store: RecordStore, size: int) -> Iterator[tuple[tuple[Key, ...], bytes]]:
    """Keys without a gap between their numbers, and their values one behind the other."""
    values: dict[int, bytes] = {}
    for record in store.newest:
        number = record.key[0]
        if isinstance(number, int) and record.value is not None and len(record.value) == size:
            values[number] = image.read(record.value)
    run: list[int] = []
    for number in [*sorted(values), -1]:
        if run and number != run[-1] + 1:
            yield tuple((each,) for each in run), b"".join(values[each] for each in run)
            run = []
        run.append(number)
