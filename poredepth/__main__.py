"""``python -m poredepth`` is the command ``poredepth``."""

from poredepth.cli.main import run

run()
