"""The command ``poredepth``: the group of commands, and what happens when something is wrong.

Exit codes: 0 ok, 1 a check failed, 2 usage, 3 input, 4 output.
"""

from __future__ import annotations

import sys
import warnings

import typer

from poredepth.cli import check, compose, demo, export, inspect, patch, preview
from poredepth.errors import PoredepthError, PoredepthWarning
from poredepth.version import __version__

app = typer.Typer(
    name="poredepth",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Compose skin micro relief onto a head mesh: one YAML recipe becomes one calibrated displacement map.",
    epilog="height_mm = (value - mid) * scale_mm.  Example: poredepth demo -o out",
)
for command in (compose, preview, export, inspect, check, demo):
    app.command(name=command.NAME, help=command.HELP)(command.command)
app.add_typer(patch.app)


def _show_version(value: bool) -> None:
    if value:
        typer.echo(f"poredepth {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: bool = typer.Option(
        False, "--version", callback=_show_version, is_eager=True, help="Print the version and exit."
    ),
) -> None:
    pass


def run() -> None:
    """Run the command line; bad input ends with one message and an exit code, never a traceback."""
    warnings.showwarning = _show_warning
    warnings.simplefilter("always", PoredepthWarning)
    try:
        app()
    except PoredepthError as error:
        typer.echo(f"error: {error}", err=True)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        typer.echo("stopped", err=True)
        sys.exit(130)


def _show_warning(message, category, filename, lineno, file=None, line=None) -> None:
    if issubclass(category, PoredepthWarning):
        typer.echo(f"warning: {message}", err=True)
    elif not sys.warnoptions:
        return
    else:
        sys.stderr.write(warnings.formatwarning(message, category, filename, lineno, line))


if __name__ == "__main__":
    run()
