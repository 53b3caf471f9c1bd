"""The donor check of a job that has no layout, by real commands: what can be said in words."""

from __future__ import annotations

from pathlib import Path

from tests.build import module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import ORDER, ORIGINAL, Bench


def test_places_texts_and_equal_content_are_told_without_a_layout(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    for name, content in (("o", ORIGINAL), ("d", module_memory())):
        for number in (1, 2):
            bench.write(f"{name}{number}.bin", content)
    begun = bench.in_job(
        *("start", "--chip", "24C02", "--original", "o1.bin", "--original", "o2.bin"),
        *("--donor", "d1.bin", "--donor", "d2.bin", "--reseated", *ORDER),
    )
    assert begun.returncode in (0, 1), begun.stderr
    done = bench.in_job("check", "--stage", "donor", "--json")
    checks = {row["code"]: row for row in parse_document(done, "check")["checks"]}
    places = checks["vin-places"]["text"]
    assert "0x0010-0x0020" in places
    assert "reversed" in places
    assert checks["equal-content"]["result"] in ("pass", "decide")
    assert "0x" in checks["equal-content"]["text"]
