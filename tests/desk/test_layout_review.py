"""The layout screens: the same answers, the same file and the same layout as the commands."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from memtool.desk.app import DeskApp
from memtool.desk.layout import LayoutScreen, draft_from
from memtool.desk.layout_review import ReviewScreen
from memtool.desk.session import Session
from memtool.desk.working import Tell, Working
from memtool.workflow.drafting import DraftRequest, DraftResult
from memtool.workflow.reviewing import Answer, Answered, give_answers, open_review
from tests.build import DONOR_VIN, LAYOUT, SECRET, VEHICLE_VIN
from tests.desk.walking import answer, press, session, settle, text_of, walk
from tests.workflow.jobs import Bench

EMPTY = """
[[region]]
# possible
# In both modules the {length} bytes from {start} on are erased.
name = "empty {number}"
span = "{start}+{length}"
kind = "unused"
"""
DRAFT = LAYOUT.replace("reviewed = true", "reviewed = false") + "".join(
    EMPTY.format(number=number, start=start, length=length)
    for number, (start, length) in enumerate((("0x90", 16), ("0xE0", 16), ("0xF0", 8)), 1)
)
"""The small module's layout as a draft, with three guesses that one yes may answer."""
BY = "N. N."


@pytest.fixture
def draft(started: Bench) -> Path:
    path = started.job / "draft.toml"
    path.write_text(DRAFT, encoding="utf-8")
    return path


def of_draft(bench: Bench, path: Path) -> Callable[[Session], ReviewScreen]:
    return lambda desk: ReviewScreen(desk, path, bench.job)


def answers_of(path: Path) -> dict[str, str]:
    return {name: given.answer.value for name, given in open_review(path).answers.items()}


def here(app: DeskApp) -> str:
    screen = app.screen
    assert isinstance(screen, ReviewScreen)
    guess = screen.guess_here()
    assert guess is not None
    return guess.name


async def go_to(pilot: Pilot[int], app: DeskApp, name: str) -> None:
    """Down the list until the cursor is on that guess."""
    for _ in range(20):
        if here(app) == name:
            return
        await pilot.press("down")
    raise AssertionError(f"no guess '{name}' in the list")


@pytest.mark.parametrize("size", [(80, 24), (160, 48), (200, 60)])
def test_guesses_are_a_list_by_kind_with_all_images_beside_each_other(
    started: Bench, draft: Path, size: tuple[int, int]
) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        await go_to(pilot, app, "starts")
        text = text_of(app)
        assert "0 of 12 guesses answered" in text
        assert "open     0x0040-0x0043    starts" in text
        original = next(line for line in text.splitlines() if "00 00 00 63" in line)
        donor = next(line for line in text.splitlines() if "00 00 12 67" in line)
        assert "original" in original
        assert "donor" in donor
        assert "'blank'" in text
        assert len(text.splitlines()) <= size[1]
        assert max(map(len, text.splitlines())) <= size[0]

    walk(session(started.folder), of_draft(started, draft), steps, size=size)


def test_what_does_not_fit_is_read_on(started: Bench, draft: Path) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        await go_to(pilot, app, "VIN")
        await settle(pilot)
        assert "Read on" in text_of(app)
        assert "these bytes stay as they are" not in text_of(app)
        await press(pilot, "space")
        assert "these bytes stay as they are" in text_of(app)
        await press(pilot, "space")
        assert "Guess 2 of 12: VIN" in text_of(app)

    walk(session(started.folder), of_draft(started, draft), steps, size=(80, 20))


def test_reviewer_is_asked_for_where_the_job_names_none(started: Bench, draft: Path) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await press(pilot, "enter")
        assert "Give a name." in text_of(app)
        await answer(pilot, BY)
        await press(pilot, "y")

    walk(session(started.folder), of_draft(started, draft), steps)
    assert '"by": "N. N."' in draft.with_name("draft.toml.review.jsonl").read_text("utf-8")


