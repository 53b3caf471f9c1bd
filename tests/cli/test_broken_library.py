"""A broken file in the layout library keeps nothing from work, and is named once on stderr."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest

from tests.build import DONOR_VIN, LAYOUT, module_memory
from tests.hostile.forked import run_forked
from tests.workflow.jobs import ORDER

pytestmark = pytest.mark.skipif(
    not hasattr(os, "fork") or sys.platform == "darwin", reason="commands run in forks"
)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BENCHIMAGE_STORE", str(tmp_path / "store"))
    monkeypatch.setenv("BENCHIMAGE_LAYOUTS", str(tmp_path / "library"))
    (tmp_path / "library").mkdir()
    (tmp_path / "library" / "good.toml").write_text(LAYOUT)
    (tmp_path / "library" / "broken.toml").write_text('[layout]\nname = "x"\nsize = 1\n')
    for name in ("d1.bin", "d2.bin", "flash1.bin", "flash2.bin"):
        memory = module_memory() if name.startswith("d") else module_memory() * 2
        (tmp_path / name).write_bytes(memory)
    return tmp_path


def test_inspect_names_it_and_uses_the_others(place: Path) -> None:
    ended = run_forked(["inspect", "d1.bin", "--chip", "24C02", "--json"], cwd=place)
    assert ended.status == 0
    assert ended.stderr.count("broken.toml") == 1
    assert "layout library was skipped" in ended.stderr
    assert len(json.loads(ended.stdout)["fields"]) > 2, "the good one describes the image"


def test_start_names_it_once_for_all_memories(place: Path) -> None:
    given = [word for n in "12" for word in ("--donor", f"d{n}.bin", "--donor", f"flash{n}.bin")]
    ended = run_forked(
        [
            *("start", "--job", "job", "--memory", "eeprom=24C02", "--memory", "flash=24C04"),
            *(*given, *ORDER, "--original-unreadable", "burnt", "--reseated"),
        ],
        cwd=place,
    )
    assert ended.status in (0, 1), ended.stderr
    assert DONOR_VIN in ended.stdout
    assert ended.stderr.count("broken.toml") == 1
