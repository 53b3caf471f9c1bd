"""What a start loads: a command pays for the modules that it uses, and for no other."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.images import make_images
from tests.command_line import ROOT

HEAVY = (
    *("anycrc", "bitstring", "construct", "intelhex", "jinja2", "numpy", "platformdirs"),
    *("pydantic", "rich", "textual", "tomlkit", "typst"),
)
NOT_FOR_A_LOOK = (
    *("core.discovery", "core.drafting", "core.report", "demo", "desk"),
    *("core.job.events", "core.job.job", "core.job.stages", "core.layouts.layout"),
    *(
        "formats.intel_hex",
        "formats.layout_toml",
        "formats.s_record",
        "render.page",
        "render.text.review_view",
    ),
    *("store.backups", "store.journal", "store.register", "workflow.guards", "workflow.jobs"),
)
"""Of ours, what a command that only looks at an image, outside a job, never needs."""
FOR_HELP = ("cli", "lazy", "version")
"""Rooms that the list of commands is printed with."""
CODE = (
    "import sys; from memtool.cli.main import main\n"
    "try: main({arguments!r})\n"
    "except SystemExit: pass\n"
    "sys.stderr.write('LOADED ' + ' '.join(sorted(sys.modules)))"
)


def modules_of(*arguments: str, folder: Path, **environment: str) -> set[str]:
    """The modules that a real process has loaded when the command is done."""
    done = subprocess.run(
        [sys.executable, "-c", CODE.format(arguments=list(arguments))],
        env=os.environ
        | {"PYTHONPATH": str(ROOT), "BENCHIMAGE_STORE": str(folder / "store")}
        | environment,
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout
    return set(done.stderr.rpartition("LOADED ")[2].split())


def heavy_modules_of(*arguments: str, folder: Path) -> set[str]:
    """Those of them that take long to load."""
    return modules_of(*arguments, folder=folder) & set(HEAVY)


@pytest.mark.parametrize(
    "arguments",
    [
        ("--help",),
        ("--version",),
        ("vin", "1M8GDM9AXKP042788"),
        *((*name.split(), "--help") for name in ("start", "blank", "check", "report", "job list")),
    ],
)
def test_a_small_command_loads_nothing_heavy(arguments: tuple[str, ...], tmp_path: Path) -> None:
    # The VIN is the worked example of 49 CFR 565.15(c), from memory.
    # A command that runs asks where the store is; that library is a small one.
    assert heavy_modules_of(*arguments, folder=tmp_path) <= {"platformdirs"}


def test_inspect_loads_what_it_computes_with(tmp_path: Path) -> None:
    (tmp_path / "read.bin").write_bytes(bytes(range(256)) * 8)
    loaded = heavy_modules_of("inspect", "read.bin", folder=tmp_path)
    assert loaded == {"numpy", "platformdirs"}


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_the_list_of_commands_loads_few_modules_of_ours(option: str, tmp_path: Path) -> None:
    ours = {name for name in modules_of(option, folder=tmp_path) if name.startswith("memtool.")}
    assert {name.split(".")[1] for name in ours} <= set(FOR_HELP)
    assert len(ours) < 8, sorted(ours)


@pytest.mark.parametrize(
    "command",
    [
        ("inspect",),
        ("compare", "read.bin"),
        ("find", "AB12CD34E"),
        ("checksum", "compute", "--algorithm", "CRC-32/ISO-HDLC", "--span", "0x0000+256"),
    ],
)
def test_a_look_outside_a_job_loads_no_job_no_page_no_search(
    command: tuple[str, ...], tmp_path: Path
) -> None:
    (tmp_path / "read.bin").write_bytes(bytes(range(256)) * 8)
    loaded = modules_of(*command, "read.bin", folder=tmp_path)
    assert "memtool.core.image" in loaded
    inside = tuple(f"memtool.{name}" for name in NOT_FOR_A_LOOK)
    assert not {name for name in loaded if name.startswith(inside)}


def test_a_checksum_is_computed_without_the_search_for_texts(tmp_path: Path) -> None:
    (tmp_path / "read.bin").write_bytes(bytes(range(256)) * 8)
    named = ("--algorithm", "CRC-32/ISO-HDLC", "--span", "0x0000+256")
    loaded = modules_of("checksum", "compute", *named, "read.bin", folder=tmp_path)
    assert "memtool.core.checksums.algorithms" in loaded
    assert not {name for name in loaded if name.startswith(("memtool.core.texts", "numpy"))}


def test_a_vin_outside_a_job_is_explained_without_the_rooms_of_a_job(tmp_path: Path) -> None:
    loaded = modules_of("vin", "1M8GDM9AXKP042788", folder=tmp_path)
    ours = {name for name in loaded if name.startswith("memtool.")}
    assert not {name for name in ours if name.startswith(("memtool.store", "memtool.core.job"))}
    assert len(ours) < 30, sorted(ours)
    assert not loaded & {"filelock", "hashlib", "json", "shutil", "textwrap", "traceback"}
    # A store that the environment names is a path.
    named = modules_of("vin", "1M8GDM9AXKP042788", folder=tmp_path, BENCHIMAGE_STORE="")
    assert not named & {"ipaddress", "pathlib", "urllib.parse"}


def test_a_full_memory_is_looked_at_without_the_search_for_records(tmp_path: Path) -> None:
    # Without free space no store of records grows there, and one read agrees with none.
    (tmp_path / "read.bin").write_bytes(bytes(range(255)) * 16)
    loaded = modules_of("inspect", "read.bin", folder=tmp_path)
    without = ("core.records.finding.chains", "core.checksums", "core.health.agreement")
    assert not {name for name in loaded if name.startswith(tuple(f"memtool.{n}" for n in without))}


def test_code_and_settings_in_erased_memory_are_looked_at_without_checksums(tmp_path: Path) -> None:
    # No size of records stands out in it, so that no row is asked for a checksum.
    (tmp_path / "read.bin").write_bytes(make_images("structured", 4096)[0])
    loaded = modules_of("inspect", "read.bin", folder=tmp_path)
    assert "memtool.core.records.finding.rows" in loaded
    assert not {name for name in loaded if name.startswith("memtool.core.checksums")}
