"""A layout shows its stores of records: on the map, in the list, and not as unknown bytes."""

from __future__ import annotations

from memtool.core.image import Image
from memtool.core.records.placing import place_records
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.render.page.layout_map import render_layout
from tests.build import DONOR_VIN
from tests.stores import nvs
from tests.stores.layouts import NVS

LAYOUT = parse_layout(NVS.format(chip=16384, size=16384, namespace=2))


def test_store_is_described_and_no_gap() -> None:
    assert LAYOUT.gaps == ()
    shown = render_layout(LAYOUT)
    assert "R records" in shown
    assert "no region" not in shown
    assert "entries of 32 bytes; pages of 4,096 bytes; newest by position; 'VIN'" in " ".join(
        shown.split()
    )


def test_placed_records_show_over_their_store() -> None:
    image = Image.from_bytes(nvs.module_image([DONOR_VIN], seed=1, writes=30))
    shown = render_layout(place_records(LAYOUT, image))
    assert "V vehicle identity" in shown
    assert "C checksum" in shown
    assert "R records" in shown
