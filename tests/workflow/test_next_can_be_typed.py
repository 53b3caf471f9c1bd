"""What every command prints as Next can be typed where it was printed, and obeys the verdict.

Each case is a state of a bench; each command of it is run, and then every command that it printed
as Next, in a copy of the bench and in the folder where it was printed. What a person fills in
(words in capitals) is filled in here; what a terminal would ask for is added as an option.
"""

from __future__ import annotations

import hashlib
import os
import re
import shlex
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.build import VEHICLE_VIN, blanked_memory, module_memory
from tests.hostile.forked import Ended, run_forked
from tests.workflow.jobs import DONOR, KEEP, ORDER, Bench, new_bench

WHO = ("--technician", "N. N.")
READS = (
    *("--original", "o1.bin", "--original", "o2.bin"),
    *("--donor", "d1.bin", "--donor", "d2.bin", "--reseated"),
)
START = ("start", "--job", "job", "--chip", "24C02", *READS, *ORDER, *WHO)
WITH_LAYOUT = (*START, "--layout", "module.toml")
BLANK = ("blank", "donor", *KEEP)
CONFIRM = ("--confirm", "042788")
_QUOTED = re.compile(r"'(benchimage [^']*)'")
SETTLING = ("start", "job majority", "layout review")
"""What can mend a failure, beside the command that failed itself."""


@dataclass(frozen=True)
class Step:
    """One command of a case."""

    arguments: tuple[str, ...]
    folder: str = ""
    status: int = 0
    fails: bool = False
    """Whether it ends in a failure: what it prints as Next must mend that, and go no further."""
    read: str = "d1.bin"
    """What a person fills in for READ."""


def in_job(*arguments: str, status: int = 0, fails: bool = False, read: str = "d1.bin") -> Step:
    return Step(arguments, folder="job", status=status, fails=fails, read=f"../{read}")


