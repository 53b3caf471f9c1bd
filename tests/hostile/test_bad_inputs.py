"""F15, F31 to F36 by the command itself: files that are too odd, too large, gone, or not ours."""

from __future__ import annotations

import json
import os
import random
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.build import LAYOUT, module_memory
from tests.command_line import ROOT, run_benchimage
from tests.faults.bench import DONOR, open_bench, sources_of
from tests.faults.strace_server import StraceServer
from tests.hostile.forked import Ended, run_forked
from tests.needs import needs, needs_root

GIBIBYTE = 1 << 30


def assert_sound(done: Ended, statuses: tuple[int, ...] = (0, 1, 2, 3, 4, 5)) -> None:
    where = f"{done.status}: {done.stdout[-500:]} {done.stderr[-1500:]}"
    assert done.status in statuses, where
    assert "Traceback" not in done.stderr, where
    assert "internal error" not in done.stderr, where
    assert done.seconds < 5, where
    assert done.mebibytes < 1024, where


def test_a_megabyte_of_nothing_but_vins_is_refused_before_a_job_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHIMAGE_STORE", str(tmp_path / "store"))
    rng = random.Random(7)
    letters = "ABCDEFGHJKLMNPRSTUVWXYZ"
    vins = (
        f"1G{rng.choice(letters)}AH59H{rng.choice('45678')}5{rng.choice(letters)}1{number:05}"
        for number in range((1 << 20) // 18)
    )
    listed = b"".join(vin.encode() + b"\xff" for vin in vins)
    (tmp_path / "list.bin").write_bytes(listed)
    opened = [
        *("start", "--job", "job", "--chip", "8M", "--donor", "list.bin", "--single-read", "one"),
        *(
            "--vehicle-vin",
            "1G4AH59H45G118341",
            "--module-kind",
            "body",
            "--authority",
            "the papers",
        ),
    ]
    for arguments in (["inspect", "list.bin"], opened):
        done = run_forked(arguments, cwd=tmp_path)
        assert_sound(done, (4,))
        assert "list.bin: more than 4,096 VINs lie in it" in done.stderr
    assert not (tmp_path / "job").exists()


# F31: two bytes at both ends of four gigabytes.


def intel_hex_line(address: int, kind: int, data: bytes) -> str:
    line = bytes([len(data)]) + address.to_bytes(2, "big") + bytes([kind]) + data
    return f":{(line + bytes([-sum(line) & 0xFF])).hex().upper()}\n"


FAR_APART = (
    intel_hex_line(0, 4, b"\0\0")
    + intel_hex_line(0, 0, b"\x01")
    + intel_hex_line(0, 4, b"\xff\xff")
    + intel_hex_line(0xFFFF, 0, b"\x02")
    + intel_hex_line(0, 1, b"")
)


@pytest.mark.parametrize(
    ("command", "statuses"),
    [
        ("inspect far.hex --json", {0, 1}),
        ("find 1M8GDM9AXKP042788 far.hex", {0, 1}),
        ("compare far.hex near.bin --json", {0, 1}),
        ("checksum compute far.hex --algorithm SUM-8 --span 0xFFFFFFFF+1", {0}),
        ("checksum compute far.hex --algorithm SUM-8 --span 0-0xFFFFFFFF", {2, 3, 4}),
        ("convert far.hex out.s19 --to s-record", {0}),
        ("convert far.hex out.bin --to raw", {2, 3, 4}),
        ("convert far.hex out.bin --to raw --fill 0xFF", {2, 3, 4}),
        ("backup add far.hex --role donor --chip 24C02 --single-read x --store s", {0, 1, 3, 4}),
        ("inspect far.hex --html page.html", {0, 1, 3, 4}),
        ("layout draft far.hex --out l.toml --chip 24C02", {2, 3, 4}),
        ("checksum discover far.hex --within 0xFFFFFFF0-0xFFFFFFFF", {0, 1, 2, 3, 4}),
    ],
)
def test_bytes_four_gigabytes_apart_are_never_laid_out_flat(
    tmp_path: Path, command: str, statuses: set[int]
) -> None:
    """A real process that may not have more than 2 GiB."""
    (tmp_path / "far.hex").write_text(FAR_APART)
    (tmp_path / "near.bin").write_bytes(bytes(16))
    done = subprocess.run(
        [sys.executable, "-m", "memtool", *command.split()],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (2 * GIBIBYTE, 2 * GIBIBYTE)),
    )
    assert done.returncode in statuses, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    if command == "inspect far.hex --json":
        segments = json.loads(done.stdout)["reads"][0]["segments"]
        assert segments == [{"start": 0, "end": 1}, {"start": 0xFFFFFFFF, "end": 1 << 32}]


