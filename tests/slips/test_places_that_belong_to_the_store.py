"""A second store that is the first, and outputs inside the store: refused at once."""

from __future__ import annotations

import pytest

from tests.command_line import run_benchimage
from tests.workflow.jobs import KEEP, Bench


@pytest.mark.parametrize("name", ["store", "./store", "link"])
def test_a_second_store_that_is_the_first_is_refused(started: Bench, name: str) -> None:
    (started.folder / "link").symlink_to(started.folder / "store")
    done = run_benchimage(
        *("backup", "check"),
        cwd=started.folder,
        BENCHIMAGE_STORE=str(started.folder / "store"),
        BENCHIMAGE_ALSO=name,
    )
    assert done.returncode == 2
    assert "is the backup store itself" in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ("blank", "donor", *KEEP, "--confirm", "042788", "--out", "store/out.bin"),
        ("convert", "d1.bin", "store/files/out.hex", "--to", "intel-hex"),
        ("layout", "draft", "original", "donor", "--out", "store/draft.toml"),
    ],
    ids=["blank", "convert", "layout draft"],
)
def test_an_output_inside_the_store_is_refused(started: Bench, arguments: tuple[str, ...]) -> None:
    before = started.files()
    done = started.in_job(*arguments)
    assert done.returncode == 3
    assert "inside a backup store" in done.stderr
    assert started.files() == before


def test_a_job_inside_the_store_is_refused(bench: Bench) -> None:
    assert bench.run("backup", "add", "d1.bin", "d2.bin", "--role", "donor", "--chip", "24C02")
    done = bench.run(
        *("start", "--job", "store/job", "--chip", "24C02", "--donor", "d1.bin"),
        *("--vehicle-vin", "1G4AH59H45G118341", "--module-kind", "body", "--authority", "seen"),
    )
    assert done.returncode == 3
    assert "inside a backup store" in done.stderr
