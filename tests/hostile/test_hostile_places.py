"""F26, F27: foreign files with hostile names in the store, the job and the layout folder.

The walk names hostile files itself; these are found by the commands that look through a
folder, or come from the environment.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.faults.bench import open_bench
from tests.hostile.at_terminal import EVIL, faults_of, run_at_terminal

NAME = f"{EVIL}\nEVIL-LINE"
STORE = ("--store", "store")
LINES = (
    ("backup check", (*STORE,), 5),
    ("backup check", (*STORE, "--quick"), 5),
    ("backup check", (*STORE, "--json"), 5),
    ("backup check", (*STORE, "--repair", "--also", "second"), 5),
    ("backup list", (*STORE,), 5),
    ("doctor", (*STORE,), 0),
    ("job show", ("--job", "job"), 0),
    ("report", ("--no-pdf", "--job", "job", *STORE), 0),
    ("inspect", ("d1.bin", "--chip", "24C02"), 0),
)


@pytest.fixture(scope="module")
def pristine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("hostile-places")
    open_bench(place)
    for folder in ("store", "store/files", "store/records", "store/set-aside", "job", "job/files"):
        (place / folder).mkdir(exist_ok=True)
        (place / folder / NAME).write_text("x")
    (place / "store" / "files" / f"{NAME}, a folder").mkdir()
    (place / "store" / "records" / f"000009-{'a' * 64}.json").symlink_to(NAME)
    layouts = place / "layouts"
    layouts.mkdir()
    (layouts / f"broken {NAME}.toml").write_text(f"[layout]\nname = '{EVIL[:9]}'\n")
    (layouts / f"gone {NAME}.toml").symlink_to(NAME)
    shutil.copy(place / "module.toml", layouts / f"sound {NAME}.toml")
    return place


@pytest.fixture
def bench(pristine: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = shutil.copytree(pristine, tmp_path / "bench", symlinks=True)
    monkeypatch.setenv("BENCHIMAGE_LAYOUTS", str(place / "layouts"))
    return place


@pytest.mark.parametrize(
    ("command", "more", "status"), LINES, ids=[" ".join((line[0], *line[1])) for line in LINES]
)
def test_a_hostile_name_that_is_found_in_a_folder_is_told_escaped(
    bench: Path, command: str, more: tuple[str, ...], status: int
) -> None:
    ended, shown = run_at_terminal([*command.split(), *more], cwd=bench)
    assert ended == status, shown
    assert faults_of(shown) == [], shown
    assert "Traceback" not in shown
    if command == "backup check":
        assert "35;45mEVIL" in shown


@pytest.mark.parametrize(
    "name",
    ["BENCHIMAGE_STORE", "BENCHIMAGE_ALSO", "BENCHIMAGE_LAYOUTS", "HOME", "TERM", "LC_ALL", "TZ"],
)
def test_a_hostile_environment_reaches_no_terminal(
    bench: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.setenv(name, NAME)
    reads = ("d1.bin", "d2.bin", "--role", "reference", "--chip", "24C02")
    for command in (("doctor",), ("backup", "list"), ("backup", "add", *reads)):
        status, shown = run_at_terminal(list(command), cwd=bench)
        assert status in (0, 1, 2, 3, 4, 5), shown
        assert faults_of(shown) == [], shown
        assert "Traceback" not in shown
