"""A whole job on a memory that keeps records: start, blank, check, by the real commands."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.build import DONOR_VIN, VEHICLE_VIN
from tests.stores import nvs
from tests.stores.layouts import NVS
from tests.workflow.jobs import ORDER, Bench

FORMER_VIN = "1M8GDM9A1KP571934"
DONOR = nvs.module_image([FORMER_VIN, DONOR_VIN], seed=1, family=3)
ORIGINAL = nvs.module_image([VEHICLE_VIN], seed=2, family=3)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """An open job, by a reviewed layout."""
    folder: Path = tmp_path_factory.mktemp("records")
    bench = Bench(folder)
    for name, data in (("d1", DONOR), ("d2", DONOR), ("o1", ORIGINAL), ("o2", ORIGINAL)):
        bench.write(f"{name}.bin", data)
    bench.write("module.toml", NVS.format(chip=16384, size=16384, namespace=2).encode())
    done = bench.in_job(
        *("start", "--chip", "16384", "--layout", "module.toml", "--reseated"),
        *("--original", "o1.bin", "--original", "o2.bin"),
        *("--donor", "d1.bin", "--donor", "d2.bin", *ORDER),
    )
    assert done.returncode == 0, done.stderr + done.stdout
    return bench


def test_blanked_file_is_accepted_and_holds_no_vin(bench: Bench) -> None:
    dry = bench.in_job("blank", "donor", "--layout", "module.toml", "--dry-run")
    assert dry.returncode == 0, dry.stdout + dry.stderr
    digest = re.search(r"digest of the plan ([0-9a-f]{6})", dry.stdout + dry.stderr)
    assert digest is not None  # Two VINs go, so neither confirms.
    done = bench.in_job(
        *("blank", "donor", "--layout", "module.toml", "--confirm", digest[1], "--json")
    )
    assert done.returncode == 0, done.stderr
    out = json.loads(done.stdout)["memories"][0]["out"]
    data = (bench.folder / out).read_bytes()
    for vin in (DONOR_VIN, FORMER_VIN):
        assert vin.encode() not in data
    kept = [item for item in nvs.read_items(DONOR) if item.key != "vin"]
    assert [item for item in nvs.read_items(data) if item.key != "vin"] == kept
    checked = json.loads(bench.in_job("check", "--stage", "before-writing", "--json").stdout)
    assert "fail" not in {check["result"] for check in checked["checks"]}, checked["checks"]
