"""After setup every changed byte is accounted for; mileage and function test are asked for."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.build import SECRET, VEHICLE_VIN, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import Bench

ROOT = Path(__file__).parents[2]
FINISHED = module_memory(VEHICLE_VIN, options=bytes(16), starts=4720)
"""What the maker's procedure leaves: VIN, options of the original, a counter that moved."""


def after_setup(bench: Bench, memory: bytes, *more: str) -> dict[str, Any]:
    name = "finished.bin"
    bench.write(name, memory)
    done = bench.in_job("check", name, "--stage", "after-setup", "--json", *more)
    return parse_document(done, "check")


def rows(document: dict[str, Any], code: str) -> list[dict[str, Any]]:
    return [row for row in document["checks"] if row["code"] == code]


def changed(*places: int) -> bytes:
    memory = bytearray(FINISHED)
    for address in places:
        memory[address] ^= 0x5A
    return bytes(memory)


def test_what_the_procedure_writes_is_accounted_for(blanked: Bench) -> None:
    document = after_setup(blanked, FINISHED)
    assert document["verdict"] == "pass"
    assert [row["result"] for row in rows(document, "changed-bytes")] == ["pass"]


@pytest.mark.parametrize(
    ("places", "code", "words"),
    [
        ((0xA5,), "changed-bytes", "1 byte of 'curve' (calibration) changed"),
        ((0x70, 0xF0, 0xF4), "changed-bytes", "3 bytes outside the layout's regions changed"),
        ((0x81, 0x82), "protected-equal", "2 bytes of 'access' changed. Were keys learned"),
        ((0x09,), "module-identity-equal", "1 byte of 'serial' changed"),
    ],
)
def test_any_other_changed_byte_is_a_point_for_a_person(
    blanked: Bench, places: tuple[int, ...], code: str, words: str
) -> None:
    document = after_setup(blanked, changed(*places))
    assert document["verdict"] == "incomplete"
    (row,) = rows(document, code)
    assert row["result"] == "decide"
    assert words in row["text"]
    told = {at for span in row["spans"] for at in range(span["start"], span["end"])}
    assert told == set(places)
    assert SECRET.hex()[:8] not in str(document)


def test_every_region_is_a_point_of_its_own_and_decided_once(blanked: Bench) -> None:
    document = after_setup(blanked, changed(0xA5, 0xF0))
    assert len(rows(document, "changed-bytes")) == 2
    for label in ("changed-bytes", "changed-bytes-2"):
        done = blanked.in_job("job", "decide", label, "adaptation, as seen", "--name", "N. N.")
        assert done.returncode == 0, done.stderr
    assert after_setup(blanked, changed(0xA5, 0xF0))["verdict"] == "pass"


def test_the_shops_copy_alone_shows_the_bytes_and_never_protected_ones(blanked: Bench) -> None:
    after_setup(blanked, changed(0xA5, 0x81, 0x82))
    document = parse_document(blanked.in_job("report", "--no-pdf", "--json", "--shop"), "report")
    curve, access = sorted(document["chips"][0]["runs"], key=lambda run: run["region"] != "curve")
    assert (curve["start"], curve["end"], curve["region"]) == (0xA5, 0xA6, "curve")
    assert int(curve["old"], 16) ^ int(curve["new"], 16) == 0x5A
    assert access == {"start": 0x81, "end": 0x83, "region": "access", "old": None, "new": None}
    page = next((blanked.job / "reports").glob("shop-copy-*.html")).read_text(encoding="utf-8")
    assert "protected: not shown" in page
    customers = parse_document(blanked.in_job("report", "--no-pdf", "--json"), "report")
    assert customers["chips"][0]["runs"] == []
    page = next((blanked.job / "reports").glob("report-*.html")).read_text(encoding="utf-8")
    assert "Bytes that changed after the file was written" not in page


