"""Routes beside blanking a donor, each by the commands that a technician types."""

from __future__ import annotations

from tests.build import VEHICLE_VIN, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import ORDER, ORIGINAL, Bench


def test_the_originals_own_image_goes_onto_an_equal_module(started: Bench) -> None:
    judged = started.in_job("check", "original", "--stage", "before-writing", "--all")
    assert judged.returncode == 1  # "Is that lawful here?" is left to a person.
    assert "Route: the original's own image" in judged.stdout
    assert "To program: 24C02" in judged.stdout
    assert "backup restore original --out FILE" in " ".join(judged.stdout.split())
    decided = started.in_job("job", "decide", "carried-along", "own module", "--name", "N. N.")
    assert decided.returncode == 0, decided.stderr
    assert "before-writing pass" in started.run("job", "list").stdout
    started.write("back.bin", ORIGINAL)
    back = parse_document(started.in_job("check", "back.bin", "--json"), "check")
    assert (back["stage"], back["verdict"]) == ("after-writing", "pass")
    started.write(
        "end.bin",
        module_memory(VEHICLE_VIN, serial=b"SN-0001200-AA   ", options=bytes(16), starts=101),
    )
    end = parse_document(started.in_job("check", "end.bin", "--json"), "check")
    assert (end["stage"], end["verdict"]) == ("after-setup", "pass")
    report = parse_document(started.in_job("report", "--json"), "report")
    assert report["changes"] == []
    assert not any("No file to program" in point for point in report["open_points"])
    assert report["result"].startswith("The module is configured for this vehicle")


def test_the_originals_chip_is_moved_onto_the_donors_board(bench: Bench) -> None:
    begun = bench.in_job(
        *("start", "--chip", "24C02", "--layout", "module.toml", "--reseated"),
        *("--original", "o1.bin", "--original", "o2.bin", *ORDER),
    )
    assert "Where the original's chip is moved onto the donor's board" in begun.stderr
    bench.write("moved.bin", ORIGINAL)
    moved = bench.in_job("check", "moved.bin", "--stage", "after-writing", "--json")
    document = parse_document(moved, "check")
    assert document["verdict"] == "pass"
    assert document["checks"][0]["code"] == "route"
    # Another read is told, not taken for good.
    bench.write("worn.bin", ORIGINAL[:-1] + b"\x00")
    worn = bench.in_job("check", "worn.bin", "--stage", "after-writing", "--json")
    assert parse_document(worn, "check")["verdict"] == "fail"
    bench.in_job("check", "moved.bin", "--stage", "after-writing")
    report = parse_document(bench.in_job("report", "--json"), "report")
    assert report["changes"] == []
