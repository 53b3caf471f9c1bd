"""Where intelhex, bincopy and objcopy say something else than we do: docs/formats.md lists all.

Sources: intelhex 2.3.0 and bincopy 20.1.1 from the package index, objcopy of GNU binutils
2.40. The files are those that the tests of the readers make, one for each rule, and the hex
files of Debian packages. A row that is missing in the page fails, and so does one too many.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from memtool.formats.codec import ImageFormat
from tests.command_line import ROOT
from tests.formats import test_intel_hex_reader as intel_hex
from tests.formats import test_s_record_reader as s_record
from tests.formats.hex_lines import END, text
from tests.formats.other_readers import (
    Content,
    read_bincopy,
    read_intelhex,
    read_objcopy,
    read_ours,
)
from tests.needs import needs
from tests.real_images import fetch

PAGE = ROOT / "docs" / "formats.md"
READERS = ("ours", "intelhex", "bincopy", "objcopy")
Row = tuple[str, ...]
"""What each reader does, in the order of `READERS`."""


def cases_of(format: ImageFormat) -> dict[str, bytes]:
    if format is ImageFormat.S_RECORD:
        return {
            **{name: bad.data for name, bad in s_record.MALFORMED.items()},
            **s_record.LEGAL,
            **{name: data for name, (data, _) in s_record.ODD.items()},
        }
    return {
        **{name: bad.data for name, bad in intel_hex.MALFORMED.items()},
        **intel_hex.LEGAL,
        **{name: data for name, (data, _) in intel_hex.ODD.items()},
        **{name: text(*lines, END) for name, (lines, _) in intel_hex.AGREEING.items()},
        **intel_hex.WRAPPING,
    }


def row_of(data: bytes, format: ImageFormat, folder: Path) -> Row:
    ours = read_ours(data, format)
    others = [
        read_intelhex(data) if format is ImageFormat.INTEL_HEX else ours,
        read_bincopy(data, format),
        read_objcopy(data, format, folder),
    ]
    said = [tell(found, ours) for found in others]
    if format is ImageFormat.S_RECORD:
        said[0] = "-"
    return ("refuses" if ours is None else "reads", *said)


def tell(found: Content | None, ours: Content | None) -> str:
    if found is None:
        return "refuses"
    return "reads" if ours is None or found == ours else "reads otherwise"


def is_agreement(row: Row) -> bool:
    return set(row[1:]) <= {row[0], "-"}


def rows_of_the_page(heading: str) -> dict[str, Row]:
    part = PAGE.read_text(encoding="utf-8").split(f"### {heading}\n")[1].split("\n#")[0]
    rows = {}
    for line in part.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if line.startswith("|") and len(cells) == 6 and cells[0] not in ("file", "---"):
            assert cells[5], f"no reason: {line}"
            rows[cells[0]] = tuple(cells[1:5])
    return rows


@needs("objcopy")
@pytest.mark.parametrize(
    ("format", "heading"),
    [
        (ImageFormat.INTEL_HEX, "Other readers of Intel HEX"),
        (ImageFormat.S_RECORD, "Other readers of S-records"),
    ],
)
def test_page_lists_every_disagreement_on_the_files_of_the_tests(
    format: ImageFormat, heading: str, tmp_path: Path
) -> None:
    found = {name: row_of(data, format, tmp_path) for name, data in cases_of(format).items()}
    differing = {name: row for name, row in found.items() if not is_agreement(row)}
    assert rows_of_the_page(heading) == differing


@needs("objcopy")
def test_page_lists_every_disagreement_on_packaged_files(tmp_path: Path) -> None:
    files = [file for file in fetch(["arduino-core-avr"]) if file.name.endswith(".hex")]
    assert len(files) > 10
    listed = rows_of_the_page("Other readers of Intel HEX")
    for file in files:
        row = row_of(file.data, ImageFormat.INTEL_HEX, tmp_path)
        # The only kind: two records of a boot loader's version give other bytes.
        assert is_agreement(row) or row == listed["overlap with other bytes"], file.name
