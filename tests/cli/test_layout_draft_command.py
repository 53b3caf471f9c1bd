"""`layout draft` and `layout review` as processes: files, documents, exit status, a terminal."""

from __future__ import annotations

import json
import os
import random
import sys
from pathlib import Path

import pytest

from memtool.formats.layout_toml.parsing import parse_layout
from memtool.store.layouts import read_layout
from tests.build import DONOR_VIN, VEHICLE_VIN, module_memory
from tests.command_line import ROOT, parse_document, run_benchimage

if sys.platform != "win32":
    import pexpect

BY = ("--by", "N. N.")
AT_A_TERMINAL = pytest.mark.skipif(
    sys.platform == "win32", reason="a pseudo-terminal is POSIX only"
)


@pytest.fixture(scope="module")
def drafted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two modules' reads and the draft of them; to be read only."""
    folder = tmp_path_factory.mktemp("drafted")
    (folder / "a.bin").write_bytes(module_memory(DONOR_VIN))
    (folder / "b.bin").write_bytes(module_memory(VEHICLE_VIN, serial=b"SN-0001234-AB   "))
    done = run_benchimage(
        *("layout", "draft", "a.bin", "b.bin", "--chip", "24C02", "--out", "draft.toml"),
        cwd=folder,
    )
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture
def folder(drafted: Path, tmp_path: Path) -> Path:
    for path in drafted.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    return tmp_path


def names_of(folder: Path) -> list[str]:
    layout = read_layout(folder / "draft.toml").layout
    return [region.name for region in layout.regions]


def accepting(names: list[str]) -> list[str]:
    return [part for name in names for part in ("--accept", name)]


def test_draft_is_a_valid_layout_that_is_not_reviewed(drafted: Path) -> None:
    assert not read_layout(drafted / "draft.toml").layout.reviewed
    done = run_benchimage(
        "layout", "check", "draft.toml", "--against", "a.bin", "--against", "b.bin", cwd=drafted
    )
    assert done.returncode == 0, done.stdout


def test_draft_as_json_is_the_published_document(drafted: Path, tmp_path: Path) -> None:
    done = run_benchimage(
        *("layout", "draft", "a.bin", "b.bin", "--chip", "24C02", "--json"),
        *("--vin", f"a.bin={DONOR_VIN}", "--out", str(tmp_path / "x.toml")),
        cwd=drafted,
    )
    document = parse_document(done, "layout-draft")
    assert [module["vin"] for module in document["modules"]] == [DONOR_VIN, None]
    kinds = {region["name"]: region["kind"] for region in document["regions"]}
    assert kinds["VIN"] == "vehicle-identity"
    assert document["checksums"][0]["algorithm"] == "CRC-16/IBM-3740"
    explained = sum(region["end"] - region["start"] for region in document["regions"])
    explained += sum(
        rule["stored"]["end"] - rule["stored"]["start"] for rule in document["checksums"]
    )
    assert explained + sum(span["end"] - span["start"] for span in document["unknown"]) == 256


def test_draft_never_overwrites(folder: Path) -> None:
    before = (folder / "draft.toml").read_bytes()
    done = run_benchimage(
        *("layout", "draft", "a.bin", "--chip", "24C02", "--out", "draft.toml"), cwd=folder
    )
    assert done.returncode == 3
    assert (folder / "draft.toml").read_bytes() == before


def test_draft_without_a_chip_ends_with_2_and_names_those_of_the_size(folder: Path) -> None:
    done = run_benchimage("layout", "draft", "a.bin", "--out", "x.toml", cwd=folder)
    assert done.returncode == 2
    assert "24C02" in done.stderr
    assert not (folder / "x.toml").exists()


def test_draft_refuses_the_vin_of_an_image_that_was_not_given(folder: Path) -> None:
    done = run_benchimage(
        *("layout", "draft", "a.bin", "--chip", "24C02", "--out", "x.toml"),
        *("--vin", f"c.bin={DONOR_VIN[:5].lower()} {DONOR_VIN[5:]}"),
        cwd=folder,
    )
    assert done.returncode == 2
    assert "c.bin" in done.stderr


def test_two_reads_of_one_module_are_one_module(folder: Path) -> None:
    (folder / "a2.bin").write_bytes(module_memory(DONOR_VIN, starts=4712))
    done = run_benchimage(
        *("layout", "draft", "a.bin", "a2.bin", "b.bin", "--chip", "24C02", "--json"),
        *("--out", "x.toml"),
        cwd=folder,
    )
    document = parse_document(done, "layout-draft")
    assert [module["reads"] for module in document["modules"]] == [2, 1]
    counter = next(region for region in document["regions"] if region["start"] == 0x40)
    assert counter["kind"] == "protected"


