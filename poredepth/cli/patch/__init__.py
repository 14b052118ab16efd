"""``poredepth patch``: patches out of pictures, and out of numbers."""

from __future__ import annotations

import typer

from poredepth.cli.patch import prepare, synthesise

app = typer.Typer(
    name="patch",
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Make a patch: out of a height picture (prepare), or out of numbers (synthesise).",
)
for command in (prepare, synthesise):
    app.command(name=command.NAME, help=command.HELP)(command.command)
