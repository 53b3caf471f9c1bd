"""Standard output and error at the end of a run: what is left in them is let go of."""

from __future__ import annotations

import io
import sys
from contextlib import suppress
from typing import Literal, TextIO


def let_go(name: Literal["stdout", "stderr"]) -> str | None:
    """Flush a stream for the last time; return why that failed, or None."""
    stream: TextIO | None = getattr(sys, name)
    try:
        if stream is not None:
            stream.flush()
    except (OSError, ValueError) as error:
        drop_pending(name)
        if name == "stdout" or getattr(sys, name) is stream:
            setattr(sys, name, io.StringIO())
        return reason_of(error)
    return None


def drop_pending(name: Literal["stdout", "stderr"]) -> None:
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


def reason_of(error: OSError | ValueError) -> str:
    """Why a stream could not be written; not every such error has a text of the system's own."""
    return (error.strerror if isinstance(error, OSError) else None) or "it was written only in part"
