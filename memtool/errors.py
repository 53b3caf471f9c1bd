"""Every error a user can cause or meet, each with the exit status it ends the process with.

An error holds facts as attributes and makes its one sentence from them: where, what is
wrong, what to do next. Only the command line catches `MemtoolError`; `ValueError` always
means a mistake of the calling code, never of a file.

| class                | exit | meaning                                                 |
|----------------------|------|---------------------------------------------------------|
| `UsageError`         | 2    | wrong usage, or an answer missing where nobody is asked |
| `RefusalError`       | 3    | a guard said no; nothing was written                    |
| `InputError` family  | 4    | an input is not what it claims to be                    |
| `StoreError`         | 5    | the store or a write failed or is damaged               |
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, NamedTuple


class Fault(NamedTuple):
    """One thing that is wrong in an input, with its place."""

    code: str
    """Stable, lower-case, hyphenated: ``record-checksum``, ``overlap``."""
    text: str
    """What is wrong, as a sentence without the place and without a full stop."""
    line: int | None = None
    """Line of the file, from 1."""
    column: int | None = None
    """Character of the line, from 1."""
    address: int | None = None
    """Memory address the fault is about."""
    expected: str | None = None
    found: str | None = None


class MemtoolError(Exception):
    """Base of all errors; see the module's table."""

    exit_status: ClassVar[int] = 70

    def __init__(
        self,
        message: str,
        *,
        code: str,
        next_step: str | None = None,
        file: str | None = None,
        line: int | None = None,
        address: int | None = None,
    ) -> None:
        """Keep the facts.

        Args:
            message: What is wrong, without file and line, without a full stop.
            code: Stable name of the error for scripts.
            next_step: What the person can do now, without a full stop.
            file: Path as the user named it.
            line: Line of that file, from 1.
            address: Memory address.
        """
        super().__init__(message)
        self.message = message
        self.code = code
        self.next_step = next_step
        self.file = file
        self.line = line
        self.address = address

    def __str__(self) -> str:
        place = ""
        if self.file is not None:
            place = self.file if self.line is None else f"{self.file}:{self.line}"
            place += ": "
        step = "" if self.next_step is None else f"; {self.next_step}"
        return f"{place}{self.message}{step}."


class UsageError(MemtoolError):
    """The command was called in a way that cannot work, or an answer is missing."""

    exit_status = 2


class RefusalError(MemtoolError):
    """A rule said no and nothing was written. `code` is the rule's name."""

    exit_status = 3


class InputError(MemtoolError):
    """An input is not what it claims to be. Carries every fault that was found."""

    exit_status = 4

    def __init__(
        self,
        message: str,
        *,
        code: str,
        faults: Sequence[Fault] = (),
        fault_count: int | None = None,
        next_step: str | None = None,
        file: str | None = None,
        line: int | None = None,
        address: int | None = None,
    ) -> None:
        """Keep the facts; `fault_count` is the true number where `faults` was cut."""
        super().__init__(
            message, code=code, next_step=next_step, file=file, line=line, address=address
        )
        self.faults = tuple(faults)
        self.fault_count = len(self.faults) if fault_count is None else fault_count


class ImageFormatError(InputError):
    """A file is not a sound raw, Intel HEX or S-record image."""


class LayoutError(InputError):
    """A layout file is not valid."""


class JournalError(InputError):
    """A job's journal is broken: not JSON lines, or its hash chain does not hold."""


class StoreError(MemtoolError):
    """Backup store or written file: failed, changed or damaged."""

    exit_status = 5
