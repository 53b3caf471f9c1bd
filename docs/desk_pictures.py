"""Makes the pictures of `docs/desk.md` from a sitting at the desk; look at them afterwards.

    python docs/desk_pictures.py

Needs the package with its `dev` extra and Chromium. Writes docs/pictures/desk-*.png.
"""

from __future__ import annotations

import asyncio
import os
import re
import shutil
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from memtool.demo import door, seat, tailgate  # noqa: E402
from tests.command_line import run_benchimage  # noqa: E402
from tests.desk.sitting import Sitting, put_reads, sit_down, touch  # noqa: E402

OUT = ROOT / "docs" / "pictures"
SIZE = (100, 30)
COLOURS = 64
"""Of each picture: they are drawn, and few colours keep the files small."""
_FRAME = re.compile(r'viewBox="0 0 ([\d.]+) ([\d.]+)"')
_LEFT, _TOP, _AROUND = 9, 41, (18, 50)
"""Where rich puts the terminal in its picture of a window, which is left out."""


def run(folder: Path, *arguments: str) -> None:
    """One command."""
    done = run_benchimage(*arguments, cwd=folder, BENCHIMAGE_STORE=str(folder / "store"))
    if done.returncode not in (0, 1):
        raise SystemExit(f"{arguments}: {done.stderr}")


def start(folder: Path, order: str, vin: str, reads: tuple[str, ...], *layouts: str) -> None:
    """Open a job with the reads of both modules."""
    given = [
        part for read in reads for part in (f"--{read.split('-')[1]}", next_file(folder, read))
    ]
    named = [part for layout in layouts for part in ("--layout", layout)]
    run(
        folder,
        *("start", "--job", f"order-{order}", *named, *given, "--work-order", order),
        *("--vehicle-vin", vin, "--module-kind", "body", "--technician", "R. Amsel"),
        *("--authority", f"registration seen, order {order} signed", "--reseated"),
    )


def next_file(folder: Path, start: str) -> str:
    """The file whose name begins so."""
    return next(path.name for path in sorted(folder.iterdir()) if path.name.startswith(start))


def make_jobs(folder: Path) -> None:
    """Jobs at different steps."""
    for name in ("door", "seat", "tailgate"):
        put_reads(folder, name)
    two = [f"{role}-{number}" for role in ("original", "donor") for number in (1, 2)]
    reads = tuple(f"door-{each}" for each in two)
    start(folder, "1042", door.VEHICLE_VIN, reads, "door.toml")
    run(folder, "check", "--stage", "donor", "--job", "order-1042")
    keep = ("--keep", "0x0200+4", "--reason", "usage")
    run(folder, "blank", "donor", *keep, "--confirm", door.DONOR_VIN[-6:], "--job", "order-1042")
    run(
        folder,
        *("start", "--job", "order-1077", "--chip", "24C04", "--work-order", "1077"),
        *("--original", "seat-original-1.bin", "--original", "seat-original-2.bin"),
        *("--donor", "seat-donor-1.bin", "--donor", "seat-donor-2.bin", "--reseated"),
        *("--vehicle-vin", seat.VEHICLE_VIN, "--module-kind", "body", "--technician", "R. Amsel"),
        *("--authority", "registration seen, order 1077 signed"),
    )
    memories = (("eeprom", (1, 2)), ("flash", (1, 2)))
    reads = tuple(
        f"tailgate-{role}-{memory}-{number}"
        for role in ("original", "donor")
        for memory, numbers in memories
        for number in numbers
    )
    layouts = ("tailgate-eeprom.toml", "tailgate-flash.toml")
    start(folder, "1103", tailgate.VEHICLE_VIN, reads, *layouts)


async def sit(folder: Path, pictures: dict[str, str]) -> None:
    """Walk the desk and keep its pictures as SVG."""

    def keep(desk: Sitting, name: str) -> None:
        pictures[name] = desk.app.export_screenshot()

    async with sit_down(folder, size=SIZE) as desk:
        await desk.type("10")
        keep(desk, "jobs")
        await desk.press("escape", "f2")
        await desk.type("1120")
        await desk.press("enter", "enter", "enter")
        await desk.type(door.VEHICLE_VIN)
        keep(desk, "vin")
        await desk.press("escape")
        await desk.type("1042")
        await desk.press("enter")
        keep(desk, "job")
        await desk.press("y", "n", "n", "n")
        keep(desk, "bytes")
        await desk.press("escape", "a", "d", "d", "down", "o", "o", "down", "l")
        keep(desk, "reads")
        await desk.press("escape", "b")
        keep(desk, "blank")
        await desk.press("escape", "enter")
        keep(desk, "check")
        await desk.press("enter")
        touch(folder / "door-read-back.bin")
        await desk.press("enter", "enter", "enter", "ctrl+t")
        keep(desk, "light")
        await desk.press("ctrl+t", "escape", "escape")
        await desk.type("1077")
        await desk.press("enter", "enter", "enter", "enter")
        await desk.press("y", "y", "y", "y", "y")
        keep(desk, "layout")


def draw(pictures: dict[str, str], folder: Path) -> None:
    """Each picture as a small PNG, without the window that rich draws around it."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        for name, svg in pictures.items():
            found = _FRAME.search(svg)
            assert found is not None
            width, height = (int(float(each)) for each in found.groups())
            file = folder / f"{name}.svg"
            file.write_text(svg, encoding="utf-8")
            page = browser.new_page(viewport={"width": width, "height": height})
            page.goto(file.as_uri())
            inner = {"width": width - _AROUND[0], "height": height - _AROUND[1]}
            path = OUT / f"desk-{name}.png"
            page.screenshot(path=path, clip={"x": _LEFT, "y": _TOP, **inner})
            page.close()
            with Image.open(path) as picture:
                small = picture.convert("RGB").resize(
                    (inner["width"] * 3 // 4, inner["height"] * 3 // 4)
                )
                small = small.quantize(COLOURS, dither=Image.Dither.NONE)
            small.save(path, optimize=True)
            sys.stdout.write(f"{path.relative_to(ROOT)}  {path.stat().st_size:,} bytes\n")
        browser.close()


def main() -> None:
    """Make jobs, walk the desk, draw."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "bench"
        folder.mkdir()
        os.environ["XDG_STATE_HOME"] = str(Path(place) / "state")
        os.environ["BENCHIMAGE_LAYOUTS"] = str(Path(place) / "layouts")
        make_jobs(folder)
        os.chdir(folder)
        pictures: dict[str, str] = {}
        asyncio.run(sit(folder, pictures))
        draw(pictures, Path(place))
        os.chdir(ROOT)


if __name__ == "__main__":
    main()
