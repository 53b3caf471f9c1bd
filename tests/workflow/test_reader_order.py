"""A reader that swaps words: the whole job by real commands, files in its order.

What the files must hold is worked out by Python's `array` module and by `tests.build`.
"""

from __future__ import annotations

import binascii
import hashlib
import json
import os
import random
import sys
from pathlib import Path

import pexpect
import pytest

from tests.build import LAYOUT, VEHICLE_VIN, blanked_memory
from tests.command_line import ROOT, parse_document
from tests.readers import swapped_16, swapped_32
from tests.workflow.jobs import DONOR, ORDER, ORIGINAL, Bench


def new_bench(folder: Path) -> Bench:
    """Swapped reads of both modules on a bench without a job."""
    folder.mkdir(parents=True)
    bench = Bench(folder)
    for name, content in (("o", ORIGINAL), ("d", DONOR)):
        bench.write(f"{name}1.bin", swapped_16(content))
        bench.write(f"{name}2.bin", swapped_16(content))
    (folder / "module.toml").write_text(LAYOUT)
    return bench


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = new_bench(tmp_path_factory.mktemp("swapped") / "bench")
    assert bench.start().returncode == 0, bench.start().stderr
    return bench


@pytest.fixture
def swapped(kept: Bench, tmp_path: Path) -> Bench:
    return kept.copy_to(tmp_path / "bench")


