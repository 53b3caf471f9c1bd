"""`job majority`: one image out of three reads, each byte as most of them have it."""

from __future__ import annotations

import hashlib
import json

import pytest

from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, ORDER, Bench


def flipped(*addresses: int) -> bytes:
    """The donor's memory with a bit wrong at each address."""
    memory = bytearray(DONOR)
    for address in addresses:
        memory[address] ^= 0x40
    return bytes(memory)


@pytest.fixture
def three(bench: Bench) -> Bench:
    """An open job with three reads of the donor; each is wrong at another address."""
    for number, address in enumerate((0xA3, 0xB1, 0x35), 1):
        bench.write(f"d{number}.bin", flipped(address))
    done = bench.in_job(
        *("start", "--chip", "24C02", "--layout", "module.toml", "--reseated", *ORDER),
        *("--original", "o1.bin", "--original", "o2.bin"),
        *("--donor", "d1.bin", "--donor", "d2.bin", "--donor", "d3.bin"),
    )
    assert done.returncode == 1, done.stderr
    assert "job majority donor" in done.stderr
    return bench


def test_the_majority_is_the_module_and_every_doubtful_byte_is_shown(three: Bench) -> None:
    done = three.in_job("job", "majority", "donor", "--json")
    document = parse_document(done, "job-majority")
    assert document["sha256"] == hashlib.sha256(DONOR).hexdigest()
    assert (three.job / document["file"]).read_bytes() == DONOR
    assert document["reads"] == ["d1.bin", "d2.bin", "d3.bin"]
    assert [row["address"] for row in document["doubtful"]] == [0x35, 0xA3, 0xB1]
    for row, wrong in zip(document["doubtful"], (2, 0, 1), strict=True):
        right = f"{DONOR[row['address']]:02x}"
        assert (row["chosen"], row["agreed"]) == (right, 2)
        assert [value != right for value in row["values"]] == [
            number == wrong for number in range(3)
        ]


def test_the_majority_can_be_blanked_and_is_named_as_one(three: Bench) -> None:
    text = three.in_job("job", "majority", "donor")
    assert "2 of 3" in text.stdout
    assert "likely cause" in text.stdout
    assert "3 of 256 bytes differ between the reads" in " ".join(text.stdout.split())
    assert text.returncode == 0
    done = three.blank("--out", "to-write.bin")
    assert done.returncode == 0, done.stdout + done.stderr
    report = three.in_job("report", "--json")
    words = json.dumps(json.loads(report.stdout))
    assert "decided byte by byte from 3 reads, 3 bytes doubtful" in words
    shown = three.in_job("start").stdout
    assert "majority of 3 reads" in shown


def test_a_further_read_joins_the_reads_and_not_the_majority(three: Bench) -> None:
    three.in_job("job", "majority", "donor")
    three.write("d4.bin", DONOR)
    document = parse_document(three.in_job("start", "--donor", "d4.bin", "--json"), "start")
    donor = document["memories"][0]["modules"][1]
    assert (donor["reads"], donor["agree"]) == (4, False)
    again = parse_document(three.in_job("job", "majority", "donor", "--json"), "job-majority")
    assert [row["agreed"] for row in again["doubtful"]] == [3, 3, 3]


def test_a_byte_without_majority_is_refused(three: Bench) -> None:
    for number, value in enumerate((1, 2, 3), 1):
        memory = bytearray(DONOR)
        memory[0xC0] = value
        three.write(f"e{number}.bin", bytes(memory))
    three.in_job(
        *("start", "--sitting", "second", "--donor", "e1.bin", "--donor", "e2.bin"),
        *("--donor", "e3.bin"),
    )
    before = three.files()
    done = three.in_job("job", "majority", "donor", "--json")
    error = parse_document(done, "error")
    assert (done.returncode, error["code"], error["address"]) == (3, "no-majority", 0xC0)
    assert three.files() == before


def test_fewer_than_three_reads_of_a_sitting_cannot_form_a_majority(three: Bench) -> None:
    three.write("f1.bin", DONOR)
    three.in_job("start", "--sitting", "x", "--donor", "f1.bin")
    few = parse_document(three.in_job("job", "majority", "donor", "--json"), "error")
    assert few["code"] == "majority-reads"


def test_reads_that_agree_need_no_majority(started: Bench) -> None:
    started.write("d3.bin", DONOR)
    started.in_job("start", "--donor", "d3.bin")
    done = started.in_job("job", "majority", "donor", "--json")
    assert (done.returncode, parse_document(done, "error")["code"]) == (2, "reads-agree")
    done = started.in_job("job", "majority", "d1.bin", "--json")
    assert (done.returncode, parse_document(done, "error")["code"]) == (2, "no-such-role")


def test_a_job_is_found_by_what_people_know_of_it(three: Bench) -> None:
    for asked in ("7", "042788", "job", "1G4AH59H45G118341", "d2.bin", None):
        arguments = ("job", "list", *([asked] if asked else []), "--json")
        document = parse_document(three.run(*arguments), "job-list")
        assert [job["folder"] for job in document["jobs"]] == [str(three.job.resolve())], asked
        assert document["jobs"][0]["there"] is True
    told = parse_document(three.run("job", "list", "o1.bin", "--json"), "job-list")
    assert told["jobs"][0]["image"].startswith("the original's 24c02, backup ")
    assert "this is the donor's 24c02" in three.run("job", "list", "d3.bin").stdout
    nothing = parse_document(three.run("job", "list", "999999", "--json"), "job-list")
    assert nothing["jobs"] == []


def test_a_moved_job_is_said_to_be_gone_and_found_again_where_it_is(three: Bench) -> None:
    three.job.rename(three.folder / "moved")
    document = parse_document(three.run("job", "list", "--json"), "job-list")
    assert document["jobs"][0]["there"] is False
    three.run("start", "--job", "moved", "--complaint", "no windows")
    document = parse_document(three.run("job", "list", "--json"), "job-list")
    assert document["jobs"][0]["there"] is True
    assert document["jobs"][0]["folder"].endswith("moved")
