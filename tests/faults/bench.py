"""A whole small job on disk, opened with the real command, and looked at without it."""

from __future__ import annotations

import json
from pathlib import Path

from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, blanked_memory, module_memory
from tests.command_line import run_benchimage
from tests.faults.invariants import journal_lines, look_at_store, sha256

DONOR = module_memory()
ORIGINAL = module_memory(VEHICLE_VIN, serial=b"SN-0001234-AB   ", starts=90210)
BLANKED = blanked_memory(DONOR)
CONFIRM = DONOR_VIN[-6:]


def lay_out_files(bench: Path) -> None:
    """The files that a technician has: two reads of each module, and a layout."""
    for name, data in (("d1", DONOR), ("d2", DONOR), ("o1", ORIGINAL), ("o2", ORIGINAL)):
        (bench / f"{name}.bin").write_bytes(data)
        (bench / f"{name}.bin").chmod(0o640)
    (bench / "module.toml").write_text(LAYOUT)


def start_arguments() -> list[str]:
    return [
        *("start", "--job", "job", "--store", "store", "--chip", "24C02"),
        *("--original", "o1.bin", "--original", "o2.bin", "--reseated"),
        *("--donor", "d1.bin", "--donor", "d2.bin", "--layout", "module.toml"),
        *("--work-order", "17", "--vehicle-vin", VEHICLE_VIN, "--module-kind", "body"),
        *("--authority", "order 17, signed", "--technician", "T. Tester"),
    ]


def blank_arguments(*more: str) -> list[str]:
    return [
        *("blank", "donor", "--job", "job", "--store", "store", "--confirm", CONFIRM),
        *("--keep", "0x40+4", "--reason", "counter", *more),
    ]


def open_bench(bench: Path) -> None:
    """Files on the bench, and a job opened over them."""
    lay_out_files(bench)
    done = run_benchimage(*start_arguments(), cwd=bench)
    assert done.returncode in (0, 1), done.stderr
    assert (bench / "job" / "journal.jsonl").exists(), done.stderr


def sources_of(bench: Path) -> dict[str, tuple[bytes, int, int, int]]:
    """I1: bytes, mode, time and number of links of every source file."""
    found = {}
    for path in sorted(bench.glob("*.bin")):
        status = path.stat()
        if path.name[0] in "do" and path.name[1:2].isdigit():
            found[path.name] = (
                path.read_bytes(),
                status.st_mode,
                status.st_mtime_ns,
                status.st_nlink,
            )
    return found


def assert_safe(bench: Path, where: str) -> None:
    """I2 and I4, after whatever happened."""
    seen = look_at_store(bench / "store")
    assert not seen.torn_records, where
    assert not seen.torn_files, where
    kept = {digest for digests in seen.backups.values() for digest in digests}
    for journal in (bench / "store" / "journal.jsonl", bench / "job" / "journal.jsonl"):
        if journal.exists():
            assert journal_lines(journal)[0], where
    for path in [*bench.glob("out*.bin"), *(bench / "job").rglob("to-write*")]:
        if path.suffix not in (".bin", ".hex") or path.name.startswith("."):
            continue
        assert path.read_bytes() == BLANKED, f"{where}: {path.name} is not wholly there"
        assert sha256(DONOR) in kept, f"{where}: a blanked file without a backup"


def job_kinds(bench: Path) -> list[str]:
    entries, rest = journal_lines(bench / "job" / "journal.jsonl")
    assert not rest
    return [str(entry["kind"]) for entry in entries]


def backup_ids(bench: Path) -> list[str]:
    done = run_benchimage("backup", "list", "--json", "--store", "store", cwd=bench)
    return [entry["id"] for entry in json.loads(done.stdout)["backups"]]
