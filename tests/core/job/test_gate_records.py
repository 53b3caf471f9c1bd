"""Rule `records-intact`: without a layout nothing goes out of records whose checksums are right."""

from __future__ import annotations

from dataclasses import replace

import pytest

from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.blanking import apply_blank, plan_blank_vin
from memtool.core.job.gate import check_blank, require_blank
from memtool.core.job.gate_question import GateQuestion
from memtool.errors import RefusalError
from tests.build import DONOR_VIN
from tests.core.job.test_gate import good_request
from tests.stores.families import FORMER_VIN, make_family


def blank_by_vins(data: bytes) -> GateQuestion:
    """A blanking of both VINs of a donor, by their texts alone, that keeps every other rule."""
    image = Image.from_bytes(data)
    request = good_request(data)
    assert request.receipt is not None
    plan = plan_blank_vin(image, FORMER_VIN, DONOR_VIN)
    return replace(
        request,
        layout=None,
        vins=(FORMER_VIN, DONOR_VIN),
        identities=(FORMER_VIN, DONOR_VIN),
        known=(FORMER_VIN, DONOR_VIN),
        plan=plan,
        blanked=apply_blank(image, plan, request.receipt),
        confirmation=None,
    )


def in_records(kind: str) -> GateQuestion:
    """The same of a donor whose VINs lie in records with checksums that are right."""
    families = (make_family(kind, number)[0].image for number in range(9))
    return blank_by_vins(next(data for data in families if FORMER_VIN.encode() in data))


def failed_rules(request: GateQuestion) -> list[str]:
    return [check.code for check in check_blank(request) if check.result is Verdict.FAIL]


@pytest.mark.parametrize("kind", ["entries", "equal records", "with lengths"])
def test_records_whose_checksums_hold_are_refused_and_the_draft_is_named(kind: str) -> None:
    request = in_records(kind)
    assert failed_rules(request) == ["records-intact"]
    with pytest.raises(RefusalError) as caught:
        require_blank(request)
    assert caught.value.code == "records-intact"
    assert "layout draft" in str(caught.value.next_step)


def test_several_vins_outside_of_records_go_together() -> None:
    data = bytearray(b"\xff" * 4096)
    for at, vin in ((16, FORMER_VIN), (64, DONOR_VIN), (512, FORMER_VIN)):
        data[at : at + 17] = vin.encode()
    assert failed_rules(blank_by_vins(bytes(data))) == []
