"""The command group: finds commands late, turns errors into sentences and exit status."""

from __future__ import annotations

import errno
import io
import json
import os
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress
from typing import Literal, TextIO

import click

from memtool.cli.late import LateGroup
from memtool.cli.session import can_ask
from memtool.cli.shared import fitted
from memtool.errors import InputError, MemtoolError, StoreError
from memtool.render.words import safe_text
from memtool.version import VERSION

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
INTERRUPTED = 130
BUG = 70
OUTPUT_LOST = 5
"""The work is done, but what there was to say did not reach its reader."""

_SHOW_UNRAISABLE = sys.unraisablehook
_NO_NAME = frozenset({errno.ENAMETOOLONG, errno.EINVAL, errno.ELOOP})


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


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and end the process with the exit status of `docs/commands.md`."""
    sys.unraisablehook = _show_no_late_interrupt
    closed = io.StringIO()
    if sys.stdout is None:
        sys.stdout = closed
    argv = list(sys.argv[1:] if arguments is None else arguments)
    if not argv and can_ask() and sys.stdout is not None and sys.stdout.isatty():
        argv = ["desk"]
    options = argv[: argv.index("--")] if "--" in argv else argv
    try:
        status = _run(argv, as_json="--json" in options, debug="--debug" in options)
        status = _say_the_last(status, closed)
    except KeyboardInterrupt:
        # It met the last words of a run that was over.
        _drop_pending("stdout")
        _drop_pending("stderr")
        status = INTERRUPTED
    sys.exit(status)


def _say_the_last(status: int, closed: io.StringIO) -> int:
    """Let go of what is left to print; the exit status with it.

    Args:
        status: Of the run.
        closed: What went to an output that was closed from the start.
    """
    # Python flushes both streams at its own exit, and ends with 120 if that fails. It must find
    # nothing left to write: what cannot be written is known here, and said by the exit status.
    lost = _let_go("stdout")
    if lost is not None:
        # The work is done and on disk, but the answer did not reach its reader.
        _say(f"the output could not be written: {lost}.")
        status = status if status > 1 else OUTPUT_LOST
    if closed.getvalue():
        _say("the output could not be written: it is closed.")
        status = status if status > 1 else OUTPUT_LOST
    _let_go("stderr")
    return status


def _let_go(name: Literal["stdout", "stderr"]) -> str | None:
    """Flush a stream for the last time; return why that failed, or None."""
    stream: TextIO | None = getattr(sys, name)
    try:
        if stream is not None:
            stream.flush()
    except (OSError, ValueError) as error:
        _drop_pending(name)
        if name == "stdout" or getattr(sys, name) is stream:
            setattr(sys, name, io.StringIO())
        return _reason_of(error)
    return None


def _drop_pending(name: Literal["stdout", "stderr"]) -> None:
    """Forget what a stream could not write.

    Its buffer keeps those bytes: they would come out behind the next sentence, or fail again.
    """
    stream: TextIO | None = getattr(sys, name)
    raw = getattr(getattr(stream, "buffer", None), "raw", None)
    # Python opens its own streams so that closing them leaves the descriptor open.
    if stream is None or not isinstance(raw, io.FileIO) or raw.closefd:
        return
    descriptor = raw.fileno()
    raw.close()
    fresh: TextIO = io.StringIO()
    with suppress(OSError):
        fresh = open(  # noqa: SIM115 - it stays open to the end of the process
            descriptor, "w", encoding=stream.encoding, errors=stream.errors, closefd=False
        )
    setattr(sys, name, fresh)


def _reason_of(error: OSError | ValueError) -> str:
    """Why a stream could not be written; not every such error has a text of the system's own."""
    return (error.strerror if isinstance(error, OSError) else None) or "it was written only in part"


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
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.ctx.get_help() if error.ctx else error.message, err=True)
        return error.exit_code
    except click.UsageError as error:
        command = error.ctx.command_path if error.ctx else "benchimage"
        message = f"{safe_text(error.format_message())} See '{command} --help'."
        return _report(message, exit_status=2, code="usage", as_json=as_json)
    except click.ClickException as error:
        return _report(
            safe_text(error.format_message()), exit_status=2, code="usage", as_json=as_json
        )
    except (KeyboardInterrupt, click.Abort):
        return _report("interrupted.", exit_status=INTERRUPTED, code="interrupted", as_json=as_json)
    except MemtoolError as error:
        if debug:
            _say_trace()
        return _report_error(error, as_json=as_json)
    except (BrokenPipeError, SystemExit):
        # The reader of the pipe is gone; click ends the process for it.
        _drop_pending("stdout")
        sys.stdout = io.StringIO()
        return OUTPUT_LOST
    except OSError as error:
        if not _came_from_output(error):
            if error.strerror is None:
                return _report_bug(error, as_json=as_json, debug=debug)
            return _report_refused(error, as_json=as_json, debug=debug)
        _drop_pending("stdout")
        _drop_pending("stderr")
        sys.stdout = io.StringIO()
        _say(f"the output could not be written: {_reason_of(error)}.")
        return OUTPUT_LOST
    except (MemoryError, SystemError):
        # Python's own parser, which the pages' templates go through, ends with a SystemError where
        # it has no memory left to say so.
        return _report(
            "there is not enough memory for this; close other programs, or give smaller inputs.",
            exit_status=InputError.exit_status,
            code="out-of-memory",
            as_json=as_json,
        )
    except Exception as error:  # noqa: BLE001 - the last door: a bug of ours must still end in a sentence
        return _report_bug(error, as_json=as_json, debug=debug)
    return status if isinstance(status, int) else 0


