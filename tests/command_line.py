"""Runs the real command in a process of its own, and checks what it prints as JSON.

The process is forked from one that has imported the program, which takes a fifth of the time.
With ``--start-anew first`` the first of each command in each file of tests is started as a person
starts it, in words and as JSON; with ``--start-anew all`` every one. CI forks, then starts.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from itertools import takewhile
from pathlib import Path
from typing import Any

import jsonschema

from tests.hostile.forked import run_forked

ROOT = Path(__file__).parent.parent
SCHEMAS = ROOT / "docs" / "schema"
_READ_BY_THE_COMMAND = {
    *("BENCHIMAGE_STORE", "BENCHIMAGE_ALSO", "BENCHIMAGE_LAYOUTS", "BENCHIMAGE_SHOP"),
    *("COLUMNS", "NO_COLOR"),
}
"""Other settings are read by Python as it starts."""
started_anew = "none"
"""Which commands are not forked: ``none``, the ``first`` of each in a file of tests, ``all``."""
_started: set[tuple[str, ...]] = set()
"""The file of tests, the command's words, and whether JSON was asked for."""


def run_benchimage(
    *arguments: str | Path, cwd: Path | None = None, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run `benchimage` with these arguments, without a terminal, and return what came out."""
    words = [*map(str, arguments)]
    given = os.environ | {"PYTHONPATH": str(ROOT), "BENCHIMAGE_SHOP": os.devnull} | environment
    if is_started(words) or not environment.keys() <= _READ_BY_THE_COMMAND:
        return _start(words, cwd, given)
    done = run_forked(words, cwd=cwd or Path.cwd(), timeout=120, environment=given)
    # As with a pipe that is read as text, every line ends alike.
    stdout, stderr = (text.replace("\r\n", "\n") for text in (done.stdout, done.stderr))
    return subprocess.CompletedProcess(words, done.status, stdout, stderr)


def is_started(words: list[str]) -> bool:
    """Whether a command of the running test is to be started, not forked."""
    if started_anew != "first":
        return started_anew == "all"
    file = os.environ.get("PYTEST_CURRENT_TEST", "").partition("::")[0]
    run = (file, *takewhile(str.isalpha, words), str("--json" in words))
    is_first = run not in _started
    _started.add(run)
    return is_first


def _start(
    words: list[str], cwd: Path | None, environment: dict[str, str]
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "memtool", *words],
        cwd=cwd,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
    )


def parse_document(done: subprocess.CompletedProcess[str], command: str) -> dict[str, Any]:
    """The one JSON document on stdout, valid by the published schema of `command`."""
    document: dict[str, Any] = json.loads(done.stdout)
    schema = json.loads((SCHEMAS / f"{command}.json").read_text(encoding="utf-8"))
    assert document["schema"] == schema["$id"]
    assert schema["$id"].partition("/")[0] == f"benchimage.{command}"
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(document)
    return document