GOOD = (
    Step(WITH_LAYOUT),
    in_job("check", "--stage", "donor", status=1),
    in_job("job", "decide", "module-identity", "as on the label"),
    in_job(*BLANK, "--dry-run"),
    in_job(*BLANK, *CONFIRM),
    in_job("check", "--stage", "before-writing", read="back.bin"),
    in_job("check", "../back.bin", read="end.bin"),
    in_job("check", "../end.bin", status=1),
    in_job("job", "decide", "configuration", "as the vehicle is equipped"),
    in_job("report", "--no-pdf"),
    in_job("job", "show"),
    in_job("job", "note", "all doors tested"),
)
CASES: dict[str, tuple[Step, ...]] = {
    "a good job": GOOD,
    "from outside, with --job": (
        Step(WITH_LAYOUT),
        Step(("check", "--stage", "donor", "--job", "job"), status=1),
        Step((*BLANK, "--dry-run", "--job", "job")),
        Step((*BLANK, *CONFIRM, "--job", "job")),
        Step(("check", "--job", "job"), read="back.bin"),
        Step(("job", "show", "--job", "job"), read="back.bin"),
    ),
    "a donor whose order lacks proof": (
        Step((*WITH_LAYOUT[: -len(WHO) - 4], *WHO, "--layout", "module.toml")),
        in_job(*BLANK, "--dry-run", status=1, fails=True),
    ),
    "the read of another module as original": (
        Step(
            (
                *("start", "--job", "job", "--chip", "24C02", "--original", "d1.bin"),
                *("--donor", "d2.bin", *ORDER, *WHO),
            ),
            status=1,
            fails=True,
            read="o1.bin",
        ),
    ),
    "reads that differ": (
        Step(("inspect", "d1.bin", "bad.bin", "--chip", "24C02"), status=1, fails=True),
        Step((*START, "--donor", "bad.bin"), status=1, fails=True, read="fresh.bin"),
    ),
    "two reads that differ": (
        Step(
            (
                *("start", "--job", "job", "--chip", "24C02", "--layout", "module.toml"),
                *("--donor", "d1.bin", "--donor", "bad.bin", *ORDER, *WHO),
            ),
            status=1,
            fails=True,
            read="fresh.bin",
        ),
        in_job("job", "show", read="fresh.bin"),
    ),
    "an empty read": (
        Step(("inspect", "empty.bin", "--chip", "24C02"), status=1, fails=True),
        Step(
            ("start", "--job", "job", "--chip", "24C02", "--donor", "empty.bin", *ORDER, *WHO),
            status=1,
            fails=True,
            read="fresh.bin",
        ),
    ),
    "no layout": (
        Step(START),
        in_job("layout", "draft", "original", "donor", "--out", "layout.toml"),
        in_job("check", "--stage", "donor", status=1),
    ),
    "a module that took something else": (
        *GOOD[:1],
        in_job(*BLANK, *CONFIRM),
        in_job("check", "--stage", "before-writing", read="back.bin"),
        in_job("check", "../bad.bin", status=1, fails=True, read="back.bin"),
        in_job("report", "--no-pdf", read="back.bin"),
        in_job("job", "show", read="back.bin"),
    ),
    "two memories": (
        Step(
            (
                *("start", "--job", "job", "--memory", "eeprom=24C02", "--memory", "flash=2K"),
                *("--layout", "module.toml", *READS, "--donor", "f1.bin", "--donor", "f2.bin"),
                *("--original", "f3.bin", "--original", "f4.bin", *ORDER, *WHO),
            ),
        ),
        in_job("check", "--stage", "donor", status=1),
        in_job(*BLANK[:2], "--dry-run"),
        in_job(*BLANK[:2], *CONFIRM),
        in_job("check", read="back.bin"),
        in_job("job", "show", read="back.bin"),
    ),
    "three reads of one of two memories differ": (
        Step(
            (
                *("start", "--job", "job", "--memory", "eeprom=24C02", "--memory", "flash=2K"),
                *("--layout", "module.toml", *READS[:4], "--donor", "f1.bin"),
                *("--donor", "d1.bin", "--donor", "d2.bin", "--donor", "bad.bin", *ORDER, *WHO),
            ),
            status=1,
            fails=True,
            read="fresh.bin",
        ),
        in_job("job", "majority", "donor/eeprom"),
    ),
    "tools": (
        Step(("inspect", "d1.bin", "d2.bin", "--chip", "24C02")),
        Step(("vin", VEHICLE_VIN)),
        Step(("find", "1M8GDM9AXKP042788", "d1.bin")),
        Step(("compare", "o1.bin", "d1.bin"), status=1),
        Step(("layout", "check", "module.toml")),
        Step(("layout", "check", "module.toml", "--against", "d1.bin")),
        Step(("layout", "show", "module.toml")),
        Step(("layout", "add", "module.toml")),
        Step(("backup", "add", "d1.bin", "d2.bin", "--role", "donor", "--chip", "24C02")),
        Step(("convert", "d1.bin", "out.hex", "--to", "intel-hex")),
        Step(("checksum", "list")),
    ),
}


@pytest.fixture
def table(tmp_path: Path) -> Bench:
    bench = new_bench(tmp_path / "bench")
    bench.write("fresh.bin", DONOR)
    bad = bytearray(DONOR)
    bad[0x33] ^= 0x10
    bench.write("bad.bin", bytes(bad))
    bench.write("empty.bin", b"\xff" * 256)
    bench.write("back.bin", blanked_memory(DONOR))
    bench.write("end.bin", module_memory(VEHICLE_VIN, starts=4720))
    program = b"".join(hashlib.sha256(bytes([number])).digest() for number in range(64))
    for number in range(1, 5):
        bench.write(f"f{number}.bin", program)
    return bench


def run(bench: Path, folder: str, arguments: tuple[str, ...]) -> Ended:
    """One command on a bench, with the bench's own store and layouts."""
    os.environ["BENCHIMAGE_STORE"] = str(bench / "store")
    os.environ["BENCHIMAGE_LAYOUTS"] = str(bench / "layouts")
    return run_forked(list(arguments), cwd=bench / folder)


