"""The README is true: its commands run in their order and print what it shows."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import time
from pathlib import Path

from tests.command_line import ROOT

LEFT_OUT = "…"
README = (ROOT / "README.md").read_text(encoding="utf-8")


def console_lines() -> list[str]:
    blocks = re.findall(r"```console\n(.*?)```", README, flags=re.DOTALL)
    return "".join(blocks).splitlines()


def steps() -> list[tuple[str, list[str]]]:
    """Each command with the lines shown below it."""
    found: list[tuple[str, list[str]]] = []
    for line in console_lines():
        if line.startswith("$ "):
            found.append((line[2:], []))
        else:
            found[-1][1].append(line)
    return found


def assert_shown(shown: list[str], printed: list[str], command: str) -> None:
    """Every shown line was printed, in this order; without `…` between, next to each other."""
    place, gap = 0, False
    for line in shown:
        if line == LEFT_OUT:
            gap = True
            continue
        where = printed.index(line, place) if line in printed[place:] else -1
        assert where >= 0, f"{command}: not printed: {line!r}"
        assert gap or where == place, f"{command}: lines left out before {line!r}"
        place, gap = where + 1, False
    rest = [line for line in printed[place:] if line]
    assert gap or not rest, f"{command}: printed more: {rest[:3]}"


def give_times(folder: Path) -> None:
    """The reads were made one after the other, those after writing and setup last of all."""
    for number, path in enumerate(sorted(folder.iterdir())):
        is_later = "read-back" in path.name or "finished" in path.name
        then = time.time() + (3600 if is_later else -3600) + number
        os.utime(path, (then, then))


def test_commands_print_what_the_readme_shows(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "test_images", tmp_path / "test_images")
    give_times(tmp_path / "test_images")
    environment = os.environ | {
        "PYTHONPATH": str(ROOT),
        "BENCHIMAGE_STORE": str(tmp_path / "store"),
        "BENCHIMAGE_LAYOUTS": str(tmp_path / "layouts"),
        "COLUMNS": "80",
    }
    folder = tmp_path
    assert len(steps()) >= 10
    for command, shown in steps():
        words = shlex.split(command)
        if words[0] == "cd":
            folder = folder / words[1]
            continue
        assert words[0] == "benchimage"
        done = subprocess.run(
            [sys.executable, "-m", "memtool", *words[1:]],
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            encoding="utf-8",
            timeout=120,
        )
        assert done.returncode in (0, 1), done.stderr
        assert_shown(shown, done.stdout.splitlines(), command)


def test_first_blocks_are_the_demo_and_the_tests() -> None:
    first, second = re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)[:2]
    assert "benchimage demo" in first
    assert "tests/run" in second
    assert first.count("\n") == second.count("\n") == 1


def test_links_lead_to_files_that_exist() -> None:
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")]
    broken = [
        f"{page.name}: {target}"
        for page in pages
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8"))
        if not (page.parent / target).exists()
    ]
    assert broken == []
