"""F01, F05, F10: a kill and an interrupt at every system call of `blank`, and writes that lie.

The whole sweep is in several files, so that two workers share it.
"""

from __future__ import annotations

import pytest

from tests.faults.sweep_by_strace import BAD_WRITES, INTERRUPT, KILL, NAMED, PARTS, Sweep
from tests.needs import needs

pytestmark = needs("strace")


@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.parametrize("fault", [KILL, INTERRUPT])
def test_a_fault_at_every_system_call_leaves_all_or_nothing(
    sweep: Sweep, fault: str, part: int
) -> None:
    assert sweep.hit_every_call(NAMED["blank"], fault, part=part, parts=PARTS) > 40


@pytest.mark.parametrize("fault", BAD_WRITES)
def test_a_write_that_lies_or_corrupts_is_found(sweep: Sweep, fault: str) -> None:
    assert sweep.hit_every_write(NAMED["blank"], fault) >= 3
