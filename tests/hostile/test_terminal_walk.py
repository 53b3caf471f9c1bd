"""F26, F27: every command, with hostile names and contents, at a real pseudo-terminal.

The commands come from the tool's own tree, so that a new one cannot be left out. Under
``--json`` the output must be one document in plain ASCII.
"""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import pytest

from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, module_memory
from tests.hostile.at_terminal import EVIL, faults_of, leaf_commands, run_at_terminal

NAME = f"{EVIL}\nEVIL-LINE <b>[red]='"
"""Fits into a file's name: no slash, no NUL, under 255 bytes."""
NOT_UTF_8 = os.fsdecode(b"\x9b31m\xff\xfe")
SERIAL = b"SN\x1b[35;45m\x9b2J\x07\x0d-"
DONOR = module_memory(serial=SERIAL)
ORIGINAL = module_memory(VEHICLE_VIN, serial=SERIAL, options=bytes(16), starts=99)
JOB, STORE = f"job {NAME}", f"store {NAME}"
D1, D2, O1, O2 = (f"{word} {NAME}.bin" for word in ("d1", "d2", "o1", "o2"))
HEX, BAD_HEX, WRONG = f"{NOT_UTF_8} {NAME}.hex", f"bad {NAME}.hex", f"wrong {NAME}.toml"
LAYOUT_FILE, DRAFT = f"layout {NAME}.toml", f"draft {NAME}.toml"
PHOTO = f"photo {NAME}.jpg"
VOTED = f"voted {NAME}"
"""A job whose three reads of the donor differ, each at a byte of its own."""
V1, V2, V3 = (f"v{number} {NAME}.bin" for number in (1, 2, 3))

Line = tuple[str, ...]


def hostile_layout() -> str:
    """The small layout; names that TOML can hold, and the reader takes, are hostile."""
    name = json.dumps(f"{EVIL} EVIL-LINE", ensure_ascii=True)
    return LAYOUT.replace('"test module"', name).replace('"options"', name)


def flipped(data: bytes, address: int) -> bytes:
    """These bytes with one bit wrong."""
    return data[:address] + bytes([data[address] ^ 0x40]) + data[address + 1 :]


