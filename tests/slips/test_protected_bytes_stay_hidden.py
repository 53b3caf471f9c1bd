"""Protected bytes come out of no command: not on screen, in JSON, in a page, a report, a journal.

A mark of random bytes and random letters lies in the protected region of every module, and in
those of the reads that differ. After each command everything that it said or wrote is searched for
any few bytes of the mark, as hex digits, as text and in base64. Files that hold a memory's
bytes (images, backups) are what they are, and are not searched.
"""

from __future__ import annotations

import base64
import os
import random
import re
import string
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, identity_crc, module_memory
from tests.hostile.forked import run_forked
from tests.workflow.jobs import KEEP, ORDER

pytestmark = pytest.mark.skipif(
    not hasattr(os, "fork") or sys.platform == "darwin", reason="commands run in forks"
)
SPAN = slice(0x80, 0x90)
BYTES, LETTERS = 3, 5
"""So many in a row do not come about by chance: the mark's bytes, and its letters as text."""
_TEXTS = (".html", ".json", ".toml", ".jsonl")
_TWO = tuple[str, ...]


def make_mark(rng: random.Random) -> bytes:
    """Sixteen bytes: half of them letters that nobody writes, half of them no text."""
    letters = rng.choices(string.ascii_uppercase + string.digits, k=8)
    return "".join(letters).encode() + bytes(rng.sample(range(0x80, 0x100), 8))


def find_shown(text: str, marks: list[bytes]) -> set[str]:
    """What of the marks stands in a text, however it writes bytes."""
    plain = text.lower()
    wanted: set[str] = set()
    for mark in marks:
        parts = [mark[at : at + BYTES] for at in range(len(mark) - BYTES + 1)]
        wanted |= {part.hex(gap) for part in parts for gap in " :"} | {p.hex() for p in parts}
        wanted |= {f"{p[0]}, {p[1]}, {p[2]}" for p in parts}
        text_part = mark[:8].decode("ascii").lower()
        wanted |= {text_part[at : at + LETTERS] for at in range(8 - LETTERS + 1)}
    found = {part for part in wanted if part in plain}
    for coded in re.findall(r'"([A-Za-z0-9+/]{40,}={0,2})"', text):
        raw = base64.b64decode(coded + "=" * (-len(coded) % 4))
        found |= {
            f"base64 of {mark[at : at + BYTES].hex()}"
            for mark in marks
            for at in range(len(mark) - BYTES + 1)
            if mark[at : at + BYTES] in raw
        }
    return found


class Watched:
    """A bench on which everything that comes out of a command is searched for the marks."""

    def __init__(self, folder: Path, marks: list[bytes]) -> None:
        self.folder, self.marks = folder, marks
        self.shown: dict[str, set[str]] = {}
        self._seen: dict[Path, int] = {}

    def put(self, name: str, data: bytes) -> None:
        """A file of the technician's."""
        (self.folder / name).write_bytes(data)

    def run(self, *arguments: str, expected: int | None = None, job: str | None = "job") -> str:
        """A command in the job; what it says and writes must hold no mark."""
        whole = [*arguments, *([] if job is None else ["--job", job])]
        ended = run_forked(whole, cwd=self.folder)
        assert ended.status in (0, 1, 3), (whole, ended.status, ended.stderr)
        assert expected in (None, ended.status), (whole, ended.status, ended.stderr)
        self._note(" ".join(whole), ended.stdout + ended.stderr)
        for path in self.folder.rglob("*"):
            if path.suffix in _TEXTS and path.stat().st_size != self._seen.get(path):
                self._seen[path] = path.stat().st_size
                self._note(f"{path.name} of {' '.join(whole)}", path.read_text())
        return ended.stdout

    def both(self, *arguments: str, job: str | None = "job") -> None:
        """The command for people, and for scripts."""
        self.run(*arguments, job=job)
        self.run(*arguments, "--json", job=job)

    def _note(self, where: str, text: str) -> None:
        found = find_shown(text, self.marks)
        if found:
            self.shown[where] = found


@pytest.fixture
def watched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Watched:
    """Reads of three modules with marks, and three layouts: two that tell what is protected."""
    monkeypatch.setenv("BENCHIMAGE_STORE", str(tmp_path / "store"))
    monkeypatch.setenv("BENCHIMAGE_LAYOUTS", str(tmp_path / "library"))
    rng = random.Random(1)
    first, second = make_mark(rng), make_mark(rng)
    bench = Watched(tmp_path, [first, second])
    donor = module_memory(secret=first)
    original = module_memory(
        VEHICLE_VIN, serial=b"SN-0001200-AA   ", options=bytes(16), starts=99, secret=second
    )
    for copy in "12":
        bench.put(f"d{copy}.bin", donor)
        bench.put(f"o{copy}.bin", original)
    for number, address in enumerate((0x82, 0x8A, 0x8D), 1):
        noisy = bytearray(donor)
        noisy[address] ^= 0x08
        noisy[0x3F + number] ^= 0x20
        bench.put(f"noisy{number}.bin", bytes(noisy))
    named = LAYOUT.replace('"test module"', '"other"')
    bench.put("layout.toml", LAYOUT.encode())
    bench.put(
        "other.toml",
        named.replace('"protected"', '"configuration"\ntype = "bytes"').encode(),
    )
    bench.put(
        "silent.toml",
        re.sub(r'\[\[region\]\]\nname = "access".*?\n\n', "", named, flags=re.DOTALL).encode(),
    )
    return bench


