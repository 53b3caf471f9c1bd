"""Plays jobs that lie: random roles, layouts, references, amendments, kept spans, stages, files.

    python -m tests.slips.dishonest_jobs 2000          so many jobs, seeds from 0
    python -m tests.slips.dishonest_jobs 1 1234        the one of that seed, told step by step

After each job the independent checker must hold: nothing that was written holds a VIN that
its inputs did not, no protected byte was changed, no check passed without the step that it
speaks of, the journal can be read, and nothing ended as a bug.
"""

from __future__ import annotations

import json
import os
import random
import re
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, module_memory
from tests.hostile.forked import Ended, run_forked, warm_up
from tests.slips.independent_check import find_changed, find_held
from tests.stored_texts import ALL_FORMS, plant

STRANGER_VIN = "5GZCZ43D13S812715"
"""Zint barcode encoder, test data."""
VINS = (DONOR_VIN, VEHICLE_VIN, STRANGER_VIN)
PROTECTED = ((0x80, 0x90), (0xF0, 0x100))
"""Where the protected region of a layout of this generator may lie."""
_WARMING = (3, 4, 6)
"""Seeds of jobs that go through start, blank, convert and check."""
STAGES = ("donor", "before-writing", "after-writing", "after-setup", "restored")
KINDS = ("body", "engine", "cluster", "airbag", "immobiliser", "other")


