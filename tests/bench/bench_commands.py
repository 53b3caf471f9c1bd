"""What each command takes on larger images, as ratios to its own time on 4 KiB.

Run: ``python tests/bench/bench_commands.py [--sizes 4096,65536,…] [--kinds structured,…]``

Each kind and size is played as a whole job: two reads of two modules, blanked, checked,
reported. Processor time of whole processes. Aims: 64 KiB at most 1.5, 1 MiB 4, 16 MiB 20
times; a blanked region of 16 MiB at most `inspect` of that file and three times reading,
hashing and writing it.
"""

from __future__ import annotations

import argparse
import math
import shutil
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.costs import Cost, command_cost, cost_of, ratio_of
from tests.bench.images import KINDS, LARGEST, make_images

SIZES = (4096, 1 << 16, 1 << 20, LARGEST)
_LIMITS = {1 << 16: 1.5, 1 << 20: 4.0, LARGEST: 20.0}
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


def play(folder: Path, images: list[bytes], *, state: str) -> Iterator[tuple[str, Cost]]:
    """A whole job with two images: each command, after it has run, with what it took."""
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

    def cost(*arguments: str) -> Cost:
        measured = command_cost(*arguments, folder=folder, runs=1)
        if measured.status not in (0, 1):
            raise SystemExit(f"{folder}: {arguments} ended with {measured.status}")
        return measured

    job = ("--job", "job")
    yield "inspect", cost("inspect", donor)
    yield "find", cost("find", VINS[1].decode(), donor)
    yield "compare", cost("compare", donor, original)
    yield (
        "start",
        cost(
            *("start", *job, "--layout", "module.toml", "--chip", f"{size >> 10}K"),
            *("--original", original, "--original", names["original2"]),
            *("--donor", donor, "--donor", names["donor2"]),
            *("--vehicle-vin", VINS[0].decode(), "--module-kind", "body", "--authority", "order"),
            "--reseated",
        ),
    )
    yield "blank", cost("blank", "donor", *job, "--confirm", VINS[1][-6:].decode())
    yield "check to-write", cost("check", *job, "--stage", "before-writing")
    written = next((folder / "job").rglob("*to-write*.bin"))
    (folder / "back.bin").write_bytes(written.read_bytes())
    yield "check read-back", cost("check", "back.bin", *job, "--stage", "after-writing")
    yield "report", cost("report", *job, "--no-pdf")


def play_all(
    folder: Path, kind: str, sizes: Sequence[int], turns: Mapping[int, int]
) -> dict[str, dict[int, list[Cost]]]:
    """Whole jobs of several sizes: by command and size, what each turn took.

    Every command runs in all sizes before the next one does, since a machine works faster and
    slower for minutes at a time.

    Args:
        folder: An empty one.
        kind: Of the images.
        sizes: In bytes.
        turns: How often each size is played.
    """
    played: dict[str, dict[int, list[Cost]]] = {}
    for turn in range(max(turns[size] for size in sizes)):
        own = [size for size in sizes if turn < turns[size]]
        jobs = (
            play(folder / f"{size}", make_images(kind, size, 2), state="0x0100+32") for size in own
        )
        for steps in zip(*jobs, strict=True):
            for size, (command, cost) in zip(own, steps, strict=True):
                played.setdefault(command, {}).setdefault(size, []).append(cost)
        for size in own:
            shutil.rmtree(folder / f"{size}")
    return played


def limit_of(command: str, size: int) -> float:
    """How often as long as 4 KiB a size may take; `compare` has aims of its own."""
    return math.inf if command == "compare" else _LIMITS.get(size, math.inf)


def print_rows(
    played: Mapping[str, Mapping[int, Sequence[Cost]]], kind: str, sizes: list[int]
) -> None:
    """One line a command, the worst first."""
    print(f"\n{kind:18} {'':>10}" + "".join(f"{size:>18,} B" for size in sizes[1:]))
    rows = []
    for name, costs in played.items():
        cells, worst = "", 0.0
        for size in sizes[1:]:
            ratio = ratio_of(costs[size], costs[sizes[0]])
            limit = limit_of(name, size)
            worst = max(worst, ratio / limit)
            sign = " " if ratio <= limit else "!"
            cells += f"{ratio:8.2f} x{sign} {costs[size][0].memory >> 20:5} MB  "
        rows.append((worst, f"{name:18} {min(costs[sizes[0]]).seconds:8.2f} s {cells}"))
    for _, row in sorted(rows, reverse=True):
        print(row, flush=True)


def blank_all(folder: Path, size: int) -> str:
    """`blank` of a file that is all one state region behind its VIN, in words.

    Args:
        folder: Made for it.
        size: Bytes of the file.
    """
    images = make_images("random", size, 2)
    ratios = []
    folder.mkdir()
    for turn in range(3):
        job = folder / f"{turn}"
        costs = dict(play(job, images, state=f"0x0100+{size - 0x100}"))
        alone = cost_of("-c", READ_HASH_WRITE, "donor1.bin", folder=job)
        ratios.append(costs["blank"].seconds / (costs["inspect"].seconds + 3 * alone.seconds))
        shutil.rmtree(job)
    ratio = median(ratios)
    return (
        f"`blank` of a state region of {size >> 10:,} KiB takes {ratio:.2f} times `inspect` of that"
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
            played = play_all(Path(folder), kind, sizes, dict.fromkeys(sizes, given.runs))
            print_rows(played, kind, sizes)
        print(f"\n{blank_all(Path(folder) / 'all-state', sizes[-1])}")


if __name__ == "__main__":
    main()
