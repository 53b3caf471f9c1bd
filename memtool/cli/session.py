"""Asking the person at the terminal."""

from __future__ import annotations

import sys

import click

from memtool.cli.shared import fitted


def can_ask() -> bool:
    """Whether a person sits at a terminal."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def ask(question: str, *, default: str | None = None, hide: bool = False) -> str:
    """Ask the person at the terminal; the question goes to stderr."""
    if default == "":
        question += " (Enter to skip)"
    answer = click.prompt(
        fitted(question), default=default, hide_input=hide, err=True, show_default=bool(default)
    )
    return str(answer).strip()
