"""Everything that a daily run has no time for: all errors at all calls, all guards.

python -m tests.faults.long_sweeps              some tens of minutes
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def main() -> int:
    """The first failure ends it."""
    runs = (
        ("-m", "pytest", "-q", "tests/faults/test_counter_sweep.py"),
        ("-m", "tests.faults.sweep_by_strace"),
        ("-m", "tests.faults.remove_guards"),
    )
    for run in runs:
        done = subprocess.run(
            [sys.executable, *run], cwd=ROOT, env=os.environ | {"BENCHIMAGE_LONG_SWEEPS": "1"}
        )
        if done.returncode:
            return done.returncode
    return 0


if __name__ == "__main__":
    sys.exit(main())
