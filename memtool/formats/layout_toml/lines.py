"""On which line of a TOML file each table and key stands: no TOML library tells it.

The text is known to be valid TOML when this scan runs, so it only has to tell apart
headers, keys, strings, comments and brackets. A key inside an inline table or array counts
to the line where the whole value begins.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

KeyPath = tuple[str | int, ...]
"""``("region", 2, "span")``: table names, numbers from 0 in an array of tables, keys."""

DEEPEST = 4
"""Parts of a dotted key, or of a header, at most."""

_BLANK = re.compile(r"[ \t\r\n]*")
_COMMENT = re.compile(r"#[^\n]*")
_KEY_PART = re.compile(
    r"""[ \t]*(?:
        "(?P<basic>(?:[^"\\\n]|\\.)*)"
      | '(?P<literal>[^'\n]*)'
      | (?P<bare>[A-Za-z0-9_-]+)
    )[ \t]*""",
    re.VERBOSE,
)
_KEY_END = re.compile(r"[=,]")
_TOKEN = re.compile(
    r'''
    (?P<skip>
        """(?:[^"\\]|\\.|"(?!""))*"{3,5}   # a text may end in two quotes of its own
      | \'\'\'(?:[^']|'(?!''))*'{3,5}
      | "(?:[^"\\\n]|\\.)*"
      | '[^'\n]*'
      | \#[^\n]*
      | [^"'\#\[\]{}\n]+
    )
    | (?P<open>[\[{])
    | (?P<close>[\]}])
    | (?P<newline>\n)
    ''',
    re.VERBOSE | re.DOTALL,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineIndex:
    """Where things stand."""

    lines: Mapping[KeyPath, int]
    """Line from 1 of each table header and key."""

    def line_of(self, path: KeyPath) -> int:
        """The line of `path` or of the nearest thing around it; 1 where there is none."""
        for length in range(len(path), 0, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                return line
        return 1


def find_deep_key(text: str) -> int | None:
    """Line of the first dotted key with more than `DEEPEST` parts, read or in a header.

    Needs no valid TOML, and takes time in proportion to the text: it comes before the parser,
    which takes the square of a key's parts.
    """
    place = dots = 0
    while (token := _TOKEN.match(text, place)) is not None:
        place = token.end()
        if token.lastgroup != "skip":
            dots = 0
        elif token[0][0] not in "\"'#":
            # A comma or an equals sign ends what may be one key; strings are parts of it.
            *ended, last = _KEY_END.split(token[0])
            counts = [part.count(".") for part in (*ended, last)]
            counts[0] += dots
            if max(counts) >= DEEPEST:
                return text.count("\n", 0, place) + 1
            dots = counts[-1]
    return None


def find_lines(text: str) -> LineIndex:
    """Index every header and key of `text`. Text that is not TOML gives a partial index."""
    return LineIndex(lines=_Scan(text).run())


class _Scan:
    """One pass over the text."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._place = 0
        self._line = 1
        self._counted = 0
        self._counts: dict[KeyPath, int] = {}
        self._lines: dict[KeyPath, int] = {}

    def run(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        while self._skip_to_statement():
            line = self._line_here()
            if self._text[self._place] == "[":
                header = self._header()
                if header is None:
                    break
                table = header
                continue
            key = self._dotted_key()
            if key is None or not self._take("="):
                break
            for length in range(1, len(key) + 1):
                self._lines.setdefault((*table, *key[:length]), line)
            self._skip_value()
        return self._lines

    def _line_here(self) -> int:
        self._line += self._text.count("\n", self._counted, self._place)
        self._counted = self._place
        return self._line

    def _skip_to_statement(self) -> bool:
        """Go past blanks and comments; False at the end of the text."""
        while True:
            blank = _BLANK.match(self._text, self._place)
            assert blank is not None
            self._place = blank.end()
            comment = _COMMENT.match(self._text, self._place)
            if comment is None:
                return self._place < len(self._text)
            self._place = comment.end()

    def _take(self, sign: str) -> bool:
        found = self._text.startswith(sign, self._place)
        self._place += len(sign) if found else 0
        return found

    def _header(self) -> KeyPath | None:
        """The table that a header opens, arrays of tables counted."""
        is_array = self._take("[[")
        if not is_array:
            self._take("[")
        key = self._dotted_key()
        if key is None or not self._take("]]" if is_array else "]"):
            return None
        path: KeyPath = ()
        for index, part in enumerate(key):
            path = (*path, part)
            self._lines.setdefault(path, self._line_here())
            if is_array and index == len(key) - 1:
                self._counts[path] = self._counts.get(path, -1) + 1
            if path in self._counts:
                path = (*path, self._counts[path])
                self._lines.setdefault(path, self._line_here())
        return path

    def _dotted_key(self) -> list[str] | None:
        parts: list[str] = []
        while True:
            match = _KEY_PART.match(self._text, self._place)
            if match is None:
                return None
            self._place = match.end()
            basic = match["basic"]
            if len(parts) < DEEPEST:
                parts.append(_unescape(basic) if basic is not None else match[match.lastgroup or 0])
            if not self._take("."):
                return parts

    def _skip_value(self) -> None:
        """Go to the end of the line on which the value ends."""
        depth = 0
        while True:
            token = _TOKEN.match(self._text, self._place)
            if token is None:
                self._place = len(self._text)
                return
            self._place = token.end()
            depth += {"open": 1, "close": -1}.get(token.lastgroup or "", 0)
            if token.lastgroup == "newline" and depth <= 0:
                return


_ESCAPE = re.compile(r"\\(?:u([0-9a-fA-F]{4})|U([0-9a-fA-F]{8})|(.))")
_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def _unescape(text: str) -> str:
    """A quoted key as TOML means it."""

    def meant(match: re.Match[str]) -> str:
        code = match[1] or match[2]
        if code is None:
            return _ESCAPED.get(match[3], match[3])
        return chr(min(int(code, 16), 0x10FFFF))

    return _ESCAPE.sub(meant, text)