@pytest.fixture(scope="module")
def kept_blanked(kept: Bench, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = kept.copy_to(tmp_path_factory.mktemp("swapped-blanked") / "bench")
    done = bench.blank("--out", "to-write.bin")
    assert done.returncode == 0, done.stderr
    assert "swapped-16" in done.stdout
    return bench


@pytest.fixture
def blanked(kept_blanked: Bench, tmp_path: Path) -> Bench:
    return kept_blanked.copy_to(tmp_path / "bench")


def events(bench: Bench, kind: str) -> list[dict[str, object]]:
    lines = map(json.loads, (bench.job / "journal.jsonl").read_text().splitlines())
    return [line["facts"] for line in lines if line["kind"] == kind]


def test_the_vin_tells_the_order_and_everything_is_seen_as_the_chip_has_it(
    swapped: Bench,
) -> None:
    (said,) = events(swapped, "reader-order-set")
    assert (said["order"], said["how"], said["memory"]) == ("swapped-16", "found", "24c02")
    done = swapped.in_job("start")
    assert "reader's files: swapped-16. Shown here in the chip's order" in " ".join(
        done.stdout.split()
    )
    assert swapped.in_job("compare", "donor", "donor").returncode == 0
    document = parse_document(swapped.in_job("inspect", "original", "--json"), "inspect")
    assert document["vins"][0]["text"] == VEHICLE_VIN
    assert document["vins"][0]["stored_as"] == "plain"
    assert document["reads"][0]["sha256"] == hashlib.sha256(ORIGINAL).hexdigest()
    assert document["reads"][0]["file_sha256"] == hashlib.sha256(swapped_16(ORIGINAL)).hexdigest()
    by_path = parse_document(swapped.in_job("inspect", "o1.bin", "--json"), "inspect")
    assert by_path["reads"][0]["sha256"] == hashlib.sha256(ORIGINAL).hexdigest()


def test_the_backup_keeps_the_file_as_it_was_read(swapped: Bench) -> None:
    kept = {path.read_bytes() for path in (swapped.folder / "store").rglob("*") if path.is_file()}
    assert swapped_16(DONOR) in kept
    assert DONOR not in kept
    assert swapped.run("backup", "check").returncode == 0


def test_the_file_to_write_is_in_the_readers_order(blanked: Bench) -> None:
    wanted = blanked_memory(DONOR)
    assert (blanked.folder / "to-write.bin").read_bytes() == swapped_16(wanted)
    document = parse_document(blanked.in_job("inspect", "to-write", "--json"), "inspect")
    assert document["reads"][0]["sha256"] == hashlib.sha256(wanted).hexdigest()
    done = blanked.in_job("check", "to-write", "--stage", "before-writing")
    assert done.returncode == 0, done.stdout
    assert "swapped-16" in done.stdout
    same = blanked.in_job("check", "to-write.bin", "--stage", "before-writing")
    assert same.returncode == 0, same.stdout


def test_a_fresh_read_of_the_target_comes_from_the_same_reader(blanked: Bench) -> None:
    blanked.write("target.bin", swapped_16(DONOR))
    done = blanked.in_job("check", "--stage", "before-writing", "--target", "target.bin")
    assert done.returncode == 0, done.stdout


def test_the_read_back_is_compared_in_the_chips_order(blanked: Bench) -> None:
    wanted = blanked_memory(DONOR)
    blanked.write("back.bin", swapped_16(wanted))
    assert blanked.in_job("check", "to-write").returncode == 0
    assert blanked.in_job("check", "back.bin", "--stage", "after-writing").returncode == 0
    report = parse_document(blanked.in_job("report", "--no-pdf", "--json"), "report")
    (chip,) = report["chips"]
    assert "Byte order of your reader's files: swapped-16" in chip["reader_order"]
    assert not [image["missing"] for image in chip["images"] if image["missing"]]


def test_a_read_back_of_another_reader_is_named_with_its_order(blanked: Bench) -> None:
    """Plain bytes equal to the file mean a dead module, unless another reader made the read."""
    blanked.write("back.bin", blanked_memory(DONOR))
    done = blanked.in_job("check", "back.bin", "--stage", "after-writing")
    assert done.returncode == 1
    said = " ".join(done.stdout.split())
    assert "the two bytes of each 16-bit word swapped" in said
    assert "If another reader made this read, give its byte order with --reader-order" in said
    done = blanked.in_job(
        *("check", "back.bin", "--stage", "after-writing", "--reader-order", "plain")
    )
    assert done.returncode == 0, done.stdout


def test_a_module_that_holds_swapped_words_fails(blanked: Bench) -> None:
    """The file was written as it lies: what the reader then gives is the chip's own order."""
    wanted = blanked_memory(DONOR)
    dead = swapped_16(swapped_16(wanted))  # The module holds swapped words, the reader swaps.
    blanked.write("back.bin", dead)
    assert blanked.in_job("check", "back.bin", "--stage", "after-writing").returncode == 1


@pytest.mark.parametrize("order", ["swapped-16", "plain"])
def test_the_finished_module_is_judged_from_either_reader(blanked: Bench, order: str) -> None:
    content = bytearray(blanked_memory(DONOR))
    content[0x10:0x24] = ORIGINAL[0x10:0x24]
    content[0x50:0x61] = ORIGINAL[0x50:0x61]
    data = swapped_16(bytes(content)) if order == "swapped-16" else bytes(content)
    blanked.write("finished.bin", data)
    more = () if order == "swapped-16" else ("--reader-order", f"24c02={order}")
    done = blanked.in_job("check", "finished.bin", "--stage", "after-setup", *more, "--json")
    document = parse_document(done, "check")
    assert not [check for check in document["checks"] if check["result"] == "fail"]


def test_a_restored_file_is_in_the_readers_order_and_a_read_proves_it(blanked: Bench) -> None:
    done = blanked.in_job("backup", "restore", "donor", "--out", "back.bin", "--json")
    assert parse_document(done, "backup-restore")["very_file"] is True
    assert (blanked.folder / "back.bin").read_bytes() == swapped_16(DONOR)
    blanked.write("again.bin", swapped_16(DONOR))
    assert blanked.in_job("check", "again.bin", "--stage", "restored").returncode == 0
    blanked.write("plain.bin", DONOR)
    by_other = blanked.in_job(
        *("check", "plain.bin", "--stage", "restored", "--reader-order", "plain")
    )
    assert by_other.returncode == 0, by_other.stdout


def test_a_second_reader_that_writes_plain_is_known_by_the_content(swapped: Bench) -> None:
    swapped.write("d3.bin", DONOR)
    done = swapped.in_job("start", "--donor", "d3.bin")
    assert done.returncode == 0, done.stdout
    newest = events(swapped, "reads-kept")[-1]
    assert newest["orders"] == ["swapped-16", "swapped-16", "plain"]
    assert newest["agree"] is True
    assert swapped.blank("--out", "w.bin").returncode == 0
    assert (swapped.folder / "w.bin").read_bytes() == swapped_16(blanked_memory(DONOR))
    restored = swapped.in_job("backup", "restore", "donor", "--read", "3", "--out", "r.bin")
    assert restored.returncode == 0
    assert (swapped.folder / "r.bin").read_bytes() == swapped_16(DONOR)


def test_an_order_that_no_text_tells_is_named_by_the_technician(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    content = random.Random(7).randbytes(256)
    bench.write("d1.bin", swapped_32(content))
    bench.write("d2.bin", swapped_32(content))
    begun = bench.in_job(
        *("start", "--memory", "eeprom=24C02", "--donor", "d1.bin", "--donor", "d2.bin", *ORDER)
    )
    assert begun.returncode == 0, begun.stderr
    assert events(bench, "reader-order-set") == []
    for wrong, code in (("eeprom=every-2", 2), ("flash=swapped-32", 2)):
        assert bench.in_job("start", "--reader-order", wrong).returncode == code
    done = bench.in_job("start", "--reader-order", "eeprom=swapped-32")
    assert done.returncode == 0, done.stderr
    newest = events(bench, "reads-kept")[-1]
    assert newest["sha256"] == hashlib.sha256(content).hexdigest()
    assert newest["given"] == 0
    assert bench.in_job("start", "--reader-order", "eeprom=swapped-32").returncode == 0
    assert len(events(bench, "reader-order-set")) == 1
    again = bench.in_job("start", "--reader-order", "eeprom=plain")
    assert again.returncode == 0
    turned = events(bench, "reads-kept")[-1]
    assert turned["sha256"] == hashlib.sha256(swapped_32(content)).hexdigest()


def test_a_layout_of_the_library_tells_the_order_by_its_checksum(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    content = bytearray(random.Random(8).randbytes(256))
    content[0x80:0x84] = binascii.crc32(content[:0x80]).to_bytes(4, "big")
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, swapped_16(bytes(content)))
    (tmp_path / "layouts").mkdir()
    (tmp_path / "layouts" / "table.toml").write_text(
        '[layout]\nname = "table"\nchip = "24C02"\nsize = 256\nmodule = "body"\n'
        'reviewed = true\n[[checksum]]\nname = "all"\nalgorithm = "CRC-32/ISO-HDLC"\n'
        'covers = ["0x00-0x7F"]\nstored = "0x80+4"\nbyte_order = "big"\n'
        'when_blanked = "refresh"\n'
    )
    begun = bench.in_job(
        *("start", "--memory", "eeprom=24C02", "--donor", "d1.bin", "--donor", "d2.bin", *ORDER)
    )
    assert begun.returncode == 0, begun.stderr
    said = events(bench, "reader-order-set")
    assert [(each["order"], each["how"]) for each in said] == [("swapped-16", "found")]
    newest = events(bench, "reads-kept")[-1]
    assert newest["sha256"] == hashlib.sha256(content).hexdigest()


def test_a_job_is_found_again_by_a_file_in_its_readers_order(swapped: Bench) -> None:
    done = swapped.run("job", "list", "d1.bin")
    assert done.returncode == 0
    assert "the donor's 24c02" in " ".join(done.stdout.split())


def test_a_draft_is_in_the_chips_order(swapped: Bench) -> None:
    done = swapped.in_job("layout", "draft", "original", "donor", "--out", "draft.toml")
    assert done.returncode == 0, done.stderr
    text = (swapped.folder / "draft.toml").read_text()
    assert "0x0010+17" in text
    assert "swapped" not in text


def at_terminal(bench: Bench, *arguments: str) -> pexpect.spawn[str]:
    environment = os.environ | {
        "PYTHONPATH": str(ROOT),
        "BENCHIMAGE_STORE": str(bench.folder / "store"),
        "BENCHIMAGE_LAYOUTS": str(bench.folder / "layouts"),
    }
    return pexpect.spawn(
        sys.executable,
        ["-m", "memtool", *arguments, "--job", "job"],
        cwd=str(bench.folder),
        env=environment,
        encoding="utf-8",
        timeout=60,
        dimensions=(200, 300),
    )


@pytest.mark.parametrize(("typed", "order"), [("y", "swapped-16"), ("n", "plain")])
def test_a_doubt_is_asked_at_a_terminal(tmp_path: Path, typed: str, order: str) -> None:
    """Texts of one module alone: its maker may store them so, or the reader may swap."""
    memory = bytearray(b"\xff" * 256)
    for start, text in (
        (0x10, b"DOOR CONTROLLER"),
        (0x30, b"LEFT SIDE MODULE1"),
        (0x60, b"A12345B"),
    ):
        memory[start : start + len(text)] = text
    content = bytes(memory)
    bench = Bench(tmp_path)
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, swapped_16(content))
    begun = bench.in_job(
        *("start", "--chip", "24C02", "--donor", "d1.bin", "--single-read", "first", *ORDER)
    )
    assert begun.returncode in (0, 1), begun.stderr
    assert "--reader-order MEMORY=swapped-16" in " ".join(begun.stdout.split())
    assert events(bench, "reader-order-set") == []
    child = at_terminal(bench, "start", "--donor", "d2.bin", "--single-read", "one more")
    child.expect("Does your reader write 24c02 as swapped-16")
    child.sendline(typed)
    child.expect(pexpect.EOF)
    child.close()
    (said,) = events(bench, "reader-order-set")
    assert (said["how"], said["order"]) == ("asked", order)
    seen = content if order == "swapped-16" else swapped_16(content)
    assert events(bench, "reads-kept")[-1]["sha256"] == hashlib.sha256(seen).hexdigest()


def test_an_image_of_another_job_is_told_at_the_terminal_alone(swapped: Bench) -> None:
    swapped.job.rename(swapped.folder / "first")
    assert "knows one" not in swapped.in_job("start", "--job", "first").stderr
    again = swapped.start()
    assert again.returncode == 0, again.stderr
    assert "already has one of these images" not in again.stdout + again.stderr
    child = at_terminal(swapped, "start")
    child.expect("Order 7 already has one of these images: the original's 24c02, backup")
    child.expect(pexpect.EOF)
    child.close()
    report = swapped.in_job("report", "--no-pdf", "--json")
    assert "already has one of these images" not in report.stdout
