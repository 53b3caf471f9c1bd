"""Every sentence that a person can see is held to the register of words.

The exceptions are the old sentences that still stand somewhere, with the files. The list may
only get shorter: a sentence that went must leave it.
"""

from __future__ import annotations

import ast
import re
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from memtool.core.finding import Verdict
from memtool.render.values import verdict_words

ROOT = Path(__file__).parent.parent
REGISTER = tomllib.loads((ROOT / "tests" / "register_of_words.toml").read_text(encoding="utf-8"))
EXCEPTIONS: dict[str, list[str]] = tomllib.loads(
    (ROOT / "tests" / "words_still_said.toml").read_text(encoding="utf-8")
)
OLD = [row["not"] for row in REGISTER["sentence"]]
_BLANKS = re.compile(r"\s+")


def _texts_of_code(path: Path) -> str:
    """Every text of a module that can be printed: literals, and what help is made of."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    texts = [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    return "\n".join(texts)


@cache
def said() -> dict[str, str]:
    """What each file says to people, blanks folded."""
    found = {path: _texts_of_code(path) for path in (ROOT / "memtool").rglob("*.py")}
    pages = [*(ROOT / "docs").glob("*.md"), ROOT / "README.md"]
    pages += [*(ROOT / "memtool").rglob("*.j2"), *(ROOT / "memtool").rglob("*.typ")]
    pages += (ROOT / "memtool").rglob("*.js")
    found |= {path: path.read_text(encoding="utf-8") for path in pages}
    return {
        path.relative_to(ROOT).as_posix(): _BLANKS.sub(" ", text) for path, text in found.items()
    }


def files_that_say(sentence: str) -> list[str]:
    folded = _BLANKS.sub(" ", sentence)
    return sorted(path for path, text in said().items() if folded in text)


def test_there_is_something_to_look_at() -> None:
    assert len(said()) > 150
    assert len(OLD) > 70


@pytest.mark.parametrize("sentence", OLD)
def test_an_old_sentence_stands_only_where_it_is_known_to(sentence: str) -> None:
    assert set(files_that_say(sentence)) <= set(EXCEPTIONS.get(sentence, [])), sentence


def test_every_exception_is_of_the_register_and_still_stands() -> None:
    assert set(EXCEPTIONS) <= set(OLD)
    assert [sentence for sentence in EXCEPTIONS if not files_that_say(sentence)] == []


@pytest.mark.parametrize("word", REGISTER["never"])
def test_a_word_that_is_never_said_stands_nowhere(word: str) -> None:
    pattern = re.compile(rf"\b{re.escape(word)}\b", re.IGNORECASE)
    assert [path for path, text in said().items() if pattern.search(text)] == []


_VIEWS = ("render/text", "render/page", "cli", "desk")
"""Where labels, heads and cells stand; JSON has its own words."""
_NOT_SAID = frozenset(
    {
        "memtool/cli/job.py",
        "memtool/cli/job_decide.py",
        "memtool/desk/job.py",
        "memtool/desk/steps.py",
    }
)
"""They name the command ``job decide``."""


@cache
def whole_texts() -> dict[str, set[str]]:
    """Each text of a view that stands by itself, in small letters without its punctuation."""
    found: dict[str, set[str]] = {}
    for view in _VIEWS:
        for path in (ROOT / "memtool" / view).rglob("*.py"):
            name = path.relative_to(ROOT).as_posix()
            texts = _texts_of_code(path).splitlines()
            found[name] = {text.strip(" .:").lower() for text in texts} - {""}
    return found


@pytest.mark.parametrize("row", REGISTER["word"], ids=lambda row: row["idea"])
def test_one_idea_has_one_word_in_every_view(row: dict[str, Any]) -> None:
    assert len(whole_texts()) > 80
    others = set(row["instead_of"])
    said_otherwise = {name for name, texts in whole_texts().items() if texts & others}
    assert said_otherwise <= _NOT_SAID


def test_the_views_word_no_result_themselves() -> None:
    """Each asks `render/values.py`; only JSON has the name of a result as it is."""
    assert verdict_words(Verdict.DECIDE) == "you decide"
    for view in ("render/text", "render/page"):
        for path in (ROOT / "memtool" / view).rglob("*.py"):
            for line in path.read_text(encoding="utf-8").splitlines():
                assert not re.search(r"Cell\([^)]*\.(result|verdict)\.value", line), path
                assert not re.search(r"name_words\([^)]*(result|verdict)\b", line), path
