"""Runs the real command in a process of its own, and checks what it prints as JSON."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema

ROOT = Path(__file__).parent.parent
SCHEMAS = ROOT / "docs" / "schema"


def run_benchimage(
    *arguments: str | Path, cwd: Path | None = None, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run `benchimage` with these arguments, without a terminal, and return what came out."""
    return subprocess.run(
        [sys.executable, "-m", "memtool", *map(str, arguments)],
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": str(ROOT), "BENCHIMAGE_SHOP": os.devnull} | environment,
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
