"""F01, F03 to F08: a kill, an interrupt and each error at every system call of `blank`.

The whole sweep is in several files, so that two workers share it.
"""

from __future__ import annotations

import pytest

from tests.faults.places import needs_strace
from tests.faults.sweep_by_strace import BAD_WRITES, FAULTS, NAMED, PARTS, Sweep

pytestmark = needs_strace


@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_at_every_system_call_leaves_all_or_nothing(
    sweep: Sweep, fault: str, part: int
) -> None:
    assert sweep.hit_every_call(NAMED["blank"], fault, part=part, parts=PARTS) > 40


@pytest.mark.parametrize("fault", BAD_WRITES)
def test_a_write_that_lies_or_corrupts_is_found(sweep: Sweep, fault: str) -> None:
    assert sweep.hit_every_write(NAMED["blank"], fault) >= 3
