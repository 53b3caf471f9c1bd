"""One archive of several files, with a list of digests that common tools verify.

The archive is a plain ZIP file (PKWARE APPNOTE 6.3; every system opens one). Everything in
it lies in one folder, beside a file `SUMS` in the shape of GNU coreutils: after unpacking,
``sha256sum -c SHA256SUMS`` in that folder says whether every file is as it was.
"""

from __future__ import annotations

import hashlib
import io
import re
import zipfile
from collections.abc import Mapping
from datetime import datetime

SUMS = "SHA256SUMS"
_LINE = re.compile(r"(\\?)([0-9a-f]{64})  (.+)", re.ASCII)
_ESCAPES = (("\\", "\\\\"), ("\n", "\\n"), ("\r", "\\r"))
_EARLIEST = (1980, 1, 1, 0, 0, 0)
"""A ZIP file knows no time before."""


def make_archive(folder: str, files: Mapping[str, bytes], *, time: datetime) -> bytes:
    """A ZIP file of `files` and their digests.

    Args:
        folder: The one folder that everything lies in.
        files: Content by path inside that folder, with ``/`` between its parts.
        time: Put to every file.
    """
    stamp = max((*time.timetuple()[:6],), _EARLIEST)
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, content in {SUMS: write_sums(files), **files}.items():
            info = zipfile.ZipInfo(f"{folder}/{path}", stamp)
            info.compress_type = zipfile.ZIP_DEFLATED
            # The upper half is the Unix mode: a regular file, its owner's alone.
            info.external_attr = 0o100600 << 16
            archive.writestr(info, content)
    return data.getvalue()


def write_sums(files: Mapping[str, bytes]) -> bytes:
    """A digest and a path on each line, as ``sha256sum`` writes and reads them.

    A path with a backslash or a line's end is escaped as GNU coreutils does it: the line
    begins with a backslash.
    """
    return b"".join(
        _sum_line(path, hashlib.sha256(content).hexdigest())
        for path, content in sorted(files.items())
    )


def parse_sums(data: bytes) -> dict[str, str]:
    """The digest of every path.

    Raises:
        ValueError: a line is none of ``sha256sum``; names its number.
    """
    found: dict[str, str] = {}
    for number, line in enumerate(data.decode("utf-8").splitlines(), 1):
        match = _LINE.fullmatch(line)
        if match is None:
            raise ValueError(f"line {number} holds no digest and path")
        found[_plain(match[3]) if match[1] else match[3]] = match[2]
    return found


def _sum_line(path: str, digest: str) -> bytes:
    escaped = path
    # The backslash first: those that the others put in must not be doubled.
    for plain, written in _ESCAPES:
        escaped = escaped.replace(plain, written)
    return f"{chr(92) if escaped != path else ''}{digest}  {escaped}\n".encode()


def _plain(escaped: str) -> str:
    return re.sub(r"\\(.)", lambda match: {"n": "\n", "r": "\r"}.get(match[1], match[1]), escaped)
