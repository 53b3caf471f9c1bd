"""From a job without a layout to a blanked donor: draft, refusal, review, blank."""

from __future__ import annotations

import json

from memtool.store.layouts import read_layout
from tests.build import blanked_memory, identity_crc
from tests.workflow.jobs import DONOR, ORDER, Bench


def start_without_layout(bench: Bench) -> None:
    done = bench.in_job(
        *("start", "--chip", "24C02", "--original", "o1.bin", "--original", "o2.bin"),
        *("--donor", "d1.bin", "--donor", "d2.bin", "--reseated", "--technician", "N. N."),
        *ORDER,
    )
    assert done.returncode in (0, 1), done.stderr
    assert "benchimage layout draft original donor --out layout.toml" in done.stderr
    assert "benchimage layout review layout.toml" in done.stderr


def test_drafted_layout_blanks_only_after_a_person_reviewed_it(bench: Bench) -> None:
    start_without_layout(bench)
    done = bench.in_job("layout", "draft", "original", "donor", "--out", "draft.toml")
    assert done.returncode == 0, done.stderr

    before = bench.files()
    blank = ("blank", "donor", "--confirm", "042788", "--out", "new.bin")
    refused = bench.in_job(*blank, "--layout", "draft.toml", "--json")
    assert refused.returncode == 3
    assert json.loads(refused.stdout)["code"] == "reviewed-layout"
    assert bench.files() == before

    names = [region.name for region in read_layout(bench.folder / "draft.toml").layout.regions]
    accepted = [part for name in names for part in ("--accept", name)]
    reviewed = bench.in_job("layout", "review", "draft.toml", *accepted)
    assert reviewed.returncode == 0, reviewed.stderr
    assert "benchimage blank donor --layout draft-reviewed-1.toml" in reviewed.stderr

    done = bench.in_job(*blank, "--layout", "draft-reviewed-1.toml")
    assert done.returncode == 0, done.stderr
    wanted = bytearray(blanked_memory(DONOR))
    # Without a never-configured module nothing tells the flag behind the VIN from other data.
    wanted[0x21] = DONOR[0x21]
    wanted[0x22:0x24] = identity_crc(wanted)
    assert (bench.folder / "new.bin").read_bytes() == bytes(wanted)
    journal = (bench.job / "journal.jsonl").read_text()
    assert "layout draft" in journal
    assert "layout review" in journal


def test_layout_that_nobody_reviewed_is_told_by_start(bench: Bench) -> None:
    start_without_layout(bench)
    bench.in_job("layout", "draft", "original", "donor", "--out", "draft.toml")
    done = bench.in_job("start", "--layout", "draft.toml", "--chip", "24C02")
    assert "nobody has reviewed the layout" in done.stderr


def test_draft_names_the_role_that_the_job_lacks(bench: Bench) -> None:
    start_without_layout(bench)
    done = bench.in_job("layout", "draft", "original", "reference", "--out", "draft.toml")
    assert done.returncode == 2
    assert "--reference READ" in done.stderr