def test_review_by_options_marks_the_layout_with_name_and_date(folder: Path) -> None:
    before = (folder / "draft.toml").read_bytes()
    names = names_of(folder)
    done = run_benchimage(
        *("layout", "review", "draft.toml", *BY, *accepting(names[1:])),
        *("--reject", names[0], "--out", "out.toml", "--json"),
        cwd=folder,
    )
    document = parse_document(done, "layout-review")
    assert document["rejected"] == [names[0]]
    assert len(document["accepted"]) == len(names) - 1
    text = (folder / "out.toml").read_text()
    assert f"reviewed = true # by N. N., {document['date']}" in text
    layout = parse_layout(text)
    assert layout.reviewed
    assert layout.region_named(names[0]) is None
    assert (folder / "draft.toml").read_bytes() == before


def test_review_with_something_open_ends_with_2_and_keeps_the_answers(folder: Path) -> None:
    names = names_of(folder)
    first = run_benchimage("layout", "review", "draft.toml", *BY, "--accept", "VIN", cwd=folder)
    assert first.returncode == 2
    assert f"{len(names) - 1} of {len(names)} guesses are open" in first.stderr
    rest = [name for name in names if name != "VIN"]
    second = run_benchimage("layout", "review", "draft.toml", *BY, *accepting(rest), cwd=folder)
    assert second.returncode == 0, second.stderr
    assert read_layout(folder / "draft-reviewed-1.toml").layout.reviewed


def test_answers_to_another_version_of_the_file_do_not_count(folder: Path) -> None:
    run_benchimage("layout", "review", "draft.toml", *BY, "--accept", "VIN", cwd=folder)
    path = folder / "draft.toml"
    path.write_text(path.read_text() + "\n# changed\n")
    names = names_of(folder)
    done = run_benchimage("layout", "review", "draft.toml", *BY, cwd=folder)
    assert f"{len(names)} of {len(names)} guesses are open" in done.stderr


def test_review_refuses_a_name_that_is_not_there_and_offers_the_nearest(folder: Path) -> None:
    done = run_benchimage("layout", "review", "draft.toml", *BY, "--accept", "VINN", cwd=folder)
    assert done.returncode == 2
    assert "did you mean 'VIN'?" in done.stderr


def test_review_without_a_name_of_the_reviewer_ends_with_2(folder: Path) -> None:
    done = run_benchimage("layout", "review", "draft.toml", "--accept", "VIN", cwd=folder)
    assert done.returncode == 2
    assert "--by" in done.stderr


def test_review_never_overwrites(folder: Path) -> None:
    (folder / "out.toml").write_text("mine")
    done = run_benchimage(
        *("layout", "review", "draft.toml", *BY, *accepting(names_of(folder))),
        *("--out", "out.toml"),
        cwd=folder,
    )
    assert done.returncode == 3
    assert (folder / "out.toml").read_text() == "mine"


def terminal(folder: Path) -> pexpect.spawn:
    arguments = ["-m", "memtool", "layout", "review", "draft.toml", *BY]
    return pexpect.spawn(
        sys.executable,
        [*arguments, "--image", "a.bin", "--image", "b.bin"],
        cwd=str(folder),
        env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "dumb", "NO_COLOR": "1"},
        encoding="utf-8",
        timeout=60,
        dimensions=(24, 80),
    )


@AT_A_TERMINAL
def test_review_at_a_terminal_shows_stops_and_goes_on(folder: Path) -> None:
    names = names_of(folder)
    child = terminal(folder)
    child.expect(f"Guess 1 of {len(names)}: ")
    child.expect("a.bin")
    child.expect("b.bin")
    child.expect("differs")
    child.expect_exact("[y]es  [n]o  [c]hange  [b]ack  ")
    child.sendline("y")
    child.expect(f"Guess 2 of {len(names)}: VIN")
    child.expect(r"Each of the 2\s+configured\s+modules\s+holds\s+a\s+VIN")
    child.expect("'blank' overwrites these 17 bytes")
    child.expect(r"\[q\]uit")
    child.sendline("q")
    child.expect(f"Stopped; {len(names) - 1} guesses open")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 1
    assert not list(folder.glob("*-reviewed-*.toml"))

    child = terminal(folder)
    child.expect(f"Guess 2 of {len(names)}: VIN")
    child.expect(r"\[q\]uit")
    child.sendline("c")
    child.expect("name")
    child.sendline("VIN, first")
    for _ in range(6):
        child.expect(r"\]: ")
        child.sendline("")
    child.expect(r"\[q\]uit")
    child.sendline("x")
    child.expect("Guess 3 of")
    child.expect("Type one of the letters in brackets, then Enter.")
    screens = 0
    while child.expect([r"\[q\]uit", pexpect.EOF]) == 0:
        screens += 1
        child.sendline("a" if "[a]ll" in child.before else "y")
    child.close()
    assert child.exitstatus == 0
    layout = read_layout(folder / "draft-reviewed-1.toml").layout
    assert layout.reviewed
    assert layout.region_named("VIN, first") is not None
    assert layout.region_named("VIN again at 0x0050").copy_of == "VIN, first"  # type: ignore[union-attr]


