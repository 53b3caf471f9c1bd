"""A folder with the demo's reads, and nothing of the person who tests."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from memtool.demo.door import DONOR_VIN, VEHICLE_VIN
from tests.desk.sitting import put_reads
from tests.hostile.forked import run_forked

_READS = (
    *("--original", "door-original-1.bin", "--original", "door-original-2.bin"),
    *("--donor", "door-donor-1.bin", "--donor", "door-donor-2.hex"),
)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder to work in; what the desk remembers and the layouts lie beside it."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("BENCHIMAGE_LAYOUTS", str(tmp_path / "layouts"))
    # What a test makes is never opened on the screen of the person who tests.
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    folder = tmp_path / "bench"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


def _run(folder: Path, *arguments: str) -> None:
    done = run_forked([*arguments, "--store", str(folder / "store")], cwd=folder)
    assert done.status in (0, 1), done.stderr


@pytest.fixture(scope="session")
def _made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("desk") / "bench"
    put_reads(folder, "door")
    order = ("--work-order", "7", "--vehicle-vin", VEHICLE_VIN, "--module-kind", "body")
    more = ("--authority", "registration seen", "--technician", "RA", "--reseated")
    _run(folder, *("start", "--job", "order-7", "--layout", "door.toml"), *_READS, *order, *more)
    in_job = ("--job", "order-7")
    _run(folder, "check", "--stage", "donor", *in_job)
    keep = ("--keep", "0x0200+4", "--reason", "usage")
    _run(folder, "blank", "donor", "--confirm", DONOR_VIN[-6:], *keep, *in_job)
    return folder


@pytest.fixture
def job(_made: Path, bench: Path) -> Path:
    """A job whose file to program is made; its donor's check has left a point to a person."""
    shutil.copytree(_made, bench, dirs_exist_ok=True)
    for row in (bench / "store" / "jobs").glob("*.json"):
        # As after 'job adopt': the store knows where the job is now.
        row.write_text(row.read_text().replace(str(_made), str(bench)))
    return bench / "order-7"
