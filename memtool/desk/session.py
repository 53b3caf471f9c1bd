"""What all screens share: the folder, the backup store, what is remembered, what ran."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from memtool.desk import rooms
from memtool.store.desk_state import (
    DeskState,
    KeptAnswer,
    PickedFile,
    read_desk_state,
    write_desk_state,
)
from memtool.workflow.places import StorePlace

if TYPE_CHECKING:
    from memtool.core.read_options import ReadOptions
    from memtool.store.backups import BackupStore
    from memtool.workflow.context import Context
    from memtool.workflow.jobs import OpenJob


@dataclass(slots=True, kw_only=True)
class Session:
    """One sitting at the desk."""

    folder: Path
    """Where new jobs are made and files are looked for first."""
    stores: StorePlace
    """Where the backups lie; the list of jobs asks for no more."""
    state: DeskState = field(default_factory=read_desk_state)
    ran: list[str] = field(default_factory=list)
    """The commands that would have done the same, oldest first."""

    @property
    def store(self) -> BackupStore:
        """The backup store, opened when it is asked for."""
        return self.stores.store

    def use_store(self, stores: StorePlace) -> None:
        """Show another store from now on."""
        self.stores = stores

    def context(self, job: Path | None, options: ReadOptions | None = None) -> Context:
        """The context of one action, with the job as it is now.

        Raises:
            MemtoolError: the job cannot be opened.
        """
        if job is None:
            return rooms.context.Context(
                stores=self.stores,
                opened=None,
                options=options or rooms.read_options.ReadOptions(),
                chip=None,
            )
        return rooms.context.open_context(job=job, stores=self.stores, options=options)

    def job(self, job: Path) -> OpenJob:
        """The job in that folder, as it is now.

        Raises:
            MemtoolError: it cannot be opened.
        """
        return self.context(job).require_job()

    def tell(self, *words: str, job: Path | None = None) -> str:
        """Keep the command that does the same as what was just done, and give it back."""
        place = () if job is None else ("--job", str(job))
        line = shlex.join(("benchimage", *map(_from_here, (*words, *place))))
        self.ran.append(line)
        return line

    def remember(self, *, theme: str | None = None, technician: str | None = None) -> str | None:
        """Remember something for the next time; why that failed, or None."""
        self.state = replace(
            self.state,
            theme=theme or self.state.theme,
            technician=technician or self.state.technician,
        )
        return write_desk_state(self.state)

    def keep_draft(self, answers: Mapping[str, str]) -> str | None:
        """Keep the answers of an order that is not finished; why that failed, or None."""
        self.state = replace(self.state, draft=dict(answers))
        return write_desk_state(self.state)

    def keep_picked(
        self, picked: Sequence[PickedFile], answers: Sequence[KeptAnswer], job: Path | None
    ) -> str | None:
        """Keep what was picked and said for a job, or the new order; why that failed, or None."""
        place = _place_of(job)
        others = (each for each in self.state.picked if each.job != place)
        # The desk may be opened in another folder when they are taken up.
        now = (replace(each, path=str(Path(each.path).resolve()), job=place) for each in picked)
        before = (each for each in self.state.answers if each.job != place)
        said = (replace(each, job=place) for each in answers)
        self.state = replace(self.state, picked=(*others, *now), answers=(*before, *said))
        return write_desk_state(self.state)

    def answers_before(self, job: Path | None) -> tuple[KeptAnswer, ...]:
        """What was said of those files."""
        return tuple(each for each in self.state.answers if each.job == _place_of(job))

    def picked_before(self, job: Path | None) -> tuple[PickedFile, ...]:
        """The files that were picked for this job, or the new order, and not backed up."""
        return tuple(each for each in self.state.picked if each.job == _place_of(job))

    def remember_folder(self, folder: Path) -> str | None:
        """Remember where files were picked; why that failed, or None."""
        self.state = self.state.with_folder(folder.resolve())
        return write_desk_state(self.state)


def _place_of(job: Path | None) -> str | None:
    return None if job is None else str(job.resolve())


def near(path: Path) -> Path:
    """A path below the current folder as it would be typed there; any other as it is."""
    try:
        return path.resolve().relative_to(Path.cwd())
    except (ValueError, OSError):
        return path


def _from_here(word: str) -> str:
    """A path below the current folder as it would be typed there."""
    here = str(Path.cwd())
    return word.replace(f"{here}/", "", 1) if f"{here}/" in word else word
