"""What a process costs: processor time and memory, the cheapest of several runs.

Processor time, not the clock's: on a machine that does other work too it changes little.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
BASE = "import click, numpy, rich"
"""What a command that computes and draws is measured beside."""


class Cost(NamedTuple):
    """What one process took."""

    seconds: float
    """Of the processor, in all its threads and processes."""
    memory: int
    """Bytes at most."""
    status: int


_LAUNCH = """
import os, sys
process = os.fork()
if process == 0:
    nothing = os.open(os.devnull, os.O_RDWR)
    for stream in range(3):
        os.dup2(nothing, stream)
    os.execv(sys.executable, [sys.executable, *sys.argv[1:]])
_, status, usage = os.wait4(process, 0)
print(usage.ru_utime + usage.ru_stime, usage.ru_maxrss * 1024, os.waitstatus_to_exitcode(status))
"""
"""Starts the process from a small one: its memory counts from before it became another program,
and a benchmark holds images."""


def cost_of(*command: str, folder: Path = ROOT, runs: int = 3) -> Cost:
    """The cheapest of some runs of this Python.

    Args:
        *command: What follows ``python``.
        folder: Where it runs.
        runs: How many.
    """
    # An installed program has its bytecode: that of a checkout is made by the first run.
    kept = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    kept |= {"PYTHONPATH": str(ROOT), "BENCHIMAGE_STORE": str(folder / "store")}
    costs = []
    for _ in range(runs):
        done = subprocess.run(
            [sys.executable, "-S", "-c", _LAUNCH, *command],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            cwd=folder,
            env=kept,
            check=True,
            text=True,
        )
        seconds, memory, status = done.stdout.split()
        costs.append(Cost(float(seconds), int(memory), int(status)))
    return min(costs)


def command_cost(*arguments: str, folder: Path = ROOT, runs: int = 3) -> Cost:
    """The cheapest of some runs of a command of ours."""
    return cost_of("-m", "memtool", *arguments, folder=folder, runs=runs)
