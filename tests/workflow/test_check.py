"""The four stages of `check` through real processes."""

from __future__ import annotations

from typing import Any

import pytest

from tests.build import (
    DONOR_VIN,
    LAYOUT,
    VEHICLE_VIN,
    blanked_memory,
    identity_crc,
    module_memory,
)
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, ORDER, ORIGINAL, Bench, Done

TYPED = f" {VEHICLE_VIN[:8].lower()} {VEHICLE_VIN[8:]} "
FINISHED = module_memory(VEHICLE_VIN, options=bytes(16), starts=4720)
"""The donor after the maker's procedure: the vehicle's VIN and options, its own serial."""
BLANKED = blanked_memory(DONOR)


def answers(done: Done) -> dict[str, str]:
    """The worst result of each check, by code."""
    document = parse_document(done, "check")
    order = ["pass", "decide", "not-checked", "fail"]
    worst: dict[str, str] = {}
    for check in document["checks"]:
        before = worst.get(check["code"], "pass")
        worst[check["code"]] = max(before, check["result"], key=order.index)
    return worst


def verdict(done: Done) -> str:
    return str(parse_document(done, "check")["verdict"])


def failed(done: Done) -> list[str]:
    return [code for code, result in answers(done).items() if result == "fail"]


def open_points(done: Done) -> list[str]:
    return [code for code, result in answers(done).items() if result in ("decide", "not-checked")]


def changed(memory: bytes, address: int, data: bytes = b"\x5a") -> bytes:
    other = bytearray(memory)
    other[address : address + len(data)] = data
    return bytes(other)


# Stage donor.


def test_donor_stage_leaves_differing_serials_to_a_person(started: Bench) -> None:
    done = started.in_job("check", "--stage", "donor", "--json")
    assert verdict(done) == "incomplete"
    assert open_points(done) == ["part-number", "module-identity"]
    assert done.returncode == 1


@pytest.mark.parametrize(
    ("ours", "theirs", "result"),
    [
        ("DZ-4107-C", "DZ-4107-C", "pass"),
        ("DZ-4107-D", "DZ-4107-C", "decide"),
        ("DZ-4108-C", "DZ-4107-C", "fail"),
    ],
)
def test_donor_stage_compares_part_numbers(
    started: Bench, ours: str, theirs: str, result: str
) -> None:
    started.in_job("start", "--donor-part", ours, "--original-part", theirs)
    done = started.in_job("check", "--stage", "donor", "--json")
    assert answers(done)["part-number"] == result


def test_part_numbers_are_said_of_the_label_or_of_the_memories(bench: Bench) -> None:
    layout = (bench.folder / "module.toml").read_text().replace('"serial"', '"part number"')
    bench.write("module.toml", layout.encode())
    bench.start()
    held = DONOR[:16].decode("ascii").strip()
    parts = ("--donor-part", held, "--original-part", "SN-0001200-AA")
    bench.in_job("start", *parts)
    rows = parse_document(bench.in_job("check", "--stage", "donor", "--json"), "check")["checks"]
    (row,) = [row for row in rows if row["code"] == "part-number"]
    assert "as entered" in row["text"]
    bench.in_job("start", "--donor-part", "SN-0001200-AA")
    rows = parse_document(bench.in_job("check", "--stage", "donor", "--json"), "check")["checks"]
    (row,) = [row for row in rows if row["code"] == "part-number"]
    assert row["result"] == "decide"
    assert (
        f"The donor's memory holds part number {held}, but SN-0001200-AA was entered" in row["text"]
    )


def test_donor_stage_says_when_calibration_differs(bench: Bench) -> None:
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, changed(DONOR, 0xB0))
    bench.start()
    done = bench.in_job("check", "--stage", "donor", "--json")
    assert answers(done)["same-calibration"] == "decide"


def test_donor_stage_without_original_says_what_was_not_compared(bench: Bench) -> None:
    bench.in_job(
        *("start", "--chip", "24C02", "--donor", "d1.bin", "--donor", "d2.bin", *ORDER),
        *("--original-unreadable", "chip burnt", "--layout", "module.toml"),
    )
    done = bench.in_job("check", "--json")
    assert parse_document(done, "check")["stage"] == "donor"
    assert {"same-memory", "module-identity", "same-configuration"} <= set(open_points(done))
    assert failed(done) == []


# Stage before-writing.


def test_before_writing_passes_the_blanked_file(blanked: Bench) -> None:
    done = blanked.in_job("check", "--json")
    assert parse_document(done, "check")["stage"] == "before-writing"
    assert verdict(done) == "pass"
    assert done.returncode == 0


