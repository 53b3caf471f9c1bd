"""F40: `python -O` leaves assertions out, so none of them may be a check."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from tests.build import blanked_memory
from tests.command_line import ROOT
from tests.workflow.jobs import DONOR, Bench
from tests.workflow.jobs import new_bench as make_bench


def assertions() -> list[tuple[str, ast.expr]]:
    found: list[tuple[str, ast.expr]] = []
    for path in sorted((ROOT / "memtool").rglob("*.py")):
        found += [
            (f"{path.relative_to(ROOT)}:{node.lineno}", node.test)
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Assert)
        ]
    return found


def tells_the_type_checker_only(test: ast.expr) -> bool:
    """``x is not None`` or ``isinstance(x, T)``: what the line before it has settled."""
    if isinstance(test, ast.Compare):
        return ast.unparse(test).endswith(" is not None") and len(test.ops) == 1
    is_call = isinstance(test, ast.Call) and isinstance(test.func, ast.Name)
    return is_call and ast.unparse(test).startswith("isinstance(")


def test_assertions_only_tell_types() -> None:
    wrong = [place for place, test in assertions() if not tells_the_type_checker_only(test)]
    assert wrong == []


def test_the_rule_itself_sees_a_check() -> None:
    seen = [
        tells_the_type_checker_only(ast.parse(text, mode="eval").body)
        for text in (
            "x is not None",
            "isinstance(x, dict)",
            "len(x) == 3",
            "x",
            "x is not None and y",
        )
    ]
    assert seen == [True, True, False, False, False]


@pytest.mark.parametrize(
    "flags", [("-OO", "-bb"), ("-bb", "-X", "utf8=0")], ids=["no assertions", "bytes, locale C"]
)
def test_a_job_comes_out_the_same(tmp_path: Path, flags: tuple[str, ...]) -> None:
    """Start, blank and check, by an interpreter that leaves checks out or is strict."""
    bench = make_bench(tmp_path / "bench")
    run_with(bench, flags, "backup", "add", "d1.bin", "d2.bin", "--role", "donor", *CHIP)
    started = run_with(
        bench, flags, "start", "--job", "job", *CHIP, "--layout", "module.toml", *READS, *ORDER
    )
    assert started.returncode in (0, 1), started.stderr
    blanked = run_with(bench, flags, "blank", "donor", "--job", "job", "--confirm", "042788", *KEPT)
    assert blanked.returncode == 0, blanked.stderr
    assert (bench.folder / "out.bin").read_bytes() == blanked_memory(DONOR)
    refused = run_with(bench, flags, "blank", "donor", "--job", "job", "--confirm", "042788", *KEPT)
    assert refused.returncode == 3


CHIP = ("--chip", "24C02")
READS = (
    *("--original", "o1.bin", "--original", "o2.bin"),
    *("--donor", "d1.bin", "--donor", "d2.bin", "--reseated"),
)
ORDER = (
    *("--work-order", "7", "--vehicle-vin", "1G4AH59H45G118341", "--module-kind", "body"),
    *("--authority", "seen"),
)
KEPT = ("--keep", "0x40+4", "--reason", "counter", "--out", "out.bin")


def run_with(
    bench: Bench, flags: tuple[str, ...], *arguments: str
) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, *flags, "-m", "memtool", *arguments],
        cwd=bench.folder,
        env={
            "PATH": "/usr/bin:/bin",
            "LC_ALL": "C",
            "PYTHONPATH": str(ROOT),
            "PYTHONCOERCECLOCALE": "0",
            "BENCHIMAGE_STORE": str(bench.folder / "store"),
            "BENCHIMAGE_LAYOUTS": str(bench.folder / "layouts"),
        },
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done
