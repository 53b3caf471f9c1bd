"""Measure how well bad reads are told, and print the tables of docs/health.md.

    python tests/bench/measure_health.py [--seed N] [--images N] [--healthy N]

Thresholds were set on seed 1 and frozen, then measured once on a new seed. The first new
seed, 20261125, missed the target in two rows; the rule for words was changed on seed 1 and
frozen again. The tables in the docs are of the next new seed, looked at once.

Exit status 1 if a target is missed: detection of at least 95 % where the fault leaves
evidence, false alarms in at most 1 % of the healthy images.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.core.health.measuring import (
    Row,
    measure_detection,
    measure_false_alarms,
    measure_pairs,
    measure_writing,
)

PUBLISHED_SEED = 271828


def print_rows(title: str, rows: list[Row]) -> bool:
    """Print one table; whether every row reaches the target."""
    print(f"\n{title}\n")
    print("| fault | evidence | tried | with evidence | told | told without evidence |")
    print("| --- | --- | ---: | ---: | ---: | ---: |")
    good = True
    for row in rows:
        share = row.told / row.evident if row.evident else 1.0
        good &= share >= 0.95
        print(
            f"| {row.name} | {row.evidence} | {row.tried} | {row.evident} | "
            f"{row.told} ({100 * share:.1f} %) | {row.told_anyway} |"
        )
    sys.stdout.flush()
    return good


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=PUBLISHED_SEED)
    parser.add_argument("--images", type=int, default=280, help="for each fault")
    parser.add_argument("--healthy", type=int, default=2000)
    parser.add_argument("--missed", action="store_true", help="list what was not told")
    options = parser.parse_args()
    print(f"Seed {options.seed}.")
    alarmed, by_kind = measure_false_alarms(options.seed, options.healthy)
    share = alarmed / options.healthy
    print(f"False alarms: {alarmed} of {options.healthy} healthy images ({100 * share:.2f} %).")
    for (family, code), number in sorted(by_kind.items()):
        print(f"- {family}: `{code}` {number}")
    sys.stdout.flush()
    good = share <= 0.01
    for title, measure in (
        ("One read", measure_detection),
        ("Between two reads", measure_pairs),
        ("After writing", measure_writing),
    ):
        rows = measure(options.seed, options.images)
        good &= print_rows(title, rows)
        if options.missed:
            for row in rows:
                for note in row.missed:
                    print(f"    {row.name}: {note}")
    print("\nAll targets reached." if good else "\nA target was missed.")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
