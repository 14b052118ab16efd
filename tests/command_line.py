"""The command line, run by tests: in a process of its own, or inside this one, which is faster."""

from __future__ import annotations

import contextlib
import io
import subprocess
import sys
import warnings

from poredepth.cli.main import run


def run_process(*words, cwd):
    """``python -m poredepth`` with these words, in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "poredepth", *map(str, words)], cwd=cwd, capture_output=True, text=True, timeout=300
    )


def run_here(*words, cwd):
    """The same inside this process; what `run` lets through is raised here, so a traceback is a failed test."""
    out, err, before = io.StringIO(), io.StringIO(), sys.argv
    sys.argv, code = ["poredepth", *map(str, words)], 0
    try:
        with contextlib.ExitStack() as inside:
            inside.enter_context(contextlib.chdir(cwd))
            inside.enter_context(contextlib.redirect_stdout(out))
            inside.enter_context(contextlib.redirect_stderr(err))
            inside.enter_context(warnings.catch_warnings())
            run()
    except SystemExit as end:
        code = end.code or 0
    finally:
        sys.argv = before
    return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())
