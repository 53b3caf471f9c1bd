"""The invented scenarios, a file each: door zone controllers with a layout (`door`), seat modules
without one (`seat`), and tailgate modules with two memories (`tailgate`).

All of it is made up, from a fixed seed: the vehicles, the maker, the part numbers, the
layout. `build_files` gives the content of `test_images/`; a test proves that the committed
files are those. Checksums are computed here with the standard library alone, apart from
the code that the tool checks them with.
"""

from __future__ import annotations

from pathlib import Path

from memtool.demo import door, seat, tailgate


def find_test_images() -> Path:
    """The folder of the demo's files: inside the installed package, or of the checkout."""
    package = Path(__file__).parent.parent
    inside = package / "test_images"
    return inside if inside.is_dir() else package.parent / "test_images"


def build_files() -> dict[str, bytes]:
    """Every file of `test_images/` by its name, the same bytes each time."""
    return {**door.build_files(), **seat.build_files(), **tailgate.build_files()}
