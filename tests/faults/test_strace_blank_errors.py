"""F03 to F08: each error at every sixth system call of `blank`.

`python -m tests.faults.long_sweeps` has them at every call.

The whole sweep is in several files, so that two workers share it.
"""

from __future__ import annotations

import pytest

from tests.faults.sweep_by_strace import FAULTS, INTERRUPT, KILL, NAMED, PARTS, Sweep
from tests.needs import needs

pytestmark = needs("strace")


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault not in (KILL, INTERRUPT)])
def test_a_fault_at_every_system_call_leaves_all_or_nothing(sweep: Sweep, fault: str) -> None:
    assert sweep.hit_every_call(NAMED["blank"], fault, parts=PARTS) > 40
