"""The built wheel holds everything the tool needs: it is unpacked elsewhere and run."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tests.command_line import ROOT, SCHEMAS


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The content of the wheel, in a folder of its own."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation"]
    subprocess.run([*command, "-w", str(folder), str(ROOT)], check=True, timeout=300)
    (wheel,) = folder.glob("benchimage-*.whl")
    place = folder / "unpacked"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(place)
    return place


def run(unpacked: Path, *arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the tool from the wheel's content; the checkout is not on the path."""
    code = (
        "import sys; sys.path = [p for p in sys.path if p != sys.argv[1]];"
        "import memtool; assert memtool.__file__.startswith(sys.argv[2]), memtool.__file__;"
        "from memtool.cli.main import main; main(sys.argv[3:])"
    )
    return subprocess.run(
        [sys.executable, "-c", code, str(ROOT), str(unpacked), *arguments],
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": str(unpacked)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
    )


def test_wheel_holds_schemas_images_templates_and_type_marker(unpacked: Path) -> None:
    package = unpacked / "memtool"
    inside = {path.name for path in (package / "schema").glob("*.json")}
    assert inside == {path.name for path in SCHEMAS.glob("*.json")}
    images = {path.name for path in (package / "test_images").iterdir()}
    assert images == {path.name for path in (ROOT / "test_images").iterdir()}
    assert (package / "py.typed").is_file()
    assert not (unpacked / "tests").exists()


def test_wheel_plays_the_demo_to_the_report(unpacked: Path, tmp_path: Path) -> None:
    done = run(unpacked, "demo", "play", cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    page = next((tmp_path / "play").rglob("report-1.html"))
    assert "Content-Security-Policy" in page.read_text(encoding="utf-8")


def test_wheel_knows_its_version(unpacked: Path, tmp_path: Path) -> None:
    done = run(unpacked, "--version", cwd=tmp_path)
    assert done.stdout.startswith("benchimage ")
