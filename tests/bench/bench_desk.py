"""How soon the desk shows its first picture: beside an empty app of the same library, and with
1,000 jobs beside none. Prints ratios from one run.

    python tests/bench/bench_desk.py [ROUNDS]

Each is a process of its own with a screen of 100 by 30; measured is the processor's time from its
start to the first picture that is drawn whole, the best of some rounds, taken in turns.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
JOBS = 1000
EMPTY = """
import asyncio, time
from textual.app import App
from textual.widgets import Input, Static
class Empty(App):
    def compose(self):
        yield Static("nothing")
async def show():
    async with Empty().run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        print(time.process_time(), flush=True)
asyncio.run(show())
"""
DESK = """
import asyncio, sys, time
from pathlib import Path
from memtool.desk.app import DeskApp
from memtool.desk.session import Session
from memtool.workflow.places import find_store
async def show():
    app = DeskApp(Session(folder=Path(), stores=find_store(Path(sys.argv[1]))))
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        print(time.process_time(), flush=True)
asyncio.run(show())
"""


def seconds(code: str, *arguments: str) -> float:
    """From the start of the process to its first picture."""
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        stdout=subprocess.PIPE,
        check=True,
        text=True,
        env=_compiled() | {"PYTHONPATH": str(ROOT)},
    )
    return float(done.stdout)


def _compiled() -> dict[str, str]:
    """An installed program has its modules compiled, whatever this shell asks for."""
    return {name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def fill(store: Path) -> None:
    """A store that knows many jobs, each in a folder that is there."""
    jobs = store / "jobs"
    jobs.mkdir(parents=True)
    (store / "store.json").write_text('{"format": "benchimage.store/2"}\n', encoding="ascii")
    for number in range(JOBS):
        folder = store.parent / f"order-{number}"
        folder.mkdir()
        (folder / "journal.jsonl").write_text("", encoding="ascii")
        row = {
            "format": "benchimage.job-row/1",
            "id": f"{number:016x}",
            "folder": str(folder),
            "opened": "2026-03-14T09:00:00+01:00",
            "work_order": str(number),
            "vehicle_vin": "11111111111111111",
            "vins": ["11111111111111111"],
            "parts": [],
            "images": [f"{number:064x}"] * 4,
            "stage": "after-setup pass",
            "entries": 20,
            "last": "00" * 32,
            "module_kind": "body",
            "memories": ["eeprom"],
            "next": "write the report",
            "changed": "2026-03-14T17:00:00+01:00",
        }
        (jobs / f"{number:016x}.json").write_text(json.dumps(row), encoding="ascii")


def main() -> None:
    """Measure in turns, print what came of it."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    with tempfile.TemporaryDirectory() as place:
        few, many = Path(place) / "few" / "store", Path(place) / "many" / "store"
        os.environ["XDG_STATE_HOME"] = place
        fill(many)
        best = {"empty app": 99.0, "desk": 99.0, "desk, 1,000 jobs": 99.0}
        for _ in range(rounds):
            for name, code, arguments in (
                ("empty app", EMPTY, ()),
                ("desk", DESK, (str(few),)),
                ("desk, 1,000 jobs", DESK, (str(many),)),
            ):
                best[name] = min(best[name], seconds(code, *arguments))
    for name, value in best.items():
        sys.stdout.write(f"{name:18} {value:.2f} s, {value / best['empty app']:.2f} times\n")
    more = best["desk, 1,000 jobs"] - best["desk"]
    sys.stdout.write(f"1,000 jobs cost {more:.2f} s more\n")


if __name__ == "__main__":
    main()
