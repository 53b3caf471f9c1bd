"""Layout files: TOML to `Layout`, every fault of a file at once and with its line.

Also the layout library: a folder of the user's own layouts, which `start` and `inspect`
look through.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from memtool.core.layouts.layout import Layout
from memtool.errors import Fault, InputError, LayoutError, StoreError, UsageError
from memtool.store.layout_files.layout_checksums import ChecksumDraft, judge_checksum
from memtool.store.layout_files.layout_faults import FaultBook, layout_error
from memtool.store.layout_files.layout_lines import KeyPath, find_lines
from memtool.store.layout_files.layout_rules import judge_together
from memtool.store.layout_files.layout_tables import Header, RegionDraft, judge_header, judge_region
from memtool.store.reading import read_file
from memtool.store.writing import write_new

LARGEST_FILE = 1 << 20
"""Bytes of a layout file."""
LONGEST_LINE = 4000
"""Characters. A key of many thousand dots would take the TOML reader minutes."""
MOST_TABLES = 5000
"""Regions and checksums together."""
_LAYOUT_ENDING = ".toml"

_PLACE = re.compile(
    r" \(at (?:line (?P<line>[0-9]+), column (?P<column>[0-9]+)|end of document)\)$"
)
_TABLES = ("layout", "region", "checksum")


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedLayout:
    """A valid layout and the file it came from."""

    layout: Layout
    path: str
    """As the user named it."""
    data: bytes
    """The file's bytes, as they were read and judged."""
    sha256: str
    """Of `data`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Library:
    """What a folder of layouts holds."""

    folder: Path
    layouts: tuple[LoadedLayout, ...] = ()
    """The valid ones, by file name."""
    broken: tuple[InputError, ...] = ()
    """One error for each file that is no valid layout; it names the file."""


def parse_layout(text: str) -> Layout:
    """Read a layout from TOML text.

    Raises:
        LayoutError: carries every fault with its line (the first 20, and their number).
    """
    _require_short_lines(text)
    tables = _parse_toml(text)
    faults = FaultBook(find_lines(text))
    layout = _judge(tables, faults)
    faults.require_none()
    assert layout is not None
    return layout


def read_layout(path: Path) -> LoadedLayout:
    """Read one layout file.

    Raises:
        UsageError: there is no such file.
        LayoutError: it is not a valid layout; names the file.
        InputError: it cannot be read, or is larger than `LARGEST_FILE`.
    """
    content = read_file(path, limit=LARGEST_FILE)
    try:
        layout = parse_layout(_decode(content.data))
    except LayoutError as error:
        error.file = str(path)
        raise
    return LoadedLayout(layout=layout, path=str(path), data=content.data, sha256=content.sha256)


def default_layout_folder() -> Path:
    """``BENCHIMAGE_LAYOUTS``, or ``layouts`` in the user's data folder."""
    chosen = os.environ.get("BENCHIMAGE_LAYOUTS")
    if chosen:
        return Path(chosen)
    import platformdirs  # Late: most commands never ask.

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
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"the layout folder {folder} cannot be made: {error.strerror}", code="layout-folder"
        ) from error
    write_new(target, loaded.data)
    return replace(loaded, path=str(target))


def _decode(data: bytes) -> str:
    if data.startswith(b"\xef\xbb\xbf"):
        text = "the file begins with a byte order mark; save it again without one"
        raise layout_error([Fault(code="layout-encoding", text=text, line=1, column=1)])
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        text = f"byte 0x{data[error.start]:02x} is not UTF-8 text"
        raise layout_error([Fault(code="layout-encoding", text=text, line=line)]) from None


def _require_short_lines(text: str) -> None:
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LONGEST_LINE:
            words = f"the line is longer than {LONGEST_LINE} characters"
            raise layout_error([Fault(code="layout-line-length", text=words, line=number)])


def _parse_toml(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        words = "values are nested too deeply for a layout"
        raise layout_error([Fault(code="layout-nesting", text=words)]) from None
    except ValueError as error:
        # Most are tomllib.TOMLDecodeError; a number of thousands of digits is a bare one.
        message = str(error)
        place = _PLACE.search(message)
        words = message[: place.start()] if place else "a value cannot be read"
        line, column = text.count("\n") + 1 if place else None, None
        if place and place["line"]:
            line, column = int(place["line"]), int(place["column"])
        fault = Fault(
            code="layout-syntax", text=f"not TOML: {words[:200]}", line=line, column=column
        )
        raise layout_error([fault]) from None


def _judge(tables: dict[str, Any], faults: FaultBook) -> Layout | None:
    """Judge the whole file; None where the faults say why."""
    from memtool.store.layout_files import (
        layout_shape as shape,  # Late: pydantic takes long to load.
    )

    for name in tables:
        if name not in _TABLES:
            text = f"unknown key '{shape.safe_key(name)}'{faults.suggest(name, _TABLES)}"
            faults.add((name,), "layout-unknown-key", text)
    header = _judge_header(tables.get("layout"), faults)
    space = None if header is None else header.span
    regions: list[RegionDraft] = []
    for index, table in enumerate(_tables_of(tables, "region", faults)):
        path: KeyPath = ("region", index)
        values = shape.sound_values(shape.RegionTable, table, path, faults)
        regions.append(judge_region(values, path, space, faults))
    checksums: list[ChecksumDraft] = []
    for index, table in enumerate(_tables_of(tables, "checksum", faults)):
        path = ("checksum", index)
        values = shape.sound_values(shape.ChecksumTable, table, path, faults)
        checksums.append(judge_checksum(values, path, space, faults))
    judge_together(regions, checksums, faults)
    if len(faults) or header is None:
        return None
    return _build(header, regions, checksums)


def _judge_header(table: object, faults: FaultBook) -> Header | None:
    from memtool.store.layout_files import layout_shape as shape  # Late, see `_judge`.

    if not isinstance(table, Mapping):
        words = "must be one table" if table is not None else "is missing"
        faults.add(("layout",), "layout-key-missing", f"[layout] {words}")
        return None
    return judge_header(shape.sound_values(shape.LayoutTable, table, ("layout",), faults), faults)


def _tables_of(tables: dict[str, Any], word: str, faults: FaultBook) -> list[Mapping[str, Any]]:
    """The tables of ``[[word]]``, in the order of the file."""
    found = tables.get(word, [])
    if isinstance(found, Mapping):
        words = f"write [[{word}]] with two brackets: there can be several"
        faults.add((word,), "layout-value", words)
        return []
    if not isinstance(found, list) or not all(isinstance(table, Mapping) for table in found):
        faults.add((word,), "layout-value", f"'{word}' must be tables, each under [[{word}]]")
        return []
    if len(found) > MOST_TABLES:
        words = f"{len(found)} tables [[{word}]] are more than {MOST_TABLES}"
        faults.add((word,), "layout-value", words)
        return []
    return found


def _build(header: Header, regions: list[RegionDraft], checksums: list[ChecksumDraft]) -> Layout:
    """The layout of a file without faults."""
    values = header.values
    assert header.module is not None
    return Layout(
        name=values["name"],
        chip=values["chip"],
        base=values.get("base", 0),
        size=values["size"],
        erased=values.get("erased", 0xFF),
        module=header.module,
        parts=tuple(values.get("parts", ())),
        reviewed=values.get("reviewed", False),
        regions=tuple(draft.to_region() for draft in regions),
        checksums=tuple(draft.rule for draft in checksums if draft.rule is not None),
    )
