"""What each command takes on an image in islands, beside one segment of as many bytes.

Run: ``python tests/bench/bench_islands.py``. Processor time of whole processes, one column a kind
of image. Aim: 10,000 segments of one byte take at most 3 times one segment of 10,000. `blank` has
no row: a read with gaps is not whole, and a donor that is not read whole is not blanked.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.image import Image
from memtool.formats.codec import ImageFormat, encode_image
from tests.bench.bench_commands import LAYOUT, VINS
from tests.bench.costs import Cost, columns, command_cost, ratio_of
from tests.bench.images import KINDS, make_images

_CHIP, _SIZE = "64K", 1 << 16
_VIN_AT = 0x20


def compare_islands(folder: Path, kind: str, count: int, turns: int = 5) -> dict[str, float]:
    """By command, how many times as long it takes with islands.

    Args:
        folder: One without files of this kind.
        kind: Of the images.
        count: How many segments of one byte; three times as many have room in 64 KiB.
        turns: How often it is played.
    """
    taken: dict[str, dict[int, list[Cost]]] = {}
    for turn in range(turns):
        for apart in (3, 1):
            place = folder / f"{kind}-{turn}-{apart}"
            place.mkdir()
            for command, cost in _play(place, kind, count, apart=apart).items():
                taken.setdefault(command, {}).setdefault(apart, []).append(cost)
    return {command: ratio_of(costs[3], costs[1]) for command, costs in taken.items()}


def _play(folder: Path, kind: str, count: int, *, apart: int) -> dict[str, Cost]:
    """The cost of each command, with images whose bytes lie so many addresses apart."""
    vehicle, donor = VINS
    small, large = make_images(kind, count, 2), make_images(kind, _SIZE, 2)
    for turn, (role, vin) in enumerate((("original", vehicle), ("donor", donor))):
        pieces = [(_VIN_AT, vin)]
        pieces += [(0x100 + apart * place, bytes([byte])) for place, byte in enumerate(small[turn])]
        _write_reads(folder / role, Image.from_pieces(pieces))
        whole = bytearray(large[turn])
        whole[_VIN_AT : _VIN_AT + len(vin)] = vin
        _write_reads(folder / f"whole-{role}", Image.from_bytes(bytes(whole)))
    (folder / "module.toml").write_text(LAYOUT.format(chip=_CHIP, size=_SIZE, state="0x0100+32"))

    def cost(*arguments: str) -> Cost:
        measured = command_cost(*arguments, folder=folder, runs=1)
        if measured.status not in (0, 1):
            raise SystemExit(f"{folder}: {arguments} ended with {measured.status}")
        return measured

    def start(job: str, before: str = "") -> Cost:
        reads = (
            words
            for role in ("original", "donor")
            for number in "12"
            for words in (f"--{role}", f"{before}{role}{number}.hex")
        )
        return cost(
            *("start", "--job", job, "--layout", "module.toml", "--chip", _CHIP, *reads),
            *("--vehicle-vin", vehicle.decode(), "--module-kind", "body", "--authority", "order"),
            "--reseated",
        )

    taken = {
        "inspect": cost("inspect", "donor1.hex"),
        "find": cost("find", donor.decode(), "donor1.hex"),
        "compare": cost("compare", "donor1.hex", "original1.hex"),
        "start": start("job"),
        "report": cost("report", "--job", "job", "--no-pdf"),
    }
    start("whole", "whole-")
    cost("blank", "donor", "--job", "whole", "--confirm", donor[-6:].decode())
    taken["check"] = cost("check", "donor1.hex", "--job", "whole", "--stage", "after-writing")
    return taken


def _write_reads(path: Path, image: Image) -> None:
    """Two files of one memory: a file given twice is not two reads."""
    for number in "12":
        path.with_name(f"{path.name}{number}.hex").write_bytes(
            encode_image(image, ImageFormat.INTEL_HEX)
        )


def main() -> None:
    """Print a row a command, a column a kind."""
    ratios: dict[str, dict[str, float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for kind in KINDS:
            for command, ratio in compare_islands(Path(folder), kind, 10_000).items():
                ratios.setdefault(command, {})[kind] = ratio
    for command, by_kind in ratios.items():
        print(f"{command:12} x one segment, at most 3:  {columns(by_kind, 3)}")


if __name__ == "__main__":
    main()
