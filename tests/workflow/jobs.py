"""A job on the small test module, made with the real command, to be copied per test."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from pathlib import Path

from tests.build import LAYOUT, VEHICLE_VIN, module_memory
from tests.command_line import run_benchimage

Done = subprocess.CompletedProcess[str]

ORDER = (
    *("--work-order", "7", "--vehicle-vin", VEHICLE_VIN, "--module-kind", "body"),
    *("--authority", "owner's registration seen, order signed"),
)
KEEP = ("--keep", "0x40+4", "--reason", "counter")
DONOR = module_memory()
ORIGINAL = module_memory(VEHICLE_VIN, serial=b"SN-0001200-AA   ", options=bytes(16), starts=99)


class Bench:
    """A folder with reads, a layout, a backup store and perhaps a job."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.job = folder / "job"

    def run(self, *arguments: str | Path) -> Done:
        """Run `benchimage` in the bench's folder, with its own store."""
        return run_benchimage(
            *arguments,
            cwd=self.folder,
            BENCHIMAGE_STORE=str(self.folder / "store"),
            BENCHIMAGE_LAYOUTS=str(self.folder / "layouts"),
        )

    def in_job(self, *arguments: str | Path) -> Done:
        """Run a command on the bench's job."""
        return self.run(*arguments, "--job", "job")

    def write(self, name: str, data: bytes) -> Path:
        """Put a file onto the bench."""
        path = self.folder / name
        path.write_bytes(data)
        return path

    def start(self, *more: str, order: tuple[str, ...] = ORDER) -> Done:
        """Open the job with two reads of each module and the layout."""
        return self.in_job(
            *("start", "--chip", "24C02", "--layout", "module.toml"),
            *("--original", "o1.bin", "--original", "o2.bin"),
            *("--donor", "d1.bin", "--donor", "d2.bin", "--reseated"),
            *order,
            *more,
        )

    def blank(self, *more: str) -> Done:
        """Blank the donor, counter kept, confirmed."""
        return self.in_job("blank", "donor", *KEEP, "--confirm", "042788", *more)

    def files(self) -> set[str]:
        """Every file on the bench, store included."""
        return {
            path.relative_to(self.folder).as_posix()
            for path in self.folder.rglob("*")
            if path.is_file()
        }

    def copy_to(self, folder: Path) -> Bench:
        """The same bench elsewhere."""
        shutil.copytree(self.folder, folder)
        return Bench(folder)


def set_time(path: Path, *, minutes_ago: float) -> None:
    """Give a file another time of its last change."""
    then = time.time() - 60 * minutes_ago
    os.utime(path, (then, then))


def new_bench(folder: Path) -> Bench:
    """Reads of both modules and a layout; no job yet."""
    folder.mkdir(parents=True, exist_ok=True)
    bench = Bench(folder)
    reads = (("o1", ORIGINAL), ("o2", ORIGINAL), ("d1", DONOR), ("d2", DONOR))
    for number, (name, data) in enumerate(reads):
        # Each was read a minute after the one before, as at a real bench.
        set_time(bench.write(f"{name}.bin", data), minutes_ago=60 - number)
    bench.write("module.toml", LAYOUT.encode())
    return bench
