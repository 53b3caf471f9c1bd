"""Any words after any command: an answer or a sentence, within 5 seconds and 1 GiB."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import click
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from memtool.cli.main import benchimage
from tests.build import DONOR_VIN, VEHICLE_VIN
from tests.faults.bench import open_bench
from tests.hostile.at_terminal import EVIL, leaf_commands
from tests.hostile.forked import Ended, run_forked

COMMANDS = [words for words in leaf_commands() if words != ("demo",)]
"""The demo takes nothing but a folder; `test_terminal_walk` has its refusals."""


def options_of(words: tuple[str, ...]) -> list[str]:
    command: click.Command = benchimage
    for word in words:
        assert isinstance(command, click.Group)
        below = command.get_command(click.Context(command), word)
        assert below is not None
        command = below
    return [
        name
        for parameter in command.params
        for name in (*parameter.opts, *parameter.secondary_opts)
    ]


OPTIONS = {
    words: [name for name in options_of(words) if name[:1] == "-" and name != "--debug"]
    for words in COMMANDS
}
"""Without the one that asks for a traceback."""
VALUES = st.one_of(
    st.sampled_from(
        [
            *("d1.bin", "d2.bin", "o1.bin", "module.toml", "job", "store", "gone", ".", ""),
            *("-", "--"),
            *("original", "donor", "reference", "to-write", "job/journal.jsonl", "/dev/null"),
            *("0x10+17", "0x10-0x21", "0-0", "0x100+0", "5-3", "0xFFFFFFFFFFFFFFFF+1", "+", "1e9"),
            *("24C02", "95160", "24c1024", "SUM-8", "CRC-16/IBM-3740", "CRC-8", "swapped-16"),
            *("raw", "intel-hex", "s-record", "last", "missing-end", "body", "airbag", "donor"),
            *("before-writing", "after-setup", "none", "yes", "a4", "bash", "=", "d1.bin=", "\x00"),
            *(DONOR_VIN, VEHICLE_VIN, DONOR_VIN[-6:], DONOR_VIN.lower(), EVIL, "9" * 5000),
            *("out.bin", "out/../out2.bin", "n" * 300, "\udcff\udc80", "0", "-1", "255", "256"),
        ]
    ),
    st.text(max_size=12),
    st.integers(-(2**70), 2**70).map(str),
)  # fmt: skip


@st.composite
def command_lines(draw: st.DrawFn) -> list[str]:
    words = draw(st.sampled_from(COMMANDS))
    line = list(words)
    for _ in range(draw(st.integers(0, 6))):
        if draw(st.booleans()):
            line.append(draw(st.sampled_from(OPTIONS[words] or ["--help"])))
        line.append(draw(VALUES))
    return line


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench = tmp_path_factory.mktemp("any-arguments")
    open_bench(bench)
    return bench


@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
@given(line=command_lines())
def test_any_words_are_answered_or_refused_in_a_sentence(opened: Path, line: list[str]) -> None:
    # The system itself takes no such argument.
    line = [word.replace("\0", "") for word in line]
    done = run_forked([*line, "--store", str(opened / "any-store")][:40], cwd=opened, timeout=20)
    assert_sound(done, line)


def assert_sound(done: Ended, line: list[str]) -> None:
    where = f"{line}: {done.status} {done.stderr[-1500:]}"
    assert done.status in (0, 1, 2, 3, 4, 5), where
    assert "Traceback" not in done.stderr, where
    assert "internal error" not in done.stderr, where
    assert "\x1b" not in done.stdout + done.stderr, where
    assert done.seconds < 5, where
    assert done.mebibytes < 1024, where
    if done.status >= 2:
        assert done.stderr.startswith("benchimage: ") or "\nbenchimage: " in done.stderr, where


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
@pytest.mark.parametrize("value", ["", "\udcff", "n" * 5000, EVIL, "-1", "9" * 5000])
def test_every_option_takes_odd_values(opened: Path, words: tuple[str, ...], value: str) -> None:
    """Each option of the command alone with the value, so that none is hidden by another."""
    for option in OPTIONS[words]:
        if option not in ("--help", "--json"):
            done = run_forked([*words, f"{option}={value}", "d1.bin"], cwd=opened, timeout=20)
            assert_sound(done, [*words, option, value])


# F39: the answer reaches nobody.


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize(
    "line",
    [
        "inspect d1.bin d2.bin", "find 1M8GDM9AXKP042788 d1.bin", "compare d1.bin o1.bin",
        "vin 1M8GDM9AXKP042788", "checksum list",
        "checksum compute d1.bin --algorithm SUM-8 --span 0+9",
        "checksum check d1.bin --layout module.toml", "checksum discover d1.bin --at 0x22+2",
        "layout check module.toml", "layout show module.toml", "layout add module.toml --layouts l",
        "layout draft d1.bin o1.bin --out draft.toml --chip 24C02",
        "backup add d1.bin d2.bin --role reference --chip 24C02 --store store",
        "backup list --store store", "backup check --store store",
        "backup restore {id} --out restored.bin --store store", "convert d1.bin out.hex",
        "job show --job job --store store", "job note text --job job --store store",
        "job attach module.toml --job job --store store",
        "blank donor --job job --store store --confirm 042788 --keep 0x40+4 --reason x --out b.bin",
        "check --stage donor --job job --store store", "report --no-pdf --job job --store store",
        "doctor --store store", "completion bash",
    ],
)  # fmt: skip
@pytest.mark.parametrize("more", ["", "--json"], ids=["text", "json"])
def test_no_command_calls_it_success_when_its_answer_is_lost(
    opened: Path, tmp_path: Path, line: str, more: str
) -> None:
    if line.startswith("completion") and more:
        more = ""
    bench = tmp_path / "bench"
    shutil.copytree(opened, bench, symlinks=True)
    record = sorted((bench / "store" / "records").glob("*.json"))[0].name[7:19]
    arguments = [*line.format(id=record).split(), *more.split()]
    done = run_forked(arguments, cwd=bench, stdout=Path("/dev/full"))
    assert done.status == 5, done.stderr
    assert "the output could not be written" in done.stderr
    assert "Traceback" not in done.stderr
    # What was to be done is done and whole, and is not done twice in silence.
    if "--out" in arguments:
        assert (bench / arguments[arguments.index("--out") + 1]).stat().st_size
    if line.startswith("job note"):
        last = json.loads((bench / "job" / "journal.jsonl").read_bytes().splitlines()[-1])
        assert last["facts"]["text"] == "text"
