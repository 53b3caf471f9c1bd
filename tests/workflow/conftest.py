"""Benches: made once with real processes, copied for each test."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.workflow.jobs import Bench, new_bench


@pytest.fixture(scope="session")
def _started(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = new_bench(tmp_path_factory.mktemp("started") / "bench")
    done = bench.start()
    assert done.returncode == 0, done.stderr
    return bench


@pytest.fixture(scope="session")
def _blanked(_started: Bench, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = _started.copy_to(tmp_path_factory.mktemp("blanked") / "bench")
    done = bench.blank("--out", "to-write.bin")
    assert done.returncode == 0, done.stderr
    return bench


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """Reads and a layout, no job."""
    return new_bench(tmp_path / "bench")


@pytest.fixture
def started(_started: Bench, tmp_path: Path) -> Bench:
    """An open job with both modules backed up and a layout chosen."""
    return _started.copy_to(tmp_path / "bench")


@pytest.fixture
def blanked(_blanked: Bench, tmp_path: Path) -> Bench:
    """The same with a file to write."""
    return _blanked.copy_to(tmp_path / "bench")