def test_mileage_is_asked_for_and_recorded_as_reported(bench: Bench) -> None:
    layout = (bench.folder / "module.toml").read_text().replace('"access"', '"odometer"')
    bench.write("module.toml", layout.encode())
    assert bench.start().returncode in (0, 1)
    assert bench.blank("--out", "out.bin").returncode == 0
    document = after_setup(bench, FINISHED)
    assert [row["result"] for row in rows(document, "mileage")] == ["not-checked"]
    given = ("--mileage-before", "184,220 km", "--mileage-after", "97 km")
    (row,) = rows(after_setup(bench, FINISHED, *given), "mileage")
    assert row["result"] == "decide"
    assert "184,220 km" in row["text"]
    assert "97 km" in row["text"]
    assert "check local law" in row["text"]
    # It is on record now, and need not be given again.
    (row,) = rows(after_setup(bench, FINISHED), "mileage")
    assert "184,220 km" in row["text"]


def test_at_a_terminal_a_clusters_mileage_is_asked_for(bench: Bench) -> None:
    layout = (bench.folder / "module.toml").read_text().replace('"access"', '"odometer"')
    bench.write("module.toml", layout.encode())
    bench.start()
    assert bench.blank("--out", "out.bin").returncode == 0
    bench.write("finished.bin", FINISHED)
    person, terminal = pty.openpty()
    os.write(person, b"184220 km\n184220 km\n")
    done = subprocess.run(
        [
            *(sys.executable, "-m", "memtool", "check", "finished.bin", "--stage", "after-setup"),
            *("--job", "job", "--json"),
        ],
        cwd=bench.folder,
        env=os.environ | {"PYTHONPATH": str(ROOT), "BENCHIMAGE_STORE": str(bench.folder / "store")},
        stdin=terminal,
        stderr=terminal,
        stdout=subprocess.PIPE,
        text=True,
        timeout=120,
    )
    asked = os.read(person, 4096).decode()
    os.close(person)
    os.close(terminal)
    assert "Mileage shown before the work" in asked
    (row,) = rows(json.loads(done.stdout), "mileage")
    assert row["result"] == "pass"
    assert "184220 km, as reported" in row["text"]


def test_brakes_stay_open_until_calibration_and_test_are_on_record(bench: Bench) -> None:
    order = ("--vehicle-vin", VEHICLE_VIN, "--module-kind", "brakes", "--authority", "order seen")
    layout = (bench.folder / "module.toml").read_text().replace('"body"', '"brakes"')
    bench.write("module.toml", layout.encode())
    done = bench.start(order=order)
    assert done.returncode in (0, 1), done.stderr
    assert bench.blank("--out", "out.bin").returncode == 0
    assert [row["result"] for row in rows(after_setup(bench, FINISHED), "function-test")] == [
        "decide"
    ]
    tried = ("job", "test", "brakes bled and tried", "--result")
    assert bench.in_job(*tried, "ok").returncode == 0
    (row,) = rows(after_setup(bench, FINISHED), "function-test")
    assert row["result"] == "decide"
    assert "calibration is not on record" in row["text"]
    assert bench.in_job(*tried, "ok", "--calibration", "pressure sensor, passed").returncode == 0
    (row,) = rows(after_setup(bench, FINISHED), "qualified-work")
    assert row["result"] == "decide"
    assert "a qualified person" in row["text"]
    named = ("--procedure", "BR-12, bleeding", "--qualified-person", "N. N., brake specialist")
    assert bench.in_job("start", *named).returncode == 0
    assert after_setup(bench, FINISHED)["verdict"] == "pass"
    assert bench.in_job(*tried, "not-ok").returncode == 1
    assert after_setup(bench, FINISHED)["verdict"] == "fail"


@pytest.mark.parametrize("text", [" ", "."])
def test_a_blank_or_a_dot_is_no_function_test(started: Bench, text: str) -> None:
    assert started.in_job("job", "test", text, "--result", "ok").returncode == 2
