"""What the desk remembers, names and keeps: orders left half, broken jobs, notes, hostile names."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from memtool.demo.door import DONOR_VIN, VEHICLE_VIN
from memtool.desk.home import HomeScreen
from memtool.desk.looks import THEMES
from memtool.desk.opening import open_with_viewer
from memtool.errors import StoreError
from memtool.store.desk_state import DeskState, read_desk_state, state_folder, write_desk_state
from memtool.store.register import read_rows
from memtool.workflow.jobs import open_job
from tests.desk.sitting import answer_order, put_reads, run, sit_down, touch


def test_when_a_job_changed_has_room_at_80_columns_and_a_long_order_is_told_whole(
    job: Path,
) -> None:
    store = job.parent / "store"
    (row,) = (store / "jobs").glob("*.json")
    facts = json.loads(row.read_text())
    order = "fleet contract 1040, second module [red]"
    row.write_text(json.dumps(facts | {"work_order": order}))
    (job / "journal.jsonl").write_text("no journal\n")

    async def look() -> list[str]:
        async with sit_down(job.parent, size=(80, 24)) as desk:
            await desk.until("broken")
            return desk.text().split("\n")

    lines = run(look())
    listed = next(line for line in lines if "fleet contract 1040…" in line)
    assert facts["changed"][:16].replace("T", " ") in listed
    assert "broken" in listed
    below = " ".join(line.strip() for line in lines[lines.index(listed) + 1 :])
    assert order in below
    assert "broken: " in below


def test_one_more_area_format_and_paper_are_chosen_as_the_options_say(job: Path) -> None:
    async def play() -> tuple[str, str, str]:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("b", "s")
            await desk.type("here")
            await desk.press("enter")
            refused = desk.text()
            await desk.press(*["backspace"] * 4)
            await desk.type("0x0204+2")
            await desk.press("enter", "t", "down", "down", "enter", "enter")
            await desk.type(DONOR_VIN[-6:])
            await desk.press("enter")
            blanked = desk.app.desk.ran[-1]
            await desk.press("enter", "r", "p", "enter")
            return refused, blanked, desk.app.desk.ran[-1]

    refused, blanked, reported = run(play())
    assert "here" in refused
    assert "--to intel-hex --span 0x0204-0x0205" in blanked
    assert reported == "benchimage report --paper letter --job order-7"
    event = open_job(job).job.blankings[-1]
    assert any(job.joinpath("files").glob("to-write-*.hex"))
    assert event is not None


def test_an_order_that_was_left_is_taken_up_where_it_stopped(bench: Path) -> None:
    async def leave() -> None:
        async with sit_down(bench) as desk:
            await desk.press("f2")
            await desk.type("1042")
            await desk.press("enter", "enter")
            assert "Registration plate" in desk.text()

    async def go_on() -> None:
        async with sit_down(bench) as desk:
            await desk.press("f2")
            assert "Order 1042 is not finished: 2 questions answered." in desk.text()
            await desk.press("enter")
            assert "Registration plate" in desk.text()
            await desk.press("f8")
            assert "Customer" in desk.text()

    async def begin_another() -> None:
        async with sit_down(bench) as desk:
            await desk.press("f2", "down", "enter")
            assert "Work order number" in desk.text()
            assert "1042" not in desk.text()

    run(leave())
    run(go_on())
    assert read_desk_state().draft == {"work_order": "1042", "customer": ""}
    run(begin_another())
    assert read_desk_state().draft == {}


def test_picked_files_wait_for_the_person_who_left(bench: Path) -> None:
    put_reads(bench, "door")

    async def leave() -> None:
        async with sit_down(bench) as desk:
            await answer_order(desk, "1042", VEHICLE_VIN)
            await desk.press("d", "d", "down", "o", "o", "down", "l", "escape", "escape")
            assert desk.screen == "HomeScreen"

    async def go_on() -> str:
        async with sit_down(bench) as desk:
            await desk.press("f2")
            assert "12 questions answered, 5 files picked" in desk.text()
            await desk.press("enter")
            assert "Technician" in desk.text()
            await desk.press("enter")
            gone = desk.notice()
            await desk.press("enter")
            rows = [" ".join(line.split()[:3]) for line in desk.text().split("\n")]
            assert "donor 95160 door-donor-2.hex" in rows
            assert "Layout: door.toml" in desk.text()
            await desk.press("enter")
            await desk.type("the other one is lost")
            await desk.press("enter", "enter")
            return gone

    run(leave())
    (bench / "door-original-2.bin").unlink()
    assert "door-original-2.bin" in run(go_on())
    backups = open_job(bench / "order-1042").job.backups
    assert sorted((each.role.value, each.read_count) for each in backups) == [
        ("donor", 2),
        ("original", 1),
    ]
    assert read_desk_state().picked == ()
    assert read_desk_state().draft == {}


def test_files_picked_for_two_jobs_are_kept_apart(job: Path) -> None:
    read_back = touch(job.parent / "door-read-back.bin")

    async def pick() -> None:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("a", "d", "escape", "escape")
            await answer_order(desk, "8", VEHICLE_VIN)
            await desk.press("d", "escape", "escape")

    async def look() -> str:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("a")
            return desk.text()

    run(pick())
    picked = read_desk_state().picked
    assert [each.job for each in picked] == [str(job), None]
    assert "donor " in run(look())
    assert read_back.name not in [Path(each.path).name for each in picked]


def test_a_wrong_check_digit_is_told_while_it_is_typed_and_needs_a_reason(bench: Path) -> None:
    async def type_it() -> None:
        async with sit_down(bench) as desk:
            await desk.press("f2")
            await desk.type("1")
            await desk.press("enter", "enter", "enter")
            # Position 9 of a number from North America holds another digit than computed.
            await desk.type("1G4AH59H35G118341")
            assert "does not match" in desk.text()
            await desk.press("enter")
            assert "check digit is wrong" in desk.text()

    run(type_it())


def test_jobs_that_moved_or_broke_are_named(job: Path) -> None:
    copy = job.parent / "elsewhere"
    shutil.move(job, copy)

    async def look(said: str) -> None:
        async with sit_down(job.parent) as desk:
            await desk.until(said)

    run(look("moved or deleted"))
    shutil.move(copy, job)
    journal = job / "journal.jsonl"
    journal.write_text(journal.read_text().replace("registration seen", "registration Seen"))
    run(look("broken:"))


def test_a_wrong_confirmation_is_refused_in_the_gates_words_and_writes_nothing(job: Path) -> None:
    before = sorted(path.name for path in (job / "files").iterdir())

    async def confirm() -> str:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("b", "enter")
            await desk.type("000000")
            await desk.press("enter")
            return desk.notice()

    assert "rule 22, confirmed" in run(confirm())
    assert sorted(path.name for path in (job / "files").iterdir()) == before


def test_a_note_a_photo_and_a_trial_go_into_the_record(job: Path) -> None:
    label = job.parent / "aa-label.png"
    label.write_bytes(b"not really a photo")

    async def add() -> None:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("n")
            await desk.type("no codes")
            await desk.press("enter", "p", "enter")
            await desk.type("the label")
            await desk.press("enter", "t")
            await desk.type("locks and unlocks")
            await desk.press("enter", "enter")
            await desk.press("o")
            await desk.press("end")
            await desk.until("note: no codes")

    run(add())
    opened = open_job(job)
    assert opened.job.notes[-1].text == "no codes"
    assert opened.job.attachments[-1].caption == "the label"
    assert opened.job.function_tests[-1].ok


def test_a_name_that_would_act_on_the_terminal_is_escaped(bench: Path) -> None:
    put_reads(bench, "door-donor-1")
    (bench / "door-donor-1.bin").rename(bench / "aa\x1b[31m\u202e[red].bin")

    async def look() -> str:
        async with sit_down(bench) as desk:
            await desk.press("f3", "enter", "enter")
            await desk.until("[red]")
            return desk.text()

    text = run(look())
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "[red]" in text


def test_what_is_remembered_is_private_and_nonsense_is_left_out(bench: Path) -> None:
    assert write_desk_state(DeskState(theme="paper", technician="RA")) is None
    file = state_folder() / "desk.json"
    assert file.stat().st_mode & 0o077 == 0
    assert read_desk_state().technician == "RA"
    for nonsense in ("[]", "{", '{"folders": [1], "draft": {"a": 1}, "theme": 7}', "\x00"):
        file.write_text(nonsense)
        assert read_desk_state() == DeskState()


def test_what_cannot_be_remembered_is_told_and_stops_nothing(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (bench / "file").write_text("")
    monkeypatch.setenv("XDG_STATE_HOME", str(bench / "file"))

    async def turn() -> None:
        async with sit_down(bench) as desk:
            await desk.press("ctrl+t")
            assert desk.app.theme == THEMES[1].name
            assert isinstance(desk.app.screen, HomeScreen)

    run(turn())


def test_rows_of_the_register_from_before_are_still_read(job: Path) -> None:
    row = next((job.parent / "store" / "jobs").glob("*.json"))
    members = json.loads(row.read_text())
    for name in ("module_kind", "memories", "next", "changed"):
        del members[name]
    row.write_text(json.dumps(members))
    (read,) = read_rows(job.parent / "store")
    assert (read.work_order, read.next, read.memories) == ("7", None, ())


def test_a_machine_without_screen_says_that_nothing_was_opened(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    with pytest.raises(StoreError, match="no viewer"):
        open_with_viewer(bench / "report-1.pdf")


def test_enter_or_a_click_opens_the_report_where_there_is_a_viewer(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []
    monkeypatch.setattr("memtool.desk.report.has_viewer", lambda: True)
    monkeypatch.setattr(
        "memtool.desk.report.open_with_viewer", lambda path: opened.append(path.name)
    )

    async def make() -> None:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("r", "enter", "enter")
            await desk.click_key("Open it")
            assert "opens in this machine's own viewer" in desk.text()
            await desk.press("escape")
            assert desk.screen == "JobScreen"

    run(make())
    assert len(opened) == 2
    assert opened[0].startswith("report-1.")


def test_jobs_are_listed_in_whole_columns_with_the_time_of_change(job: Path) -> None:
    async def look(width: int) -> str:
        async with sit_down(job.parent, size=(width, 24)) as desk:
            return next(line for line in desk.text().split("\n") if "Vehicle" in line)

    assert run(look(80)).split() == ["Order", "Vehicle", "Next", "Changed"]
    assert run(look(120)).split()[-2:] == ["Module", "Memories"]


def test_labels_and_the_old_module_are_asked_for_the_report(job: Path) -> None:
    async def answer() -> None:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("r", "l")
            await desk.type("C0281140455X")
            await desk.press("enter", "enter", "enter")
            await desk.type("nowhere")
            await desk.press("enter")
            assert "Choose one of" in desk.text()
            await desk.press("escape")
            await desk.press("l")
            await desk.type("C0281140455X")
            await desk.press("enter", "enter", "enter", "enter")
            assert desk.screen == "ReportScreen"

    run(answer())
    assert open_job(job).job.order.original_serial == "C0281140455X"
