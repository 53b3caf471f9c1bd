"""Bad input: what the fuzzer once found, the seeds, and a short run of the fuzzer itself."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.command_line import ROOT
from tests.fuzz.seeds import FOUND, SEEDS
from tests.fuzz.targets import TARGETS, run_target
from tests.needs import needs_fuzz

CASES = sorted(path for path in FOUND.iterdir() if path.name != "README.md")


def test_what_once_went_wrong_is_refused_in_a_sentence() -> None:
    for path in CASES:
        run_target(path.name.partition(".")[0], path.read_bytes())


@pytest.mark.parametrize("name", TARGETS)
def test_every_target_has_seeds_that_it_reads(name: str) -> None:
    for seed in SEEDS[name]:
        run_target(name, seed)


@needs_fuzz
def test_a_short_run_of_the_fuzzer_finds_nothing() -> None:
    """Two seconds a reader; the long run is `python -m tests.fuzz`."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz", "--seconds", "2"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=1200,
    )
    assert done.returncode == 0, done.stdout
    assert done.stdout.count(", sound") == len(TARGETS)