@pytest.mark.parametrize(
    ("address", "broken"),
    [
        (0x38, {"made-here", "only-planned"}),
        (0x84, {"made-here", "only-planned", "protected-equal"}),
        (0x03, {"made-here", "only-planned", "module-identity-equal"}),
        (0x22, {"made-here", "checksum"}),
    ],
)
def test_before_writing_fails_a_file_changed_since(
    blanked: Bench, address: int, broken: set[str]
) -> None:
    blanked.write("changed.bin", changed(BLANKED, address))
    done = blanked.in_job("check", "changed.bin", "--stage", "before-writing", "--json")
    assert verdict(done) == "fail"
    assert broken <= set(failed(done))


def test_before_writing_fails_another_size(blanked: Bench) -> None:
    blanked.write("long.bin", BLANKED + b"\xff")
    done = blanked.in_job("check", "long.bin", "--stage", "before-writing", "--json")
    assert "fits" in failed(done)


def test_before_writing_fails_a_file_that_still_holds_the_identity(blanked: Bench) -> None:
    done = blanked.in_job("check", "donor", "--stage", "before-writing", "--json")
    assert {"made-here", "no-vin"} <= set(failed(done))


def test_before_writing_names_the_transfer_of_the_originals_own_image(started: Bench) -> None:
    done = started.in_job("check", "o1.bin", "--stage", "before-writing", "--json")
    document = parse_document(done, "check")
    assert "unchanged, onto an equal module" in document["checks"][0]["text"]
    assert failed(done) == []
    assert open_points(done) == ["carried-along"]
    assert verdict(done) == "incomplete"


def test_before_writing_compares_a_fresh_read_of_the_module(blanked: Bench) -> None:
    blanked.write("same.bin", DONOR)
    blanked.write("counted.bin", module_memory(starts=4712))
    blanked.write("other.bin", changed(DONOR, 0x33))
    stage = ("check", "--stage", "before-writing", "--json", "--target")
    assert verdict(blanked.in_job(*stage, "same.bin")) == "pass"
    assert verdict(blanked.in_job(*stage, "counted.bin")) == "only-counters-differ"
    done = blanked.in_job(*stage, "other.bin")
    assert failed(done) == ["target"]


def test_before_writing_refuses_when_the_backup_was_changed(blanked: Bench) -> None:
    for path in (blanked.folder / "store").rglob("*"):
        if path.is_file() and path.read_bytes() == DONOR:
            path.chmod(0o644)
            path.write_bytes(DONOR[:-1] + b"\x00")
    assert blanked.in_job("check").returncode == 5


# Stage after-writing.


def after_writing(bench: Bench, memory: bytes) -> Done:
    bench.write("back.bin", memory)
    return bench.in_job("check", "back.bin", "--stage", "after-writing", "--json")


def test_after_writing_passes_an_equal_module(blanked: Bench) -> None:
    assert verdict(after_writing(blanked, BLANKED)) == "pass"


@pytest.mark.parametrize(
    ("memory", "cause"),
    [
        (DONOR, "write protection"),
        (BLANKED[:0x40] + DONOR[0x40:], None),
        (changed(BLANKED, 0x12), None),
    ],
)
def test_after_writing_fails_a_module_that_did_not_take_it(
    blanked: Bench, memory: bytes, cause: str | None
) -> None:
    done = after_writing(blanked, memory)
    document = parse_document(done, "check")
    assert verdict(done) == "fail"
    assert "the first difference is at 0x" in document["checks"][0]["text"]
    assert document["checks"][0]["spans"]
    if cause:
        assert any(cause in check["text"].lower() for check in document["checks"])


def test_after_writing_tells_counters_from_the_rest(blanked: Bench) -> None:
    moved = changed(BLANKED, 0x42, b"\x99")
    assert verdict(after_writing(blanked, moved)) == "only-counters-differ"
    both = changed(moved, 0x33)
    assert verdict(after_writing(blanked, both)) == "fail"


def test_after_writing_does_not_take_a_planned_flag_for_a_counter(blanked: Bench) -> None:
    assert verdict(after_writing(blanked, changed(BLANKED, 0x21, b"\x01"))) == "fail"


def test_after_writing_needs_a_read(blanked: Bench) -> None:
    assert blanked.in_job("check", "--stage", "after-writing").returncode == 2


# Stage after-setup.


def after_setup(bench: Bench, memory: bytes, *more: str) -> Done:
    bench.write("done.bin", memory)
    return bench.in_job("check", "done.bin", "--stage", "after-setup", "--json", *more)


