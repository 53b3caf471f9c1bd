"""F15, F17, F18 in every moment: another program changes files in the middle of a command.

`test_strace_sweep` opens one such window by strace. Here the change comes before each call
in turn by which the store's code opens, makes durable or publishes something.
"""

from __future__ import annotations

import io
import json
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import pytest

from memtool.cli.main import main
from tests.faults.bench import BLANKED, DONOR, ORIGINAL, assert_safe, blank_arguments, open_bench
from tests.faults.faulty_os import FaultyOs, Mode, faults
from tests.faults.invariants import look_at_store, sha256
from tests.faults.scene import scratch

Change = Callable[[Path], None]
BETWEEN = frozenset({"open", "fsync", "link"})
ADD = ("backup", "add", "link.bin", "--single-read", "invented", "--role", "reference")
COMMANDS = {
    "blank": ["blank", "link.bin", *blank_arguments("--out", "out.bin")[2:]],
    "add": [*ADD, "--chip", "24C02", "--store", "store"],
    "convert": ["convert", "link.bin", "out.bin", "--to", "raw"],
}
WANTED = {"blank": BLANKED, "convert": DONOR}


class Meanwhile(FaultyOs):
    """Nothing fails: another program does something before the `at`-th call."""

    def __init__(self, at: int, change: Callable[[], None]) -> None:
        super().__init__(at, RuntimeError(), Mode.ONCE, BETWEEN)
        self.change = change

    def strike(self, name: str, act: Callable[[], object]) -> None:
        self.change()


def turn_link(bench: Path) -> None:
    """The name that was given leads to another module's read."""
    (bench / "new-link").symlink_to("o1.bin")
    (bench / "new-link").replace(bench / "link.bin")


def rewrite(bench: Path) -> None:
    """Other bytes of the same length in the same file."""
    (bench / "d1.bin").write_bytes(ORIGINAL)


def plant_link(bench: Path) -> None:
    """The output's name appears, and leads to the source."""
    if not (bench / "out.bin").exists():
        (bench / "out.bin").symlink_to("d1.bin")


def plant_hard_link(bench: Path) -> None:
    if not (bench / "out.bin").exists():
        os.link(bench / "d1.bin", bench / "out.bin")


def empty_store(bench: Path) -> None:
    for copy in (bench / "store" / "files").iterdir():
        copy.unlink()


CHANGES: dict[str, tuple[Change, dict[str, bytes]]] = {
    "link turned": (turn_link, {"d1.bin": DONOR, "o1.bin": ORIGINAL}),
    "rewritten": (rewrite, {"d1.bin": ORIGINAL, "o1.bin": ORIGINAL}),
    "output planted as link": (plant_link, {"d1.bin": DONOR}),
    "output planted as hard link": (plant_hard_link, {"d1.bin": DONOR}),
}
"""What another program does, and what it must find untouched afterwards."""


@pytest.fixture(scope="module")
def pristine() -> Iterator[Path]:
    with scratch() as folder:
        bench = folder / "bench"
        bench.mkdir()
        open_bench(bench)
        (bench / "link.bin").symlink_to("d1.bin")
        warm_up(bench, folder / "warm")
        yield bench


def warm_up(pristine: Path, bench: Path) -> None:
    """Let this process load all that the forks need."""
    before = Path.cwd()
    try:
        for arguments in COMMANDS.values():
            shutil.copytree(pristine, bench, symlinks=True)
            os.chdir(bench)
            silent = io.StringIO()
            with (
                redirect_stdout(silent),
                redirect_stderr(silent),
                pytest.raises(SystemExit) as ended,
            ):
                main(arguments)
            assert ended.value.code in (0, 1)
            shutil.rmtree(bench)
    finally:
        os.chdir(before)


@dataclass(frozen=True)
class Ended:
    """What came of a command beside which something else happened."""

    status: int
    stderr: str
    calls: list[str]
    """All that were counted."""
    happened: bool


def run_meanwhile(bench: Path, arguments: list[str], position: int, change: Change) -> Ended:
    """One command in a fork, with the change before its call of that number."""
    said, seen = bench.with_name("said"), bench.with_name("seen")
    meanwhile = Meanwhile(position, lambda: change(bench))
    child = os.fork()
    if child == 0:
        status = 99  # The child must end here, whatever happens: it is a copy of pytest.
        try:
            os.chdir(bench)
            with said.open("w") as file, redirect_stdout(file), redirect_stderr(file):
                try:
                    with faults(meanwhile):
                        main(arguments)
                except SystemExit as end:
                    status = end.code if isinstance(end.code, int) else 98
            seen.write_text(json.dumps([meanwhile.seen, meanwhile.happened]))
        finally:
            os._exit(status)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    calls, happened = json.loads(seen.read_text())
    return Ended(status, said.read_text(), calls, happened)


def every_moment(
    pristine: Path, command: str, change: Change
) -> Iterator[tuple[Path, Ended, str, int]]:
    """The command once for each call, each time over the same bench."""
    bench = pristine.with_name("run")
    for position in count(1):
        shutil.rmtree(bench, ignore_errors=True)
        shutil.copytree(pristine, bench, symlinks=True)
        done = run_meanwhile(bench, COMMANDS[command], position, change)
        where = f"{command}, before call {position}: {done.status} {done.stderr}"
        assert "Traceback" not in done.stderr, where
        assert done.status in (0, 1, 3, 4, 5), where
        if not done.happened:
            assert done.status in (0, 1), where
            assert position > 3
            return
        yield bench, done, where, position


@pytest.mark.parametrize(
    ("command", "name"),
    [(c, n) for c in COMMANDS for n in CHANGES if c in WANTED or "output" not in n],
)
def test_a_file_that_changes_in_any_moment_is_used_as_it_was_read_or_refused(
    pristine: Path, command: str, name: str
) -> None:
    """F17; with an output that is planted, F15."""
    change, untouched = CHANGES[name]
    kept_before = set(look_at_store(pristine / "store").backups)
    for bench, done, where, _ in every_moment(pristine, command, change):
        for path, data in untouched.items():
            assert (bench / path).read_bytes() == data, where
        out = bench / "out.bin"
        if command in WANTED and out.exists() and not out.samefile(bench / "d1.bin"):
            # Another module's read is never blanked as this one; to convert it is no harm.
            allowed = (BLANKED,) if command == "blank" else (DONOR, ORIGINAL)
            assert out.read_bytes() in allowed, where
            out.unlink()
        elif command in WANTED and done.status in (0, 1):
            raise AssertionError(f"a success without a file of its own: {where}")
        out.unlink(missing_ok=True)
        assert_safe(bench, where)
        backups = look_at_store(bench / "store").backups
        for record in set(backups) - kept_before:
            assert backups[record] in ((sha256(DONOR),), (sha256(ORIGINAL),)), where


def test_a_backup_that_vanishes_in_any_moment_before_the_name_stops_it(pristine: Path) -> None:
    """F18. After the last look at the copy nothing is opened before the name appears."""
    refused, too_late = 0, []
    for bench, done, where, position in every_moment(pristine, "blank", empty_store):
        if (bench / "out.bin").exists():
            assert (bench / "out.bin").read_bytes() == BLANKED, where
            too_late.append(done.calls[position - 1])
        else:
            assert done.status == 5, where
            assert not too_late, where
            refused += 1
    assert refused > 20
    assert too_late[0] == "link"