def next_commands(said: str) -> list[str]:
    """The commands of Next: those on lines of their own, and those in its sentences."""
    found, inside = [], False
    for line in said.splitlines():
        if line.startswith("Next:"):
            inside = True
            line = line.removeprefix("Next:")
        if not inside:
            continue
        if line.strip().startswith(("benchimage ", "cd ")):
            found.append(line.strip())
        else:
            found += _QUOTED.findall(line)
    return found


def filled(words: list[str], step: Step, bench: Path) -> Iterator[str]:
    """The words, with a value for each that a person fills in."""
    up = "../" * bool(step.folder)
    values = {
        "TEXT": "because",
        "REASON": "because",
        "VIN": VEHICLE_VIN,
        "DIR": "new-job",
        "AUTHORITY": "order 7, signed",
        "KIND": "body",
        "NAME": "SUM-8",
        "SPAN": "0x00+4",
        "IMAGE": f"{up}d1.bin",
        "FILE": f"{up}module.toml",
        "READ": step.read,
    }
    before = ""
    for word in words:
        name, sign, value = word.rpartition("=")
        if before == "--replaces":
            yield next(name for name in ("empty.bin", "d1.bin", "d2.bin") if name in step.arguments)
        else:
            yield f"{name}{sign}{values.get(value, value)}"
        before = word


def answered(words: list[str], folder: Path) -> list[str]:
    """With the answers that a person would be asked for at a terminal."""
    if words[:1] == ["start"] and "--job" in words and "new-job" in words:
        return [*words, *ORDER, *WHO]
    if words[:1] == ["blank"] and "--dry-run" not in words and "--confirm" not in words:
        return [*words, *CONFIRM]
    if words[:2] == ["layout", "review"]:
        from memtool.store.layouts import read_layout

        layout = read_layout(folder / words[2]).layout
        names = [*(each.name for each in layout.regions)]
        return [*words, "--by", "N. N.", *(part for name in names for part in ("--accept", name))]
    return words


def type_all(commands: list[str], step: Step, bench: Path) -> None:
    """Type each command in turn, in a copy of the bench; none is wrong usage or a mistake."""
    copy = bench.parent / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(bench, copy)
    folder = step.folder
    for command in commands:
        words = list(filled(shlex.split(command), step, copy))
        if words[0] == "cd":
            folder = str(Path(folder) / words[1])
            up = Step(step.arguments, folder=folder, read=f"../{step.read}")
            step = up if not step.folder else step
            assert (copy / folder).is_dir(), command
            continue
        done = run(copy, folder, tuple(answered(words[1:], copy / folder)))
        assert done.status in (0, 1, 3), f"{command}: {done.status}\n{done.stdout}{done.stderr}"


def assert_mends(step: Step, commands: list[str]) -> None:
    """After a failure the same command again, another read, or a plan: never the next stage."""
    stage = (
        step.arguments[step.arguments.index("--stage") + 1] if "--stage" in step.arguments else ""
    )
    for command in commands:
        if command.startswith("cd "):
            continue
        words = command.removeprefix("benchimage ")
        again = words.startswith(step.arguments[0]) and (not stage or stage in words)
        assert again or words.startswith(SETTLING), command
        if step.arguments[0] == "inspect":
            assert words.startswith("inspect"), command


@pytest.mark.parametrize("name", CASES)
def test_next_can_be_typed_as_it_stands(name: str, table: Bench) -> None:
    told = 0
    for step in CASES[name]:
        done = run(table.folder, step.folder, step.arguments)
        where = f"{' '.join(step.arguments)}: {done.stdout}{done.stderr}"
        assert done.status == step.status, where
        commands = next_commands(done.stderr)
        told += len(commands)
        if step.fails:
            assert_mends(step, commands)
        type_all(commands, step, table.folder)
    assert told


def test_a_command_in_a_sentence_is_found() -> None:
    said = "Next: read it:\n  benchimage check READ\nOr say so: 'benchimage start --reason TEXT'."
    assert next_commands(said) == ["benchimage check READ", "benchimage start --reason TEXT"]
