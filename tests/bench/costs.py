"""What a process costs: processor time and memory, and how often as much as another one.

Processor time, not the clock's: on a machine that does other work too it changes little. What is
compared runs in turn, since a machine works faster and slower for minutes at a time.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from math import inf
from pathlib import Path
from statistics import median
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


def in_turn(*processes: Callable[[], Cost], turns: int = 5) -> list[list[Cost]]:
    """The costs of each, one of all in every turn."""
    made = [[process() for process in processes] for _ in range(turns)]
    return [list(costs) for costs in zip(*made, strict=True)]


def ratio_of(costs: Sequence[Cost], others: Sequence[Cost]) -> float:
    """How often as much as the other process: the median of the turns that both had."""
    return median(one.seconds / other.seconds for one, other in zip(costs, others, strict=False))


def beside(
    command: Sequence[str], *code: str, folder: Path = ROOT, turns: int = 5
) -> list[list[Cost]]:
    """The costs of a command of ours and, in turn with it, of lines of Python and what follows."""
    return in_turn(
        partial(command_cost, *command, folder=folder, runs=1),
        partial(cost_of, "-c", *code, folder=folder, runs=1),
        turns=turns,
    )


def columns(ratios: Mapping[str, float], limit: float | Mapping[str, float] = inf) -> str:
    """One for each kind of image, the worst first; `!` where it is above the limit, or its own."""
    limits = dict.fromkeys(ratios, limit) if isinstance(limit, float | int) else limit
    worst_first = sorted(ratios.items(), key=lambda item: -item[1])
    return "  ".join(
        f"{kind} {ratio:.2f}{'!' if ratio > limits[kind] else ''}" for kind, ratio in worst_first
    )
