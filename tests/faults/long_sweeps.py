"""Everything that a daily run has no time for: errors that stay, all guards taken out.

python -m tests.faults.long_sweeps              some tens of minutes
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def main() -> int:
    """The first failure ends it."""
    runs = (
        ("-m", "tests.faults.count_faults", "--long"),
        ("-m", "tests.faults.sweep_by_strace"),
        ("-m", "tests.faults.remove_guards"),
    )
    for run in runs:
        done = subprocess.run([sys.executable, *run], cwd=ROOT)
        if done.returncode:
            return done.returncode
    return 0


if __name__ == "__main__":
    sys.exit(main())