def finished(written: bytes) -> bytes:
    """A module after setup: the vehicle's VIN, and one protected byte that was taught."""
    memory = bytearray(written)
    memory[0x10:0x21] = VEHICLE_VIN.encode()
    memory[0x50:0x61] = VEHICLE_VIN.encode()[::-1]
    memory[0x22:0x24] = identity_crc(memory)
    memory[0x85] ^= 0xFF
    return bytes(memory)


def looks(names: _TWO, layouts: tuple[_TWO, ...]) -> Iterator[_TWO]:
    """Commands that only look, with each choice of a layout."""
    one, two = names
    for number, layout in enumerate(layouts):
        page = f"{one}-{number}".replace("/", "-")
        yield ("inspect", one, *layout)
        yield ("inspect", "noisy1.bin", "noisy2.bin", *layout, "--html", f"noisy-{page}.html")
        yield ("compare", one, two, *layout)
        yield ("compare", one, two, *layout, "--html", f"two-{page}.html")


def use(bench: Watched, command: Callable[..., object], *, job: str | None) -> None:
    """Each way of looking at the modules, in the job or with the layout alone."""
    ways: tuple[_TWO, ...] = ((), ("--layout", "other.toml"), ("--layout", "silent.toml"))
    names = ("donor", "original") if job else ("d1.bin", "o1.bin")
    for arguments in looks(names, ways if job else (("--layout", "layout.toml"),)):
        # A page is written once; the second form of the command is told without it.
        (bench.run if "--html" in arguments else command)(*arguments, job=job)


def test_no_command_shows_a_protected_byte(watched: Watched) -> None:
    bench = watched
    use(bench, bench.both, job=None)
    opening = ("start", "--chip", "24C02", "--layout", "layout.toml", *ORDER)
    bench.run(
        *opening,
        *("--original", "o1.bin", "--original", "o2.bin"),
        *("--donor", "d1.bin", "--donor", "d2.bin", "--reseated"),
    )
    use(bench, bench.both, job="job")
    bench.both("inspect", "d1.bin", "--deep", "--layout", "layout.toml", job=None)
    bench.both("find", DONOR_VIN, "donor", "d1.bin")
    for layout in ("layout.toml", "other.toml", "silent.toml"):
        bench.both("layout", "show", layout, "--image", "donor")
        bench.both("layout", "check", layout, "--against", "donor", "--against", "d1.bin")
        bench.both("checksum", "check", "donor", "--layout", layout)
    bench.both("checksum", "discover", "donor", "original")
    bench.run("layout", "draft", "donor", "original", "--out", "drafted.toml")
    for span in ("0x80-0x83", "0x7E+0x14", "0x8F+1"):
        bench.both("blank", "donor", "--dry-run", "--span", span, *KEEP)
    for more in (("--layout", "other.toml", "--configuration"), ("--vin", DONOR_VIN)):
        bench.both("blank", "donor", "--dry-run", *more)
    bench.run("blank", "donor", "--out", "out.bin", *KEEP, "--confirm", "042788", expected=0)
    bench.put("written.bin", (bench.folder / "out.bin").read_bytes())
    bench.put("finished.bin", finished((bench.folder / "out.bin").read_bytes()))
    for file, stage in (
        *((None, "donor"), ("to-write", "before-writing"), ("noisy1.bin", "after-writing")),
        *(("written.bin", "after-writing"), ("finished.bin", "after-setup")),
        ("finished.bin", "restored"),
    ):
        bench.both("check", *([] if file is None else [file]), "--stage", stage)
    bench.run("backup", "list", "--json", job=None)
    bench.both("job", "show")
    bench.both("report")
    bench.both("report", "--shop")
    bench.run(*opening, *(word for n in "123" for word in ("--donor", f"noisy{n}.bin")), job="two")
    bench.run("job", "majority", "donor", "--json", job="two")
    bench.run(
        *opening, *(word for n in "123" for word in ("--donor", f"noisy{n}.bin")), job="three"
    )
    bench.run("job", "majority", "donor", job="three")
    assert bench.shown == {}


def test_no_value_is_computed_over_a_protected_byte(watched: Watched) -> None:
    opening = ("start", "--chip", "24C02", "--layout", "layout.toml", *ORDER)
    watched.run(*opening, "--donor", "d1.bin", "--donor", "d2.bin", "--reseated")
    for image in ("donor", "d1.bin"):
        compute = ("checksum", "compute", image, "--algorithm", "CRC-32/ISO-HDLC", "--span")
        for span, status in (("0x8F+1", 3), ("0x00-0xFF", 3), ("0x70-0x7F", 0), ("0x90+8", 0)):
            line = [*compute, span, "--job", "job"]
            ended = run_forked(line, cwd=watched.folder)
            assert ended.status == status, (line, ended.stderr)
            assert ("could tell what they are" in ended.stderr) == (status == 3)
    outside = run_forked([*compute, "0x00-0xFF"], cwd=watched.folder)
    assert outside.status == 0, "no job, and nothing that it guards"


def test_the_search_finds_what_is_shown() -> None:
    mark = make_mark(random.Random(3))
    for text in (
        *(mark.hex(), mark.hex(" ").upper(), mark[:8].decode(), repr(list(mark))),
        f'"{base64.b64encode(bytes(64) + mark + bytes(64)).decode()}"',
    ):
        assert find_shown(text, [mark]), text
    assert not find_shown(module_memory().hex(" "), [mark])
