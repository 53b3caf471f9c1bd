"""Collects everything that is wrong with a layout file, each with its line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set

from memtool.core.near import suggest
from memtool.errors import Fault, LayoutError
from memtool.formats.layout_toml.lines import KeyPath, LineIndex

SHOWN_FAULTS = 20
"""More are counted, not listed."""
_SUGGESTIONS = 200
"""Comparing names takes time; a file of a hundred thousand wrong keys must not take minutes."""

_LINE_ENDS = "\n\r\v\f\x1c\x1d\x1e\x85\u2028\u2029"
_IN_ONE_LINE = str.maketrans({end: end.encode("unicode_escape").decode() for end in _LINE_ENDS})


class FaultBook:
    """The faults of one file, in any order while they are found."""

    def __init__(self, lines: LineIndex) -> None:
        self._lines = lines
        self._faults: list[Fault] = []
        self._keys: dict[KeyPath, set[str | int]] = {}

    def __len__(self) -> int:
        return len(self._faults)

    def add(self, path: KeyPath, code: str, text: str) -> None:
        """Note a fault at the line of `path`; `text` is a sentence without full stop.

        What the file says in it may hold line ends; they are written as TOML writes them.
        """
        text = text.translate(_IN_ONE_LINE)
        self._faults.append(Fault(code=code, text=text, line=self._lines.line_of(path)))
        for depth, key in enumerate(path):
            self._keys.setdefault(path[:depth], set()).add(key)

    def keys_under(self, path: KeyPath) -> Set[str | int]:
        """The keys of the table at `path` that some fault is about."""
        return self._keys.get(path, frozenset())

    def suggest(self, text: str, names: Iterable[str]) -> str:
        """`` (did you mean 'kind'?)`` to go behind the wrong word, or nothing."""
        return "" if len(self._faults) > _SUGGESTIONS else suggest(text, names)

    def line_of(self, path: KeyPath) -> int:
        """The line of `path`, for a sentence that names a second place."""
        return self._lines.line_of(path)

    def require_none(self) -> None:
        """Raise what was found, sorted by line.

        Raises:
            LayoutError: at least one fault was noted.
        """
        if not self._faults:
            return
        ordered = sorted(self._faults, key=lambda fault: fault.line or 0)
        raise layout_error(ordered)


def layout_error(faults: Sequence[Fault]) -> LayoutError:
    """One error from all faults of a file; the first is its sentence."""
    first = faults[0]
    return LayoutError(
        first.text,
        code=first.code,
        faults=faults[:SHOWN_FAULTS],
        fault_count=len(faults),
        line=first.line,
        next_step="correct the layout and check it again with 'benchimage layout check'",
    )
