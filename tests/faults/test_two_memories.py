"""Both memories of a donor are written, or none, also where the disk is full after the first."""

from __future__ import annotations

import json
from pathlib import Path

from tests.build import blanked_memory
from tests.command_line import parse_document
from tests.faults.places import memory_disk
from tests.needs import needs_mounts
from tests.workflow.jobs import DONOR
from tests.workflow.two_memories import FLASH_DONOR, blanked_flash, start_two

BLANK = (
    *("blank", "donor", "--keep", "24c02=0x40+4", "--reason", "counter"),
    *("--confirm", "042788", "--out", "card"),
)


@needs_mounts
def test_a_disk_that_is_full_after_the_first_file_keeps_none(tmp_path: Path) -> None:
    bench = start_two(tmp_path / "bench")
    # One page: room for the first file, none for the second.
    with memory_disk(bench.folder / "card", "4k") as card:
        refused = bench.in_job(*BLANK, "--json")
        error = parse_document(refused, "error")
        assert (refused.returncode, error["code"]) == (5, "disk-full")
        assert list(card.iterdir()) == []
    lines = (bench.job / "journal.jsonl").read_text().splitlines()
    assert "image-blanked" not in [json.loads(line)["kind"] for line in lines]
    assert list((bench.job / "files").glob("to-write*")) == []
    with memory_disk(bench.folder / "card", "64k") as card:
        done = bench.in_job(*BLANK)
        assert done.returncode == 0, done.stderr
        assert (card / "to-write-24C02.bin").read_bytes() == blanked_memory(DONOR)
        assert (card / "to-write-2K.bin").read_bytes() == blanked_flash(FLASH_DONOR)
