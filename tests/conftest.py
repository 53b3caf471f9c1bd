"""What holds for every test: skips in CI are failures, and nobody's own store is touched."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any

import hypothesis
import pytest

from tests import command_line
from tests.workflow.jobs import Bench, new_bench


def pytest_addoption(parser: pytest.Parser) -> None:
    """How much runs where the whole suite has run before, in another environment."""
    parser.addoption(
        "--sweep-parts",
        choices=("all", "first", "later"),
        default="all",
        help="of each sweep over system calls: every part, every sixth call, or the other five",
    )
    parser.addoption(
        "--start-anew",
        choices=("none", "first", "all"),
        default="none",
        help="which commands are started, not forked from another process: in each file of tests"
        " the first of each, or all",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Let commands that name no store find an empty one, never that of the person who tests."""
    command_line.started_anew = config.getoption("--start-anew")
    folder = tempfile.mkdtemp(prefix="benchimage-data-")
    config.add_cleanup(lambda: shutil.rmtree(folder, ignore_errors=True))
    os.environ["XDG_DATA_HOME"] = folder
    os.environ["XDG_STATE_HOME"] = folder
    # The readline library, which pytest loads, says the width of a terminal that nobody has to
    # every process started from here; Python's own `environ` need not know of it.
    for name in ("COLUMNS", "LINES"):
        os.unsetenv(name)
        os.environ.pop(name, None)
    os.environ.pop("BENCHIMAGE_STORE", None)
    os.environ.pop("BENCHIMAGE_ALSO", None)
    # On a busy machine Hypothesis's own deadline would fail what is right.
    if hypothesis.settings.get_current_profile_name() in ("default", "ci"):
        hypothesis.settings.register_profile("untimed", deadline=None)
        hypothesis.settings.load_profile("untimed")


@pytest.fixture(autouse=True)
def _environment_stays() -> Iterator[None]:
    """What a test sets for the commands that it runs is not there for the next test."""
    before = dict(os.environ)
    yield
    for name in os.environ.keys() - before.keys():
        del os.environ[name]
    os.environ.update(before)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, Any, pytest.TestReport]:
    """Turn skips into failures on the CI machine."""
    report: pytest.TestReport = yield
    if os.environ.get("CI") == "true" and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, which counts as a failure with CI=true: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """The same for a whole file that skips itself."""
    report = yield
    if os.environ.get("CI") == "true" and report.skipped:
        report.outcome = "failed"
        report.longrepr = f"skipped, which counts as a failure with CI=true: {report.longrepr}"
    return report


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
    """The same with a file to program."""
    return _blanked.copy_to(tmp_path / "bench")