# F32: files of many gigabytes, wherever a file can be named.


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench = tmp_path_factory.mktemp("opened")
    open_bench(bench)
    return bench


LARGE = [
    "inspect BIG", "inspect --layout BIG d1.bin", "find 1M8GDM9AXKP042788 BIG",
    "compare d1.bin BIG",
    "compare d1.bin d1.bin --layout BIG", "checksum compute BIG --algorithm SUM-8 --span 0+1",
    "checksum check d1.bin --layout BIG", "checksum discover BIG", "layout check BIG",
    "layout check module.toml --against BIG", "layout show BIG", "layout add BIG",
    "layout draft BIG d1.bin --out l.toml", "layout review BIG", "convert BIG out.hex",
    "convert d1.bin out.hex --majority BIG --majority d1.bin",
    "backup add BIG --role donor --chip 24C02",
    "start --job j --original BIG --donor d1.bin --chip 24C02",
    "blank BIG --job job", "check BIG --stage after-writing --job job",
    "job attach BIG --job job",
]  # fmt: skip


@pytest.mark.parametrize("command", LARGE)
def test_ten_gigabytes_are_refused_fast_wherever_a_file_is_named(
    opened: Path, command: str
) -> None:
    with (opened / "BIG").open("wb") as file:
        file.truncate(10 * GIBIBYTE)
    done = run_forked([*command.split(), "--json"], cwd=opened)
    assert_sound(done, (3, 4))
    assert json.loads(done.stdout)["file"].endswith("BIG")


# F33: sizes that no module has.


def sizes() -> dict[str, bytes]:
    return {"empty": b"", "one": b"\x55", "odd": DONOR[:-1], "over": DONOR + b"\xff"}


@pytest.mark.parametrize("name", sizes())
def test_an_odd_size_is_named_and_never_blanked(tmp_path: Path, name: str) -> None:
    (tmp_path / "d1.bin").write_bytes(sizes()[name])
    (tmp_path / "d2.bin").write_bytes(sizes()[name])
    (tmp_path / "o1.bin").write_bytes(module_memory())
    (tmp_path / "module.toml").write_text(LAYOUT)
    store = ["--store", "store"]
    seen = run_forked(
        ["inspect", "d1.bin", "--layout", "module.toml", "--chip", "24C02"], cwd=tmp_path
    )
    assert_sound(seen, (4,) if name == "empty" else (1, 3, 4))
    started = run_forked(
        [
            *("start", "--job", "job", "--chip", "24C02", "--layout", "module.toml", *store),
            *("--original", "o1.bin", "--single-read", "x", "--donor", "d1.bin"),
            *("--donor", "d2.bin", "--reseated", "--work-order", "1", "--authority", "x"),
            *("--vehicle-vin", "1G4AH59H45G118341", "--module-kind", "body"),
        ],
        cwd=tmp_path,
    )
    assert_sound(started, (4,) if name == "empty" else (0, 1, 3, 4))
    blanked = run_forked(
        ["blank", "d1.bin", "--job", "job", *store, "--confirm", "042788", "--out", "out.bin"],
        cwd=tmp_path,
    )
    assert_sound(blanked, (2, 3, 4))
    assert not (tmp_path / "out.bin").exists()


# F15: the output is the source under another name.


def names_of_the_source(bench: Path) -> dict[str, str]:
    (bench / "below").mkdir(exist_ok=True)
    for name, make in (("link.bin", os.symlink), ("hard.bin", os.link)):
        if not (bench / name).exists():
            make(bench / "d1.bin", bench / name)
    return {
        "same": "d1.bin", "dotted": "./d1.bin", "up and down": "below/../d1.bin",
        "whole": str(bench / "d1.bin"), "link": "link.bin", "hard link": "hard.bin",
        "doubled": f"{bench}//d1.bin", "in the store": "",
    }  # fmt: skip


