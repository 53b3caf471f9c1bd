"""What two modules keep in records is compared by key: addresses differ in each of them."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.setup_list import find_setup
from memtool.core.job.stages.after_setup import check_finished
from memtool.core.job.stages.answers import tell_by_region
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.records.pairing import pair_values
from memtool.core.records.placing import place_records
from memtool.core.span import Span
from memtool.demo.tailgate import VEHICLE_VIN
from memtool.demo.tailgate_flash import LAYOUT, SIZE, blanked, configured, used_module
from memtool.formats.layout_toml.parsing import parse_layout

# The demo's generator knows nothing of the code under test.
_EQUIPMENT, _OTHER = bytes.fromhex("02041e000701"), bytes.fromhex("020414000301")
_ORIGINAL = used_module(
    "one", vin=VEHICLE_VIN, serial="MC4400918223", equipment=_EQUIPMENT, keys=bytes(16), days=60
)
_DONOR = used_module(
    "two",
    vin="8Z9TG3C04JP018342",
    serial="MC4400517760",
    equipment=_OTHER,
    keys=bytes(range(16)),
    days=190,
)


@pytest.fixture(scope="module")
def layout() -> Layout:
    return parse_layout(LAYOUT)


def image(data: bytes) -> Image:
    return Image.from_bytes(data)


def test_pair_has_the_newest_values_wherever_they_lie(layout: Layout) -> None:
    (pair,) = pair_values(layout, image(_ORIGINAL), image(_DONOR), RegionKind.CONFIGURATION)
    assert pair.first is not None
    assert pair.second is not None
    assert (pair.first.raw, pair.second.raw) == (_EQUIPMENT, _OTHER)
    assert pair.first.spans != pair.second.spans
    assert (pair.is_equal, pair.differing) == (False, 2)
    (span,) = pair.spans
    assert _DONOR[span.start : span.end] == _OTHER


def test_value_that_one_module_never_had_differs_wholly(layout: Layout) -> None:
    empty = image(b"\xff" * SIZE)
    (pair,) = pair_values(layout, image(_ORIGINAL), empty, RegionKind.CONFIGURATION)
    assert (pair.second, pair.differing) == (None, len(_EQUIPMENT))


@dataclass(frozen=True)
class Finished:
    equipment: bytes
    verdict: Verdict


@pytest.mark.parametrize(
    "finished", [Finished(_EQUIPMENT, Verdict.PASS), Finished(_OTHER, Verdict.DECIDE)]
)
def test_configuration_after_setup_is_the_originals_by_its_newest_records(
    layout: Layout, finished: Finished
) -> None:
    before = blanked(_DONOR)
    after = image(configured(before, vin=VEHICLE_VIN, equipment=finished.equipment))
    checks = check_finished(
        vehicle_vin=VEHICLE_VIN,
        read=after,
        before=image(before),
        original=image(_ORIGINAL),
        identities=[],
        layout=layout,
    )
    (check,) = [each for each in checks if each.code == "configuration"]
    assert check.result is finished.verdict
    if finished.verdict is Verdict.DECIDE:
        assert "2 bytes in 'equipment'" in check.text
    (item,) = find_setup(image(_ORIGINAL), image(before), layout, finished=after)
    assert (item.name, item.result) == ("equipment", finished.verdict)
    assert item.wanted is not None
    assert item.wanted.value == _EQUIPMENT.hex()


def test_hundreds_of_records_are_told_together(layout: Layout) -> None:
    placed = place_records(layout, image(_DONOR))
    everything = [Span(0, SIZE)]
    assert tell_by_region(everything, placed) == f"{SIZE:,} bytes in the records of 'data flash'"
