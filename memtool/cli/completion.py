"""`benchimage completion`: the script that lets a shell complete commands and options."""

from __future__ import annotations

import sys

import click
from click.shell_completion import ShellComplete, get_completion_class

from memtool.cli.shared import say_next
from memtool.render.text.next_steps import NextStep

_INSTALL = {
    "bash": NextStep(
        text="add this line to ~/.bashrc",
        commands=('eval "$(benchimage completion bash)"',),
    ),
    "zsh": NextStep(
        text="add this line to ~/.zshrc",
        commands=('eval "$(benchimage completion zsh)"',),
    ),
    "fish": NextStep(
        text="let fish find the script",
        commands=("benchimage completion fish > ~/.config/fish/completions/benchimage.fish",),
    ),
    "powershell": NextStep(
        text="add this line to $PROFILE",
        commands=("benchimage completion powershell | Out-String | Invoke-Expression",),
    ),
}
"""How each shell takes the script."""


@click.command(
    epilog="""Examples:

\b
  bash, in ~/.bashrc:      eval "$(benchimage completion bash)"
  zsh, in ~/.zshrc:        eval "$(benchimage completion zsh)"
  fish, once:              benchimage completion fish \\
                             > ~/.config/fish/completions/benchimage.fish
  PowerShell, in $PROFILE: benchimage completion powershell \\
                             | Out-String | Invoke-Expression

bash needs version 4.4 or newer.""",
)
@click.argument("shell", type=click.Choice(list(_INSTALL)))
@click.pass_context
def command(context: click.Context, shell: str) -> int:
    """Print the completion script of a shell.

    The script asks benchimage itself, so it stays right when the program is updated.
    """
    completer = get_completion_class(shell)
    assert completer is not None
    root = context.find_root()
    script = completer(root.command, {}, "benchimage", "_BENCHIMAGE_COMPLETE")
    # The base method: bash's own would start the bash of this machine to ask its version.
    click.echo(ShellComplete.source(script))
    if sys.stdout.isatty():
        # Only for a person: in ~/.bashrc a note would appear at every start of a shell.
        say_next(_INSTALL[shell])
    return 0
