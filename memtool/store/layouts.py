"""Layout files on disk, and the library: a folder of the user's own layouts.

`start` and `inspect` look through the library.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from memtool.errors import InputError, LayoutError, UsageError
from memtool.lazy import late_module, platformdirs
from memtool.store.reading import read_file
from memtool.store.writing import make_folder, write_new

if TYPE_CHECKING:
    from memtool.core.layouts.layout import Layout
    from memtool.formats.layout_toml import parsing
else:
    parsing = late_module("memtool.formats.layout_toml.parsing")

_LAYOUT_ENDING = ".toml"


class LoadedLayout(NamedTuple):
    """A valid layout and the file it came from."""

    layout: Layout
    path: str
    """As the user named it."""
    data: bytes
    """The file's bytes, as they were read and judged."""
    sha256: str
    """Of `data`."""


class Library(NamedTuple):
    """What a folder of layouts holds."""

    folder: Path
    layouts: tuple[LoadedLayout, ...] = ()
    """The valid ones, by file name."""
    broken: tuple[InputError, ...] = ()
    """One error for each file that is no valid layout; it names the file."""


def read_layout(path: Path) -> LoadedLayout:
    """Read one layout file.

    Raises:
        UsageError: there is no such file.
        LayoutError: it is not a valid layout; names the file.
        InputError: it cannot be read, or is larger than `parsing.LARGEST_FILE`.
    """
    content = read_file(path, limit=parsing.LARGEST_FILE)
    try:
        layout = parsing.parse_layout(parsing.decode_layout(content.data))
    except LayoutError as error:
        error.file = str(path)
        raise
    return LoadedLayout(layout=layout, path=str(path), data=content.data, sha256=content.sha256)


def default_layout_folder() -> Path:
    """``BENCHIMAGE_LAYOUTS``, or ``layouts`` in the user's data folder."""
    chosen = os.environ.get("BENCHIMAGE_LAYOUTS")
    if chosen:
        return Path(chosen)
    return platformdirs.user_data_path("benchimage", appauthor=False) / "layouts"


def read_library(folder: Path) -> Library:
    """Read every layout of `folder`; a folder that does not exist holds none.

    A broken file is reported in the result and never keeps the others from use.

    Raises:
        UsageError: `folder` is there, but cannot be listed.
    """
    try:
        paths = sorted(path for path in folder.iterdir() if path.suffix == _LAYOUT_ENDING)
    except FileNotFoundError:
        return Library(folder=folder)
    except OSError as error:
        raise UsageError(
            f"the layout folder {folder} cannot be listed: {error.strerror}",
            code="layout-folder",
            next_step="name another one with BENCHIMAGE_LAYOUTS",
        ) from error
    layouts: list[LoadedLayout] = []
    broken: list[InputError] = []
    for path in paths:
        try:
            layouts.append(read_layout(path))
        except InputError as error:
            error.file = str(path)
            broken.append(error)
        except UsageError:
            continue  # Taken away since the folder was listed.
    return Library(folder=folder, layouts=tuple(layouts), broken=tuple(broken))


def add_to_library(path: Path, folder: Path) -> LoadedLayout:
    """Put a copy of a valid layout file into `folder`, under its own name.

    Returns:
        The layout as read from `path`, with the path of the copy.

    Raises:
        LayoutError: the file is no valid layout; nothing is written.
        RefusalError: a file of that name is already there.
        StoreError: the folder or the copy cannot be written.
    """
    loaded = read_layout(path)
    target = folder / f"{path.name.removesuffix(_LAYOUT_ENDING)}{_LAYOUT_ENDING}"
    make_folder(folder)
    write_new(target, loaded.data)
    return loaded._replace(path=str(target))
