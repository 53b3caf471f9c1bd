"""`job show`, `note`, `attach`: the order's record."""

from __future__ import annotations

import hashlib
from pathlib import Path

from tests.build import VEHICLE_VIN
from tests.command_line import parse_document
from tests.workflow.jobs import Bench


def test_note_and_attachment_are_in_the_record(started: Bench) -> None:
    photo = b"\xff\xd8\xff\xe0 not really a photo"
    started.write("label.jpg", photo)
    noted = parse_document(started.in_job("job", "note", "lamp off", "--json"), "job-note")
    assert noted["text"] == "lamp off"
    done = started.in_job("job", "attach", "label.jpg", "--caption", "donor's label", "--json")
    attached = parse_document(done, "job-attach")
    assert attached["sha256"] == hashlib.sha256(photo).hexdigest()
    assert (started.job / attached["path"]).read_bytes() == photo
    shown = parse_document(started.in_job("job", "show", "--json"), "job-show")
    assert shown["order"]["vehicle_vin"] == VEHICLE_VIN
    assert [note["text"] for note in shown["notes"]] == ["lamp off"]
    assert [item["name"] for item in shown["attachments"]] == ["label.jpg"]


def test_an_attachments_name_is_never_used_as_a_path(started: Bench) -> None:
    folder = started.folder / "odd"
    folder.mkdir()
    odd = folder / "..%2f..; rm -rf ~.JPG"
    odd.write_bytes(b"x")
    done = started.in_job("job", "attach", str(odd), "--json")
    path = Path(parse_document(done, "job-attach")["path"])
    assert path.parent == Path("attachments")
    assert path.name == "attachment-1.jpg"


def test_show_tells_each_stage_and_fits_80_columns(blanked: Bench) -> None:
    blanked.in_job("check")
    done = blanked.in_job("job", "show")
    assert "before-writing  pass" in done.stdout
    assert "after-setup     not checked yet" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_commands_find_the_job_from_a_folder_inside_it(started: Bench) -> None:
    inside = Bench(started.job / "files")
    done = inside.run("job", "show", "--json")
    assert parse_document(done, "job-show")["opened"]


def test_hostile_note_reaches_the_terminal_escaped(started: Bench) -> None:
    started.in_job("job", "note", "red \x1b[31m and \u202eback")
    done = started.in_job("job", "show")
    assert "\x1b" not in done.stdout
    assert "\u202e" not in done.stdout
    assert "\\x1b[31m" in done.stdout


def test_journal_of_a_removed_line_is_refused(started: Bench) -> None:
    path = started.job / "journal.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:1] + lines[2:]))
    done = started.in_job("job", "show", "--json")
    assert done.returncode == 4
    assert parse_document(done, "error")["line"] == 2


def test_show_reports_a_last_line_that_a_crash_cut_off(started: Bench) -> None:
    journal = started.job / "journal.jsonl"
    sound = journal.read_bytes()
    line = sound.count(b"\n") + 1
    assert parse_document(started.in_job("job", "show", "--json"), "job-show")["torn_line"] is None
    journal.write_bytes(sound + b'{"sha256": "0123')
    shown = parse_document(started.in_job("job", "show", "--json"), "job-show")
    assert shown["torn_line"] == line
    # Every line but the one that announced the layout's copy, which is there.
    assert len(shown["entries"]) == line - 2
    said = " ".join(started.in_job("job", "show").stdout.split())
    assert f"line {line} of the journal was never finished" in said
    assert journal.read_bytes() == sound + b'{"sha256": "0123', "showing repairs nothing"


def test_the_entry_after_a_cut_line_keeps_what_was_there(started: Bench) -> None:
    journal = started.job / "journal.jsonl"
    journal.write_bytes(journal.read_bytes() + b'{"sha256": "0123')
    assert started.in_job("job", "note", "again").returncode == 0
    shown = parse_document(started.in_job("job", "show", "--json"), "job-show")
    assert shown["torn_line"] is None
    assert [entry["kind"] for entry in shown["entries"]][-2:] == ["torn-line", "note"]
