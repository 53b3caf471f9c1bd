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
JOB_FACTS = tuple(
    json.dumps(entry).encode()
    for entry in (
        ["order-amended", {"work_order": "17", "module_kind": "body", "vehicle_vin": "V"}],
        ["original-unreadable", {"reason": "burnt"}],
        ["layout-chosen", {"name": "n", "chip": "c", "path": "p", "sha256": "0", "reviewed": True}],
        [
            "reads-kept",
            {
                "backup": "0",
                "role": "donor",
                "chip": "24C02",
                "sha256": "0",
                "size": 256,
                "format": "raw",
                "base": 0,
                "reads": 2,
                "agree": True,
                "reseated": None,
                "single_read_reason": None,
                "names": ["a", "b"],
                "findings": [],
            },
        ],
        [
            "image-blanked",
            {
                "backup": "0",
                "chip": "24C02",
                "out": "o",
                "copy": "files/o",
                "format": "raw",
                "sha256": "0",
                "file_sha256": "0",
                "donor_sha256": "0",
                "layout": None,
                "identities": ["1M8GDM9AXKP042788"],
                "leftovers": [],
                "checks": [],
                "kept": [{"start": 1, "end": 2, "reason": "r"}],
                "edits": [
                    {"start": 3, "end": 4, "old": "00", "new": "ff", "reason": "r", "kind": "state"}
                ],
            },
        ],
        [
            "stage-checked",
            {
                "stage": "donor",
                "verdict": "pass",
                "subject": None,
                "sha256": None,
                "chip": None,
                "copy": None,
                "reported_vins": [],
                "codes": "none",
                "checks": [
                    {
                        "code": "c",
                        "result": "pass",
                        "reason": None,
                        "text": "t",
                        "spans": [{"start": 1, "end": 2}],
                    }
                ],
            },
        ],
        ["note", {"text": "x"}],
        ["attached", {"path": "a/b", "name": "b", "sha256": "0", "caption": None}],
    )
)
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010800000000"
    "3a7e9b550000000a49444154789c636800000082008177cd72b60000000049454e44ae426082"
)
"""One grey pixel, made by hand after ISO/IEC 15948."""
JPEG = bytes.fromhex(
    "ffd8ffe1001e4578696600004d4d002a00000008000101120003000000010006000000000000"
    "ffc0000b080010002001011100ffda0008010100003f0000ffd9"
)
"""The marks of a picture of 32 x 16 pixels that is to be turned, after ITU-T T.81."""
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
    "layout-edit": (LAYOUT.encode(),),
    "job-facts": (*JOB_FACTS, b"\n".join(JOB_FACTS)),
    "picture": (PNG, JPEG),
    "words": (b"0x0120-0x0130", b"288", b"1M8GDM9AXKP042788", b"24C02", b"packed-6-msb@3"),
    "command-line": (
        b"inspect\nd1.bin\n--chip\n24C02\n--base\n0x10",
        b"blank\ndonor\n--keep\n0x40+4\n--reason\nx\n--out\no.bin",
        b"backup\nadd\n--role\nreference\n--single-read\nx\n--json",
        b"checksum\ncompute\nx\n--algorithm\nSUM-8\n--span\n0+9",
        b"layout\ndraft\na\n--help",
    ),
}
WORDS = (
    *(":00000001FF", ":020000040000FA", "S9030000FC", "S0", "S3", "S5", "S7", "0x0120-0x0130"),
    *("[[region]]", "[[checksum]]", "[layout]", "vehicle-identity", "module-identity", "refresh"),
    *("CRC-16/IBM-3740", "SUM-16/TOTAL", "stored_as", "packed-6-msb@3", "copy_of", "blank_to"),
    *("reference", "u32be", "nan", "1e400", "9223372036854775808", "2026-03-01T10:00:00Z"),
    *("benchimage.journal/1", "benchimage.backup/2", '"previous": ', "NaN", "Infinity", "\\ud800"),
    *("reads-kept", "image-blanked", "stage-checked", "attached", "--json", "--debug", "--help"),
)