class Job:
    """One job that lies, by its seed, in a folder of its own."""

    def __init__(self, folder: Path, seed: int, *, told: bool = False, warm: bool = False) -> None:
        self.folder = folder
        self.warm = warm
        self.rng = random.Random(seed)
        self.told = told
        self.files: dict[str, bytes] = {}
        """What was put onto the bench or came out there, by name."""
        self.layouts: dict[str, tuple[int, int]] = {}
        """The protected region of each layout, by its file's name."""
        self.named: set[str] = set()
        """Layouts that a command of the job was given."""
        self.donors: set[bytes] = set()
        self.originals: set[bytes] = set()
        """What was backed up as the original: its chip may be moved onto the donor's board."""
        self.blanked: list[bytes] = []
        self.given_back = False
        self.faults: list[str] = []
        self._lay_out()

    def play(self) -> list[str]:
        """Play it; returns what the checker found, which must be nothing."""
        self._start()
        steps = (self._amend, self._blank, self._blank, self._blank, self._convert, self._restore)
        for _ in range(self.rng.randint(2, 4)):
            self.rng.choice((*steps, self._check, self._check))()
        self._end()
        return self.faults

    def _lay_out(self) -> None:
        rng = self.rng
        secret = rng.choices([None, b"\xff" * 16, b"\x00" * 16], [10, 1, 1])[0]
        donor = bytearray(module_memory(DONOR_VIN))
        donor[0x80:0x90] = secret or donor[0x80:0x90]
        original = bytearray(module_memory(VEHICLE_VIN, serial=b"SN-0001200-AA   "))
        for memory in (donor, original):
            memory[0xF0:0x100] = rng.randbytes(16)
        if rng.random() < 0.2:
            donor[0xE0:0xF1] = rng.choice(VINS).encode()
        third = bytearray(module_memory(STRANGER_VIN, serial=b"SN-0044444-ZZ   "))
        blank = bytearray(b"\xff" * 256)
        if rng.random() < 0.5:
            blank[0xE0:0xF1] = bytes(
                character ^ rng.choice([0, 0xFF]) for character in STRANGER_VIN.encode()
            )
        noisy = bytearray(donor)
        noisy[rng.randrange(256)] ^= 1 << rng.randrange(8)
        memories = {"donor": donor, "original": original, "third": third, "blank": blank}
        for name, memory in {**memories, "noisy": noisy}.items():
            for copy in "12":
                self._put(f"{name}{copy}.bin", bytes(memory))
        # A file with a hole in a VIN, for fills of single bytes.
        holed = bytearray(b"\xff" * 256)
        holed[0x20:0x31] = rng.choice(VINS).encode()
        self.holed = 0x20 + rng.randrange(17)
        self._put("low.bin", bytes(holed[: self.holed]))
        self._put("high.bin", bytes(holed[self.holed + 1 :]))
        for number in range(3):
            self._write_layout(f"layout{number}.toml")

    def _write_layout(self, name: str) -> None:
        rng = self.rng
        start, end = rng.choice(PROTECTED)
        text = LAYOUT.replace("0x80-0x8F", f"{start:#x}-{end - 1:#x}")
        if rng.random() < 0.1:
            text = text.replace('"body"', f'"{rng.choice(KINDS)}"')
        if rng.random() < 0.1:
            text = text.replace("reviewed = true", "reviewed = false")
        if rng.random() < 0.3:
            text = text.replace('when_blanked = "refresh"', 'when_blanked = "keep"')
        text += rng.choice(_ENDINGS)(rng, start)
        self.layouts[name] = (start, end)
        self._put(name, text.encode())

    def _put(self, name: str, data: bytes) -> None:
        (self.folder / name).write_bytes(data)
        self.files[name] = data

    def _run(self, *arguments: str, as_json: bool = True) -> Ended:
        words = [*arguments, *(["--json"] if as_json else [])]
        if self.warm:
            warm_up(words, cwd=self.folder)
        ended = run_forked(words, cwd=self.folder)
        if ended.status != 2:  # Wrong usage ends before a file is looked at.
            self.named.update(self.layouts.keys() & set(arguments))
        if self.told:
            sys.stdout.write(f"{ended.status}  {' '.join(arguments)}\n   {ended.stdout[:300]}\n")
        if ended.status not in (0, 1, 2, 3, 4, 5) or "Traceback" in ended.stderr:
            self.faults.append(f"{arguments}: ended with {ended.status}: {ended.stderr[-300:]}")
        return ended

    def _reads(self) -> str:
        return self.rng.choices(["donor", "original", "third", "blank", "noisy"], [12, 2, 1, 1, 1])[
            0
        ]

    def _start(self) -> None:
        rng = self.rng
        if rng.random() < 0.3:
            # Where no checksum over the VIN holds, its copies alone may be blanked.
            donor = bytearray(self.files["donor1.bin"])
            donor[0x22] ^= 1
            self._put("donor1.bin", bytes(donor))
        arguments = ["start", "--job", "job", "--chip", "24C02", "--work-order", "1"]
        arguments += ["--vehicle-vin", rng.choices(VINS, [1, 10, 1])[0]]
        arguments += ["--module-kind", rng.choices(KINDS, [20, 2, 2, 1, 1, 2])[0]]
        arguments += ["--authority", rng.choices(["papers seen, order signed", " ."], [20, 1])[0]]
        roles = [("--original", "original"), ("--donor", self._reads())]
        if rng.random() < 0.2:
            roles = [("--original", self._reads()), ("--donor", self._reads())]
        if rng.random() < 0.6:
            roles.append(("--reference", rng.choice(["blank", "third", "original", "donor"])))
        for role, name in roles:
            arguments += self._two_reads(role, name)
            if role == "--donor":
                self.donors.add(self.files[f"{name}1.bin"])
            elif role == "--original":
                self.originals.add(self.files[f"{name}1.bin"])
        if rng.random() < 0.7:
            arguments += ["--layout", self._layout()]
        self._run(*arguments)

    def _two_reads(self, role: str, name: str) -> list[str]:
        """Two files of their own for that role, as two passes of a reader give them."""
        files = [f"{name}-{len(self.files) + number}.bin" for number in range(2)]
        for file in files:
            self._put(file, self.files[f"{name}1.bin"])
        return [role, files[0], role, files[1]]

    def _layout(self) -> str:
        return self.rng.choice(sorted(self.layouts))

    def _amend(self) -> None:
        arguments = ["start", "--job", "job", "--chip", "24C02"]
        match self.rng.randrange(4):
            case 0:
                arguments += ["--vehicle-vin", self.rng.choice(VINS)]
            case 1:
                arguments += ["--module-kind", self.rng.choice(KINDS)]
            case 2:
                name = self._reads()
                self.donors.add(self.files[f"{name}1.bin"])
                arguments += self._two_reads("--donor", name)
            case _:
                arguments += ["--layout", self._layout()]
        self._run(*arguments)

    def _blank(self) -> None:
        rng = self.rng
        out = f"out{len(self.files)}.bin"
        arguments = ["blank", "donor", "--job", "job", "--out", out]
        if rng.random() < 0.3:
            for vin in rng.sample(VINS, rng.randint(1, 2)):
                arguments += ["--vin", vin]
        elif rng.random() < 0.6:
            arguments += ["--layout", self._layout()]
        for _ in range(rng.choices([0, 1, 2], [4, 2, 1])[0]):
            first = rng.choice([0x00, 0x10, 0x40, 0x50, 0x80, 0xE8, 0xF0])
            option = rng.choice(["--span", "--keep"])
            arguments += [option, f"{first:#x}+{rng.choice([1, 4, 8, 16])}"]
        if "--keep" in arguments:
            arguments += ["--reason", rng.choice(["I like it", "."])]
        plan = self._run(*arguments, "--dry-run", as_json=False)
        digest = re.search("digest of the plan ([0-9a-f]{6})", plan.stdout)
        words = [DONOR_VIN[-6:], *([digest[1]] if digest else []), STRANGER_VIN[-6:]]
        for word in words[: 3 if plan.status == 0 else 1]:
            ended = self._run(*arguments, "--confirm", word)
            if ended.status == 0:
                self._judge_blanked(out, arguments, plan)
                return

    def _judge_blanked(self, out: str, arguments: list[str], plan: Ended) -> None:
        written = (self.folder / out).read_bytes()
        self.files[out] = written
        self.blanked.append(written)
        backed_up = sorted(self.donors, key=lambda donor: _distance(donor, written))
        donor = backed_up[0]
        new = find_held(written, VINS) - find_held(donor, VINS)
        if new:
            self.faults.append(f"{arguments}: wrote {sorted(new)}")
        for name in self.named:
            if b"reviewed = false" in self.files[name]:
                continue
            if find_changed(donor, written, *self.layouts[name]):
                self.faults.append(f"{arguments}: changed what {name} protects")
        if plan.status != 0:
            self.faults.append(f"{arguments}: written although the plan was refused")

    def _convert(self) -> None:
        rng = self.rng
        out = f"made{len(self.files)}.bin"
        names = sorted(name for name in self.files if name.endswith(".bin"))
        match rng.randrange(3):
            case 0:
                given = rng.sample([n for n in names if len(self.files[n]) == 256], 3)
                arguments = ["convert", given[0], out, "--majority", given[1]]
                arguments += ["--majority", given[2]]
            case 1:
                given = [rng.choice(names)]
                view = rng.choice(["swapped-16", "inverted", "reversed", "nibbles-swapped"])
                arguments = ["convert", given[0], out, "--view", view]
            case _:
                given = ["holed.s19"]
                self._write_holed()
                value = f"0x{ord(rng.choice(''.join(VINS))):02X}"
                arguments = ["convert", "holed.s19", out, "--fill", value, "--to", "raw"]
        if self._run(*arguments).status not in (0, 1) or not (self.folder / out).exists():
            return
        written = (self.folder / out).read_bytes()
        self.files[out] = written
        held = set[str]().union(*(find_held(self.files[name], VINS) for name in given))
        new = find_held(written, VINS) - held
        if new:
            self.faults.append(f"{arguments}: made {sorted(new)}")

    def _write_holed(self) -> None:
        """Two parts of a VIN with one undefined byte between them, as S-records."""
        lines = [
            _s2(0, self.files["low.bin"]),
            _s2(self.holed + 1, self.files["high.bin"]),
            "S804000000FB",
        ]
        text = "\n".join(line for part in lines for line in part.split("\n")) + "\n"
        (self.folder / "holed.s19").write_text(text)
        self.files["holed.s19"] = self.files["low.bin"]

    def _check(self) -> None:
        rng = self.rng
        stage = rng.choice(STAGES)
        own = sorted(str(p.relative_to(self.folder)) for p in self.folder.glob("job/files/*.bin"))
        names = [name for name in self.files if name.endswith(".bin")]
        file = rng.choice([*names, *own, "to-write", "original", "donor"])
        ended = self._run("check", file, "--job", "job", "--stage", stage)
        if ended.status != 0:
            return
        data = self.files.get(file)
        if stage == "before-writing" and not self.blanked:
            if data is not None and data not in self.originals:
                self.faults.append(f"check {file} {stage}: passed with nothing blanked")
        elif stage == "after-writing" and (data is None or not self._was_to_write(data)):
            self.faults.append(f"check {file} {stage}: passed without a read of that content")
        elif stage == "restored" and not (self.given_back and data in self.donors | self.originals):
            self.faults.append(f"check {file} {stage}: passed, and nothing was given back")
        elif stage == "after-setup" and (
            data is None or find_held(data, VINS) != {self._vehicle()}
        ):
            self.faults.append(f"check {file} {stage}: passed, but is not the vehicle's")

    def _restore(self) -> None:
        out = f"back{len(self.files)}.bin"
        role = self.rng.choice(["donor", "original"])
        if self._run("backup", "restore", role, "--out", out, "--job", "job").status == 0:
            self.given_back = True
            self.files[out] = (self.folder / out).read_bytes()

    def _was_to_write(self, data: bytes) -> bool:
        return data in self.blanked or data in self.originals

    def _vehicle(self) -> str:
        shown = json.loads(self._run("job", "show", "--job", "job").stdout)
        return str(shown["order"]["vehicle_vin"])

    def _end(self) -> None:
        if not (self.folder / "job" / "journal.jsonl").exists():
            return
        if self._run("job", "show", "--job", "job").status not in (0, 1):
            self.faults.append("the journal cannot be read")
        for line in (self.folder / "job" / "journal.jsonl").read_bytes().splitlines():
            json.loads(line)
        for name, data in self.files.items():
            if name != "holed.s19" and (self.folder / name).read_bytes() != data:
                self.faults.append(f"{name} was changed")