def test_yes_and_no_are_kept_at_once_and_move_to_the_next_open_guess(
    started: Bench, draft: Path
) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        first = here(app)
        await press(pilot, "y")
        assert answers_of(draft) == {first: "accept"}
        second = here(app)
        assert second != first
        await press(pilot, "n")
        assert answers_of(draft) == {first: "accept", second: "reject"}
        assert "2 of 12 guesses answered" in text_of(app)

    walk(session(started.folder), of_draft(started, draft), steps)


def test_effect_of_an_answer_is_shown_in_the_map_and_taken_back_by_undo(
    started: Bench, draft: Path
) -> None:
    def map_row(app: DeskApp) -> str:
        rows = [line for line in text_of(app).splitlines() if line.strip().startswith("0x0000 ")]
        return rows[0].split()[1]

    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        await go_to(pilot, app, "serial")
        # Two bytes a letter at this width: the serial's sixteen bytes are eight letters.
        assert map_row(app).startswith("????????")
        await press(pilot, "y")
        assert map_row(app).startswith("MMMMMMMM?")
        await press(pilot, "u")
        assert (here(app), answers_of(draft)) == ("serial", {})
        assert map_row(app).startswith("?????????")
        await press(pilot, "n")
        assert map_row(app).startswith("........?")

    walk(session(started.folder), of_draft(started, draft), steps)


def test_one_yes_answers_guesses_that_are_alike_and_one_undo_takes_it_back(
    started: Bench, draft: Path
) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        await go_to(pilot, app, "serial")
        assert "Yes to all alike" not in text_of(app)
        await press(pilot, "a")  # Not told, and does nothing.
        assert answers_of(draft) == {}
        await go_to(pilot, app, "empty 2")
        assert "Yes to all alike" in text_of(app)
        await press(pilot, "a")
        assert answers_of(draft) == {f"empty {number}": "accept" for number in (1, 2, 3)}
        await press(pilot, "u")
        assert answers_of(draft) == {}
        await press(pilot, "u")

    walk(session(started.folder), of_draft(started, draft), steps)


def test_undo_lets_the_answer_before_stand_again(started: Bench, draft: Path) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        await go_to(pilot, app, "VIN")
        await press(pilot, "n")
        await press(pilot, "up")
        await go_to(pilot, app, "VIN")
        await press(pilot, "y")
        assert answers_of(draft) == {"VIN": "accept"}
        await press(pilot, "u")
        assert answers_of(draft) == {"VIN": "reject"}

    walk(session(started.folder), of_draft(started, draft), steps)


def test_change_is_kept_and_a_wrong_one_is_told_and_not_kept(started: Bench, draft: Path) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        await go_to(pilot, app, "starts")
        await press(pilot, "c", "tab")
        assert "One of: vehicle-identity, module-identity, " in text_of(app)
        app.screen.query_one("#kind", Input).value = "no-such-kind"
        await press(pilot, "enter")
        assert "Not kept: " in text_of(app)
        assert answers_of(draft) == {}
        app.screen.query_one("#kind", Input).value = "configuration"
        app.screen.query_one("#name", Input).value = "ignition starts"
        await press(pilot, "enter")

    walk(session(started.folder), of_draft(started, draft), steps)
    given = open_review(draft).answers["starts"]
    assert given.answer is Answer.CHANGE
    assert given.change == {"kind": "configuration", "name": "ignition starts"}


def test_names_in_a_layout_cannot_act_on_the_terminal(started: Bench, draft: Path) -> None:
    odd = r"[bold]cu\u001b]0;rve[/]"
    draft.write_text(DRAFT.replace('"curve"', f'"{odd}"'), encoding="utf-8")

    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        await go_to(pilot, app, "[bold]cu\x1b]0;rve[/]")
        await press(pilot, "c")
        text = text_of(app)
        assert "\x1b" not in text
        assert text.count(r"[bold]cu\x1b]0;rve[/]") >= 2  # in its line, and in what can be changed
        app.screen.query_one("#kind", Input).value = "code"
        await press(pilot, "enter")

    walk(session(started.folder), of_draft(started, draft), steps)
    given = open_review(draft).answers["[bold]cu\x1b]0;rve[/]"]
    assert given.change == {"kind": "code"}