@pytest.mark.parametrize("how", ["same", "dotted", "up and down", "whole", "link", "hard link",
                                 "doubled", "in the store"])  # fmt: skip
@pytest.mark.parametrize("command", ["blank", "convert", "restore"])
def test_the_source_is_never_the_output(
    tmp_path: Path, how: str, command: str, opened: Path
) -> None:
    bench = tmp_path / "bench"
    shutil.copytree(opened, bench, symlinks=True, ignore=shutil.ignore_patterns("BIG"))
    out = names_of_the_source(bench)[how] or str(next((bench / "store" / "files").iterdir()))
    record = sorted((bench / "store" / "records").glob("*.json"))[0].name[7:19]
    arguments = {
        "blank": ["blank", "donor", "--job", "job", "--store", "store", "--confirm", "042788",
                  "--keep", "0x40+4", "--reason", "x", "--out", out],
        "convert": ["convert", "d1.bin", out, "--to", "intel-hex"],
        "restore": ["backup", "restore", record, "--store", "store", "--out", out],
    }[command]  # fmt: skip
    before, copies = sources_of(bench), files_in(bench / "store")
    assert_sound(run_forked(arguments, cwd=bench), (3,))
    assert sources_of(bench) == before
    assert files_in(bench / "store") == copies


def files_in(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


# F35: a file that may not be read, or is gone in the middle.


@needs_root
@needs("setpriv")
def test_what_another_user_keeps_closed_is_told(tmp_path: Path) -> None:
    place = Path("/dev/shm" if Path("/dev/shm").is_dir() else tmp_path) / f"closed-{os.getpid()}"
    place.mkdir(mode=0o755)
    try:
        (place / "d.bin").write_bytes(DONOR)
        (place / "d.bin").chmod(0o600)
        (place / "closed").mkdir(mode=0o700)
        for name in ("d.bin", "closed/d.bin"):
            done = subprocess.run(
                [
                    *("setpriv", "--reuid", "65534", "--regid", "65534", "--clear-groups"),
                    *(sys.executable, "-m", "memtool", "inspect", name, "--json"),
                ],
                cwd=place,
                env=os.environ | {"PYTHONPATH": str(ROOT), "HOME": "/nowhere"},
                capture_output=True,
                text=True,
                timeout=60,
            )
            assert done.returncode == 4, done.stderr
            assert json.loads(done.stdout)["file"] == name
    finally:
        shutil.rmtree(place)


@needs("strace")
def test_a_file_that_vanishes_or_goes_stale_at_any_call_is_told(tmp_path: Path) -> None:
    (tmp_path / "d1.bin").write_bytes(DONOR)
    arguments = ["inspect", "d1.bin", "--json"]
    with StraceServer() as server:
        server.warm_up(arguments, cwd=tmp_path)
        calls = server.calls(arguments, cwd=tmp_path)
        for call in ("openat", "read", "fstat", "newfstatat", "close"):
            for position in range(1, calls.count(call) + 1):
                for error in ("ENOENT", "ESTALE", "EIO"):
                    done = server.run(
                        arguments, cwd=tmp_path, inject=f"{call}:error={error}:when={position}"
                    )
                    where = f"{call} {position} {error}: {done.status} {done.stderr}"
                    assert done.status in (0, 1, 2, 4, 5), where
                    assert "Traceback" not in done.stderr, where


# F36: layout files that nobody would write.


def nested(depth: int) -> str:
    return f"x = {'[' * depth}{']' * depth}\n"


HANDMADE: dict[str, Callable[[], str]] = {
    "overlap": lambda: LAYOUT.replace('span = "0x21+1"', 'span = "0x20+2"'),
    "outside": lambda: LAYOUT.replace('span = "0x21+1"', 'span = "0xFF+2"'),
    "own range": lambda: LAYOUT.replace('covers = ["0x10-0x21"]', 'covers = ["0x10-0x22"]'),
    "10 MB": lambda: LAYOUT + "# " + "x" * 10_000_000,
    "10 MB of tables": lambda: LAYOUT + '[[region]]\nname = "a"\n' * 500_000,
    "deep": lambda: LAYOUT + nested(100_000),
    "less deep": lambda: LAYOUT + nested(900),
    "deep keys": lambda: LAYOUT + ".".join("a" * 5000) + " = 1\n",
    "duplicate": lambda: LAYOUT.replace('chip = "24C02"', 'chip = "24C02"\nchip = "24C04"'),
    "nan": lambda: LAYOUT.replace("size = 256", "size = nan"),
    "inf": lambda: LAYOUT.replace("size = 256", "size = inf"),
    "huge": lambda: LAYOUT.replace("size = 256", f"size = {'9' * 5000}"),
    "negative": lambda: LAYOUT.replace("size = 256", "size = -1"),
    "date": lambda: LAYOUT.replace("size = 256", "size = 2026-03-01T10:00:00Z"),
    "huge span": lambda: LAYOUT.replace('"0x21+1"', f'"0x{"F" * 5000}+1"'),
    "cycle": lambda: LAYOUT.replace('copy_of = "VIN"', 'copy_of = "VIN, mirrored"'),
    "nul": lambda: LAYOUT.replace("body", "bo\0dy"),
    "empty": lambda: "",
    "other": lambda: "just = 'a file'\n",
}


@pytest.mark.parametrize("name", HANDMADE)
@pytest.mark.parametrize("command", ["check", "show", "add", "review"])
def test_a_layout_nobody_would_write_is_refused(tmp_path: Path, name: str, command: str) -> None:
    (tmp_path / "l.toml").write_text(HANDMADE[name]())
    done = run_forked(["layout", command, "l.toml", "--json"], cwd=tmp_path)
    assert_sound(done, (2, 3, 4))
    assert json.loads(done.stdout)["code"]


KEYS = st.sampled_from(
    ["name", "span", "kind", "type", "stored_as", "copy_of", "blank_to", "size", "chip", "base",
     "erased", "module", "parts", "reviewed", "algorithm", "covers", "stored", "byte_order",
     "total", "when_blanked", "x", "x.y"]
)  # fmt: skip
VALUES = st.one_of(
    st.integers().map(str),
    st.sampled_from(
        ['"0x10+17"', '"0x10-0x20"', '"plain"', '"vin"', '"state"', '"protected"', "nan", "[]",
         '["0x0-0xFF"]', "{}", "true", '"SUM-8/TOTAL"', '"refresh"', '"reference"', '"24C02"',
         '"packed-6-msb@7"', '"xor-5a+reversed"', '"split"', "0x100", "1979-05-27", '"VIN"']
    ),
    st.text(max_size=20).map(lambda text: json.dumps(text).replace("\\ud", "x")),
)  # fmt: skip
TABLES = st.sampled_from(["[layout]", "[[region]]", "[[checksum]]", "[layout.x]", "[region]"])


@st.composite
def layouts(draw: st.DrawFn) -> str:
    """The small layout with lines changed, added and left out; or all made up."""
    lines = draw(st.sampled_from([LAYOUT, ""])).splitlines()
    for _ in range(draw(st.integers(1, 12))):
        line = draw(st.one_of(TABLES, st.tuples(KEYS, VALUES).map(" = ".join)))
        place = draw(st.integers(0, len(lines)))
        lines[place : place + draw(st.integers(0, 2))] = [line]
    return "\n".join(lines)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(text=layouts())
def test_any_layout_is_read_or_refused_with_its_place(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    folder = tmp_path_factory.getbasetemp()
    (folder / "any.toml").write_text(text, encoding="utf-8", errors="replace")
    done = run_forked(["layout", "check", "any.toml", "--json"], cwd=folder)
    assert_sound(done, (0, 1, 4))
    document: dict[str, Any] = json.loads(done.stdout)
    if done.status == 4:
        assert document["file"] == "any.toml"


def test_what_is_no_regular_file_is_refused_by_the_command(tmp_path: Path) -> None:
    """F34: all the commands read through one door; this is the door's test by the command."""
    os.mkfifo(tmp_path / "fifo")
    for name in ("fifo", "/dev/zero", ".", "/proc/self/status"):
        done = run_benchimage("inspect", name, "--json", cwd=tmp_path)
        assert done.returncode == 4, done.stderr