def lines_of(job: Line, store: Line) -> list[tuple[Line, Line]]:
    """(command, arguments), in the order of a job, with its faults; `#` is a running number."""
    read = ("--chip", "24C02", *store)
    return [
        (("layout", "check"), (LAYOUT_FILE,)),
        (("layout", "check"), (LAYOUT_FILE, "--against", D1)),
        (("layout", "check"), (WRONG,)),
        (("layout", "check"), (f"gone {NAME}",)),
        (("layout", "show"), (LAYOUT_FILE,)),
        (("layout", "show"), (LAYOUT_FILE, "--image", D1)),
        (("layout", "add"), (LAYOUT_FILE, "--layouts", f"layouts # {NAME}")),
        (("inspect",), (D1, D2, "--layout", LAYOUT_FILE, *read, "--html", f"#{NAME}.html")),
        (("inspect",), (D1, HEX, "--deep")),
        (("inspect",), (BAD_HEX,)),
        (("inspect",), (D1, O1)),
        (("find",), (DONOR_VIN, D1, HEX)),
        (("find",), (f"{EVIL}", D1)),
        (("compare",), (D1, O1, "--layout", LAYOUT_FILE, "--html", f"c#{NAME}.html")),
        (("compare",), (D1, BAD_HEX)),
        (("checksum", "list"), ()),
        (("checksum", "compute"), (D1, "--algorithm", EVIL, "--span", "0+9")),
        (("checksum", "compute"), (D1, "--algorithm", "SUM-8", "--span", EVIL)),
        (("checksum", "compute"), (D1, "--algorithm", "SUM-8", "--span", "0+9")),
        (("checksum", "check"), (D1, "--layout", LAYOUT_FILE)),
        (("checksum", "discover"), (D1, O1, "--at", "0x22+2", "--within", "0x10-0x21")),
        (("vin",), (f"1M8GDM9AXKP04{EVIL}", DONOR_VIN, NAME)),
        (("convert",), (D1, f"out # {NAME}.hex", "--to", "intel-hex")),
        (("convert",), (D1, D2)),
        (("convert",), (D1, f"x # {NAME}", "--view", EVIL)),
        (("backup", "add"), (D1, D2, "--role", "reference", *read)),
        (("backup", "add"), (HEX, "--role", "reference", "--single-read", EVIL, *read)),
        (("backup", "list"), store),
        (("backup", "check"), store),
        (("backup", "check"), ("--store", D1)),
        (("backup", "restore"), ("ID", "--out", f"restored # {NAME}", *store)),
        (("backup", "restore"), (EVIL, "--out", "never", *store)),
        (
            ("start",),
            (
                *("--job", f"job # {NAME}", *read, "--layout", LAYOUT_FILE),
                *("--original", O1, "--original", O2, "--donor", D1, "--donor", D2),
                *("--reseated", "--work-order", NAME, "--vehicle-vin", VEHICLE_VIN),
                *("--module-kind", "body", "--authority", NAME, "--complaint", NAME),
                *("--original-part", NAME, "--donor-part", NAME, "--donor-source", NAME),
                *("--customer", NAME, "--plate", NAME, "--original-serial", NAME),
                *("--donor-serial", NAME, "--donor-receipt", NAME, "--old-module", "core"),
                *("--technician", NAME, "--html", f"s#{NAME}.html"),
            ),
        ),
        (("start",), (*job, *read, "--original", f"gone {NAME}", "--donor", D1)),
        (("job", "note"), (NAME, *job)),
        (("job", "attach"), (PHOTO, "--caption", NAME, *job)),
        (("blank",), ("donor", *job, *store, "--dry-run", "--keep", "0x40+4", "--reason", NAME)),
        (
            ("blank",),
            (
                *("donor", *job, *store, "--confirm", DONOR_VIN[-6:]),
                *("--keep", "0x40+4", "--reason", NAME, "--out", f"blanked # {NAME}"),
            ),
        ),
        (("check",), ("--stage", "donor", *job, *store)),
        (("check",), ("--stage", "before-writing", *job, *store)),
        (("check",), (D1, "--stage", "after-writing", *job, *store)),
        (
            ("check",),
            (
                *("--stage", "after-setup", "--codes", NAME, *job, *store),
                *("--reported-vin", f"1M8GDM9AX{EVIL}"),
            ),
        ),
        (("report",), ("--no-pdf", *job, *store)),
        (("report",), ("--shop", *job, *store)),
        (("job", "test"), (NAME, "--result", "ok", "--calibration", NAME, *job, *store)),
        (("job", "test"), (NAME, "--result", EVIL, *job, *store)),
        (("job", "decide"), ("codes", NAME, "--name", NAME, *job, *store)),
        (("job", "decide"), (NAME, NAME, *job, *store)),
        (("job", "majority"), ("donor", "--job", VOTED, *store)),
        (("job", "majority"), (NAME, *job, *store)),
        (("job", "export"), (f"whole # {NAME}.zip", *job, *store)),
        (("job", "export"), (D1, *job, *store)),
        (("job", "adopt"), (JOB, *store)),
        (("job", "adopt"), (f"gone {NAME}", *store)),
        (("job", "list"), store),
        (("job", "list"), (NAME, *store)),
        (("job", "list"), (D1, *store)),
        (("layout", "learn"), (NAME, *job, *store)),
        (("layout", "learn"), (*job, *store)),
        (("job", "shop"), ("--name", NAME, "--address", NAME)),
        (("job", "shop"), ("--logo", PHOTO)),
        (("job", "shop"), ()),
        (("job", "show"), job),
        (("job", "show"), ("--job", f"gone {NAME}")),
        (("layout", "draft"), (D1, O1, "--out", f"draft # {NAME}.toml", "--chip", "24C02")),
        (("layout", "review"), (DRAFT, "--by", NAME, "--image", D1)),
        (("layout", "review"), (DRAFT, "--by", "R. B.", "--image", D1, "--image", O1)),
        (("layout", "review"), (DRAFT, "--accept", NAME, "--by", NAME, "--out", "rev#")),
        (("doctor",), store),
        (("completion",), ("bash",)),
        (("completion",), (EVIL,)),
        (("demo",), (D1,)),
    ]


WALKED = [command for command in leaf_commands() if command != ("desk",)]
"""All but the full screen, which `tests/desk` walks."""


