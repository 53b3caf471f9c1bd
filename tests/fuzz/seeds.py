"""Where the fuzzer begins: small sound files, made here, and words that the readers know."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from tests.build import LAYOUT

FOUND = Path(__file__).parent / "found"
"""Inputs that once showed a fault: ``TARGET.WHAT``. They stay as tests."""

INTEL_HEX = (
    b":10010000214601360121470136007EFE09D2190140\r\n:00000001FF\r\n",
    b":020000040800F2\n:0400000001020304F2\n:04000005000000CD2A\n:00000001FF\n",
    b":020000021000EC\n:01FFFF00FF02\n:0400000300003800C1\n:00000001FF\n",
)
"""The first line is the example of Wikipedia's "Intel HEX"; the others were made by hand."""
S_RECORD = (
    (
        b"S00F000068656C6C6F202020202000003C\n"
        b"S11F00007C0802A6900100049421FFF07C6C1B787C8C23783C6000003863000026\n"
        b"S5030001FB\nS9030000FC\n"
    ),
    b"S206012345FF91\nS804000000FB\n",
    b"S30600010000AA4E\nS70500000000FA\n",
)
"""The first is the beginning of the example of Wikipedia's "SREC"; the others by hand."""


def sealed_line(members: dict[str, object]) -> bytes:
    """What follows the digest in a journal's line."""
    return json.dumps(members)[1:].encode()


def journal(*, with_digests: bool) -> bytes:
    """Two entries, chained by the rule that the journal's own text gives."""
    text, previous = b"", "0" * 64
    for number in (1, 2):
        members: dict[str, object] = {"format": "benchimage.journal/1"} if number == 1 else {}
        members |= {"number": number, "time": "2026-03-01T10:00:00+01:00", "kind": "note"}
        members |= {"facts": {"text": "x"}, "files": [{"path": "a", "sha256": "0" * 64}]}
        members["previous"] = previous
        rest = sealed_line(members) + b"\n"
        previous = hashlib.sha256(rest).hexdigest()
        text += (b'{"sha256": "' + previous.encode() + b'", ' if with_digests else b"") + rest
    return text


RECORD = (
    b'{"format": "benchimage.backup/1", "role": "donor", "chip": "24C02",'
    b' "added": "2026-03-01T10:00:00+01:00", "single_read_reason": null, "reads": []}'
)
SEEDS: dict[str, tuple[bytes, ...]] = {
    "intel-hex": INTEL_HEX,
    "s-record": S_RECORD,
    "any": (*INTEL_HEX, *S_RECORD, bytes(256), b"PK\x03\x04", b"just text\n"),
    "layout-text": (LAYOUT.encode(),),
    "layout-file": (LAYOUT.encode(), b"\xef\xbb\xbf" + LAYOUT.encode()),
    "journal": (journal(with_digests=True),),
    "journal-sealed": (journal(with_digests=False).removesuffix(b"\n"),),
    "journal-append": (journal(with_digests=True), journal(with_digests=True)[:-9]),
    "record-sealed": (RECORD,),
}
WORDS = (
    *(":00000001FF", ":020000040000FA", "S9030000FC", "S0", "S3", "S5", "S7", "0x0120-0x0130"),
    *("[[region]]", "[[checksum]]", "[layout]", "vehicle-identity", "module-identity", "refresh"),
    *("CRC-16/IBM-3740", "SUM-16/TOTAL", "stored_as", "packed-6-msb@3", "copy_of", "blank_to"),
    *("reference", "u32be", "nan", "1e400", "9223372036854775808", "2026-03-01T10:00:00Z"),
    *("benchimage.journal/1", "benchimage.backup/2", '"previous": ', "NaN", "Infinity", "\\ud800"),
)
