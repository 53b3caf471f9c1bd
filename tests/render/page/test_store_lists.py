"""The pages of a store of records stand beside the bytes, each to open and close."""

from __future__ import annotations

from memtool.core.image import Image
from memtool.core.records.reading import read_store
from memtool.demo.tailgate_flash import LAYOUT, records_of, used_module
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.render.page.store_lists import describe_stores


def test_each_page_in_use_is_a_folded_list_of_its_records() -> None:
    image = used_module(
        "p", vin="8Z9TG3C04JP018342", serial="MC44", equipment=b"\x01", keys=bytes(16), days=150
    )
    store = read_store(Image.from_bytes(image), parse_layout(LAYOUT).records[0])
    first, *pages = describe_stores([store])
    assert not first.is_folded
    # How many there are is known from the generator's own walk.
    counts = [len(records_of(image, page)) for page in range(4)]
    assert [len(page.rows) for page in pages] == [count for count in counts if count]
    assert all(page.is_folded for page in pages)
    assert pages[0].title.startswith(f"Page 0x0000-0x03FF, number 1: {counts[0]} records, ")
    starts = {row.span.start for page in pages for row in page.rows if row.span}
    assert starts == {at for page in range(4) for at, _, _ in records_of(image, page)}
