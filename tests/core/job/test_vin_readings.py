"""VINs with text beside them: another VIN only where no reading is the vehicle's."""

from __future__ import annotations

import pytest

from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.stage import StageVerdict
from memtool.core.job.stages.answers import compute_verdict, judge_foreign_vins
from memtool.core.texts.vin_search import find_vins

TEXT = b"WVWZZZ1KZ6W6544837"
"""Two windows of it are allowed, see tests/core/texts/test_vins_among_text.py."""


@pytest.mark.parametrize(
    ("vehicle_vin", "result"),
    [
        ("WVWZZZ1KZ6W654483", None),
        ("VWZZZ1KZ6W6544837", Verdict.DECIDE),
        ("1G4AH59H45G118341", Verdict.FAIL),
        (None, Verdict.FAIL),
    ],
)
def test_person_decides_where_another_reading_is_the_vehicles(
    vehicle_vin: str | None, result: Verdict | None
) -> None:
    found = find_vins(Image.from_bytes(b"\xff" * 20 + TEXT + b"\xff" * 20))
    check = judge_foreign_vins("vins", "Another VIN was found.", found, vehicle_vin)
    assert (check and check.result) == result
    if check is not None and result is Verdict.DECIDE:
        assert check.spans == (found[0].span,)
        assert compute_verdict([check]) is StageVerdict.INCOMPLETE


def test_another_vin_beside_an_unclear_one_fails() -> None:
    data = b"\xff" * 20 + TEXT + b"\xff" * 20 + b"1G4AH59H45G118341" + b"\xff" * 20
    found = find_vins(Image.from_bytes(data))
    check = judge_foreign_vins("vins", "Another VIN was found.", found, "VWZZZ1KZ6W6544837")
    assert check is not None
    assert check.result is Verdict.FAIL
    assert [data[span.start : span.end] for span in check.spans] == [b"1G4AH59H45G118341"]
