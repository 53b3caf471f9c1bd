"""Runs the sweeps that stay in one process, and counts what they tried.

python -m tests.faults.count_faults             as the daily run
python -m tests.faults.count_faults --long      every error at every call
"""

from __future__ import annotations

import os
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def main() -> int:
    """The exit status of the tests."""
    if "--long" in sys.argv:
        os.environ["BENCHIMAGE_LONG_SWEEPS"] = "1"
    # Late: the first reads that setting while it is loaded.
    from tests.faults import crash_states, test_counter_sweep, test_power_loss
    from tests.faults.faulty_os import FaultyOs, Mode

    count: Counter[str] = Counter()
    trees: set[frozenset[tuple[str, bytes | None]]] = set()
    run, states = test_counter_sweep.run, crash_states.states

    def counted_run(
        step: test_counter_sweep.Prepare, folder: Path, fault: FaultyOs
    ) -> BaseException | None:
        error = run(step, folder, fault)
        if fault.names is None:
            count["single"] += fault.happened
        elif fault.mode is not Mode.DEAD:
            count["pairs"] += fault.happened
        return error

    def counted_states(
        record: crash_states.Recording, upto: int
    ) -> Iterator[dict[str, bytes | None]]:
        for tree in states(record, upto):
            count["states"] += 1
            trees.add(frozenset(tree.items()))
            yield tree

    test_counter_sweep.run = counted_run
    vars(test_power_loss)["states"] = counted_states
    start = time.monotonic()
    files = (str(test_counter_sweep.__file__), str(test_power_loss.__file__))
    status = pytest.main(["-q", "-p", "no:cacheprovider", "-p", "no:xdist", *files])
    sys.stdout.write(
        f"{count['single']:,} faults, {count['pairs']:,} pairs of a kill and a fault,"
        f" {count['states']:,} states after a power loss, {len(trees):,} of them different;"
        f" {time.monotonic() - start:.0f} s\n"
    )
    return int(status)


if __name__ == "__main__":
    sys.exit(main())
