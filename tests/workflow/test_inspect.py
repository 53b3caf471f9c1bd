"""`inspect` through real processes: what the first look at a read says."""

from __future__ import annotations

import subprocess

from tests.build import DONOR_VIN, module_memory
from tests.command_line import parse_document
from tests.needs import needs
from tests.workflow.jobs import DONOR, Bench


def test_inspect_shows_every_fact_of_a_good_read(bench: Bench) -> None:
    done = bench.run("inspect", "d1.bin", "--layout", "module.toml", "--chip", "24C02", "--json")
    document = parse_document(done, "inspect")
    assert done.returncode == 0
    read = document["reads"][0]
    digest = subprocess.run(
        ["sha256sum", bench.folder / "d1.bin"], capture_output=True, text=True, check=True
    ).stdout.split()[0]
    assert read["sha256"] == read["file_sha256"] == digest
    assert read["size"] == 256
    assert document["agreement"] is None
    assert [(vin["start"], vin["stored_as"], vin["region"]) for vin in document["vins"]] == [
        (0x10, "plain", "VIN"),
        (0x50, "reversed", "VIN, mirrored"),
    ]
    values = {field["name"]: field["value"] for field in document["fields"]}
    assert values["VIN"] == values["VIN, mirrored"] == DONOR_VIN
    assert values["starts"] == 4711
    assert values["access"] is None
    assert [checksum["result"] for checksum in document["checksums"]] == ["pass"]


@needs("objcopy")
def test_same_content_in_three_formats_is_one_image(bench: Bench) -> None:
    for target, name in (("ihex", "d1.hex"), ("srec", "d1.s19")):
        subprocess.run(
            ["objcopy", "-I", "binary", "-O", target, "d1.bin", name],
            cwd=bench.folder,
            check=True,
        )
    done = bench.run("inspect", "d1.bin", "d1.hex", "d1.s19", "--json")
    document = parse_document(done, "inspect")
    assert len({read["sha256"] for read in document["reads"]}) == 1
    assert [read["format"] for read in document["reads"]] == ["raw", "intel-hex", "s-record"]
    assert document["agreement"]["agree"] is True


def test_inspect_ends_with_1_when_reads_differ(bench: Bench) -> None:
    bench.write("other.bin", module_memory(starts=4712))
    done = bench.run("inspect", "d1.bin", "other.bin", "--json")
    agreement = parse_document(done, "inspect")["agreement"]
    assert done.returncode == 1
    assert agreement["differing_bytes"] == 1
    assert agreement["spans"] == [{"start": 0x43, "end": 0x44}]


def test_inspect_ends_with_1_when_a_checksum_is_wrong(bench: Bench) -> None:
    bench.write("wrong.bin", DONOR[:0x22] + b"\x00" + DONOR[0x23:])
    done = bench.run("inspect", "wrong.bin", "--layout", "module.toml", "--json")
    assert done.returncode == 1
    assert parse_document(done, "inspect")["checksums"][0]["result"] == "fail"


def test_inspect_ends_with_1_when_the_read_is_empty(bench: Bench) -> None:
    for fill in (b"\xff", b"\x00"):
        bench.write("empty.bin", fill * 256)
        done = bench.run("inspect", "empty.bin", "--json")
        assert done.returncode == 1
        findings = parse_document(done, "inspect")["reads"][0]["findings"]
        assert any(finding["severity"] == "failure" for finding in findings)


def test_inspect_never_shows_protected_bytes(bench: Bench) -> None:
    secret = b"SECRET-KEY-BYTES"
    bench.write("d1.bin", module_memory(secret=secret))
    done = bench.run("inspect", "d1.bin", "--layout", "module.toml")
    assert "SECRET" not in done.stdout
    done = bench.run("inspect", "d1.bin", "--layout", "module.toml", "--json")
    assert "SECRET" not in done.stdout
    assert secret.hex() not in done.stdout


def test_inspect_text_fits_80_columns_and_says_the_same_as_json(bench: Bench) -> None:
    done = bench.run("inspect", "d1.bin", "d2.bin", "--layout", "module.toml")
    assert max(map(len, done.stdout.splitlines())) <= 80
    for fact in (DONOR_VIN, "0x0010-0x0020", "2 identical reads", "4711", "pass"):
        assert fact in done.stdout
    assert "\x1b" not in done.stdout


def test_inspect_inside_a_job_names_its_images_and_is_recorded(started: Bench) -> None:
    done = started.in_job("inspect", "donor", "--json")
    document = parse_document(done, "inspect")
    assert document["vins"][0]["region"] == "VIN"
    assert "inspect" in (started.job / "journal.jsonl").read_text().splitlines()[-1]


def test_inspect_of_a_chip_nobody_knows_suggests_one(bench: Bench) -> None:
    done = bench.run("inspect", "d1.bin", "--chip", "24C2")
    assert done.returncode == 2
    assert "24C02" in done.stderr


def test_inspect_says_when_one_file_is_given_twice(bench: Bench) -> None:
    done = bench.run("inspect", "d1.bin", "./d1.bin", "--json")
    codes = [finding["code"] for finding in parse_document(done, "inspect")["findings"]]
    assert done.returncode == 1
    assert "reads-same-file" in codes


def test_inspect_compares_the_modules_of_a_job_by_their_names(started: Bench) -> None:
    done = started.in_job("inspect", "donor", "original", "--json")
    codes = [finding["code"] for finding in parse_document(done, "inspect")["findings"]]
    assert "reads-same-file" not in codes
