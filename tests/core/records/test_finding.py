"""Stores of records found without a layout, in images of four kinds that know nothing of us."""

from __future__ import annotations

import random

import pytest

from memtool.core.image import Image
from memtool.core.layouts.record_rules import Counts, Covered
from memtool.core.records.finding import FoundStore, find_stores
from tests.bench.images import make_images
from tests.build import DONOR_VIN, VEHICLE_VIN, module_memory
from tests.stores.families import KINDS, Module, find_fault, make_family
from tests.stores.plain import equal_records


def fault_of(modules: list[Module], found: tuple[FoundStore, ...]) -> str | None:
    if len(found) != 1:
        return f"{len(found)} stores"
    store = found[0].store
    records = [(each.span.start, each.span.end, each.key) for each in store.records]
    return find_fault(modules[0], records, [each.span.start for each in store.newest])


@pytest.mark.parametrize("kind", KINDS)
def test_keys_values_and_what_counts_are_found_from_three_modules(kind: str) -> None:
    # `tests/bench/measure_records.py` does the same with 200 families of each kind.
    for number in range(2):
        modules = make_family(kind, number)
        found = find_stores([Image.from_bytes(module.image) for module in modules])
        assert fault_of(modules, found) is None, number


def test_in_a_large_store_any_byte_takes_all_values_and_is_no_key() -> None:
    images = [
        equal_records([vin], seed=seed, family=4, bank=1 << 15, writes=1560)[0]
        for seed, vin in enumerate((VEHICLE_VIN, DONOR_VIN, VEHICLE_VIN))
    ]
    (found,) = find_stores([Image.from_bytes(image) for image in images])
    assert [(place.at, place.size) for place in found.store.rules.key] == [(1, 1)]


def test_rules_of_a_published_format_are_found_as_its_maker_wrote_them() -> None:
    modules = make_family("entries", 0)
    (found,) = find_stores([Image.from_bytes(module.image) for module in modules])
    rules = found.store.rules
    assert found.is_proven
    assert rules.record == 32
    assert rules.length is not None
    assert (rules.length.place.at, rules.length.counts) == (2, Counts.ENTRIES)
    assert rules.page is not None
    assert (rules.page.size, rules.page.header) == (4096, 64)
    assert rules.page.sequence is not None
    assert rules.page.sequence.at == 4
    assert rules.page.marks is not None
    assert (rules.page.marks.at, rules.page.marks.bits, rules.page.marks.valid) == (32, 2, 2)
    own, of_value = rules.checksums
    assert [(span.start, span.end) for span in own.covers if not isinstance(span, str)] == [
        (0, 4),
        (8, 32),
    ]
    assert (of_value.covers, of_value.at) == (Covered.VALUE, 28)
    assert all(checksum.holds for checksum in found.store.checksums)


def test_one_module_alone_shows_a_store_whose_checksums_hold() -> None:
    for kind in ("entries", "equal records", "with lengths"):
        modules = make_family(kind, 1)
        (found,) = find_stores([Image.from_bytes(modules[0].image)])
        assert {each.span.start for each in found.store.records} == set(modules[0].records)


def test_memories_without_records_show_no_store() -> None:
    own = random.Random(3)
    texts = b"the quick brown fox jumps over the lazy dog, " * 90
    pointers = (0x0800_0000 + 4 * own.randrange(999) for _ in range(512))
    table = b"".join(pointer.to_bytes(4, "little") for pointer in pointers)
    contents = [
        module_memory() * 8,
        own.randbytes(2048) + b"\xff" * 2048,
        texts[:3000].ljust(4096, b"\xff"),
        table.ljust(4096, b"\xff"),
        bytes(range(256)) * 8 + b"\xff" * 2048,
        b"\xff" * 4096,
        bytes(4096),
    ]
    for content in contents:
        assert find_stores([Image.from_bytes(content)]) == ()
        # Another module of that kind, with every table the other way round.
        assert find_stores([Image.from_bytes(each) for each in (content, _turned(content))]) == ()


def _turned(content: bytes) -> bytes:
    rows = [content[at : at + 4] for at in range(0, len(content), 4)]
    used = [row for row in rows if row != b"\xff" * 4]
    return b"".join(reversed(used)).ljust(len(content), b"\xff")


@pytest.mark.parametrize("kind", ["structured", "erased"])
def test_a_store_in_front_of_other_content_is_found(kind: str) -> None:
    # Code has equal bytes after any distance, which hides none of the store's own size.
    modules = make_family("entries", 0)
    others = make_images(kind, len(modules[0].image))
    images = [module.image + other for module, other in zip(modules, others, strict=True)]
    (found,) = find_stores([Image.from_bytes(image) for image in images])
    assert found.is_proven
    assert found.store.rules.record == 32


def test_no_images_and_short_ones_show_nothing() -> None:
    assert find_stores([]) == ()
    assert find_stores([Image.from_bytes(b"\xff" * 100)]) == ()
