"""What each command takes on larger images, as ratios to its own time on 4 KiB.

Run: ``python tests/bench/bench_commands.py [--sizes 4096,65536,…] [--kinds structured,…]``

Each kind and size is played as a whole job: two reads of two modules, blanked, checked,
reported. Processor time of whole processes. Aims: 64 KiB at most 1.5, 1 MiB 4, 16 MiB 20
times; a blanked region of 16 MiB at most `inspect` of that file and three times reading,
hashing and writing it.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.costs import Cost, command_cost, cost_of
from tests.bench.images import KINDS, LARGEST, make_images

SIZES = (4096, 1 << 16, 1 << 20, LARGEST)
LIMITS = {4096: 1.0, 1 << 16: 1.5, 1 << 20: 4.0, LARGEST: 20.0}
VINS = (b"1G4AH59H45G118341", b"1M8GDM9AXKP042788")
"""Of the vehicle and of the donor. The second is the worked example of 49 CFR 565.15(c)."""
LAYOUT = """\
[layout]
name = "bench module"
chip = "{chip}"
size = {size}
module = "body"
reviewed = true

[[region]]
name = "VIN"
span = "0x0020+17"
kind = "vehicle-identity"
type = "vin"

[[region]]
name = "learned"
span = "{state}"
kind = "state"
blank_to = "FF"
"""
READ_HASH_WRITE = """
import hashlib, pathlib, sys
data = pathlib.Path(sys.argv[1]).read_bytes()
hashlib.sha256(data)
pathlib.Path(sys.argv[1] + ".copy").write_bytes(data)
"""
Rows = dict[str, dict[int, Cost]]


def play(folder: Path, images: list[bytes], rows: Rows, *, state: str, runs: int) -> None:
    """A whole job with two images; `rows` gets the cost of each command, or keeps a lower one."""
    size = len(images[0])
    folder.mkdir()
    names = {}
    for role, vin, image in zip(("original", "donor"), VINS, images, strict=False):
        memory = bytearray(image)
        memory[0x20:0x31] = vin
        for number in ("1", "2"):
            names[role + number] = f"{role}{number}.bin"
            (folder / names[role + number]).write_bytes(memory)
    (folder / "module.toml").write_text(
        LAYOUT.format(chip=f"{size >> 10}K", size=size, state=state)
    )
    donor, original = names["donor1"], names["original1"]

    def cost(name: str, *arguments: str, times: int = 1) -> None:
        measured = command_cost(*arguments, folder=folder, runs=times)
        if measured.status not in (0, 1):
            raise SystemExit(f"{folder}: {arguments} ended with {measured.status}")
        costs = rows.setdefault(name, {})
        costs[size] = min(measured, costs.get(size, measured))

    job = ("--job", "job")
    cost("inspect", "inspect", donor, times=runs)
    cost("find", "find", VINS[1].decode(), donor, times=runs)
    cost("compare", "compare", donor, original, times=runs)
    cost(
        *("start", "start", *job, "--layout", "module.toml", "--chip", f"{size >> 10}K"),
        *("--original", original, "--original", names["original2"]),
        *("--donor", donor, "--donor", names["donor2"]),
        *("--vehicle-vin", VINS[0].decode(), "--module-kind", "body", "--authority", "order"),
        "--reseated",
    )
    cost("blank", "blank", "donor", *job, "--confirm", VINS[1][-6:].decode())
    cost("check to-write", "check", *job, "--stage", "before-writing", times=runs)
    written = next((folder / "job").rglob("*to-write*.bin"), None)
    if written is not None:
        (folder / "back.bin").write_bytes(written.read_bytes())
        cost("check read-back", "check", "back.bin", *job, "--stage", "after-writing", times=runs)
    cost("report", "report", *job, "--no-pdf", times=runs)


def print_rows(rows: Rows, kind: str, sizes: list[int]) -> None:
    """One line a command, the worst first."""

    def worst(item: tuple[str, dict[int, Cost]]) -> float:
        costs = item[1]
        first = costs[sizes[0]].seconds
        return max(costs[size].seconds / first / LIMITS.get(size, 1) for size in costs)

    print(f"\n{kind:18} {'':>10}" + "".join(f"{size:>18,} B" for size in sizes[1:]))
    for name, costs in sorted(rows.items(), key=worst, reverse=True):
        first = costs[sizes[0]].seconds
        cells = ""
        for size in sizes[1:]:
            if size not in costs:
                continue
            ratio = costs[size].seconds / first
            sign = " " if ratio <= LIMITS.get(size, ratio) else "!"
            cells += f"{ratio:8.2f} x{sign} {costs[size].memory >> 20:5} MB  "
        print(f"{name:18} {first:8.2f} s {cells}", flush=True)


def blank_all(folder: Path, size: int) -> str:
    """`blank` of a file that is all one state region behind its VIN, in words."""
    rows: Rows = {}
    images = make_images("random", size, 2)
    play(folder, images, rows, state=f"0x0100+{size - 0x100}", runs=1)
    alone = cost_of("-c", READ_HASH_WRITE, "donor1.bin", folder=folder)
    limit = rows["inspect"][size].seconds + 3 * alone.seconds
    ratio = rows["blank"][size].seconds / limit
    return (
        f"`blank` of a state region of {size >> 20} MiB takes {ratio:.2f} times `inspect` of that"
        " file and three times reading, hashing and writing it; the aim is 1."
    )


def main() -> None:
    """Print all rows."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sizes", default=",".join(map(str, SIZES)))
    parser.add_argument("--kinds", default="structured,random,erased,text,code")
    parser.add_argument("--runs", type=int, default=2)
    given = parser.parse_args()
    sizes = [int(size) for size in given.sizes.split(",")]
    with tempfile.TemporaryDirectory() as folder:
        for kind in given.kinds.split(","):
            assert kind in KINDS
            rows: Rows = {}
            for size in sizes:
                play(
                    Path(folder) / f"{kind}-{size}",
                    make_images(kind, size, 2),
                    rows,
                    state="0x0100+32",
                    runs=given.runs,
                )
            print_rows(rows, kind, sizes)
        print(f"\n{blank_all(Path(folder) / 'all-state', sizes[-1])}")


if __name__ == "__main__":
    main()