def _came_from_output(error: OSError) -> bool:
    """Whether printing failed (a full disk, a closed terminal), and not the work itself."""
    frames = traceback.walk_tb(error.__traceback__)
    return any(frame.f_code is click.echo.__code__ for frame, _ in frames)


def _report_bug(error: Exception, *, as_json: bool, debug: bool) -> int:
    if debug:
        _say_trace()
    message = (
        f"internal error in benchimage ({type(error).__name__}), not caused by your files. Run "
        "the command again with --debug and report what it prints, without customer data."
    )
    return _report(message, exit_status=BUG, code="bug", as_json=as_json)


def _say_trace() -> None:
    """The traceback; its lines hold names of files and texts from inside them."""
    for line in traceback.format_exc().splitlines():
        with suppress(OSError):
            click.echo(safe_text(line), err=True)


def _report_refused(error: OSError, *, as_json: bool, debug: bool) -> int:
    """The system said no in a place that has no sentence of its own for it."""
    if debug:
        _say_trace()
    file = None if error.filename is None else os.fsdecode(error.filename)
    message = f"the system refused this: {error.strerror}"
    is_no_name = file is not None and error.errno in _NO_NAME
    return _report(
        safe_text(f"{f'{file}: ' if file else ''}{message}; check the path and the medium."),
        exit_status=2 if is_no_name else StoreError.exit_status,
        code="usage" if is_no_name else "system-refused",
        as_json=as_json,
        file=file,
        next_step="check the path and the medium",
        message_only=message,
    )


def _report_error(error: MemtoolError, *, as_json: bool) -> int:
    status = _report(
        safe_text(str(error)),
        exit_status=error.exit_status,
        code=error.code,
        as_json=as_json,
        file=error.file,
        line=error.line,
        address=error.address,
        next_step=error.next_step,
        message_only=error.message,
    )
    if isinstance(error, InputError):
        _say_further_faults(error)
    return status


def _say_further_faults(error: InputError) -> None:
    """The error's own sentence is about the first fault; the others follow, a line each."""
    for fault in error.faults[1:]:
        place = "" if fault.line is None else f":{fault.line}"
        _say(safe_text(f"{error.file or 'input'}{place}: {fault.text}."))
    hidden = error.fault_count - len(error.faults)
    if hidden > 0:
        _say(f"… and {hidden} more faults.")


def _report(
    sentence: str,
    *,
    exit_status: int,
    code: str,
    as_json: bool,
    file: str | None = None,
    line: int | None = None,
    address: int | None = None,
    next_step: str | None = None,
    message_only: str | None = None,
) -> int:
    """The sentence on stderr and, for scripts, the error document on stdout."""
    _say(sentence)
    if as_json:
        document = {
            "schema": "benchimage.error/1",
            "exit": exit_status,
            "code": code,
            "message": message_only if message_only is not None else sentence,
            "file": file,
            "line": line,
            "address": address,
            "next": next_step,
        }
        click.echo(json.dumps(document, indent=2))
    return exit_status


def _say(sentence: str) -> None:
    # Where stderr is closed or full, the exit status has to say it alone.
    with suppress(OSError):
        click.echo(fitted(f"benchimage: {sentence}"), err=True)
