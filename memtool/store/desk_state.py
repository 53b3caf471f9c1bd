"""What the full-screen desk remembers between two runs: folders, looks, who works here.

A small private file in the user's state folder. It is only a comfort: what cannot be read is
left out, what cannot be written is told and forgotten.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any, TypeVar

from memtool.errors import MemtoolError
from memtool.lazy import platformdirs
from memtool.store.folder import open_folder
from memtool.store.reading import read_file
from memtool.store.writing import make_folder, replace_in

_NAME = "desk.json"
_LIMIT = 64 * 1024
_MOST_FOLDERS = 8
_MOST_PICKED = 100
T = TypeVar("T", "PickedFile", "KeptAnswer")


@dataclass(frozen=True, slots=True, kw_only=True)
class PickedFile:
    """One file that was picked and is not backed up yet."""

    role: str
    """Of the module that it is a read of; or `layout`."""
    memory: str | None
    path: str
    job: str | None = None
    """Folder of the job that it is for; None: the order that is not finished."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptAnswer:
    """One thing that was said of reads which are not backed up yet."""

    what: str
    """A name of `StartRequest`'s, or near it; who said it knows what it means."""
    memory: str | None
    text: str
    more: str = ""
    job: str | None = None
    """Folder of the job that it is for; None: the order that is not finished."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskState:
    """What is remembered."""

    theme: str | None = None
    technician: str | None = None
    """Who was named last as the technician of an order."""
    draft: Mapping[str, str] = field(default_factory=dict)
    """Answers of a new order that is not finished, by the names in `Order`; passed over: empty."""
    picked: tuple[PickedFile, ...] = ()
    """Files picked and not yet backed up, in order."""
    answers: tuple[KeptAnswer, ...] = ()
    """What was said of those files, and asked about them, in order."""
    folders: tuple[str, ...] = ()
    """Folders that files were picked from, newest first."""

    def with_folder(self, folder: Path) -> DeskState:
        """With one more folder; each stands there once."""
        name = str(folder)
        others = tuple(each for each in self.folders if each != name)
        return replace(self, folders=(name, *others)[:_MOST_FOLDERS])


def state_folder() -> Path:
    """Where it lies: the user's own folder for such things."""
    return Path(platformdirs.user_state_dir("benchimage"))


def read_desk_state() -> DeskState:
    """What was remembered; nothing of a file that is missing or makes no sense."""
    try:
        members = json.loads(read_file(state_folder() / _NAME, limit=_LIMIT).data)
    except (MemtoolError, ValueError, RecursionError, OSError):
        return DeskState()
    return _state_of(members)


def write_desk_state(state: DeskState) -> str | None:
    """Remember it; why that failed, in words, or None."""
    data = (json.dumps(asdict(state), indent=1) + "\n").encode("ascii")
    try:
        make_folder(state_folder())
        with open_folder(state_folder(), follow=True) as folder:
            replace_in(folder, _NAME, data)
    except MemtoolError as error:
        return error.message
    except OSError as error:
        return error.strerror or "the system refused it"
    return None


def _state_of(members: Any) -> DeskState:
    if not isinstance(members, dict):
        return DeskState()
    known = {item.name for item in fields(DeskState)}
    kept = {name: value for name, value in members.items() if name in known}
    folders, draft = kept.pop("folders", []), kept.pop("draft", {})
    picked, said = kept.pop("picked", []), kept.pop("answers", [])
    answers = draft.items() if isinstance(draft, dict) else ()
    texts = {name: value for name, value in kept.items() if isinstance(value, str)}
    listed = folders if isinstance(folders, list) else []
    named = tuple(folder for folder in listed if isinstance(folder, str))
    kept_draft = {name: text for name, text in answers if isinstance(text, str)}
    return DeskState(
        folders=named[:_MOST_FOLDERS],
        draft=kept_draft,
        picked=_listed(PickedFile, picked),
        answers=_listed(KeptAnswer, said),
        **texts,
    )


def _listed(kind: type[T], members: Any) -> tuple[T, ...]:
    """Those that make sense."""
    found = []
    names = {item.name for item in fields(kind)}
    for each in members if isinstance(members, list) else ():
        if not isinstance(each, dict) or set(each) != names:
            continue
        may_be_none = all(isinstance(each[name], str | None) for name in ("memory", "job"))
        if may_be_none and all(isinstance(each[name], str) for name in names - {"memory", "job"}):
            found.append(kind(**each))
    return tuple(found[-_MOST_PICKED:])
