"""The group: help, exit status, errors as sentences and as documents, colour, closed pipes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from memtool.cli.main import benchimage
from tests.command_line import ROOT, parse_document, run_benchimage

ENVIRONMENT = os.environ | {"PYTHONPATH": str(ROOT)}


def test_help_names_every_command_and_loads_nothing_heavy() -> None:
    code = (
        "import sys; from memtool.cli.main import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'anycrc', 'pydantic', 'rich', 'jinja2', 'construct', 'bitstring',"
        " 'intelhex', 'platformdirs', 'tomlkit'}\n"
        "sys.stderr.write(' '.join(sorted(heavy & set(sys.modules))))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=ENVIRONMENT, capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    for name in benchimage.list_commands(click.Context(benchimage)):
        assert f"  {name} " in done.stdout


@pytest.mark.parametrize("arguments", [[], ["--help"], ["-h"]])
def test_help_is_short_and_shows_the_job_first(arguments: list[str]) -> None:
    done = run_benchimage(*arguments)
    text = done.stdout + done.stderr
    assert text.index("start") < text.index("inspect")
    assert done.returncode == (0 if arguments else 2)


def test_mistyped_command_is_answered_with_the_near_one() -> None:
    done = run_benchimage("inspct")
    assert done.returncode == 2
    assert "inspect" in done.stderr


def commands(group: click.Group, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    context = click.Context(group)
    found = []
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        found.append((*path, name))
        if isinstance(command, click.Group):
            found += commands(command, (*path, name))
    return found


@pytest.mark.parametrize("path", commands(benchimage), ids=" ".join)
def test_every_command_has_help_with_examples(path: tuple[str, ...]) -> None:
    command: click.Command = benchimage
    for name in path:
        assert isinstance(command, click.Group)
        found = command.get_command(click.Context(command), name)
        assert found is not None
        command = found
    assert command.help
    if len(path) == 1:
        assert "Example" in (command.epilog or "")
        assert f"benchimage {path[0]}" in (command.epilog or "")


def test_missing_file_is_wrong_usage_in_words_and_in_json(tmp_path: Path) -> None:
    done = run_benchimage("inspect", "none.bin", "--json", cwd=tmp_path)
    error = parse_document(done, "error")
    assert (done.returncode, error["exit"]) == (2, 2)
    assert "none.bin" in done.stderr
    assert done.stderr.count("\n") == 1


def test_wrong_option_under_json_is_a_document_too() -> None:
    done = run_benchimage("inspect", "--no-such-option", "--json")
    assert parse_document(done, "error")["exit"] == 2


def test_bug_of_ours_is_a_sentence_without_traceback(tmp_path: Path) -> None:
    code = (
        "import memtool.cli.vin as v\n"
        "def broken(*a, **k): raise RuntimeError('inner')\n"
        "v.command.callback = broken\n"
        "from memtool.cli.main import main\n"
        "main(['vin', 'X', *__import__('sys').argv[1:]])"
    )
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, env=ENVIRONMENT, capture_output=True, text=True)
    assert done.returncode == 70
    assert "Traceback" not in done.stderr
    assert "--debug" in done.stderr
    done = subprocess.run([*command, "--debug"], env=ENVIRONMENT, capture_output=True, text=True)
    assert "RuntimeError: inner" in done.stderr


@pytest.mark.parametrize("more", [(), ("--debug",)], ids=["plain", "debug"])
def test_hostile_file_name_is_escaped_in_errors(tmp_path: Path, more: tuple[str, ...]) -> None:
    done = run_benchimage("inspect", "\x1b[31mx\u202e.bin", *more, cwd=tmp_path)
    assert done.returncode == 2
    assert "\x1b" not in done.stderr
    assert "\u202e" not in done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_output_that_cannot_be_written_is_not_success() -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "memtool", "vin", "1M8GDM9AXKP042788"],
            env=ENVIRONMENT,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
        )
    assert done.returncode != 0
    assert "Traceback" not in done.stderr


def test_closed_pipe_ends_quietly() -> None:
    command = f"'{sys.executable}' -m memtool checksum list | head -1"
    done = subprocess.run(
        ["bash", "-c", command], env=ENVIRONMENT, capture_output=True, text=True, timeout=60
    )
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr


@pytest.mark.parametrize("locale", ["C", "C.UTF-8"])
def test_plain_locale_and_hash_seed_change_nothing(locale: str) -> None:
    done = run_benchimage("vin", "1M8GDM9AXKP042788", LC_ALL=locale, PYTHONUTF8="0")
    assert done.returncode == 0
    assert "1M8GDM9AXKP042788" in done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="a folder in use cannot be removed there")
def test_a_current_folder_that_is_gone_is_told(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    for command in ("job show", "inspect x.bin", "vin 1M8GDM9AXKP042788", "demo"):
        gone.mkdir()
        code = f"import os; os.rmdir({str(gone)!r}); os.execv({sys.executable!r}, "
        code += f"[{sys.executable!r}, '-m', 'memtool', *{command.split()!r}])"
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=gone, env=ENVIRONMENT, capture_output=True, text=True
        )
        assert done.returncode == 4, done.stderr
        assert "the current folder cannot be found" in done.stderr
