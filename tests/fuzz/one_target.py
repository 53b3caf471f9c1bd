"""The process that fuzzes one reader; `python -m tests.fuzz` starts it."""

from __future__ import annotations

import sys

import atheris

with atheris.instrument_imports(include=["memtool", "tests.fuzz.targets"]):
    from tests.fuzz.targets import run_target


def main() -> None:
    """``one_target TARGET CORPUS LIBFUZZER-OPTIONS``; never returns."""
    name = sys.argv.pop(1)
    atheris.Setup(sys.argv, lambda data: run_target(name, data))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
