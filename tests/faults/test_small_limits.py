"""F38 by the commands: too few descriptors, too little memory, too small files.

Each command runs in a fork that has loaded all it needs, so that the limit meets the command
and not Python's start. Descriptors are given out one more each time until the command succeeds.
"""

from __future__ import annotations

import io
import os
import resource
import shutil
import signal
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from memtool.cli.main import main
from tests.build import DONOR_VIN
from tests.faults.bench import assert_safe, open_bench, sources_of
from tests.faults.scene import scratch
from tests.faults.sweep_by_strace import STEPS, Step

MEBIBYTE = 1 << 20
MOST_SECONDS = 20
"""What takes longer is ended by a signal, and has failed."""
READERS = (
    "inspect d1.bin d2.bin --layout module.toml", "compare d1.bin o1.bin --layout module.toml",
    f"find {DONOR_VIN} d1.bin", "convert d1.bin new.hex", "vin 1M8GDM9AXKP042788",
    "checksum list", "checksum check d1.bin --layout module.toml",
    "layout check module.toml", "layout show module.toml --image d1.bin",
    "layout draft d1.bin o1.bin --out draft.toml --chip 24C02", "job show --job job --store store",
    "backup list --store store", "backup check --store store", "doctor --store store",
    "check --stage donor --job job --store store", "report --no-pdf --job job --store store",
)  # fmt: skip
Limit = Callable[[], None]


@pytest.fixture(scope="module")
def pristine() -> Iterator[Path]:
    with scratch() as folder:
        bench = folder / "bench"
        bench.mkdir()
        open_bench(bench)
        before = Path.cwd()
        try:
            for line in [*(step.arguments(bench) for step in STEPS), *map(str.split, READERS)]:
                shutil.copytree(bench, folder / "warm", symlinks=True)
                os.chdir(folder / "warm")
                silent = io.StringIO()
                with redirect_stdout(silent), redirect_stderr(silent), pytest.raises(SystemExit):
                    main(line)
                shutil.rmtree(folder / "warm")
        finally:
            os.chdir(before)
        yield bench


def fresh(pristine: Path) -> Path:
    bench = pristine.with_name("run")
    shutil.rmtree(bench, ignore_errors=True)
    shutil.copytree(pristine, bench, symlinks=True)
    return bench


def run_limited(arguments: list[str], bench: Path, limit: Limit) -> tuple[int, str]:
    """Exit status, and what stderr said."""
    # A pipe: a file for stderr would itself be under the limit for files.
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        status = 99  # The child must end here, whatever happens: it is a copy of pytest.
        try:
            os.chdir(bench)
            out = os.open(os.devnull, os.O_WRONLY)
            os.dup2(out, 1)
            os.dup2(writer, 2)
            os.closerange(3, 1000)
            signal.alarm(MOST_SECONDS)
            with (
                open(1, "w", encoding="utf-8", closefd=False) as stdout,
                open(2, "w", encoding="utf-8", closefd=False) as stderr,
                redirect_stdout(stdout),
                redirect_stderr(stderr),
            ):
                limit()
                try:
                    main(arguments)
                except SystemExit as end:
                    status = end.code if isinstance(end.code, int) else 98
        finally:
            os._exit(status)
    os.close(writer)
    with os.fdopen(reader, encoding="utf-8", errors="replace") as file:
        said = file.read()
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), said


def assert_told(status: int, said: str, where: str) -> None:
    assert status in (0, 1, 2, 3, 4, 5), f"{where}: {status} {said}"
    assert "Traceback" not in said, f"{where}: {said}"
    assert "internal error" not in said, f"{where}: {said}"
    if status >= 2:
        assert "benchimage: " in said, f"{where}: {status} {said}"


def descriptors(most: int) -> Limit:
    return lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


def more_memory(size: int) -> Limit:
    """So many bytes of address space more than there are."""

    def limit() -> None:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        most = pages * resource.getpagesize() + size
        resource.setrlimit(resource.RLIMIT_AS, (most, most))

    return limit


def file_size(most: int) -> Limit:
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))


LIMITS: dict[str, list[Limit]] = {
    "descriptors": [descriptors(most) for most in range(3, 24)],
    "memory": [more_memory(size * MEBIBYTE // 4) for size in (0, 1, 2, 4, 8, 16, 64)],
    "file size": [file_size(most) for most in (0, 1, 33, 100, 255, 256, 900, 4000, MEBIBYTE)],
}


@pytest.mark.parametrize("kind", LIMITS)
@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
def test_a_command_that_writes_leaves_all_or_nothing(pristine: Path, step: Step, kind: str) -> None:
    succeeded = False
    for number, limit in enumerate(LIMITS[kind]):
        bench = fresh(pristine)
        before, arguments = sources_of(bench), step.arguments(bench)
        status, said = run_limited(arguments, bench, limit)
        where = f"{step.name}, {kind} {number}: {status} {said}"
        assert_told(status, said, where)
        assert sources_of(bench) == before, where
        assert_safe(bench, where)
        if status in (0, 1):
            succeeded = True
            step.done(bench)
            if kind != "file size":
                break
        else:
            for name in ("out.bin", "out-restored.dump"):
                (bench / name).unlink(missing_ok=True)
            again, more = run_limited(arguments, bench, lambda: None)
            assert again in (0, 1), f"the next run after {where}: {more}"
            step.done(bench)
            assert_safe(bench, f"the next run after {where}")
    assert succeeded


@pytest.mark.parametrize("kind", ["descriptors", "memory"])
@pytest.mark.parametrize("line", READERS)
def test_a_command_that_reads_says_what_it_lacks(pristine: Path, line: str, kind: str) -> None:
    refused = 0
    for number, limit in enumerate(LIMITS[kind]):
        bench = fresh(pristine)
        before = sources_of(bench)
        status, said = run_limited(line.split(), bench, limit)
        assert_told(status, said, f"{line}, {kind} {number}")
        assert sources_of(bench) == before
        if status in (0, 1):
            return
        refused += 1
    raise AssertionError(f"{line} never succeeded under {refused} limits")
