"""The bytes screen under keys and the mouse: what stands on it, in two sizes."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from textual.app import App, ComposeResult
from textual.pilot import Pilot
from textual.strip import Strip

from memtool.core.image import Image
from memtool.core.role import Role
from memtool.desk.app import DeskApp
from memtool.desk.bytes import BytesScreen
from memtool.desk.bytes_lens import Named, look_at
from memtool.desk.bytes_map import MapView
from memtool.desk.bytes_sources import Pick, load_lens
from memtool.desk.bytes_view import BytesView
from memtool.desk.looking import LookScreen
from memtool.desk.session import Session
from tests.build import SECRET
from tests.desk.sitting import Sitting, run
from tests.desk.walking import answer, press, session, text_of, walk
from tests.workflow.jobs import DONOR, ORIGINAL, Bench

Make = Callable[[Session], BytesScreen]


def of_job(bench: Bench) -> Make:
    return lambda desk: BytesScreen(desk, bench.job)


def of_files(*paths: Path) -> Make:
    return lambda desk: BytesScreen(desk, images=[str(path) for path in paths])


def cursor_of(app: DeskApp) -> int:
    return app.screen.query_one(BytesView).cursor


@pytest.mark.parametrize("size", [(80, 24), (160, 48), (200, 60)])
def test_donor_and_original_of_the_job_stand_side_by_side(
    started: Bench, size: tuple[int, int]
) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        text = text_of(app)
        assert "A  donor/24c02: 256 bytes, raw" in text
        assert "B  original/24c02: 256 bytes, raw" in text
        differing = sum(a != b for a, b in zip(DONOR, ORIGINAL, strict=True))
        assert f"{differing} bytes differ, in " in text
        assert "V VIN" in text
        assert "Next difference" in text
        assert "Back" in text
        assert len(text.splitlines()) <= size[1]
        assert max(map(len, text.splitlines())) <= size[0]
        await press(pilot, "n", "n")
        assert "run 2 of " in text_of(app)

    walk(session(started.folder), of_job(started), steps, size=size)


def test_next_and_previous_difference_go_through_all_runs(started: Bench) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        seen = []
        for _ in range(40):
            await pilot.press("n")
            if "Nothing differs after" in text_of(app):
                break
            seen.append(cursor_of(app))
        firsts = [
            at
            for at in range(256)
            if DONOR[at] != ORIGINAL[at] and (at == 0 or DONOR[at - 1] == ORIGINAL[at - 1])
        ]
        assert set(firsts) <= set(seen)
        assert all(DONOR[at] != ORIGINAL[at] for at in seen)
        await press(pilot, "p")
        assert cursor_of(app) == seen[-2]

    walk(session(started.folder), of_job(started), steps)


def test_address_is_asked_for_and_what_is_none_is_told(started: Bench) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await press(pilot, "g")
        await answer(pilot, "0xA5")
        assert cursor_of(app) == 0xA5
        assert "calibration: curve, 0x00A0-0x00DF (64 bytes)" in text_of(app)
        await press(pilot, "g")
        await answer(pilot, "nowhere")
        assert "This is no address, and no region is called so." in text_of(app)
        await answer(pilot, "starts")
        assert cursor_of(app) == 0x40

    walk(session(started.folder), of_job(started), steps)


def test_search_finds_goes_on_and_says_where(started: Bench) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await press(pilot, "slash")
        await answer(pilot, "gdm9")
        assert cursor_of(app) == 0x13
        assert "'gdm9' is at 0x0013-0x0016 in A." in text_of(app)
        await press(pilot, "m")
        assert "from the start on again" in text_of(app)
        await press(pilot, "slash")
        await answer(pilot, "[bold]x")
        assert "'[bold]x' is not found." in text_of(app)

    walk(session(started.folder), of_job(started), steps)


def test_protected_bytes_appear_nowhere(started: Bench) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        pairs = {SECRET[at : at + 2].hex(" ").upper() for at in range(15)}
        shown = []
        for address in (0x78, 0x81, 0x8F):
            await press(pilot, "g")
            await answer(pilot, hex(address))
            shown.append(text_of(app))
        await press(pilot, "g")
        await answer(pilot, "0x80")
        assert "protected: not shown" in text_of(app)
        await press(pilot, "slash")
        await answer(pilot, SECRET[:4].hex())
        shown.append(text_of(app))
        assert "is not found. Protected bytes are not searched." in shown[-1]
        await press(pilot, "c")
        shown.append(text_of(app))
        for text in shown:
            assert not {pair for pair in pairs if pair in text}

    walk(session(started.folder), of_job(started), steps)


def test_reads_of_one_memory_stand_against_each_other_with_their_vote(started: Bench) -> None:
    third = bytearray(DONOR)
    third[0x33] ^= 0x40
    path = started.write("d3.bin", bytes(third))
    done = started.in_job("start", "--donor", str(path))
    assert done.returncode == 1, done.stderr  # The reads differ, which is an answer.

    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await press(pilot, "i")
        choices = text_of(app)
        number = next(
            at for at, line in enumerate(choices.splitlines()) if "3 reads of donor" in line
        )
        first = next(at for at, line in enumerate(choices.splitlines()) if "original  (" in line)
        await press(pilot, *["down"] * (number - first), "enter", "n")
        text = text_of(app)
        assert "1 d1.bin, 2 d2.bin, 3 d3.bin, = majority of 3 reads" in text
        assert "Majority: 1 byte doubtful, 0 of them undecided." in text
        assert cursor_of(app) == 0x33
        assert "1 2 =: 03 = 3" in text
        assert "3: 43 = 67" in text

    walk(session(started.folder), of_job(started), steps)


def test_two_files_without_a_job(tmp_path: Path) -> None:
    first, second = tmp_path / "[red]a.bin", tmp_path / "b.bin"
    first.write_bytes(DONOR)
    second.write_bytes(DONOR[:0x40] + b"\x55" + DONOR[0x41:])

    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        assert "[red]a.bin: 256 bytes, raw" in text_of(app)
        await press(pilot, "n")
        assert cursor_of(app) == 0x40
        assert "differs: 0x0040+1 (1 byte), run 1 of 1" in text_of(app)

    walk(session(tmp_path), of_files(first, second), steps, size=(160, 48))


def test_file_that_is_no_image_is_told_in_a_sentence(tmp_path: Path) -> None:
    path = tmp_path / "broken.hex"
    path.write_text(":10000000FF\n", encoding="ascii")

    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        assert "broken.hex" in "".join(text_of(app).replace("│", "").split())
        await press(pilot, "enter", "n", "slash", "escape")
        assert not [each for each in app.screen_stack if isinstance(each, BytesScreen)]

    walk(session(tmp_path), of_files(path), steps)


def test_another_image_is_laid_beside_the_first_and_taken_away(started: Bench) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await press(pilot, "b", "down", "enter")
        assert "The images are equal" in text_of(app)
        await press(pilot, "b", "down", "down", "enter")
        text = text_of(app)
        assert "differ" not in text.split("Next difference")[0]
        await press(pilot, "n")
        assert "This is one image: lay another one beside it." in text_of(app)

    walk(session(started.folder), of_job(started), steps)


def test_mouse_points_at_a_byte_and_at_a_cell_of_the_map(started: Bench) -> None:
    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        # Third line, second byte: label and bracket stand before the digits.
        await pilot.click(BytesView, offset=(len("0x0000 A ") + 4, 2))
        assert cursor_of(app) == 0x09
        await pilot.click(MapView, offset=(1, 4))
        await pilot.pause()
        assert cursor_of(app) == 0x80
        assert "protected: access" in text_of(app)

    walk(session(started.folder), of_job(started), steps)


def test_looking_writes_nothing_into_the_job(started: Bench) -> None:
    before = {name: (started.folder / name).read_bytes() for name in started.files()}

    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        await press(pilot, "n", "c", "enter", "slash", "1", "enter", "b", "enter", "down", "end")

    walk(session(started.folder), of_job(started), steps)
    assert {name: (started.folder / name).read_bytes() for name in started.files()} == before


def test_lens_of_a_job_hides_by_the_layouts_of_the_job(started: Bench) -> None:
    desk = session(started.folder)
    for pick in (Pick(("donor",)), Pick(reads_of=(Role.DONOR, "24c02")), Pick(("d1.bin",))):
        names = tuple(str(started.folder / each) if "." in each else each for each in pick.names)
        lens = load_lens(desk.context(started.job), Pick(names, pick.reads_of))
        assert [str(span) for span in lens.hidden] == ["0x0080-0x008F"]


def test_files_that_were_looked_at_show_their_bytes_under_a_key(tmp_path: Path) -> None:
    for name in ("a.bin", "b.bin", "c.bin"):
        (tmp_path / name).write_bytes(DONOR)

    async def steps(pilot: Pilot[int], app: DeskApp) -> None:
        screen = app.screen
        assert isinstance(screen, LookScreen)
        screen.picked(tuple(tmp_path / name for name in ("a.bin", "b.bin", "c.bin")))
        await Sitting(app, pilot).until("benchimage inspect")
        await press(pilot, "y")
        await Sitting(app, pilot).until("benchimage · Bytes · 3 reads")
        text = text_of(app)
        assert "a.bin, 2" in text
        assert "0 of them undecided" in text

    walk(session(tmp_path), LookScreen, steps, size=(160, 48))


class CountingView(BytesView):
    """Counts the lines that it is asked for."""

    drawn = 0

    def render_line(self, y: int) -> Strip:
        self.drawn += 1
        return super().render_line(y)


class OneView(App[None]):
    """A view and nothing else."""

    def compose(self) -> ComposeResult:
        yield CountingView()


def test_of_a_large_image_only_the_lines_in_view_are_drawn() -> None:
    size, height = 1 << 20, 30
    data = random.Random(20).randbytes(size)
    other = bytearray(data)
    for at in range(0, size, 4096):
        other[at] ^= 1
    lens = look_at(
        [
            Named(name=name, words="", image=Image.from_bytes(each))
            for name, each in (("a", data), ("b", bytes(other)))
        ],
        layout=None,
        shown=None,
        reason="",
    )

    async def sit() -> None:
        app = OneView()
        async with app.run_test(size=(100, height)) as pilot:
            view = app.query_one(CountingView)
            view.show(lens)
            await pilot.pause()
            # 65,536 rows of 16 bytes, 256 of them unfolded.
            assert view.virtual_size.height == size // 16 + 256
            for key in ("down", "pagedown", "ctrl+end", "pageup", "ctrl+home"):
                before = view.drawn
                await pilot.press(key)
                await pilot.pause()
                assert 0 < view.drawn - before <= 3 * height, key
            await pilot.press("ctrl+end")
            assert view.cursor == size - 1

    run(sit())
