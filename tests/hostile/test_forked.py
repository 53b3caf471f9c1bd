"""The forks of the tests wait for no thread that a test left in this process."""

from __future__ import annotations

from pathlib import Path

import typst

from tests.faults.bench import open_bench
from tests.hostile.forked import run_forked


def test_a_pdf_made_here_does_not_stop_the_pdf_of_a_fork(tmp_path: Path) -> None:
    assert typst.compile(b"written here", format="pdf").startswith(b"%PDF")
    open_bench(tmp_path)
    ended = run_forked(["report", "--job", "job", "--store", "store"], cwd=tmp_path, timeout=30)
    assert ended.status in (0, 1), ended.stderr
    assert list((tmp_path / "job").rglob("*.pdf"))