def _nothing(rng: random.Random, start: int) -> str:
    return ""


def _spelling(rng: random.Random, start: int) -> str:
    """One-byte regions whose blank values spell a VIN, or the end of one, in some stored form."""
    text = rng.choice(VINS)[-rng.choice([17, 17, 8]) :]
    first = 0xE0 if start == 0x80 else 0xDF
    filler = b"\xff" * (0x100 - first if start == 0x80 else 0xF0 - first)
    try:
        planted = plant(filler, text, rng.choice(ALL_FORMS), rng)
    except ValueError:  # There is no room for this form.
        planted = plant(filler, text, "plain", rng)
    return "".join(
        f'\n[[region]]\nname = "r{place}"\nspan = "{first + place:#x}+1"'
        f'\nkind = "state"\nblank_to = {planted.image[place]}\n'
        for place, _ in planted.cells
    )


def _from_reference(rng: random.Random, start: int) -> str:
    length = 17 if start == 0x80 else 16
    return (
        f'\n[[region]]\nname = "taken"\nspan = "0xE0+{length}"\nkind = "state"\n'
        'blank_to = "reference"\n'
    )


def _over_the_other(rng: random.Random, start: int) -> str:
    """What the other layouts protect, called state."""
    other = 0xF0 if start == 0x80 else 0x80
    return f'\n[[region]]\nname = "mine"\nspan = "{other:#x}+16"\nkind = "state"\n'


