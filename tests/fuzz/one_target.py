"""What fuzzes one reader, with the program instrumented; `python -m tests.fuzz` forks it."""

from __future__ import annotations

import os

import atheris

with atheris.instrument_imports(include=["memtool", "tests.fuzz.targets"]):
    from tests.fuzz.targets import run_target


def be_the_fuzzer(name: str, *options: str) -> None:
    """``CORPUS LIBFUZZER-OPTIONS``; never returns."""
    try:
        atheris.Setup(["fuzz", *options], lambda data: run_target(name, data))
        atheris.Fuzz()
    finally:
        os._exit(99)
