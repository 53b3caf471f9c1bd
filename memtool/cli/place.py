"""Where a command works, and the options that every command has.

Light on purpose: what only explains what was typed loads nothing of jobs and images.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, TypeVar

import click

from memtool.cli.shared import note
from memtool.lazy import late_module, pathlib
from memtool.render.words import safe_text
from memtool.workflow.job_folders import is_near_job

if TYPE_CHECKING:
    from pathlib import Path

    from memtool.workflow import context, places, writing
    from memtool.workflow.context import Context
else:
    context = late_module("memtool.workflow.context")
    places = late_module("memtool.workflow.places")
    writing = late_module("memtool.workflow.writing")


class _PathType(click.Path["Path"]):
    """Any path; `memtool.store` says what is wrong with it."""

    def coerce_path_result(self, value: str | os.PathLike[str]) -> Path:
        return pathlib.Path(value)


PATH = _PathType()
Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a command works: the job and the store that were named, if any were."""

    job: Path | None = None
    store: Path | None = None

    def open(self) -> Context:
        """The context of this run.

        Raises:
            UsageError: the named folder holds no job.
            JournalError: its journal is broken.
        """
        return told(context.open_context(job=self.job, stores=places.find_store(self.store)))

    def open_if_in_job(self) -> Context | None:
        """As `open`; None, with nothing loaded, where the run has to do with no job."""
        if self.job is None and not is_near_job():
            return None
        return self.open()


def told(run: Context) -> Context:
    """The context of a run, after a note on each file that a command which was cut off has left."""
    if run.opened is not None:
        for left in writing.find_left_over(run.opened):
            note(
                f"Note: a command was interrupted before it recorded {safe_text(str(left))} in "
                "the journal. Run the same command again to finish its work, or delete the file."
            )
    return run


def gathered(into: type[Any], name: str) -> Callable[[Command], Command]:
    """Let a command take the options that bear the names of a dataclass as one object.

    Args:
        into: The dataclass.
        name: Parameter of the command that receives it.
    """
    members = {field.name for field in fields(into)}

    def decorate(command: Command) -> Command:
        @functools.wraps(command)
        def called(**values: Any) -> Any:
            mine = {key: values.pop(key) for key in members & values.keys()}
            return command(**values, **{name: into(**mine)})

        return called  # type: ignore[return-value]

    return decorate


def output_options(command: Command) -> Command:
    """Give a command ``--json`` and ``--debug`` (which `memtool.cli.main` acts on)."""
    for option in (
        click.option("--debug", is_flag=True, expose_value=False, help="Show error details."),
        click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout."),
    ):
        command = option(command)
    return command


def store_option(command: Command) -> Command:
    """Give a command ``--store``, the folder of the backup store."""
    return click.option(
        "--store",
        type=PATH,
        envvar="BENCHIMAGE_STORE",
        help="Folder of the backup store.",
    )(command)


def job_option(command: Command) -> Command:
    """Give a command ``--job``."""
    return click.option("--job", type=PATH, help="Job folder, if it is not the current folder.")(
        command
    )


def place_options(command: Command) -> Command:
    """Give a command that reads no image ``--job`` and ``--store``.

    It receives ``place`` and ``as_json``.
    """
    return output_options(store_option(job_option(gathered(Place, "place")(command))))
