"""A machine that has Python alone skips what it cannot run, and says what to install."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from tests.command_line import ROOT
from tests.needs import PACKAGES

ONE_OF_EACH = [
    "tests/browser/test_byte_pages.py::test_a_print_says_what_it_leaves_out",
    (
        "tests/desk/test_terminal.py"
        "::test_the_normal_job_is_done_in_a_real_terminal_from_the_jobs_to_the_report"
    ),
    "tests/faults/test_file_systems.py::test_errors_that_come_at_fsync_only_are_no_success",
    "tests/faults/test_file_systems.py::test_a_store_works_on_a_stick",
    "tests/faults/test_file_systems.py::test_an_immutable_store_is_told",
    "tests/faults/test_many_processes.py::test_the_order_survives_every_clock",
    "tests/faults/test_strace_blank.py",
    "tests/faults/test_strace_blank_errors.py",
    "tests/hostile/test_bad_inputs.py::test_what_another_user_keeps_closed_is_told",
    "tests/hostile/test_no_network.py::test_the_trace_itself_sees_a_socket",
    "tests/outside/test_formats_other_readers.py::test_objcopy_keeps_gaps_as_we_do",
    "tests/outside/test_pdf_conformance.py::test_qpdf_finds_no_fault",
    "tests/outside/test_pdf_conformance.py::test_nothing_runs_off_the_sheet",
    "tests/workflow/test_report.py::test_paper_is_what_was_asked_for",
]


def run_without_programs(folder: Path, **more: str) -> str:
    """What pytest says of these tests where no program but Python is found."""
    folder.mkdir()
    clean = {name: value for name, value in os.environ.items() if name != "CI"}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-rsf", "-p", "no:cacheprovider", *ONE_OF_EACH],
        cwd=ROOT,
        env=clean | {"PATH": str(folder), "COLUMNS": "300"} | more,
        capture_output=True,
        text=True,
    )
    return done.stdout


def test_without_the_programs_tests_skip_and_name_the_package(tmp_path: Path) -> None:
    said = run_without_programs(tmp_path / "bin")
    counts = re.findall(r"(\d+) (\w+)", said.splitlines()[-1].partition(" in ")[0])
    assert [word for _, word in counts] == ["skipped"], said
    reasons = re.findall(r"^SKIPPED .*?: (needs .*)$", said, re.MULTILINE)
    assert reasons
    for reason in reasons:
        assert "Debian package" in reason
    for package in set(PACKAGES.values()):
        assert any(package in reason for reason in reasons) or os.geteuid() != 0, package


def _programs_run(tree: ast.Module) -> Iterator[str]:
    """The programs that a file's commands begin with, where they stand as plain words."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or not node.args:
            continue
        first = node.args[0]
        if isinstance(first, ast.List) and first.elts and isinstance(first.elts[0], ast.Constant):
            called = ast.unparse(node.func)
            if called.startswith("subprocess.") and isinstance(first.elts[0].value, str):
                yield first.elts[0].value


def test_no_test_runs_a_program_that_it_does_not_ask_for() -> None:
    """What every Debian has, git, and what only root's tests use need no asking."""
    always = {"bash", "git", "sh", "sha256sum", "umount", "losetup"}
    for path in sorted((ROOT / "tests").rglob("*.py")):
        if "bench" in path.parts or path.name.startswith("strace"):
            continue
        text = path.read_text(encoding="utf-8")
        for program in set(_programs_run(ast.parse(text))) - always:
            assert f'needs("{program}"' in text or f'require("{program}")' in text, (path, program)


def test_with_ci_the_same_skips_fail(tmp_path: Path) -> None:
    said = run_without_programs(tmp_path / "bin", CI="true")
    counts = re.findall(r"(\d+) (\w+)", said.splitlines()[-1].partition(" in ")[0])
    assert {word for _, word in counts} == {"failed", "errors"}, said


def test_the_ci_run_installs_every_package_that_a_test_needs() -> None:
    words = set(re.split(r"[\s()]+", (ROOT / ".ci" / "run").read_text(encoding="utf-8")))
    assert set(PACKAGES.values()) - words == {"util-linux"}, "which Debian always has"
