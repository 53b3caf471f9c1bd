"""Layout: draft one from the job's images, or review one that is there."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import Any, ClassVar

from rich.text import Text
from textual import on
from textual.binding import Binding
from textual.content import Content
from textual.widget import Widget
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from memtool.core.role import Role
from memtool.desk.layout_files import FoundLayout, find_layouts, free_draft
from memtool.desk.layout_review import ReviewScreen
from memtool.desk.picking_files import PickFile
from memtool.desk.results import ResultScreen
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session
from memtool.desk.working import Tell
from memtool.render.text.desk_words import ABOUT_LAYOUTS, DRAFTED, NO_IMAGE, WHICH_LAYOUT
from memtool.render.text.draft_view import render_draft
from memtool.render.words import safe_text
from memtool.workflow.context import clock, worker_count
from memtool.workflow.drafting import DraftRequest, DraftResult, draft_to_file
from memtool.workflow.jobs import OpenJob


class LayoutScreen(DeskScreen):
    """The layouts of a memory that wait for a person, and a new draft."""

    NAME = "Layout"
    DEFAULT_CSS = """
    LayoutScreen #why { height: auto; padding: 0 0 1 0; }
    LayoutScreen #layouts { height: auto; max-height: 60%; }
    LayoutScreen #drawn-from { height: auto; padding: 1 0 0 0; }
    """
    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "open", "Open"),
        Binding("a", "add_image", "Another module's image"),
        Binding("f", "pick", "A layout file"),
    ]

    def __init__(
        self, desk: Session, job: Path | None = None, *, memory: str | None = None
    ) -> None:
        """Make it.

        Args:
            desk: Of this sitting.
            job: Folder of the job.
            memory: Of the job; None: its only one.
        """
        super().__init__(desk, job)
        self.memory = memory
        self._layouts: list[FoundLayout] = []
        self._images: list[str] = []
        self._more: list[str] = []

    def heading(self) -> str:
        """Of which memory."""
        return self.NAME if self.memory is None else f"{self.NAME} · {self.memory}"

    def body(self) -> Iterable[Widget]:
        """What waits, and from what a new one would be drafted."""
        yield Static(
            Content(ABOUT_LAYOUTS),
            id="why",
        )
        yield OptionList(id="layouts")
        yield Static(id="drawn-from")

    def on_screen_resume(self) -> None:
        """Files and answers may have changed while another screen was in front."""
        opened = self._job()
        memories = () if opened is None else opened.job.memories
        if self.memory is None and memories:
            self.memory = memories[0]
        self._layouts = [] if opened is None else find_layouts(opened, self.memory)
        self._images = [] if opened is None else list(_images_of(opened, self.memory))
        listed = self.query_one(OptionList)
        listed.clear_options()
        listed.add_options(Option(Text(each.words)) for each in self._layouts)
        listed.add_option(Option(Text("draft a new one")))
        listed.highlighted = 0
        listed.focus()
        self._tell_images()

    def _job(self) -> OpenJob | None:
        folder = self.folder
        return None if folder is None else self.attempt(lambda: self.desk.job(folder))

    def _tell_images(self) -> None:
        names = ", ".join(map(safe_text, (*self._images, *self._more)))
        words = f"A draft is made from: {names}" if names else NO_IMAGE
        self.query_one("#drawn-from", Static).update(Content(words))

    @on(OptionList.OptionSelected)
    def _chosen(self, event: OptionList.OptionSelected) -> None:
        if event.option_index < len(self._layouts):
            self._review(self._layouts[event.option_index].path)
        else:
            self._draft()

    def action_open(self) -> None:
        """Do what is under the cursor."""
        self.query_one(OptionList).action_select()

    def action_pick(self) -> None:
        """Review a layout file from anywhere."""

        def take(paths: tuple[Path, ...] | None) -> None:
            if paths:
                self._review(paths[0])

        self.app.push_screen(PickFile(self.desk, WHICH_LAYOUT), take)

    def action_add_image(self) -> None:
        """A further module of the family makes the draft better."""

        def take(paths: tuple[Path, ...] | None) -> None:
            for path in paths or ():
                self._more.append(str(path))
            self._tell_images()

        name = "Images of further modules of this family"
        self.app.push_screen(PickFile(self.desk, name, most=8), take)

    def _review(self, path: Path) -> None:
        images = () if self.folder is not None else tuple(self._more)

        def reviewed(out: Path | None) -> None:
            if out is not None:
                self.dismiss(out)

        screen = ReviewScreen(self.desk, path, self.folder, images=images)
        self.app.push_screen(screen, reviewed)

    def _draft(self) -> None:
        """Draft from all images; it can be stopped, and then nothing is written."""
        if not self._images and not self._more:
            self.say(NO_IMAGE)
            return
        request = DraftRequest(
            images=(*self._images, *self._more),
            references=(),
            vins={},
            out=free_draft(self.folder or self.desk.folder, self.memory),
            name=None,
            module=None,
        )
        draft = partial(draft_from, self.desk, self.folder, request)
        self.work("Drafting a layout", draft, self._drafted, can_stop=True)

    def _drafted(self, done: DraftResult) -> None:
        images = (*self._images, *self._more)
        words = ("layout", "draft", *images, "--out", str(done.out))
        command = self.desk.tell(*words, job=self.folder)
        self.app.push_screen(
            ResultScreen(
                self.desk,
                f"Drafted · {done.out.name}",
                lambda: render_draft(done.draft, done.modules),
                verdict=DRAFTED,
                command=command,
                job=self.folder,
            ),
            lambda _: self._review(done.out),
        )


def draft_from(desk: Session, job: Path | None, request: DraftRequest, tell: Tell) -> DraftResult:
    """Draft as the command does; `tell` may raise to end it, and nothing is written then.

    Raises:
        MemtoolError: no draft can be made, or its file exists.
    """
    context = desk.context(job)
    return draft_to_file(request, context, now=clock(), workers=worker_count(), progress=tell)


def _images_of(opened: OpenJob, memory: str | None) -> Iterable[str]:
    behind = f"/{memory}" if memory is not None and len(opened.job.memories) > 1 else ""
    for role in Role:
        if opened.job.newest_backup(role, memory) is not None:
            yield f"{role.value}{behind}"
