"""`benchimage convert` as a real process: what is written, noted, refused."""

from __future__ import annotations

import hashlib
import json
import random
import subprocess
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.command_line import SCHEMAS, parse_document, run_benchimage
from tests.formats.hex_lines import END, ihex, ihex_file, srec_file, text

DATA = random.Random(7).randbytes(512)


def convert(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return run_benchimage("convert", *arguments, cwd=folder)


def convert_json(folder: Path, *arguments: str, status: int = 0) -> dict[str, Any]:
    done = convert(folder, *arguments, "--json")
    assert done.returncode == status, done.stderr
    return parse_document(done, "convert")


def refusal(folder: Path, *arguments: str) -> tuple[int, str]:
    """Exit status and code of a refused conversion; nothing new may lie in the folder."""
    before = sorted(folder.iterdir())
    done = convert(folder, *arguments, "--json")
    document = parse_document(done, "error") if (SCHEMAS / "error.json").exists() else None
    document = document or json.loads(done.stdout)
    assert sorted(folder.iterdir()) == before
    assert document["exit"] == done.returncode
    return done.returncode, document["code"]


def read_note(path: Path) -> dict[str, Any]:
    """The companion note, valid by its published schema."""
    note: dict[str, Any] = json.loads(path.read_text(encoding="ascii"))
    schema = json.loads((SCHEMAS / "convert-note.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(note)
    return note


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "read.bin").write_bytes(DATA)
    (tmp_path / "gap.hex").write_bytes(ihex_file([(0x10, DATA[:32]), (0x40, DATA[32:48])]))
    return tmp_path


def test_there_and_back_through_all_formats_is_the_same_file(folder: Path) -> None:
    steps = [
        ("read.bin", "a.hex", "intel-hex", "--base", "0x8000"),
        ("a.hex", "b.srec", "s-record"),
        ("b.srec", "c.hex", "intel-hex", "--record-length", "32"),
        ("c.hex", "d.bin", "raw"),
    ]
    for source, out, to, *more in steps:
        document = convert_json(folder, source, out, "--to", to, *more)
        assert document["to"] == to
        assert document["segments"] == [{"start": 0x8000, "end": 0x8200}]
        assert document["sha256"] == hashlib.sha256(DATA).hexdigest()
        content = (folder / out).read_bytes()
        assert document["file_sha256"] == hashlib.sha256(content).hexdigest()
        assert document["note"] is None
    assert (folder / "d.bin").read_bytes() == DATA
    assert len((folder / "c.hex").read_text().splitlines()[0]) == 11 + 2 * 32


def test_person_is_told_what_was_written_and_what_comes_next(folder: Path) -> None:
    done = convert(folder, "read.bin", "out.hex", "--to", "intel-hex")
    assert done.returncode == 0
    assert "512 bytes" in done.stdout
    assert "0x0000-0x01FF" in done.stdout
    assert "benchimage inspect out.hex" in done.stderr


def test_raw_output_says_which_address_it_lost(folder: Path) -> None:
    done = convert(folder, "gap.hex", "out.bin", "--to", "raw", "--span", "0x40+16")
    assert done.returncode == 0
    assert "--base 0x0040" in done.stderr
    assert (folder / "out.bin").read_bytes() == DATA[32:48]


def test_format_stays_that_of_the_input_where_none_is_named(folder: Path) -> None:
    assert convert_json(folder, "gap.hex", "out.hex")["to"] == "intel-hex"


def test_existing_output_is_never_overwritten(folder: Path) -> None:
    (folder / "out.hex").write_text("mine")
    assert refusal(folder, "read.bin", "out.hex", "--to", "intel-hex") == (3, "output-exists")
    assert (folder / "out.hex").read_text() == "mine"
    (folder / "link.hex").symlink_to(folder / "nowhere")
    assert refusal(folder, "read.bin", "link.hex", "--to", "intel-hex") == (3, "output-exists")


def test_gaps_do_not_become_bytes_by_themselves(folder: Path) -> None:
    assert refusal(folder, "gap.hex", "out.bin", "--to", "raw") == (3, "raw-with-gaps")
    done = convert(folder, "gap.hex", "out.bin", "--to", "raw")
    assert "--fill BYTE" in done.stderr


def test_fill_is_recorded_in_the_note(folder: Path) -> None:
    document = convert_json(folder, "gap.hex", "out.bin", "--to", "raw", "--fill", "0xFF")
    assert (folder / "out.bin").read_bytes() == DATA[:32] + b"\xff" * 16 + DATA[32:48]
    assert document["filled"] == [{"start": 0x30, "end": 0x40}]
    note = read_note(folder / "out.bin.note.json")
    assert (note["fill"], note["filled"]) == (255, document["filled"])
    assert note["inputs"][0]["name"] == "gap.hex"
    assert note["file_sha256"] == document["file_sha256"]


def test_spans_choose_parts_and_fill_reaches_their_ends(folder: Path) -> None:
    document = convert_json(
        folder, "gap.hex", "out.hex", "--span", "0x1F-0x20", "--span", "0x3E+4", "--fill", "0"
    )
    assert document["segments"] == [{"start": 0x1F, "end": 0x21}, {"start": 0x3E, "end": 0x42}]
    assert document["filled"] == [{"start": 0x3E, "end": 0x40}]


def test_undefined_part_of_a_span_is_said(folder: Path) -> None:
    document = convert_json(folder, "gap.hex", "out.hex", "--span", "0x28-0x3F")
    assert document["missing"] == [{"start": 0x30, "end": 0x40}]
    assert document["note"] is None


def test_span_without_a_byte_is_refused(folder: Path) -> None:
    assert refusal(folder, "gap.hex", "o.hex", "--span", "0x30+16") == (3, "nothing-selected")


def test_two_bytes_4_gib_apart_are_converted_and_never_filled(folder: Path) -> None:
    far = text(ihex(0, 0, b"\x01"), ihex(4, 0, b"\xff\xff"), ihex(0, 0xFFFF, b"\x02"), END)
    (folder / "far.hex").write_bytes(far)
    assert convert_json(folder, "far.hex", "far.srec", "--to", "s-record")["size"] == 2
    assert refusal(folder, "far.hex", "far.bin", "--to", "raw", "--fill", "0xFF") == (
        3,
        "fill-too-large",
    )


def test_missing_end_is_accepted_by_name_and_recorded(folder: Path) -> None:
    cut = ihex_file([(0, DATA[:64])]).replace(END.encode() + b"\n", b"")
    (folder / "cut.hex").write_bytes(cut)
    assert refusal(folder, "cut.hex", "whole.hex") == (4, "missing-end")
    document = convert_json(folder, "cut.hex", "whole.hex", "--accept", "missing-end")
    assert document["accepted"] == ["missing-end"]
    note = read_note(folder / "whole.hex.note.json")
    assert note["accepted"] == ["missing-end"]
    assert note["inputs"][0]["file_sha256"] == hashlib.sha256(cut).hexdigest()
    assert (folder / "whole.hex").read_bytes() == ihex_file([(0, DATA[:64])])


def test_accepting_what_is_not_missing_leaves_no_note(folder: Path) -> None:
    document = convert_json(folder, "gap.hex", "out.hex", "--accept", "missing-end")
    assert (document["accepted"], document["note"]) == ([], None)


def test_existing_note_is_never_overwritten(folder: Path) -> None:
    (folder / "out.bin.note.json").write_text("mine")
    arguments = ("gap.hex", "out.bin", "--to", "raw", "--fill", "0")
    assert refusal(folder, *arguments) == (3, "output-exists")
    assert (folder / "out.bin.note.json").read_text() == "mine"


def test_overlap_is_recorded_where_the_last_record_won(folder: Path) -> None:
    lines = text(ihex(0, 0, b"\x01\x02"), ihex(0, 1, b"\x03"), END)
    (folder / "over.hex").write_bytes(lines)
    assert refusal(folder, "over.hex", "out.bin", "--to", "raw") == (4, "overlap")
    convert_json(folder, "over.hex", "out.bin", "--to", "raw", "--overlap", "last")
    assert (folder / "out.bin").read_bytes() == b"\x01\x03"
    assert read_note(folder / "out.bin.note.json")["accepted"] == ["overlap-last"]


def test_view_mends_the_word_order_and_undoes_itself(folder: Path) -> None:
    convert_json(folder, "read.bin", "mended.bin", "--view", "swapped-16")
    swapped = bytes(DATA[place ^ 1] for place in range(len(DATA)))
    assert (folder / "mended.bin").read_bytes() == swapped
    assert read_note(folder / "mended.bin.note.json")["view"] == "swapped-16"
    convert_json(folder, "mended.bin", "again.bin", "--view", "swapped-16")
    assert (folder / "again.bin").read_bytes() == DATA


def test_view_is_undone_in_each_segment_before_spans_are_taken(folder: Path) -> None:
    document = convert_json(
        folder, "gap.hex", "out.hex", "--view", "reversed", "--span", "0x10+1", "--span", "0x40+1"
    )
    assert document["segments"] == [{"start": 0x10, "end": 0x11}, {"start": 0x40, "end": 0x41}]
    convert_json(folder, "out.hex", "two.bin", "--to", "raw", "--span", "0x10+1")
    assert (folder / "two.bin").read_bytes() == DATA[31:32]


@pytest.mark.parametrize("view", ["every-2", "packed-7-msb@0", "utf-16-be", "split", "lower-case"])
def test_view_that_drops_or_merges_bytes_is_refused(folder: Path, view: str) -> None:
    assert refusal(folder, "read.bin", "out.bin", "--view", view) == (3, "not-a-view")


def test_view_inside_words_is_refused(folder: Path) -> None:
    arguments = ("read.bin", "out.bin", "--view", "swapped-16", "--base", "1")
    assert refusal(folder, *arguments) == (3, "view-does-not-fit")


def test_majority_takes_each_byte_as_most_reads_have_it(folder: Path) -> None:
    for number, place in enumerate((5, 300), 1):
        changed = bytearray(DATA)
        changed[place] ^= 0x40
        (folder / f"read{number}.bin").write_bytes(changed)
    arguments = ("read1.bin", "out.bin", "--majority", "read.bin", "--majority", "read2.bin")
    document = convert_json(folder, *arguments, status=1)
    assert (folder / "out.bin").read_bytes() == DATA
    doubtful = [{"start": 5, "end": 6}, {"start": 300, "end": 301}]
    assert document["majority"] == {"doubtful": doubtful, "undecided": []}
    note = read_note(folder / "out.bin.note.json")
    assert note["majority"]["doubtful"] == doubtful
    assert [item["name"] for item in note["inputs"]] == ["read1.bin", "read.bin", "read2.bin"]


def test_majority_of_equal_reads_speaks_against_nothing(folder: Path) -> None:
    for name in ("two.bin", "three.bin"):
        (folder / name).write_bytes(DATA)
    arguments = ("read.bin", "out.bin", "--majority", "two.bin", "--majority", "three.bin")
    assert convert_json(folder, *arguments)["majority"]["doubtful"] == []


def test_majority_needs_an_odd_number_of_reads(folder: Path) -> None:
    (folder / "two.bin").write_bytes(DATA)
    arguments = ("read.bin", "out.bin", "--majority", "two.bin")
    assert refusal(folder, *arguments) == (2, "even-number-of-reads")


def test_one_file_given_twice_is_no_second_vote(folder: Path) -> None:
    (folder / "two.bin").hardlink_to(folder / "read.bin")
    (folder / "three.bin").write_bytes(DATA)
    arguments = ("read.bin", "out.bin", "--majority", "two.bin", "--majority", "three.bin")
    assert refusal(folder, *arguments) == (3, "reads-same-file")


def test_reads_of_different_size_cannot_vote(folder: Path) -> None:
    (folder / "two.bin").write_bytes(DATA[:-1])
    (folder / "three.bin").write_bytes(DATA)
    arguments = ("read.bin", "out.bin", "--majority", "two.bin", "--majority", "three.bin")
    assert refusal(folder, *arguments) == (4, "reads-differ-size")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("absent.bin", "out.bin"), (2, "no-such-file")),
        (("read.bin", "nowhere/out.bin"), (2, "no-such-folder")),
        (("read.bin", "out.bin", "--fill", "256"), (2, "not-a-byte")),
        (("read.bin", "out.bin", "--record-length", "16"), (2, "no-records")),
        (
            ("read.bin", "o.hex", "--to", "intel-hex", "--record-length", "256"),
            (2, "cannot-be-written"),
        ),
        (
            ("read.bin", "o.hex", "--to", "intel-hex", "--base", "0xFFFFFFF0"),
            (2, "cannot-be-written"),
        ),
        (("read.bin", "out.bin", "--view", "sideways"), (2, "usage")),
        (("read.bin", "out.bin", "--chip", "no such chip"), (2, "unknown-chip")),
    ],
)
def test_wrong_use_ends_with_its_code(
    folder: Path, arguments: tuple[str, ...], expected: tuple[int, str]
) -> None:
    assert refusal(folder, *arguments) == expected


def test_malformed_file_names_file_line_and_all_faults(folder: Path) -> None:
    bad = srec_file([(0, DATA[:32])]).replace(b"S5030002FA", b"S5030003F9\nrubbish")
    (folder / "bad.srec").write_bytes(bad)
    done = convert(folder, "bad.srec", "out.bin", "--to", "raw", "--json")
    assert done.returncode == 4
    document = json.loads(done.stdout)
    assert (document["file"], document["line"], document["code"]) == ("bad.srec", 5, "record-mark")
    assert "bad.srec:5: " in done.stderr
    assert "Traceback" not in done.stderr


def test_foreign_file_is_refused_and_named_format_reads_it_anyway(folder: Path) -> None:
    (folder / "page.bin").write_bytes(b"%PDF-1.7\n" + DATA)
    assert refusal(folder, "page.bin", "out.hex", "--to", "intel-hex") == (4, "foreign-file")
    document = convert_json(folder, "page.bin", "out.hex", "--to", "intel-hex", "--format", "raw")
    assert document["size"] == 9 + len(DATA)
