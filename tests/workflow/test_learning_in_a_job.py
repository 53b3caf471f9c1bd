"""`layout learn` by the real commands: refused before the job ended well, reviewed like a draft.

The job's files are made outside the tool, so that what the maker's procedure wrote is known.
"""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.build import LAYOUT, SECRET, VEHICLE_VIN, module_memory
from tests.hostile.forked import Ended, run_forked
from tests.workflow.jobs import ORDER, new_bench

OPTIONS = b"\x00" + bytes(range(0x41, 0x50))
"""The vehicle's; the donor's begin with the same byte."""
NEW_SECRET = bytes(range(0x90, 0xA0))


def run(folder: Path, *arguments: str) -> Ended:
    return run_forked([*arguments, "--job", "job", "--store", "store"], cwd=folder)


def short_layout() -> str:
    """The test module's layout, which knows nothing of the options."""
    at = LAYOUT.index('[[region]]\nname = "options"')
    return LAYOUT[:at] + LAYOUT[LAYOUT.index("[[region]]", at + 1) :]


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = new_bench(tmp_path_factory.mktemp("learn") / "bench").folder
    original = module_memory(VEHICLE_VIN, options=OPTIONS, starts=99)
    for name in ("o1.bin", "o2.bin"):
        (folder / name).write_bytes(original)
    (folder / "short.toml").write_text(short_layout())
    done = run(
        folder,
        *("start", "--chip", "24C02", "--reseated", *ORDER),
        *("--original", "o1.bin", "--original", "o2.bin"),
        *("--donor", "d1.bin", "--donor", "d2.bin"),
    )
    assert done.status == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def written(opened: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("written") / "bench"
    shutil.copytree(opened, folder)
    done = run(folder, *("blank", "donor", "--layout", "short.toml", "--confirm", "042788"))
    assert done.status == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def finished(written: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job that ended well: keys were taught, and a person decided what changed."""
    folder = tmp_path_factory.mktemp("finished") / "bench"
    shutil.copytree(written, folder)
    module = module_memory(VEHICLE_VIN, options=OPTIONS, starts=2, secret=NEW_SECRET)
    (folder / "f1.bin").write_bytes(module)
    assert run(folder, "check", "f1.bin", "--stage", "after-setup").status == 1
    for point in ("changed-bytes", "protected-equal"):
        done = run(folder, "job", "decide", point, "as ordered", "--name", "N. N.")
        assert done.status == 0, done.stderr
    return folder


def copy_of(folder: Path, tmp_path: Path) -> Path:
    shutil.copytree(folder, tmp_path / "bench")
    return tmp_path / "bench"


def learn_json(folder: Path, *more: str) -> dict[str, Any]:
    done = run(folder, "layout", "learn", "--json", *more)
    assert done.status == 0, done.stderr
    document = json.loads(done.stdout)
    assert isinstance(document, dict)
    return document


def error_of(folder: Path) -> tuple[int, str]:
    done = run(folder, "layout", "learn", "--out", "learned.toml", "--json")
    document = json.loads(done.stdout)
    assert document["schema"] == "benchimage.error/1"
    assert not (folder / "learned.toml").exists()
    return done.status, document["code"]


def test_job_that_is_not_finished_teaches_nothing(opened: Path, written: Path) -> None:
    assert error_of(opened) == (3, "not-blanked")
    assert error_of(written) == (3, "not-finished")


def test_values_that_were_only_reported_are_no_proof(written: Path, tmp_path: Path) -> None:
    folder = copy_of(written, tmp_path)
    run(folder, "check", "--stage", "after-setup", "--reported-vin", VEHICLE_VIN)
    assert error_of(folder) == (3, "not-measured")


def test_job_without_a_layout_never_ends_well_enough(opened: Path, tmp_path: Path) -> None:
    folder = copy_of(opened, tmp_path)
    run(folder, "blank", "donor", "--vin", "1M8GDM9AXKP042788", "--confirm", "042788")
    (folder / "f1.bin").write_bytes(module_memory(VEHICLE_VIN, options=OPTIONS))
    run(folder, "check", "f1.bin", "--stage", "after-setup")
    assert error_of(folder)[0] == 3


def test_copy_that_was_lost_or_changed_is_damage(finished: Path, tmp_path: Path) -> None:
    folder = copy_of(finished, tmp_path)
    (read,) = [
        path
        for path in (folder / "job" / "files").iterdir()
        if path.read_bytes() == (folder / "f1.bin").read_bytes()
    ]
    read.chmod(0o644)
    read.write_bytes(bytes(256))
    assert error_of(folder) == (5, "copy-changed")
    read.unlink()
    assert error_of(folder) == (5, "copy-lost")


def test_what_the_procedure_wrote_is_told_as_it_was_planted(finished: Path) -> None:
    (memory,) = learn_json(finished)["memories"]
    told = {place["name"]: (place["bytes"], place["as_original"]) for place in memory["written"]}
    assert told == {
        "VIN": (17, 17),
        "VIN written": (1, 1),
        "VIN, mirrored": (17, 17),
        "starts": (4, 3),
        "access": (16, None),
    }
    (rest,) = memory["unexplained"]
    assert (rest["spans"], rest["as_original"]) == ([{"start": 0x31, "end": 0x40}], 15)
    assert [(sum_["name"], sum_["right"]) for sum_ in memory["checksums"]] == [("identity CRC", 1)]
    assert [each["code"] for each in memory["warnings"]] == ["kept-rewritten"]
    (proposal,) = memory["proposals"]
    assert (proposal["start"], proposal["end"], proposal["kind"]) == (0x31, 0x40, "configuration")


def test_protected_bytes_are_told_by_address_and_count_alone(finished: Path) -> None:
    said = [run(finished, "layout", "learn", *more).stdout for more in ([], ["--json"])]
    for text in said:
        assert "access" in text
        for secret in (SECRET, NEW_SECRET):
            for shown in (secret[:4].hex(), secret[:4].hex(" "), secret[:4].hex(" ").upper()):
                assert shown not in text


def test_report_says_what_was_written_and_the_shops_copy_alone_has_the_bytes(
    finished: Path, tmp_path: Path
) -> None:
    folder = copy_of(finished, tmp_path)
    for more in ((), ("--shop",)):
        done = run(folder, "report", "--no-pdf", *more)
        assert done.status == 0, done.stderr
    pages = {name: folder / "job" / "reports" / f"{name}-1" for name in ("report", "shop-copy")}
    for name, path in pages.items():
        facts = json.loads(path.with_suffix(".json").read_text())
        told = facts["chips"][0]["procedure"]
        rows = {row["name"]: row for row in told["written"]}
        assert (rows["access"]["new"], rows["access"]["bytes"]) == (None, 16)
        (rest,) = told["unexplained"]
        assert rest["new"] == (OPTIONS[1:].hex() if name == "shop-copy" else None)
        page = path.with_suffix(".html").read_text()
        assert "What the maker&#39;s procedure wrote" in page
        assert (OPTIONS[1:].hex(" ").upper() in page) == (name == "shop-copy")
        for secret in (SECRET, NEW_SECRET):
            assert secret.hex(" ").upper() not in page


def test_proposal_is_reviewed_and_nothing_else_is_asked_again(
    finished: Path, tmp_path: Path
) -> None:
    folder = copy_of(finished, tmp_path)
    name = "set by procedure at 0x0031"
    document = learn_json(folder, "--out", "learned.toml")
    assert document["out"] == "learned.toml"
    refused = run(folder, *("blank", "donor", "--layout", "learned.toml", "--confirm", "042788"))
    assert refused.status == 3
    open_ = run(folder, "layout", "review", "learned.toml", "--by", "N. N.")
    assert (open_.status, "guesses are open" in open_.stderr) == (2, True)
    assert open_.stderr.count(name) == open_.stderr.count("'") / 2 == 1
    yes = run(folder, *("layout", "review", "learned.toml", "--by", "N. N.", "--accept", name))
    assert yes.status == 0, yes.stderr
    reviewed = tomllib.loads((folder / "learned-reviewed-1.toml").read_text())
    before = tomllib.loads(short_layout())
    assert reviewed["layout"] == before["layout"]
    assert reviewed["checksum"] == before["checksum"]
    assert [each for each in reviewed["region"] if each["name"] != name] == before["region"]
    no = run(folder, *("layout", "review", "learned.toml", "--by", "N. N.", "--reject", name))
    assert no.status == 0, no.stderr
    again = tomllib.loads((folder / "learned-reviewed-2.toml").read_text())
    assert again["region"] == before["region"]
