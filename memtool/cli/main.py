"""The command group: finds commands late, and ends the process with its exit status."""

from __future__ import annotations

import gc
import io
import os
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from memtool.cli.late import LateGroup
from memtool.cli.streams import drop_pending, let_go
from memtool.lazy import late_module
from memtool.version import VERSION

if TYPE_CHECKING:
    from memtool.cli import failing, session
else:
    failing = late_module("memtool.cli.failing")
    session = late_module("memtool.cli.session")

JOB_COMMANDS = {
    "start": ("memtool.cli.start", "Open a job: back up both modules' reads and look at them."),
    "blank": ("memtool.cli.blank", "Remove the old identity from the donor's image."),
    "check": ("memtool.cli.check", "Check donor, file to program and finished module."),
    "report": ("memtool.cli.report", "Write the customer file."),
}
TOOL_COMMANDS = {
    "desk": ("memtool.cli.desk", "The same job full screen."),
    "inspect": ("memtool.cli.inspect", "Look at one image, or several reads of one chip."),
    "vin": ("memtool.cli.vin", "Check and explain VINs typed by hand."),
    "find": ("memtool.cli.find", "Find an identity in an image, in every stored form."),
    "compare": ("memtool.cli.compare", "Show where two images differ, by region and field."),
    "checksum": ("memtool.cli.checksum", "List, compute, check and discover checksums."),
    "layout": ("memtool.cli.layout", "Check and show layout files."),
    "backup": ("memtool.cli.backup", "Keep, check and restore backups."),
    "convert": ("memtool.cli.convert", "Convert an image to another file format."),
    "job": ("memtool.cli.job", "Show an order's record; add notes and files."),
    "doctor": ("memtool.cli.doctor", "Check the store, file system, versions, optional parts."),
    "completion": ("memtool.cli.completion", "Print shell completion."),
    "demo": ("memtool.cli.demo", "Play an invented job on synthetic images."),
}
_SHOW_UNRAISABLE = sys.unraisablehook
_BETWEEN_COLLECTIONS = 10_000
"""New objects; Python's own number is 700."""


@click.group(
    cls=LateGroup,
    sections={"The job": JOB_COMMANDS, "Tools": TOOL_COMMANDS},
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Try it: benchimage demo",
)
@click.version_option(VERSION, "--version", message="%(prog)s %(version)s")
def benchimage() -> None:
    """Prepare a used control module's memory image for another vehicle; works on files only.

    Reads raw binary, Intel HEX and S-record; never talks to hardware.
    """


def run() -> None:
    """The program: `main`, and the end of the process at once.

    Python would first free every object, which takes a tenth of a short command. Nothing is left
    for it to do: streams are let go of, files closed, and threads that help wait for nothing.
    """
    # A command that only looks makes thousands of objects at its start and hardly any cycles.
    gc.set_threshold(_BETWEEN_COLLECTIONS)
    # numpy starts a thread for each processor to multiply matrices with: nothing here does that.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os._exit(_run_to_the_end(sys.argv[1:]))


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and end the process with the exit status of `docs/commands.md`."""
    sys.exit(_run_to_the_end(list(sys.argv[1:] if arguments is None else arguments)))


def _run_to_the_end(argv: list[str]) -> int:
    sys.unraisablehook = _show_no_late_interrupt
    closed = io.StringIO()
    if sys.stdout is None:
        sys.stdout = closed
    if not argv and session.can_ask() and sys.stdout is not None and sys.stdout.isatty():
        argv = ["desk"]
    options = argv[: argv.index("--")] if "--" in argv else argv
    try:
        status = _run(argv, as_json="--json" in options, debug="--debug" in options)
        status = _say_the_last(status, closed)
    except KeyboardInterrupt:
        # It met the last words of a run that was over.
        drop_pending("stdout")
        drop_pending("stderr")
        status = failing.INTERRUPTED
    return status


def _say_the_last(status: int, closed: io.StringIO) -> int:
    """Let go of what is left to print; the exit status with it.

    Args:
        status: Of the run.
        closed: What went to an output that was closed from the start.
    """
    # Python flushes both streams at its own exit, and ends with 120 if that fails. It must find
    # nothing left to write: what cannot be written is known here, and said by the exit status.
    lost = let_go("stdout")
    if lost is not None:
        # The work is done and on disk, but the answer did not reach its reader.
        failing.say_failure(f"the output could not be written: {lost}.")
        status = status if status > 1 else failing.OUTPUT_LOST
    if closed.getvalue():
        failing.say_failure("the output could not be written: it is closed.")
        status = status if status > 1 else failing.OUTPUT_LOST
    let_go("stderr")
    return status


def _show_no_late_interrupt(raised: sys.UnraisableHookArgs) -> None:
    """Ctrl-C that meets a destructor ends nothing; Python would show its traceback alone.

    Nor does want of memory in one, or in the thread that counts the seconds.
    """
    if not isinstance(raised.exc_value, KeyboardInterrupt | MemoryError):
        _SHOW_UNRAISABLE(raised)


def _run(argv: list[str], *, as_json: bool, debug: bool) -> int:
    color = False if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" else None
    try:
        status = benchimage.main(
            argv, prog_name="benchimage", standalone_mode=False, color=color, obj=tuple(argv)
        )
    except BaseException as error:  # noqa: BLE001 - the last door: every end has its sentence
        return failing.exit_status_of(error, as_json=as_json, debug=debug)
    return status if isinstance(status, int) else 0
