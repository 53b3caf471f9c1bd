"""F01, F03 to F08: the same at every call of a journal append and of `backup restore`.

The whole sweep is in several files, so that two workers share it.
"""

from __future__ import annotations

import pytest

from tests.faults.sweep_by_strace import BAD_WRITES, FAULTS, NAMED, PARTS, Sweep
from tests.needs import needs

pytestmark = needs("strace")


@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("name", ["note", "restore"])
def test_a_fault_at_every_system_call_leaves_all_or_nothing(
    sweep: Sweep, name: str, fault: str, part: int
) -> None:
    assert sweep.hit_every_call(NAMED[name], fault, part=part, parts=PARTS) > 5


@pytest.mark.parametrize("fault", BAD_WRITES)
@pytest.mark.parametrize("name", ["note", "restore"])
def test_a_write_that_lies_or_corrupts_is_found(sweep: Sweep, name: str, fault: str) -> None:
    assert sweep.hit_every_write(NAMED[name], fault) >= 3
