"""F23, F26: names that some system could take for something else, and hours that come twice."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.command_line import ROOT
from tests.faults.bench import DONOR, open_bench
from tests.faults.invariants import look_at_store
from tests.hostile.forked import run_forked
from tests.needs import needs

NAMES = [
    *("CON", "nul.bin", "aux.", "trailing ", "trailing.", ".hidden", "~", "%00", "a;b&c|d`e`$(f)"),
    *("-rf", "--out", "..%2f..%2fx"),
    *("..\\..\\x", "C:\\x", "a:b", "*", "?", '"', "'", "<b>", "{{x}}"),
    *("#set page", "=1+1", "+1", "-1", "@x", "n" * 255, "\u00e9" * 127, "\u6f22" * 85),
    *("\u05d0\u05d1", "\u0627\u0628"),
    *("a\u0301", "\U0001f600", "\udcff\udcfe", "line\nline", "\x7f"),
]  # fmt: skip


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench = tmp_path_factory.mktemp("names")
    open_bench(bench)
    return bench


@pytest.mark.parametrize("name", NAMES, ids=lambda name: ascii(name)[:20])
def test_a_name_is_kept_as_text_and_never_used_as_a_path(opened: Path, name: str) -> None:
    """As a read, as an attachment, and in the report of the job."""
    place = opened / "odd"
    place.mkdir(exist_ok=True)
    try:
        (place / name).write_bytes(DONOR)
    except OSError:
        return
    before = {path for path in opened.rglob("*") if path.is_file()}
    store = ("--store", "../store")
    read = (f"./{name}", "--role", "reference", "--chip", "24C02", "--single-read", "x")
    kept = run_forked(["backup", "add", *read, *store, "--json"], cwd=place)
    assert kept.status in (0, 1), kept.stderr
    attached = run_forked(["job", "attach", "--job", "../job", "--json", "--", name], cwd=place)
    assert attached.status == 0, attached.stderr
    document = json.loads(attached.stdout)
    assert document["name"] == os.fsencode(name).decode("utf-8", "surrogateescape")
    assert Path(document["path"]).parent == Path("attachments")
    assert (opened / "job" / document["path"]).read_bytes() == DONOR
    new = {path for path in opened.rglob("*") if path.is_file()} - before
    allowed = ("store/files/", "store/records/", "job/attachments/attachment-")
    for path in new:
        assert path.relative_to(opened).as_posix().startswith(allowed), path
        assert path.name.isascii()
    seen = look_at_store(opened / "store")
    assert not seen.torn_files
    (place / name).unlink()


def test_a_report_over_all_these_names_is_made(opened: Path) -> None:
    """It comes after them in this file; alone it has one odd name, its own."""
    (opened / "#set page").write_bytes(DONOR)
    attach = ["job", "attach", "--job", "job", "--", "#set page"]
    assert run_forked(attach, cwd=opened).status == 0
    done = run_forked(["report", "--shop", "--job", "job", "--store", "store"], cwd=opened)
    assert done.status == 0, done.stderr
    made = {path.name for path in (opened / "job" / "reports").iterdir()}
    assert made >= {"shop-copy-1.html", "shop-copy-1.json"}


@needs("faketime")
def test_an_hour_that_comes_twice_changes_no_order(tmp_path: Path) -> None:
    """F23: two backups in the doubled hour of autumn, one in the lost hour of spring."""
    instants = [1792886400, 1792890000, 1774746000]
    """2026-10-25 00:00 and 01:00 UTC (both 02:00 there), 2026-03-29 01:00 UTC (03:00 there)."""
    for number, instant in enumerate(instants, 1):
        path = tmp_path / f"{number}.bin"
        path.write_bytes(bytes([number]) * 64)
        shift = instant - int(time.time())
        done = subprocess.run(
            [
                *(
                    "faketime",
                    "-f",
                    f"{shift:+d}s",
                    sys.executable,
                    "-m",
                    "memtool",
                    "backup",
                    "add",
                ),
                *(path.name, "--role", "donor", "--chip", "24C02", "--store", "store", "--json"),
            ],
            cwd=tmp_path,
            env=os.environ | {"PYTHONPATH": str(ROOT), "TZ": "CET-1CEST,M3.5.0,M10.5.0/3"},
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode in (0, 1), done.stderr
    listed = run_forked(["backup", "list", "--store", "store", "--json"], cwd=tmp_path)
    backups = json.loads(listed.stdout)["backups"]
    assert [entry["files"][0]["name"] for entry in backups] == ["1.bin", "2.bin", "3.bin"]
    times = [entry["added"] for entry in backups]
    assert [text[:13] + text[-6:] for text in times] == [
        *("2026-10-25T02+02:00", "2026-10-25T02+01:00", "2026-03-29T03+02:00")
    ]
    assert run_forked(["backup", "check", "--store", "store"], cwd=tmp_path).status == 0
