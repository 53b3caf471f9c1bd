"""What every command that takes an image has in common, seen by walking all commands."""

from __future__ import annotations

import inspect
import json
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from memtool.cli.main import benchimage
from memtool.cli.types import CHIP, IMAGE
from memtool.errors import UsageError
from tests.command_line import run_benchimage

READS_OF_A_MODULE = {"start", "backup add"}
"""They take files that a reader made, never an image of the job."""
READING = {"--format", "--overlap", "--chip", "--base", "--store", "--json", "--job"}
NO_CHIPS = ["24c0Z", "95l60", "MCU/D-flash", "x/../../../evil"]
LAYOUT = """[layout]
name = "m"
chip = "24C02"
size = 256
module = "body"
[[region]]
name = "n"
span = "0x0080+2"
kind = "state"
[[checksum]]
name = "s"
algorithm = "SUM-8"
covers = ["0x0080+8"]
stored = "0x00C0+1"
when_blanked = "keep"
"""
RUNS = {
    "blank": "blank donor --layout ../m.toml --confirm 000000",
    "check": "check --stage donor donor",
    "checksum check": "checksum check donor --layout ../m.toml",
    "checksum compute": "checksum compute donor --algorithm SUM-8 --span 0+4",
    "checksum discover": "checksum discover donor --within 0x80+64",
    "compare": "compare donor donor",
    "convert": "convert donor out.bin",
    "find": "find 1G4AH59H45G118341 donor",
    "inspect": "inspect donor",
    "layout check": "layout check ../m.toml --against donor",
    "layout draft": "layout draft donor --out draft.toml",
    "layout review": "layout review ../m.toml --image donor --by N.N. --out reviewed.toml",
    "layout show": "layout show ../m.toml --image donor",
}
"""A run with an image of the job, for every command that takes one."""
WITHOUT_IMAGE = ["checksum list", "vin 11111111111111111", "layout add ../m.toml --layouts lib"]
WRITE_NO_LINE = {"blank", "layout review"}
"""Refused in this job: the memory holds no identity, and the layout has no guess to review."""


def walk(group: click.Group, before: str = "") -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from walk(command, f"{before}{name} ")
        else:
            yield before + name, command


COMMANDS = dict(walk(benchimage))
WITH_IMAGE = {
    name
    for name, command in COMMANDS.items()
    if any(parameter.type is IMAGE for parameter in command.params)
}


def options_of(name: str) -> set[str]:
    return {text for parameter in COMMANDS[name].params for text in parameter.opts}


def test_the_commands_that_read_images_are_those_that_take_the_jobs_names() -> None:
    reading = {name for name in COMMANDS if "--format" in options_of(name)}
    assert reading == WITH_IMAGE | READS_OF_A_MODULE
    assert set(RUNS) == WITH_IMAGE


@pytest.mark.parametrize("name", sorted(WITH_IMAGE))
def test_a_command_that_takes_an_image_has_all_shared_options(name: str) -> None:
    assert options_of(name) >= READING


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_no_command_takes_many_parameters_or_a_chip_of_its_own(name: str) -> None:
    command = COMMANDS[name]
    assert command.callback is not None
    taken = inspect.signature(inspect.unwrap(command.callback)).parameters
    assert len(taken) <= 13
    assert not {"read_format", "overlap", "base", "chip", "store"} & set(taken) - {"store"}
    for parameter in command.params:
        assert (parameter.name == "chip") == (parameter.type is CHIP)


@pytest.mark.parametrize("name", sorted(WITH_IMAGE | READS_OF_A_MODULE))
def test_no_command_takes_what_is_no_chip(name: str) -> None:
    sentences = set()
    for chip in NO_CHIPS:
        arguments = [*name.split(), "--chip", chip]
        done = CliRunner().invoke(benchimage, arguments, standalone_mode=False)
        assert isinstance(done.exception, UsageError), name
        assert (done.exception.exit_status, done.exception.code) == (2, "unknown-chip")
        sentences.add(str(done.exception).split(" (did")[0].split(";")[0].replace(chip, "X"))
    assert sentences == {"no chip is known as 'X'"}


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shared")
    (folder / "d.bin").write_bytes(b"\xff" * 128 + bytes(range(128)))
    (folder / "m.toml").write_text(LAYOUT, encoding="utf-8")
    words = "--chip 24C02 --donor d.bin --single-read x --module-kind body --authority x"
    vin = "--vehicle-vin 1G4AH59H45G118341"  # 49 CFR 565.15, Table VI.
    store = str(folder / "store")
    run_benchimage(
        *("start", "--job", "job", *words.split(), *vin.split()), cwd=folder, BENCHIMAGE_STORE=store
    )
    return folder / "job"


@pytest.mark.parametrize("words", [*RUNS.values(), *WITHOUT_IMAGE])
def test_inside_a_job_a_command_knows_its_images_and_adds_to_its_journal(
    job: Path, words: str
) -> None:
    journal = job / "journal.jsonl"
    before = journal.read_text(encoding="utf-8").splitlines()
    store = str(job.parent / "store")
    done = run_benchimage(*words.split(), cwd=job, BENCHIMAGE_STORE=store)
    assert "no such file" not in done.stderr.lower()
    new = journal.read_text(encoding="utf-8").splitlines()[len(before) :]
    name = next((name for name, run in RUNS.items() if run == words), "")
    if name in WRITE_NO_LINE:
        return
    assert done.returncode in (0, 1), done.stderr
    told = [json.loads(line) for line in new]
    told = [entry for entry in told if entry["kind"] != "files-intended"]
    assert len(told) == 1
    if name != "check":
        assert words.startswith(told[0]["facts"]["command"])