@AT_A_TERMINAL
def test_every_screen_fits_eighty_columns_and_twenty_four_lines(folder: Path) -> None:
    child = terminal(folder)
    seen = []
    while child.expect([r"\[q\]uit", pexpect.EOF]) == 0:
        seen.append(child.before)
        child.sendline("y")
    child.close()
    lines = [line.rstrip("\r") for screen in seen for line in screen.split("\n")]
    assert len(seen) == len(names_of(folder))
    assert max(map(len, lines)) <= 80
    assert max(screen.count("\n") for screen in seen) <= 24


@AT_A_TERMINAL
def test_change_that_makes_no_valid_layout_is_told_and_not_kept(folder: Path) -> None:
    child = terminal(folder)
    child.expect(r"\[q\]uit")
    child.sendline("c")
    child.expect("name")
    child.sendline("")
    child.expect("kind: vehicle-identity, module-identity, ")
    child.expect(r"\]: ")
    child.sendline("nonsense")
    child.expect("'nonsense' is not one of them")
    child.expect(r"kind \[")
    child.sendline("")
    child.expect(r"span \[")
    child.sendline("0x0000+9999")
    for _ in range(4):
        child.expect(r"\]: ")
        child.sendline("")
    child.expect("Not kept: ")
    child.expect(r"\]: ")
    assert child.before.splitlines()[-1].startswith("span [0x0000+9999")
    child.sendline("q")
    child.expect("Guess 1 of")
    child.expect("Nothing was changed.")
    child.expect(r"\[q\]uit")
    child.sendline("q")
    child.expect(pexpect.EOF)
    child.close()
    progress = folder / "draft.toml.review.jsonl"
    assert not progress.exists() or "nonsense" not in progress.read_text()


@AT_A_TERMINAL
def test_protected_bytes_are_never_on_the_screen(tmp_path: Path) -> None:
    secrets = [random.Random(number).randbytes(32) for number in (1, 2)]
    for name, vin, secret in zip("ab", (DONOR_VIN, VEHICLE_VIN), secrets, strict=True):
        memory = bytearray(module_memory(vin))
        memory[0xA0:0xE0] = secret + secret[::-1]
        (tmp_path / f"{name}.bin").write_bytes(memory)
    run_benchimage(
        *("layout", "draft", "a.bin", "b.bin", "--chip", "24C02", "--out", "draft.toml"),
        cwd=tmp_path,
    )
    regions = read_layout(tmp_path / "draft.toml").layout.regions
    assert any(region.kind == "protected" for region in regions)
    child = terminal(tmp_path)
    seen = ""
    while child.expect([r"\[q\]uit", pexpect.EOF]) == 0:
        seen += child.before
        child.sendline("y")
    child.close()
    assert "The bytes of a protected region are not shown." in seen
    assert not any(secret[:4].hex(" ").upper() in seen for secret in secrets)


def test_review_as_json_never_asks(folder: Path) -> None:
    done = run_benchimage("layout", "review", "draft.toml", *BY, "--json", cwd=folder)
    assert done.returncode == 2
    assert json.loads(done.stdout)["code"] == "missing-answer"


def test_draft_of_bytes_four_gigabytes_apart_is_refused_at_once(tmp_path: Path) -> None:
    # Two data records, the second behind an extended linear address of 0xFFFF.
    lines = (":0400000001020304F2", ":02000004FFFFFC", ":0400000005060708E2", ":00000001FF")
    for name in ("a.hex", "b.hex"):
        (tmp_path / name).write_text("\n".join(lines) + "\n")
    done = run_benchimage(
        *("layout", "draft", "a.hex", "b.hex", "--chip", "24C02", "--out", "draft.toml"),
        cwd=tmp_path,
    )
    assert done.returncode == 2
    assert "convert --span" in done.stderr
    assert not (tmp_path / "draft.toml").exists()
