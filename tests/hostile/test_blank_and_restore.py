"""F37: whatever is blanked, kept and restored in whatever order, the donor comes back bit by bit.

A state machine over the real commands: it blanks with and without what is kept, restores,
opens new jobs over what was restored and over what was blanked, and blanks that again.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from tests.build import VEHICLE_VIN
from tests.faults.bench import BLANKED, DONOR, open_bench
from tests.faults.scene import MEMORY
from tests.hostile.forked import Ended, run_forked

KEPT = ("--keep", "0x40+4", "--reason", "counter")
SPARE = range(0xF0, 0x100)
"""Erased bytes that no region names."""


class BlankAndRestore(RuleBasedStateMachine):
    """What a technician may do, in any order."""

    @initialize()
    def begin(self) -> None:
        self.place = Path(tempfile.mkdtemp(dir=MEMORY if MEMORY.is_dir() else None))
        open_bench(self.place)
        self.number = 0
        self.blanked: dict[tuple[str, ...], bytes] = {}
        records = sorted((self.place / "store" / "records").iterdir())
        self.donor = next(p.name[7:19] for p in records if b'"donor"' in p.read_bytes())

    def run(self, *arguments: str) -> Ended:
        done = run_forked([*arguments, "--store", "store"], cwd=self.place)
        assert "Traceback" not in done.stderr
        return done

    def new_name(self) -> str:
        self.number += 1
        return f"made-{self.number}.bin"

    @rule(
        more=st.sampled_from([(), ("--configuration",), ("--span", "0xF0+4"), ("--span", "0xA0+2")])
    )
    def blank(self, more: tuple[str, ...]) -> None:
        """The same order gives the same bytes, however often and whatever came between."""
        out = self.new_name()
        done = self.run(
            *("blank", "donor", "--job", "job", "--confirm", "042788", *KEPT, *more, "--out", out)
        )
        assert done.status == 0, done.stderr
        made = (self.place / out).read_bytes()
        assert self.blanked.setdefault(more, made) == made
        if not more:
            assert made == BLANKED

    @rule(read=st.sampled_from(["1", "2"]))
    def restore(self, read: str) -> None:
        out = self.new_name()
        done = self.run("backup", "restore", self.donor, "--read", read, "--out", out)
        assert done.status == 0, done.stderr
        assert (self.place / out).read_bytes() == DONOR

    @rule(blank_again=st.booleans())
    def open_another_job(self, blank_again: bool) -> None:
        """Over what was restored: blanked to the same; over what was blanked: nothing changes."""
        source = self.new_name()
        (self.place / source).write_bytes(BLANKED if blank_again else DONOR)
        job, out = f"job-{self.number}", self.new_name()
        started = self.run(
            *("start", "--job", job, "--chip", "24C02", "--layout", "module.toml"),
            *("--original", "o1.bin", "--donor", source, "--single-read", "invented"),
            *("--work-order", "17", "--vehicle-vin", VEHICLE_VIN, "--module-kind", "body"),
            *("--authority", "order 17, signed"),
        )
        assert started.status in (0, 1), started.stderr
        confirm = "042788"
        if blank_again:
            # Nothing that can be named goes: the plan itself is confirmed, by its digest.
            plan = self.run("blank", "donor", "--job", job, *KEPT, "--dry-run").stdout
            confirm = re.findall(r"digest of the plan ([0-9a-f]{6})", plan)[0]
        done = self.run("blank", "donor", "--job", job, "--confirm", confirm, *KEPT, "--out", out)
        assert done.status == 0, done.stderr
        assert (self.place / out).read_bytes() == BLANKED

    @invariant()
    def the_donor_and_every_copy_stay(self) -> None:
        if hasattr(self, "place"):
            assert (self.place / "d1.bin").read_bytes() == DONOR
            assert (self.place / "d2.bin").read_bytes() == DONOR

    def teardown(self) -> None:
        if hasattr(self, "place"):
            check = self.run("backup", "check")
            shutil.rmtree(self.place)
            assert check.status == 0, check.stdout


BlankAndRestore.TestCase.settings = settings(
    max_examples=6, stateful_step_count=8, deadline=None, suppress_health_check=list(HealthCheck)
)
TestBlankAndRestore = BlankAndRestore.TestCase
