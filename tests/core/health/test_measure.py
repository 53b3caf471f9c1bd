"""A small form of the measurement; `tests/bench/measure_health.py` is the whole one."""

from __future__ import annotations

import pytest

from tests.core.health.faults_of_reads import FAULTS, Fault
from tests.core.health.measuring import (
    Row,
    measure_detection,
    measure_false_alarms,
    measure_pairs,
    measure_writing,
)

SEED = 5
"""Neither the seed that the thresholds were set on nor that of the published tables."""


def assert_told(row: Row) -> None:
    """At least 95 %; of fewer than 40 trials one may be missed more."""
    assert row.evident, "the sample has no case of this fault"
    assert len(row.missed) <= 0.05 * row.evident + 1, row.missed


def test_healthy_images_raise_no_alarm_but_one_in_a_hundred() -> None:
    alarmed, by_kind = measure_false_alarms(SEED, 200)
    assert alarmed <= 3, by_kind


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_each_fault_of_a_read_is_told(fault: Fault) -> None:
    (row,) = measure_detection(SEED, 42, (fault,))
    assert_told(row)


def test_each_fault_between_reads_is_told() -> None:
    for row in measure_pairs(SEED, 35):
        assert_told(row)


def test_each_fault_of_writing_is_told() -> None:
    for row in measure_writing(SEED, 35):
        assert_told(row)
