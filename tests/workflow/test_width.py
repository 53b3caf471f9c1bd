"""At 60, 80 and 120 columns no line is too long, and nothing that is told is cut.

What may be longer than the terminal is one word, or a command that is to be typed as it stands.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.build import VEHICLE_VIN, blanked_memory, module_memory
from tests.hostile.forked import Ended, run_forked
from tests.workflow.jobs import DONOR, KEEP, ORDER, Bench, new_bench

WIDTHS = (60, 80, 120)
READS = (
    *("--original", "o1.bin", "--original", "o2.bin"),
    *("--donor", "d1.bin", "--donor", "d2.bin", "--reseated"),
)
START = ("start", "--job", "job", "--chip", "24C02", "--layout", "module.toml", *READS, *ORDER)
IN_JOB: tuple[tuple[str, ...], ...] = (
    ("check", "--stage", "donor"),
    ("blank", "donor", *KEEP, "--dry-run", "--all"),
    ("blank", "donor", *KEEP, "--confirm", "042788"),
    ("check", "--stage", "before-writing", "--all"),
    ("check", "../bad.bin", "--stage", "after-writing"),
    ("check", "../back.bin", "--stage", "after-writing"),
    ("check", "../end.bin", "--stage", "after-setup"),
    ("job", "decide", "configuration", "as the vehicle is equipped", "--name", "N. N."),
    ("find", "1M8GDM9AXKP042788", "donor"),
    ("compare", "original", "donor"),
    ("layout", "draft", "original", "donor", "--out", "draft.toml"),
    ("checksum", "discover", "donor", "original", "--within", "0x10-0x23"),
    ("report", "--no-pdf"),
    ("job", "show"),
    ("job", "list"),
    ("backup", "list"),
    ("backup", "check"),
)
TOOLS: tuple[tuple[str, ...], ...] = (
    ("inspect", "d1.bin", "d2.bin", "--chip", "24C02", "--layout", "module.toml", "--all"),
    ("inspect", "d1.bin", "bad.bin", "--chip", "24C02"),
    ("inspect", "empty.bin", "--chip", "24C02"),
    ("vin", VEHICLE_VIN, "1M8GDM9AXKP042789"),
    ("layout", "check", "module.toml", "--against", "d1.bin"),
    ("layout", "show", "module.toml"),
    ("checksum", "check", "d1.bin", "--layout", "module.toml"),
    ("checksum", "compute", "d1.bin", "--algorithm", "SUM-8", "--span", "0x00+16"),
    ("convert", "d1.bin", "OUT.hex", "--to", "intel-hex"),
    ("doctor",),
    ("blank", "d1.bin"),
    ("inspect", "no-such-file-in-this-folder.bin"),
    ("start", "--job", "other", "--chip", "24C02", "--donor", "d1.bin", "--donor", "d1.bin"),
)


def new_table(folder: Path) -> Bench:
    bench = new_bench(folder)
    bad = bytearray(DONOR)
    bad[0x33] ^= 0x10
    bench.write("bad.bin", bytes(bad))
    bench.write("empty.bin", b"\xff" * 256)
    bench.write("back.bin", blanked_memory(DONOR))
    bench.write("end.bin", module_memory(VEHICLE_VIN, starts=4720))
    return bench


def run(bench: Bench, folder: str, arguments: tuple[str, ...], columns: int) -> Ended:
    os.environ["COLUMNS"] = str(columns)
    os.environ["BENCHIMAGE_STORE"] = str(bench.folder / "store")
    os.environ["BENCHIMAGE_LAYOUTS"] = str(bench.folder / "layouts")
    named = [word.replace("OUT", f"out-{columns}") for word in arguments]
    return run_forked(named, cwd=bench.folder / folder)


def too_long(said: str, columns: int) -> list[str]:
    """Lines that are longer than the terminal though a blank could have broken them."""
    return [
        line
        for line in said.splitlines()
        if len(line) > columns
        and not line.strip().removeprefix("Next: ").startswith(("benchimage ", "cd "))
        and not line.strip().startswith("'benchimage ")
        and len(line.split()) > 2  # A label and one word.
    ]


@pytest.mark.parametrize("columns", WIDTHS)
def test_no_line_is_longer_than_the_terminal(columns: int, tmp_path: Path) -> None:
    bench = new_table(tmp_path / "bench")
    steps = [*(("", each) for each in (*TOOLS, START)), *(("job", each) for each in IN_JOB)]
    wrong = []
    for folder, arguments in steps:
        done = run(bench, folder, arguments, columns)
        assert done.status < 6, done.stderr
        wrong += [
            f"{arguments[:2]} {len(line)}: {line}"
            for line in too_long(f"{done.stdout}\n{done.stderr}", columns)
        ]
    assert wrong == []


def told_values(value: Any, key: str = "") -> Iterator[str]:
    """Every VIN, digest group and address of a document, as people are shown them."""
    if isinstance(value, dict):
        if key in ("vins", "fields") and {"start", "end"} <= value.keys():
            last = f"-0x{value['end'] - 1:04X}" if value["end"] - value["start"] > 1 else "+1"
            yield f"0x{value['start']:04X}{last}"
        for name, inner in value.items():
            if name == "text" and key == "vins":
                yield inner
            elif name in ("sha256", "file_sha256") and key in ("reads", "memories"):
                yield from (inner[at : at + 16] for at in range(0, 64, 16))
            else:
                yield from told_values(inner, name)
    elif isinstance(value, list):
        for inner in value:
            yield from told_values(inner, key)


@pytest.mark.parametrize("columns", WIDTHS)
def test_what_the_document_holds_is_shown_whole(columns: int, tmp_path: Path) -> None:
    bench = new_table(tmp_path / "bench")
    commands = [
        ("", ("inspect", "d1.bin", "d2.bin", "--chip", "24C02", "--layout", "module.toml")),
        ("", ("inspect", "o1.bin", "bad.bin", "--chip", "24C02")),
        ("", START),
        ("job", ("start",)),
        ("job", ("blank", "donor", *KEEP, "--confirm", "042788", "--out", "OUT.bin")),
    ]
    seen = 0
    for folder, arguments in commands:
        said = run(bench, folder, arguments, columns).stdout.split()
        again = tuple(word.replace("OUT", "json") for word in arguments)
        document = json.loads(run(bench, folder, (*again, "--json"), columns).stdout)
        for value in told_values(document):
            assert any(value in word for word in said), f"{arguments[:1]}: {value}"
            seen += 1
    assert seen > 40
