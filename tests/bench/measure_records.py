"""How many stores of records are read as an independent parser reads them: 200 of each.

Run as ``python tests/bench/measure_records.py``. Nothing here is a test; the suite reads 40.
"""

from __future__ import annotations

import random

from memtool.core.image import Image
from memtool.core.job.blanking import plan_blank
from memtool.core.records.finding import find_stores
from memtool.core.records.reading import read_store
from memtool.core.span import Span
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN, VEHICLE_VIN
from tests.stores import nvs, paired_pages
from tests.stores.families import KINDS, find_fault, make_family
from tests.stores.layouts import NVS, PAIRED

IMAGES = 200


def read_nvs(seed: int) -> bool:
    """Keys, values, which record counts, and every checksum."""
    own = random.Random(seed)
    vins = [VEHICLE_VIN, DONOR_VIN][: own.randrange(1, 3)]
    image = nvs.module_image(vins, seed=seed, family=seed // 3, writes=own.randrange(20, 400))
    layout = parse_layout(NVS.format(chip=len(image), size=len(image), namespace=2))
    store = read_store(Image.from_bytes(image), layout.records[0])
    items = nvs.read_items(image)
    values = {item.address: item.value for item in items if item.type in (0x21, 0x42)}
    return (
        [(each.span.start, each.key) for each in store.records]
        == [(each.address, (*each.identity, each.type)) for each in items]
        and {each.span.start for each in store.newest}
        == {each.address for each in nvs.newest_of(items).values()}
        and all(checksum.holds for checksum in store.checksums)
        and {
            each.span.start: image[each.value.start : each.value.end]
            for each in store.records
            if each.value is not None
        }
        == values
    )


def read_pairs(seed: int) -> bool:
    """Keys, and which record counts."""
    image = paired_pages.module_image(
        [VEHICLE_VIN, DONOR_VIN], seed=seed, writes=40 + 2 * seed, cut_off=seed % 2 == 0
    )
    rules = parse_layout(PAIRED.format(size=2048, page=1024)).records[0]
    store = read_store(Image.from_bytes(image), rules)
    pairs = paired_pages.read_pairs(image, 1024)
    return [(each.span.start, each.key) for each in store.records] == [
        (each.address, (each.key,)) for each in pairs
    ] and {each.span.start for each in store.newest} == {
        each.address for each in paired_pages.newest_of(pairs).values()
    }


def blank_nvs(seed: int) -> bool:
    """No VIN left, everything else as it was, and every checksum right for the other parser."""
    own = random.Random(seed)
    vins = [VEHICLE_VIN, DONOR_VIN]
    data = nvs.module_image(vins, seed=seed, family=seed // 3, writes=own.randrange(20, 400))
    layout = parse_layout(NVS.format(chip=len(data), size=len(data), namespace=2))
    image = Image.from_bytes(data)
    plan = plan_blank(image, layout)
    blanked = image.with_bytes((edit.span.start, edit.new) for edit in plan.edits)
    after = blanked.read(Span(0, len(data)))
    kept = [[item for item in nvs.read_items(each) if item.key != "vin"] for each in (data, after)]
    return kept[0] == kept[1] and not any(vin.encode() in after for vin in vins)


def find(kind: str, number: int) -> bool:
    """Keys, values and which records count, from three modules, told nothing."""
    modules = make_family(kind, number)
    found = find_stores([Image.from_bytes(module.image) for module in modules])
    if len(found) != 1:
        return False
    store = found[0].store
    records = [(each.span.start, each.span.end, each.key) for each in store.records]
    return find_fault(modules[0], records, [each.span.start for each in store.newest]) is None


def main() -> None:
    """Print the shares."""
    tried = {
        "entries and bitmaps, read": read_nvs,
        "two pages of pairs, read": read_pairs,
        "entries and bitmaps, blanked": blank_nvs,
    }
    for name, works in tried.items():
        right = sum(works(seed) for seed in range(IMAGES))
        print(f"{name}: {right} of {IMAGES} without a fault")
    for kind in KINDS:
        right = sum(find(kind, number) for number in range(IMAGES))
        print(f"{kind}, found without a layout: {right} of {IMAGES} families without a fault")


if __name__ == "__main__":
    main()
