"""A command group that imports a command's module only when that command is used."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from memtool.lazy import late_module

if TYPE_CHECKING:
    from click import shell_completion

    from memtool.core import near
else:
    shell_completion = late_module("click.shell_completion")
    near = late_module("memtool.core.near")

Section = Mapping[str, tuple[str, str]]
"""Name of a command: module with a ``command``, and its line in the help."""


class LateGroup(click.Group):
    """Commands come from tables, so that help and completion import none of them."""

    def __init__(self, *arguments: Any, sections: Mapping[str, Section], **options: Any) -> None:
        """Take the tables.

        Args:
            *arguments: As `click.Group` takes them.
            sections: Title in the help: its commands, in the order shown.
            **options: As `click.Group` takes them.
        """
        super().__init__(*arguments, **options)
        self._sections = sections
        self._table = {
            name: place for section in sections.values() for name, place in section.items()
        }

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names, in the order of the help."""
        return list(self._table)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command's module now; None for a name that is not in the tables."""
        if cmd_name not in self._table:
            return None
        # Before the command can use up memory or files: what says how it ended.
        importlib.import_module("memtool.cli.failing")
        command = importlib.import_module(self._table[cmd_name][0]).command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, but a slip is answered with the nearest names."""
        name = args[0]
        if name not in self._table and not name.startswith("-") and not ctx.resilient_parsing:
            raise click.UsageError(
                f"no such command '{name}'{near.suggest(name, self._table)}.", ctx
            )
        return super().resolve_command(ctx, args)

    def shell_complete(
        self, ctx: click.Context, incomplete: str
    ) -> list[shell_completion.CompletionItem[str]]:
        """From the tables: a press of the tab key must not import every command."""
        names = [
            shell_completion.CompletionItem(name, help=text)
            for name, (_, text) in self._table.items()
            if name.startswith(incomplete)
        ]
        return names + click.Command.shell_complete(self, ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """One list a section."""
        for title, section in self._sections.items():
            with formatter.section(title):
                formatter.write_dl([(name, text) for name, (_, text) in section.items()])