def test_protected_bytes_are_not_on_the_screen(started: Bench, draft: Path) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        await go_to(pilot, app, "access")
        text = text_of(app)
        assert "not shown" in text
        assert not [at for at in range(15) if SECRET[at : at + 2].hex(" ").upper() in text]
        # Also not when the guess is called something else.
        await press(pilot, "c")
        app.screen.query_one("#kind", Input).value = "calibration"
        await press(pilot, "enter")
        await press(pilot, "up", "down")
        text = text_of(app)
        assert not [at for at in range(15) if SECRET[at : at + 2].hex(" ").upper() in text]

    walk(session(started.folder), of_draft(started, draft), steps, size=(160, 48))


def test_bytes_are_hidden_as_soon_as_an_answer_calls_them_protected(
    started: Bench, draft: Path
) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        await go_to(pilot, app, "starts")
        assert "00 00 12 67" in text_of(app)
        assert "4711 (0x1267)" in text_of(app)
        await press(pilot, "c")
        for key, value in (("kind", "protected"), ("type", "")):
            app.screen.query_one(f"#{key}", Input).value = value
        await press(pilot, "enter")
        await go_to(pilot, app, "starts")
        text = text_of(app)
        assert "changed  0x0040-0x0043    starts" in text
        assert "12 67" not in text
        assert "4711" not in text

    walk(session(started.folder), of_draft(started, draft), steps, size=(160, 48))


def test_answers_that_do_not_fit_together_are_told_at_the_end(started: Bench, draft: Path) -> None:
    answers = {guess.name: Answered(answer=Answer.ACCEPT) for guess in open_review(draft).guesses}
    copied = Answered(answer=Answer.CHANGE, change={"copy_of": "serial"})
    now = datetime(2030, 1, 2, tzinfo=UTC)
    review = give_answers(open_review(draft), answers | {"options": copied}, by=BY, now=now)
    # Each was right when it was given: what it is a copy of went afterwards.
    give_answers(review, {"serial": Answered(answer=Answer.REJECT)}, by=BY, now=now)

    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        assert "12 of 12 guesses answered" in text_of(app)
        await press(pilot, "f", "enter")
        assert "copy_of" in text_of(app)
        await press(pilot, "enter")
        await go_to(pilot, app, "serial")
        await press(pilot, "y", "f", "enter")
        assert "accepted  11" in text_of(app)

    walk(session(started.folder), of_draft(started, draft), steps)


