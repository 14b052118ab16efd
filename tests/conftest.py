"""Tests run in two processes (pyproject.toml); ``-s`` shows what they print, which only a single process can."""

from __future__ import annotations

import pytest


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    if config.option.capture == "no":
        config.option.numprocesses = 0