class Walk:
    """A hostile bench, and what every command said on it."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.said: list[tuple[Line, Line, int, str]] = []
        self.number = 0
        for name, data in ((D1, DONOR), (D2, DONOR), (O1, ORIGINAL), (O2, ORIGINAL)):
            (place / name).write_bytes(data)
        for number, name in enumerate((V1, V2, V3)):
            (place / name).write_bytes(flipped(DONOR, 0xA0 + number))
        (place / HEX).write_bytes(b":020000020000FC\n:0100000001FE\n:00000001FF\n")
        (place / BAD_HEX).write_bytes(b":0100000001FE\x1b[35;45m\n:01\x9b2J\xe2\x80\xae\n")
        (place / PHOTO).write_bytes(b"\xff\xd8\xff\xe0")
        (place / LAYOUT_FILE).write_text(hostile_layout())
        (place / WRONG).write_text(
            hostile_layout().replace('kind = "state"', f"kind = {json.dumps(EVIL)}")
        )

    def run(self, command: Line, arguments: Line) -> tuple[int, str]:
        """One command, once for a person and (where it can) once for a script."""
        self.number += 1
        given = tuple(
            word.replace("#", str(self.number)).replace("ID", self.backup) if word else word
            for word in arguments
        )
        status, shown = run_at_terminal(
            [*command, *given], cwd=self.place, typed=(("[q]uit: ", "Enter to continue: "), "yes\n")
        )
        self.said.append((command, given, status, shown))
        return status, shown

    @property
    def backup(self) -> str:
        records = self.place / STORE / "records"
        names = sorted(path.name for path in records.glob("*.json")) if records.is_dir() else []
        return names[-1][7:19] if names else "ID"


@pytest.fixture(scope="module")
def walk(tmp_path_factory: pytest.TempPathFactory) -> Walk:
    made = Walk(tmp_path_factory.mktemp("walk"))
    store: Line = ("--store", STORE)
    setup = next(a for c, a in lines_of((), store) if c == ("start",))
    opened = tuple(JOB if word == f"job # {NAME}" else word for word in setup)
    assert made.run(("start",), opened)[0] in (0, 1), made.said[-1][3]
    reads = (word for name in (V1, V2, V3) for word in ("--donor", name))
    order = opened[opened.index("--work-order") : opened.index("--html")]
    read = ("--chip", "24C02", "--layout", LAYOUT_FILE, "--reseated", *store)
    made.run(("start",), ("--job", VOTED, *read, *reads, *order))
    draft = (D1, O1, "--out", DRAFT, "--chip", "24C02")
    made.run(("layout", "draft"), draft)
    for more in ((), ("--json",)):
        for command, arguments in lines_of(("--job", JOB), store):
            if not (more and command[0] in ("completion", "demo")):
                made.run(command, (*arguments, *more))
    return made


def test_every_command_of_the_tree_is_walked(walk: Walk) -> None:
    assert sorted({command for command, *_ in walk.said}) == WALKED


@pytest.mark.parametrize("command", WALKED, ids=" ".join)
def test_nothing_hostile_reaches_the_terminal(walk: Walk, command: Line) -> None:
    for _, arguments, status, shown in (said for said in walk.said if said[0] == command):
        where = f"{arguments!r}: {status}\n{shown}"
        assert faults_of(shown) == [], where
        assert "Traceback" not in shown, where
        assert "UserWarning" not in shown, where
        assert "internal error" not in shown, where
        assert status in (0, 1, 2, 3, 4, 5), where


@pytest.mark.parametrize(
    "command", [c for c in WALKED if c[0] not in ("completion", "demo")], ids=" ".join
)
def test_documents_for_scripts_are_plain_ascii(walk: Walk, command: Line) -> None:
    seen = 0
    for _, arguments, status, shown in (said for said in walk.said if said[0] == command):
        if "--json" not in arguments:
            continue
        seen += 1
        text = shown[shown.index("{\r\n") : shown.rindex("\r\n}") + 3]
        assert text.isascii(), f"{arguments!r}: {status}"
        document: dict[str, Any] = json.loads(text)
        wanted = "error" if status >= 2 and "error" in document["schema"] else "-".join(command)
        assert document["schema"].partition("/")[0] == f"benchimage.{wanted}"
    assert seen


def test_the_walk_meets_successes_of_all_commands(walk: Walk) -> None:
    """Otherwise only error sentences would have been looked at."""
    answered = {command for command, _, status, _ in walk.said if status in (0, 1)}
    # What was learned from a job is told only where its check after setup has passed.
    assert answered >= set(WALKED) - {("demo",), ("layout", "learn")}


def test_hostile_text_is_told_escaped_and_not_dropped(walk: Walk) -> None:
    shown = next(said[3] for said in reversed(walk.said) if said[0] == ("job", "note"))
    assert "\\u001b[35;45mEVIL" in shown
    shown = next(s for c, a, _, s in walk.said if c == ("job", "show") and "--json" not in a)
    assert re.search(r"\\x1b\[35;45mEVIL", shown)


def test_no_command_writes_a_spreadsheet(walk: Walk) -> None:
    """F30: no command writes CSV, so no cell can begin a formula."""
    kinds = {path.suffix for path in walk.place.rglob("*") if path.is_file()}
    assert not kinds & {".csv", ".tsv", ".xls", ".xlsx", ".ods"}


def test_the_pages_hold_hostile_text_as_text_alone(walk: Walk) -> None:
    """F28: `tests/browser` opens such pages and counts what runs; here is every page there is."""
    pages = sorted(walk.place.rglob("*.html"))
    assert {path.name[:6] for path in pages} >= {"report", "shop-c"}
    assert len(pages) >= 5
    for path in pages:
        text = path.read_text(encoding="utf-8")
        assert faults_of(text.replace("\t", " ")) == [], path.name
        assert "<b>[red]" not in text, path.name
        assert "Content-Security-Policy" in text, path.name
        assert "EVIL" in text, path.name


@pytest.mark.parametrize(
    "shown",
    ["\x1b[2J", "\x1b[35m", "\x9b31m", "a\u202eb", "a\rb", "x\u2028", "\x1b]0;t\x07", "\n\x00"],
)
def test_the_look_itself_sees_what_it_should(shown: str) -> None:
    assert faults_of(shown)


def test_own_colours_are_allowed() -> None:
    assert faults_of("\x1b[1mJob\x1b[0m\r\n\x1b[31mfail\x1b[0m\r\n") == []