_ENDINGS = (_nothing, _nothing, _nothing, _spelling, _from_reference, _over_the_other)


def _s2(address: int, data: bytes) -> str:
    lines = []
    for at in range(0, len(data), 16):
        part = data[at : at + 16]
        body = bytes([len(part) + 4]) + (address + at).to_bytes(3, "big") + part
        lines.append(f"S2{(body + bytes([255 - sum(body) % 256])).hex().upper()}")
    return "\n".join(lines)


def _distance(first: bytes, second: bytes) -> int:
    return sum(a != b for a, b in zip(first, second, strict=True))


@dataclass(frozen=True)
class Played:
    """What came of one job."""

    faults: tuple[str, ...]
    """What the checker found."""
    blanked: int
    """Files to program that got through the gate."""


def play(seed: int, *, told: bool = False, warm: bool = False) -> Played:
    """One job, in a folder that is gone afterwards; `warm`: only so that later ones are quicker."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["BENCHIMAGE_STORE"] = str(Path(folder) / "store")
        os.environ["BENCHIMAGE_LAYOUTS"] = str(Path(folder) / "library")
        job = Job(Path(folder), seed, told=told, warm=warm)
        return Played(faults=tuple(job.play()), blanked=len(job.blanked))


def main() -> int:
    """The long run."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    began, bad, blanked = time.monotonic(), 0, 0
    if count > 1:
        for seed in _WARMING:
            play(seed, warm=True)
    for number, seed in enumerate(range(first, first + count)):
        if number and number % 50 == 0:
            sys.stdout.write(f"{number} of {count} jobs\n")
            sys.stdout.flush()
        played = play(seed, told=count == 1)
        bad += bool(played.faults)
        blanked += played.blanked
        for fault in played.faults:
            sys.stdout.write(f"seed {seed}: {fault}\n")
            sys.stdout.flush()
    seconds = time.monotonic() - began
    sys.stdout.write(f"{count} jobs, {bad} with faults, {blanked} files blanked, {seconds:.0f} s\n")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
