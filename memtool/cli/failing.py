"""How a run ends that did not end well: one sentence on stderr, and the exit status."""

from __future__ import annotations

import errno
import io
import os
import sys
from contextlib import suppress

import click

from memtool.cli.shared import fitted
from memtool.cli.streams import drop_pending, reason_of
from memtool.errors import InputError, MemtoolError, StoreError
from memtool.lazy import json, traceback
from memtool.render.words import safe_text

INTERRUPTED = 130
BUG = 70
OUTPUT_LOST = 5
"""The work is done, but what there was to say did not reach its reader."""

_NO_NAME = frozenset({errno.ENAMETOOLONG, errno.EINVAL, errno.ELOOP})


def exit_status_of(raised: BaseException, *, as_json: bool, debug: bool) -> int:
    """Say how the run ended, and return its exit status of `docs/commands.md`.

    Args:
        raised: What ended it, being handled now.
        as_json: Whether a script asked for one document on stdout.
        debug: Whether the traceback is to be shown.
    """
    try:
        raise raised
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
        drop_pending("stdout")
        sys.stdout = io.StringIO()
        return OUTPUT_LOST
    except OSError as error:
        if not _came_from_output(error):
            if error.strerror is None:
                return _report_bug(error, as_json=as_json, debug=debug)
            return _report_refused(error, as_json=as_json, debug=debug)
        drop_pending("stdout")
        drop_pending("stderr")
        sys.stdout = io.StringIO()
        say_failure(f"the output could not be written: {reason_of(error)}.")
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


def _came_from_output(error: OSError) -> bool:
    """Whether printing failed (a full disk, a closed terminal), and not the work itself."""
    place = error.__traceback__
    while place is not None:
        if place.tb_frame.f_code is click.echo.__code__:
            return True
        place = place.tb_next
    return False


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
        say_failure(safe_text(f"{error.file or 'input'}{place}: {fault.text}."))
    hidden = error.fault_count - len(error.faults)
    if hidden > 0:
        say_failure(f"… and {hidden} more faults.")


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
    say_failure(sentence)
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


def say_failure(sentence: str) -> None:
    """The sentence on stderr, behind the program's name."""
    # Where stderr is closed or full, the exit status has to say it alone.
    with suppress(OSError):
        click.echo(fitted(f"benchimage: {sentence}"), err=True)