def test_review_is_left_and_gone_on_with_by_screen_and_by_command(
    started: Bench, draft: Path
) -> None:
    async def first(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        await go_to(pilot, app, "VIN")
        await press(pilot, "y", "escape")
        assert not [each for each in app.screen_stack if isinstance(each, ReviewScreen)]

    async def second(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        text = text_of(app)
        assert "2 of 12 guesses answered" in text
        assert here(app) in text.split("Guess ")[0]  # The list shows where the cursor is.
        await go_to(pilot, app, "VIN")
        assert "yes      0x0010-0x0020    VIN" in text_of(app)

    walk(session(started.folder), of_draft(started, draft), first)
    done = started.in_job("layout", "review", str(draft), "--by", BY, "--reject", "curve")
    assert done.returncode == 2  # The others are open.
    walk(session(started.folder), of_draft(started, draft), second)
    assert answers_of(draft) == {"VIN": "accept", "curve": "reject"}


def test_layout_finished_on_the_screen_is_the_one_that_the_command_writes(
    started: Bench, draft: Path, tmp_path: Path
) -> None:
    other = started.copy_to(tmp_path / "other")
    rejected = {"curve", "empty 2"}

    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        for _ in range(12):
            assert "Finish" not in text_of(app)
            await press(pilot, "n" if here(app) in rejected else "y")
        await press(pilot, "f", "escape", "f", "enter")
        text = text_of(app)
        assert "reviewed by N. N. on " in text
        assert "accepted  10" in text
        assert "Next: benchimage blank donor --layout " in text

    walk(session(started.folder), of_draft(started, draft), steps, size=(160, 48))
    options = [part for name in sorted(rejected) for part in ("--reject", name)]
    for guess in open_review(draft).guesses:
        options += [] if guess.name in rejected else ["--accept", guess.name]
    done = other.in_job("layout", "review", "job/draft.toml", "--by", BY, *options)
    assert done.returncode == 0, done.stderr
    made = (started.job / "draft-reviewed-1.toml").read_bytes()
    assert made == (other.job / "draft-reviewed-1.toml").read_bytes()
    journals = [each.job / "journal.jsonl" for each in (started, other)]
    kinds = [
        [line.count("layout review") for line in path.read_text("utf-8").splitlines()][-1]
        for path in journals
    ]
    assert kinds == [1, 1]


def test_layout_screen_lists_what_waits_and_opens_the_review(started: Bench, draft: Path) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        text = text_of(app)
        assert "review draft.toml: test module, 0 of 12 guesses answered" in text
        assert "A draft is made from: original, donor" in text
        await press(pilot, "enter")
        assert isinstance(app.screen_stack[-2], ReviewScreen)
        await answer(pilot, BY)
        await press(pilot, "y", "escape")
        assert "1 of 12 guesses answered" in text_of(app)

    walk(
        session(started.folder), lambda desk: LayoutScreen(desk, started.job), steps, size=(80, 24)
    )


def test_draft_is_written_shown_and_reviewed(started: Bench) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await press(pilot, "enter")
        text = text_of(app)
        assert "Written, not reviewed." in text
        assert "Drafted from" in text
        await press(pilot, "enter")
        assert isinstance(app.screen_stack[-2], ReviewScreen)
        await settle(pilot)

    walk(session(started.folder), lambda desk: LayoutScreen(desk, started.job), steps)
    path = started.job / "24c02.toml"
    command = started.in_job("layout", "draft", "original", "donor", "--out", "job/again.toml")
    assert command.returncode == 0, command.stderr
    assert path.read_bytes() == (started.job / "again.toml").read_bytes()
    assert DONOR_VIN not in path.read_text("utf-8")
    assert VEHICLE_VIN not in path.read_text("utf-8")


def test_a_draft_that_escape_stops_writes_nothing(
    started: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = started.files()
    digest = hashlib.sha256((started.job / "journal.jsonl").read_bytes()).digest()
    at_work, is_pressed = threading.Event(), threading.Event()

    def hold(desk: Session, job: Path | None, request: DraftRequest, tell: Tell) -> DraftResult:
        """The draft itself, which waits at its first piece until the person has pressed."""

        def told(done: int, total: int, text: str) -> None:
            at_work.set()
            assert is_pressed.wait(60)
            tell(done, total, text)

        return draft_from(desk, job, request, told)

    monkeypatch.setattr("memtool.desk.layout.draft_from", hold)

    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await pilot.press("enter")
        while not at_work.is_set():
            await pilot.pause(0.01)
        assert isinstance(app.screen, Working)
        assert "Esc  Stop" in text_of(app)
        await pilot.press("escape")
        assert "Stopping" in text_of(app)
        is_pressed.set()
        await settle(pilot)
        assert isinstance(app.screen, LayoutScreen)

    walk(session(started.folder), lambda desk: LayoutScreen(desk, started.job), steps)
    assert started.files() == before
    assert hashlib.sha256((started.job / "journal.jsonl").read_bytes()).digest() == digest


def test_mouse_chooses_a_guess_and_a_key_below_answers_it(started: Bench, draft: Path) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await answer(pilot, BY)
        lines = text_of(app).splitlines()
        row = next(at for at, line in enumerate(lines) if "serial" in line and "open" in line)
        await pilot.click(offset=(20, row))
        await pilot.pause()
        assert here(app) == "serial"
        assert app.screen.query_one(OptionList).has_focus
        row = next(at for at, line in enumerate(lines) if " Yes " in line)
        await pilot.click(offset=(lines[row].index("Yes"), row))
        await settle(pilot)
        assert answers_of(draft) == {"serial": "accept"}

    walk(session(started.folder), of_draft(started, draft), steps)
