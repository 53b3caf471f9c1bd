"""The bytes screen: images side by side, the map beside them, and what lies under the cursor."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, ClassVar

from textual import on
from textual.binding import Binding
from textual.containers import Horizontal
from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from memtool.core.role import Role
from memtool.core.span import format_address
from memtool.desk.bytes_lens import Lens
from memtool.desk.bytes_list import ReadList
from memtool.desk.bytes_map import MapView
from memtool.desk.bytes_sources import (
    MOST_IMAGES,
    Pick,
    list_picks,
    load_lens,
    title_of,
)
from memtool.desk.bytes_view import BytesView
from memtool.desk.bytes_words import (
    address_words,
    checksum_lines,
    find_address,
    find_next,
    title_words,
)
from memtool.desk.dialogs import Ask, Choose
from memtool.desk.picking_files import PickFile
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session
from memtool.render.text.desk_words import (
    BESIDE_ALREADY,
    GO_TO,
    NO_SUCH_PLACE,
    ONE_IMAGE,
    PLACES,
    SEARCH_FOR,
    SEARCHED,
    WHICH_IMAGE,
    tell_found,
    tell_nearest,
    tell_no_difference,
    tell_not_found,
)
from memtool.render.words import safe_text

_WIDE = 130
"""Columns from which the map is drawn broad, with its key."""
_TALL = 36
"""Lines from which more of them tell what is under the cursor."""
_FILE = "a file ..."


class BytesScreen(DeskScreen):
    """Any one or two images, or the reads of one memory. Nothing is changed, nothing recorded."""

    NAME = "Bytes"
    DEFAULT_CSS = """
    BytesScreen #images { height: auto; max-height: 4; padding: 0 1; }
    BytesScreen #bytes-and-map { height: 1fr; }
    BytesScreen #here { height: 7; padding: 0 1;
        border-top: solid $primary; }
    BytesScreen.-tall #here { height: 10; }
    BytesScreen #said { display: none; height: auto; max-height: 2; padding: 0 1;
        text-style: bold; }
    """
    BINDINGS: ClassVar[list[Any]] = [
        Binding("n", "next_difference", "Next difference"),
        Binding("p", "previous_difference", "Previous"),
        Binding("slash", "search", "Search"),
        Binding("m", "search_again", "Again"),
        Binding("g", "go_to", "Go to"),
        Binding("i", "image", "Image"),
        Binding("b", "beside", "Beside it"),
        Binding("c", "checksums", "Checksums"),
    ]

    def __init__(
        self,
        desk: Session,
        job: Path | None = None,
        *,
        memory: str | None = None,
        images: Sequence[str] = (),
    ) -> None:
        """Make it.

        Args:
            desk: Of this sitting.
            job: Folder of the job; None: files alone.
            memory: Of the job, whose images are shown; None: its first.
            images: Files or names of the job's images, one or two; more are reads of one memory;
                none: those of the memory.
        """
        super().__init__(desk, job)
        self._memory = memory
        self._pick = Pick(tuple(images)) if images else None
        self._lens: Lens | None = None
        self._searched = ""

    def body(self) -> Iterable[Widget]:
        """From top to bottom: what it is, the bytes and the map, the place, what came of a key."""
        yield Static(id="images")
        with Horizontal(id="bytes-and-map"):
            yield BytesView(id="bytes")
            yield MapView(id="map")
        yield Static(id="here")
        yield Static(id="said")

    def on_mount(self) -> None:
        """Load what was picked, or what there is of the memory."""
        self.query_one(BytesView).focus()
        pick = self._pick or self._first_pick()
        if pick is None:
            self.action_image()
        else:
            self._load(pick)

    def _first_pick(self) -> Pick | None:
        """Donor and original of the memory, or what there is of it."""
        folder = self.folder
        opened = None if folder is None else self.attempt(lambda: self.desk.job(folder))
        if opened is None or not opened.job.memories:
            return None
        memory = self._memory or opened.job.memories[0]
        roles = [
            role
            for role in (Role.DONOR, Role.ORIGINAL, Role.REFERENCE)
            if opened.job.newest_backup(role, memory) is not None
        ]
        names = tuple(f"{role.value}/{memory}" for role in roles[:2])
        return Pick(names) if names else None

    def on_resize(self) -> None:
        """A broad map and more words where there is room."""
        self.query_one(MapView).set_class(self.size.width >= _WIDE, "-wide")
        self.set_class(self.size.height >= _TALL, "-tall")

    def _load(self, pick: Pick) -> None:
        """Large images take a second: the screen stays alive meanwhile."""
        self.work(
            f"Reading {safe_text(title_of(pick))}",
            lambda _: load_lens(self.desk.context(self.folder), pick),
            lambda lens: self._show(pick, lens),
        )

    def _show(self, pick: Pick, lens: Lens) -> None:
        view = self.query_one(BytesView)
        kept = view.cursor if self._lens is not None else None
        self._pick, self._lens = pick, lens
        self.tell_title(f"Bytes · {title_of(pick)}")
        lines = [*title_words(lens), *([safe_text(lens.answer)] if lens.answer else [])]
        self._tell("#images", "\n".join(lines))
        self.query_one(MapView).show(lens)
        view.show(lens, kept)
        self._said(lens.layout_reason if lens.layout is None else "")

    @on(BytesView.Moved)
    def _moved(self, event: BytesView.Moved) -> None:
        if self._lens is None or not self._lens.spans:
            return
        self.query_one(MapView).cursor = event.address
        text = "\n".join(address_words(self._lens, event.address))
        # It has one height, so that no step of the cursor draws the whole screen anew.
        self.query_one("#here", Static).update(Content(text), layout=False)

    @on(MapView.Chosen)
    def _chosen(self, event: MapView.Chosen) -> None:
        self.query_one(BytesView).go_to(event.address)

    def action_go_to(self) -> None:
        """Ask for an address, or the name of a region."""
        lens, view = self._lens, self.query_one(BytesView)
        if lens is None:
            return

        def go(text: str | None) -> None:
            address = find_address(lens, text or "", view.cursor)
            if text and address is not None:
                view.go_to(address)
                is_near = view.cursor != address
                place = format_address(address)
                self._said(tell_nearest(place) if is_near else "")

        def fault(text: str) -> str | None:
            if not text or find_address(lens, text, view.cursor) is not None:
                return None
            return NO_SUCH_PLACE

        self.app.push_screen(Ask(GO_TO, more=PLACES, fault=fault), go)

    def action_search(self) -> None:
        """Ask for what is to be found."""
        if self._lens is None:
            return

        def search(text: str | None) -> None:
            if text:
                self._searched = text
                self.action_search_again()

        self.app.push_screen(Ask(SEARCH_FOR, more=SEARCHED), search)

    def action_search_again(self) -> None:
        """The next place of what was searched last."""
        if self._lens is None:
            return
        if not self._searched:
            self.action_search()
            return
        view = self.query_one(BytesView)
        found = find_next(self._lens, self._searched, view.cursor)
        if found is None:
            view.match = None
            self._said(tell_not_found(self._searched, is_hidden=bool(self._lens.hidden)))
            return
        view.go_to(found.span.start, match=found.span)
        side = found.side if len(self._lens.sides) > 1 else None
        self._said(tell_found(self._searched, str(found.span), side, again=found.again))

    def action_next_difference(self) -> None:
        """To the next run that differs."""
        self._go_to_difference(1)

    def action_previous_difference(self) -> None:
        """To the run that differs before this place."""
        self._go_to_difference(-1)

    def _go_to_difference(self, step: int) -> None:
        lens, view = self._lens, self.query_one(BytesView)
        if lens is None:
            return
        if len(lens.sides) < 2:
            self._said(ONE_IMAGE)
            return
        to = (lens.next_difference if step > 0 else lens.previous_difference)(view.cursor)
        if to is None:
            self._said(tell_no_difference(format_address(view.cursor), is_after=step > 0))
            return
        view.go_to(to)
        self._said("")

    def action_checksums(self) -> None:
        """Digests and checksums of what is looked at."""
        if self._lens is not None:
            self.app.push_screen(ReadList("Checksums", list(checksum_lines(self._lens))))

    def action_image(self) -> None:
        """Choose another image, or the reads of a memory."""
        self._choose(WHICH_IMAGE, ())

    def action_beside(self) -> None:
        """Choose an image to lay beside the first."""
        if self._pick is not None and 0 < len(self._pick.names) <= MOST_IMAGES:
            first = self._pick.names[0]
            self._choose(f"Lay which image beside {first}?", (first,))
        elif self._pick is not None:
            self._said(BESIDE_ALREADY)

    def _choose(self, question: str, first: tuple[str, ...]) -> None:
        folder = self.folder
        opened = None if folder is None else self.attempt(lambda: self.desk.job(folder))
        picks = list(list_picks(opened, first))
        if first and self._pick is not None and len(self._pick.names) > 1:
            picks.append((Pick(first), "none: that one alone"))

        def take(number: int | None) -> None:
            if number is None:
                self._leave_if_empty()
            elif number < len(picks):
                self._load(picks[number][0])
            else:
                self.app.push_screen(PickFile(self.desk, "Look at a file"), take_file)

        def take_file(paths: tuple[Path, ...] | None) -> None:
            if paths:
                self._load(Pick((*first, str(paths[0]))))
            else:
                self._leave_if_empty()

        if picks:
            choices = [*(words for _, words in picks), _FILE]
            self.app.push_screen(Choose(question, choices), take)
        else:
            take(0)

    def _leave_if_empty(self) -> None:
        """There is nothing to look at where nothing was chosen."""
        if self._lens is None:
            self.dismiss(None)

    def _said(self, text: str) -> None:
        said = self.query_one("#said")
        if text or said.display:
            self._tell("#said", safe_text(text))
            said.display = bool(text)

    def _tell(self, where: str, text: str) -> None:
        self.query_one(where, Static).update(Content(text))
