"""Which branches of store, writing and gates the tests run through, sweeps included.

    python -m tests.faults.measure_coverage         some minutes; ends with 1 below 100 %

Commands that tests start as processes of their own count as well; those that are killed
cannot.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
MEASURED = (
    "memtool/store/*.py",
    "memtool/store/*/*.py",
    "*/gate.py",
    "*/blanking.py",
    "memtool/workflow/blank.py",
    "memtool/workflow/blank_writing.py",
)
TESTS = (
    *("test_gate", "test_gate_words", "test_blanking", "test_blank", "test_blank_last_guards"),
    "test_backup_command",
    *("test_counter_sweep", "test_power_loss", "test_file_systems", "test_many_processes"),
)
FILES = (
    "tests/store",
    *(str(path) for name in TESTS for path in sorted((ROOT / "tests").rglob(f"{name}.py"))),
)
SETTINGS = """\
[run]
branch = True
parallel = True
patch = subprocess
disable_warnings = no-data-collected
source = {root}/memtool
data_file = {place}/data

[report]
include = {measured}
exclude_also =
    if TYPE_CHECKING:
    @overload
"""


def main() -> int:
    """Run the tests, then show what of each file they did not reach."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        settings = place / "settings"
        settings.write_text(
            SETTINGS.format(
                root=ROOT,
                place=place,
                measured="\n    ".join(MEASURED),
            )
        )
        command = (sys.executable, "-m", "coverage")
        rc = f"--rcfile={settings}"
        tests = ("-m", "pytest", "-q", "-p", "no:cacheprovider", *FILES)

        done = subprocess.run([*command, "run", rc, *tests], cwd=ROOT)
        if done.returncode:
            return done.returncode
        subprocess.run([*command, "combine", "-q", rc], cwd=ROOT, check=True)
        subprocess.run([*command, "report", rc, "--show-missing", "--skip-covered"], cwd=ROOT)
        report = place / "report.json"
        subprocess.run([*command, "json", "-q", rc, "-o", report], cwd=ROOT, check=True)
        totals = json.loads(report.read_text())["totals"]
    branches, reached = totals["num_branches"], totals["covered_branches"]
    sys.stdout.write(
        f"{reached} of {branches} branches, {totals['covered_lines']} of"
        f" {totals['num_statements']} lines\n"
    )
    return 0 if reached == branches else 1


if __name__ == "__main__":
    sys.exit(main())
