"""Three modules of one family for each kind of store, with what lies in them, and a judge.

Nothing here imports `memtool`; the judge takes what was found as plain numbers.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from tests.build import DONOR_VIN, VEHICLE_VIN
from tests.stores import nvs, paired_pages, plain

FORMER_VIN = "1M8GDM9A1KP571934"
_VINS = ([FORMER_VIN, DONOR_VIN], [VEHICLE_VIN], [DONOR_VIN])


@dataclass(frozen=True)
class Module:
    """One module's memory and the truth about it."""

    image: bytes
    records: Mapping[int, Hashable]
    """Address of each record: its key."""
    values: Mapping[int, bytes]
    newest: frozenset[int]
    """Addresses of the records that count."""


def _entries(vins: list[str], seed: int, family: int) -> Module:
    writes = random.Random(seed).randrange(60, 400)
    image = nvs.module_image(vins, seed=seed, family=family, writes=writes)
    items = nvs.read_items(image)
    return Module(
        image,
        {item.address: item.identity for item in items},
        {item.address: item.value for item in items},
        frozenset(item.address for item in nvs.newest_of(items).values()),
    )


def _pairs(vins: list[str], seed: int, family: int) -> Module:
    own = random.Random(seed)
    image = paired_pages.module_image(
        vins, seed=seed, family=family, writes=own.randrange(60, 500), cut_off=own.random() < 0.2
    )
    pairs = paired_pages.read_pairs(image, 1024)
    return Module(
        image,
        {pair.address: pair.key for pair in pairs},
        {pair.address: pair.value for pair in pairs},
        frozenset(pair.address for pair in paired_pages.newest_of(pairs).values()),
    )


def _plain(
    make: Callable[..., tuple[bytes, list[plain.Item], dict[int, plain.Item]]],
) -> Callable[[list[str], int, int], Module]:
    def make_module(vins: list[str], seed: int, family: int) -> Module:
        writes = random.Random(seed).randrange(40, 200)
        image, items, newest = make(vins, seed=seed, family=family, writes=writes)
        return Module(
            image,
            {item.address: item.key for item in items},
            {item.address: item.value for item in items},
            frozenset(item.address for item in newest.values()),
        )

    return make_module


KINDS: Mapping[str, Callable[[list[str], int, int], Module]] = {
    "entries": _entries,
    "pairs": _pairs,
    "equal records": _plain(plain.equal_records),
    "with lengths": _plain(plain.with_lengths),
    "with whole lengths": _plain(partial(plain.with_lengths, whole=True)),
}


def make_family(kind: str, number: int) -> list[Module]:
    """Three modules of one family."""
    return [KINDS[kind](vins, 3 * number + place, number) for place, vins in enumerate(_VINS)]


def find_fault(
    truth: Module,
    found: Sequence[tuple[int, int, Hashable]],
    newest: Sequence[int],
) -> str | None:
    """What is wrong with what was found; None: keys, values, and which counts are all right.

    Args:
        truth: The module.
        found: (start, end, key) of each record; the keys may have other names than the truth's.
        newest: Addresses of the records that were taken for the ones that count.
    """
    if {start for start, _, _ in found} != set(truth.records):
        return f"{len(found)} records, not {len(truth.records)}"
    names: dict[Hashable, Hashable] = {}
    back: dict[Hashable, Hashable] = {}
    for start, end, key in found:
        meant = truth.records[start]
        if names.setdefault(meant, key) != key or back.setdefault(key, meant) != meant:
            return f"the key of the record at {start:#x}"
        if truth.values[start] not in truth.image[start:end]:
            return f"the value of the record at {start:#x} is not inside it"
    if set(newest) != truth.newest:
        return "which records count"
    return None