def test_after_setup_passes_when_every_vin_is_the_vehicles(blanked: Bench) -> None:
    done = after_setup(blanked, FINISHED, "--reported-vin", TYPED, "--codes", "none")
    assert verdict(done) == "pass"
    assert done.returncode == 0


def mend(memory: bytes) -> bytes:
    return changed(memory, 0x22, identity_crc(memory))


@pytest.mark.parametrize(
    ("memory", "broken"),
    [
        (mend(changed(FINISHED, 0x10, DONOR_VIN.encode())), {"vins", "leftovers"}),
        (changed(FINISHED, 0x50, DONOR_VIN.encode()[::-1]), {"vins", "leftovers"}),
        (changed(FINISHED, 0x50, b"\xff" * 17), {"vins"}),
        (changed(FINISHED, 0x22), {"checksum"}),
        (BLANKED, {"vins"}),
    ],
)
def test_after_setup_fails_what_is_wrong(blanked: Bench, memory: bytes, broken: set[str]) -> None:
    done = after_setup(blanked, memory)
    assert verdict(done) == "fail"
    assert set(failed(done)) == broken


def test_after_setup_leaves_a_differing_configuration_to_a_person(blanked: Bench) -> None:
    done = after_setup(blanked, changed(FINISHED, 0x35))
    assert open_points(done) == ["configuration"]
    assert verdict(done) == "incomplete"


def test_after_setup_marks_reported_values_as_reported(blanked: Bench) -> None:
    done = blanked.in_job("check", "--reported-vin", VEHICLE_VIN, "--codes", "none", "--json")
    document = parse_document(done, "check")
    assert document["stage"] == "after-setup"
    assert "reported" in document["checks"][0]["text"].lower()
    assert open_points(done) == ["measured"]
    assert verdict(done) == "incomplete"


def test_after_setup_reported_values_stand_on_an_earlier_read(blanked: Bench) -> None:
    assert verdict(after_setup(blanked, FINISHED)) == "pass"
    done = blanked.in_job("check", "--reported-vin", VEHICLE_VIN, "--codes", "none", "--json")
    assert verdict(done) == "pass"


def test_after_setup_fails_a_foreign_reported_vin(blanked: Bench) -> None:
    done = blanked.in_job("check", "--reported-vin", DONOR_VIN, "--json")
    assert failed(done) == ["reported-vin"]


def test_after_setup_leaves_reported_codes_to_a_person(blanked: Bench) -> None:
    done = after_setup(blanked, FINISHED, "--codes", "B1234 stored")
    assert open_points(done) == ["codes"]


# The order of stages.


def test_stage_is_inferred_from_the_job(started: Bench) -> None:
    stages: list[Any] = []

    def check(*arguments: str) -> None:
        done = started.in_job("check", *arguments, "--json")
        stages.append(parse_document(done, "check")["stage"])

    check()
    assert started.blank().returncode == 0
    check()
    started.write("back.bin", BLANKED)
    check("back.bin")
    started.write("done.bin", FINISHED)
    check("done.bin")
    assert stages == ["donor", "before-writing", "after-writing", "after-setup"]


def test_without_layout_nothing_unchecked_is_called_good(bench: Bench) -> None:
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, changed(DONOR, 0x22))  # No checksum over the VIN holds.
    bench.in_job(
        *("start", "--chip", "24C02", "--donor", "d1.bin", "--donor", "d2.bin"),
        *("--original", "o1.bin", "--original", "o2.bin", *ORDER),
    )
    done = bench.in_job("blank", "donor", "--vin", DONOR_VIN, "--confirm", "042788")
    assert done.returncode == 0, done.stderr
    done = bench.in_job("check", "--json")
    assert verdict(done) == "incomplete"
    assert {"checksums", "protected-equal", "module-identity-equal"} <= set(open_points(done))


def test_check_outside_a_job_is_wrong_usage(bench: Bench) -> None:
    assert bench.run("check").returncode == 2


def test_only_the_jobs_own_layout_judges(blanked: Bench) -> None:
    done = blanked.in_job("check", "--layout", "module.toml", "--json")
    assert verdict(done) == "pass"
    blanked.write("other.toml", LAYOUT.replace("CRC-16/IBM-3740", "CRC-16/XMODEM").encode())
    refused = blanked.in_job("check", "--layout", "other.toml")
    assert refused.returncode == 3
    assert "not the layout that the job uses" in refused.stderr


def test_original_image_is_never_taken_for_a_blanked_donor(blanked: Bench) -> None:
    blanked.write("almost.bin", changed(ORIGINAL, 0xFF, b"\x00"))
    done = blanked.in_job("check", "almost.bin", "--stage", "before-writing", "--json")
    assert "made-here" in failed(done)
