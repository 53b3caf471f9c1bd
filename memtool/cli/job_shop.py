"""``benchimage job shop``: who the shop is, for the reports of all jobs."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import PATH
from memtool.core.report.photo import check_picture
from memtool.core.report.report import ShopProfile
from memtool.errors import InputError
from memtool.render.json.as_json import document
from memtool.render.text import terminal
from memtool.render.text.next_steps import NextStep
from memtool.render.text.report_view import find_logo_problem
from memtool.store.reading import compute_sha256, read_file
from memtool.store.shop import default_shop_folder, keep_shop, read_shop


@click.command(
    "shop",
    epilog="""\b
Examples:
  benchimage job shop --name 'Amsel Auto Electrics' --address '4 Mill Lane' --logo logo.png
  benchimage job shop
""",
)
@click.option("--name", help="The shop's name.")
@click.option("--address", multiple=True, metavar="LINE", help="A line of the address; repeatable.")
@click.option("--logo", type=PATH, help="A PNG or JPEG picture.")
@click.option("--no-logo", is_flag=True, help="Leave the logo out from now on.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    name: str | None,
    address: tuple[str, ...],
    logo: Path | None,
    no_logo: bool,
    as_json: bool,
) -> int:
    """Say who the shop is: it stands on page one of every report. Without options: show it.

    What is not given stays as it was.
    """
    folder = default_shop_folder()
    profile = read_shop(folder)
    if name is not None or address or logo is not None or no_logo:
        before = profile or ShopProfile(name="")
        picture = None if no_logo else before.logo
        profile = ShopProfile(
            name=before.name if name is None else name,
            address=address or before.address,
            logo=picture if logo is None else _read_logo(logo),
        )
        keep_shop(folder, profile)
    if as_json:
        print_json(
            document(
                "job-shop",
                name=profile.name if profile else None,
                address=list(profile.address) if profile else [],
                logo_sha256=compute_sha256(profile.logo) if profile and profile.logo else None,
                folder=str(folder),
            )
        )
        return 0
    if profile is None:
        say("Nothing is said of the shop yet.")
        command = "benchimage job shop --name TEXT --address LINE"
        say_next(NextStep(text="say whose name stands on the reports", commands=(command,)))
        return 0
    width = terminal.terminal_width()
    rows = [("name", profile.name), *(("address", line) for line in profile.address)]
    rows.append(("logo", "yes" if profile.logo else "none"))
    problem = find_logo_problem(profile)
    say("\n".join(terminal.labelled(label, text, width=width) for label, text in rows))
    if problem is not None:
        note(problem)
    say_next(
        NextStep(
            text="write the customer file of a job, in its folder", commands=("benchimage report",)
        )
    )
    return 0


def _read_logo(path: Path) -> bytes:
    data = read_file(path).data
    found = check_picture(data)
    if isinstance(found, str):
        raise InputError(
            f"the logo cannot be shown: {found}",
            code="logo",
            file=str(path),
            next_step="give a PNG or JPEG picture",
        )
    return data
