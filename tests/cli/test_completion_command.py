"""`benchimage completion`, through the real shell where it is at hand."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pexpect
import pytest

from tests.command_line import ROOT, run_benchimage

BASH = shutil.which("bash")


@pytest.fixture
def installed(tmp_path: Path) -> dict[str, str]:
    """An environment in which a shell finds a command called benchimage."""
    program = tmp_path / "bin" / "benchimage"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m memtool "$@"\n')
    program.chmod(0o755)
    return os.environ | {
        "PATH": f"{program.parent}{os.pathsep}{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT),
        "TERM": "dumb",
    }


def completed_in_bash(line: str, environment: dict[str, str]) -> list[str]:
    """What bash offers for the last word of `line`."""
    assert BASH is not None
    words = line.split(" ")
    quoted = " ".join(word or "''" for word in words)
    script = (
        'eval "$(benchimage completion bash)"\n'
        f"COMP_WORDS=({quoted}); COMP_CWORD={len(words) - 1}\n"
        "_benchimage_completion benchimage\n"
        "printf '%s\\n' \"${COMPREPLY[@]}\"\n"
    )
    done = subprocess.run(
        [BASH, "--norc", "-c", script],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stderr == ""
    return done.stdout.splitlines()


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish", "powershell"])
def test_each_shell_gets_a_script_for_benchimage_and_nothing_on_stderr(shell: str) -> None:
    done = run_benchimage("completion", shell)
    assert done.returncode == 0
    assert done.stderr == ""
    assert "benchimage" in done.stdout
    assert f"_BENCHIMAGE_COMPLETE={shell}_complete" in done.stdout.replace("'", "").replace(
        "$env:_BENCHIMAGE_COMPLETE = ", "_BENCHIMAGE_COMPLETE="
    )


def test_unknown_shell_is_wrong_usage() -> None:
    done = run_benchimage("completion", "tcsh")
    assert done.returncode == 2
    assert "'tcsh' is not one of 'bash', 'zsh', 'fish', 'powershell'" in done.stderr


def test_bash_offers_commands_options_and_values(installed: dict[str, str]) -> None:
    assert completed_in_bash("benchimage comp", installed) == ["compare", "completion"]
    assert {"start", "vin", "demo"} <= set(completed_in_bash("benchimage ", installed))
    assert completed_in_bash("benchimage vin --js", installed) == ["--json"]
    assert completed_in_bash("benchimage completion z", installed) == ["zsh"]


def test_tab_key_completes_the_word_in_an_interactive_bash(installed: dict[str, str]) -> None:
    assert BASH is not None
    shell = pexpect.spawn(
        BASH,
        ["--norc", "--noprofile", "-i"],
        env=installed | {"PS1": "ready> "},
        encoding="utf-8",
        timeout=30,
    )
    try:
        shell.expect("ready> ")
        shell.sendline('eval "$(benchimage completion bash)"; echo loaded-$((40 + 2))')
        shell.expect("loaded-42")
        shell.expect("ready> ")
        shell.send("benchimage completi\t")
        shell.expect("benchimage completion ")
    finally:
        shell.close(force=True)
