"""Which VINs a job knows: those noted for the same bytes by this version, else searched again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from memtool.store.backups import BackupStore
from memtool.workflow.guards import find_donor_vins, find_job_vins
from memtool.workflow.jobs import OpenJob, open_job
from tests.build import DONOR_VIN, VEHICLE_VIN, module_memory
from tests.workflow.jobs import Bench

OTHER_VIN = "1M8GDM9A1KP042789"
"""Made by hand for these tests; its check digit is right."""


def with_notes(opened: OpenJob, *, tool: str | None, vins: tuple[str, ...]) -> OpenJob:
    """The job as if its backups had noted these VINs, by the version `tool` or by this one."""
    modules = []
    for module in opened.job.modules:
        memories = []
        for memory in module.memories:
            backups = (replace(each, tool=tool or each.tool, vins=vins) for each in memory.backups)
            memories.append(replace(memory, backups=tuple(backups)))
        modules.append(replace(module, memories=tuple(memories)))
    return replace(opened, job=replace(opened.job, modules=tuple(modules)))


@pytest.mark.parametrize("tool", [None, "0.1.0"])
def test_both_modules_vins_are_known(started: Bench, tool: str | None) -> None:
    store = BackupStore(started.folder / "store")
    opened = open_job(started.job)
    if tool is not None:
        # An older version may have found less: its notes count for nothing.
        opened = with_notes(opened, tool=tool, vins=())
    assert find_job_vins(opened, store) == (VEHICLE_VIN, DONOR_VIN)
    assert find_donor_vins(opened, store) == (DONOR_VIN,)


def test_what_this_version_noted_is_not_looked_for_again(started: Bench) -> None:
    # Another than the reads hold, so that one sees which was asked.
    opened = with_notes(open_job(started.job), tool=None, vins=(OTHER_VIN,))
    store = BackupStore(started.folder / "store")
    assert find_job_vins(opened, store) == (VEHICLE_VIN, OTHER_VIN)


def test_a_read_that_is_not_the_noted_one_is_looked_at(bench: Bench) -> None:
    """A backup notes the VINs of its first read alone."""
    bench.write("d2.bin", module_memory(OTHER_VIN))
    bench.start()
    opened = with_notes(open_job(bench.job), tool=None, vins=())
    store = BackupStore(bench.folder / "store")
    assert find_job_vins(opened, store) == (VEHICLE_VIN, OTHER_VIN)
