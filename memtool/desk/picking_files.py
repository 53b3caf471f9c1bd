"""Pick files from a tree, with the folders that were used before."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, ClassVar

from textual import events
from textual.binding import Binding
from textual.content import Content
from textual.widget import Widget
from textual.widgets import DirectoryTree, Static, Tree
from textual.widgets.directory_tree import DirEntry
from textual.widgets.tree import TreeNode

from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session, near
from memtool.render.words import safe_text


class FileTree(DirectoryTree):
    """Folders and files; what begins with a dot is left out. Letters go to the next such name."""

    newest_first = False
    """Whether the cursor begins at the newest file."""
    ICON_NODE = "> "
    ICON_NODE_EXPANDED = "v "
    ICON_FILE = "  "

    def on_tree_node_expanded(self, event: Tree.NodeExpanded[DirEntry]) -> None:
        """The cursor begins at the first file, or at the newest: that was most likely just read."""
        if event.node is not self.root:
            return
        files = [node for node in event.node.children if not node.allow_expand]
        if self.newest_first:
            files.sort(key=_age)
        if files:
            self.move_cursor(files[0])

    def filter_paths(self, paths: Iterable[Path]) -> Iterable[Path]:
        """Leave hidden files and folders out."""
        return [path for path in paths if not path.name.startswith(".")]

    def find_next(self, start: str) -> None:
        """Move to the next line whose name begins like this."""
        lines = self.last_line + 1
        for step in range(1, lines + 1):
            number = (self.cursor_line + step) % lines
            node = self.get_node_at_line(number)
            data = None if node is None else node.data
            if data is not None and data.path.name.lower().startswith(start.lower()):
                self.move_cursor(node)
                return

    @property
    def path_here(self) -> Path | None:
        """The file or folder under the cursor."""
        node: TreeNode[Any] | None = self.cursor_node
        return None if node is None or node.data is None else node.data.path


def _age(node: TreeNode[DirEntry]) -> float:
    try:
        return 0.0 if node.data is None else -node.data.path.stat().st_mtime
    except OSError:
        return 0.0


class TreeScreen(DeskScreen):
    """A screen with a tree of files."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("f6", "other_folder", "Recent folders"),
        Binding("f7", "up", "Folder above"),
    ]

    def on_mount(self) -> None:
        """The keys go to the tree, which begins in the folder used last."""
        self.query_one(FileTree).focus()

    def file_tree(self) -> FileTree:
        """The tree, where files were picked last."""
        return FileTree(self.first_folder(), id="tree")

    def first_folder(self) -> Path:
        """Where the tree begins."""
        folders = (Path(name) for name in self.desk.state.folders)
        return next((each for each in folders if each.is_dir()), self.desk.folder.resolve())

    def action_other_folder(self) -> None:
        """Go through the folders that were used before."""
        tree = self.query_one(FileTree)
        names = [*self.desk.state.folders, str(self.desk.folder.resolve())]
        known = [name for name in dict.fromkeys(names) if Path(name).is_dir()]
        here = str(Path(tree.path).resolve())
        at = known.index(here) if here in known else -1
        tree.path = Path(known[(at + 1) % len(known)])

    def action_up(self) -> None:
        """Go to the folder above."""
        tree = self.query_one(FileTree)
        tree.path = Path(tree.path).resolve().parent

    def keep_folder(self, path: Path) -> None:
        """Remember where a file was picked."""
        fault = self.desk.remember_folder(path.parent)
        if fault is not None:
            self.notify(fault)


class PickFile(TreeScreen):
    """Pick one file, or some; the tuple of them, or None."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "take", "Take it", show=True),
        Binding("space", "mark", "Mark", show=True),
    ]

    def __init__(self, desk: Session, name: str, *, most: int = 1, hint: str = "") -> None:
        super().__init__(desk)
        self._heading = name
        self._most = most
        self._hint = hint
        self._marked: list[Path] = []

    def body(self) -> Iterable[Widget]:
        """The tree, and what is marked."""
        tree = self.file_tree()
        tree.newest_first = True
        yield tree
        yield Static(Content(""), id="under")

    def heading(self) -> str:
        """What is to be picked."""
        return self._heading

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """One file needs no mark."""
        return action != "mark" or self._most > 1

    def on_directory_tree_file_selected(self, event: DirectoryTree.FileSelected) -> None:
        """Enter or a click on a file takes it; of several it marks it, and then takes all."""
        event.stop()
        path = near(event.path)
        is_marked = path in self._marked
        if not is_marked:
            self._marked.append(path)
        self._show_marked()
        if is_marked or len(self._marked) >= self._most:
            self.keep_folder(path)
            self.picked(tuple(self._marked))

    def picked(self, paths: tuple[Path, ...]) -> None:
        """What to do with the files: by default they are handed to who asked for them."""
        self.dismiss(paths)

    def on_key(self, event: events.Key) -> None:
        """A letter goes to the next name that begins with it."""
        if event.is_printable and event.character is not None and not event.character.isspace():
            self.query_one(FileTree).find_next(event.character)
            event.stop()

    def action_take(self) -> None:
        """Take what is marked, or what is under the cursor."""
        self.query_one(FileTree).action_select_cursor()

    def action_mark(self) -> None:
        """Mark the file under the cursor, or take its mark away."""
        here = self.query_one(FileTree).path_here
        if here is None or not here.is_file():
            return
        path = near(here)
        if path in self._marked:
            self._marked.remove(path)
        elif len(self._marked) < self._most:
            self._marked.append(path)
        self._show_marked()
        self.query_one(FileTree).action_cursor_down()

    def on_screen_resume(self) -> None:
        """What was marked before is done with."""
        self._marked = []
        self._show_marked()

    def _show_marked(self) -> None:
        names = ", ".join(each.name for each in self._marked)
        self.query_one("#under", Static).update(Content(safe_text(names or self._hint)))
