"""What the benchmarks share: clocks, memory, the demo at a size, and the line that says what ran where."""

from __future__ import annotations

import os
import platform
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # meshes.py and recipes.py of the tests

from poredepth import load_recipe  # noqa: E402
from poredepth.demo import demo_recipe_file  # noqa: E402
from poredepth.recipe import Recipe  # noqa: E402

N_THREADS = 2


class PeakMemory:
    """Largest anonymous and resident memory of this process, MiB, sampled every 20 ms.

    Anonymous is what a program must have; pages of memory-mapped files count as resident, but the system may drop them.
    """

    def __init__(self):
        self.anonymous_mib = self.resident_mib = self.since_mib = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> PeakMemory:
        self._thread.start()
        return self

    def __exit__(self, *_) -> None:
        self._stop.set()
        self._thread.join()

    def since_last(self) -> float:
        """Largest anonymous memory since this was last asked, MiB."""
        largest, self.since_mib = self.since_mib, 0.0
        return largest

    def _watch(self) -> None:
        while not self._stop.wait(0.02):
            rows = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
            anonymous_mib = int(rows["RssAnon"].split()[0]) / 1024
            self.since_mib = max(self.since_mib, anonymous_mib)
            self.anonymous_mib = max(self.anonymous_mib, anonymous_mib)
            self.resident_mib = max(self.resident_mib, int(rows["VmRSS"].split()[0]) / 1024)


@dataclass(frozen=True)
class Spent:
    """Seconds on the clock, and seconds of processor time over all threads of this process.

    On a machine with other work the clock also counts waiting; processor time hardly does: its ratios are steadier.
    """

    clock_s: float
    cpu_s: float

    def __add__(self, other: Spent) -> Spent:
        return Spent(self.clock_s + other.clock_s, self.cpu_s + other.cpu_s)

    def __truediv__(self, other: Spent) -> tuple[float, float]:
        return self.clock_s / other.clock_s, self.cpu_s / max(other.cpu_s, 1e-9)


def now() -> Spent:
    return Spent(time.perf_counter(), time.process_time())


def since(began: Spent) -> Spent:
    end = now()
    return Spent(end.clock_s - began.clock_s, end.cpu_s - began.cpu_s)


def clocked(work: Callable[[], object]) -> Spent:
    """One run."""
    began = now()
    work()
    return since(began)


def process_spent(command: Sequence[str], **keys) -> Spent:
    """One run of another program, its output thrown away; processor time is that of the program (0 on Windows)."""
    before, began = os.times(), time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, **keys)
    clock_s, after = time.perf_counter() - began, os.times()
    ours, theirs = (one.children_user + one.children_system for one in (before, after))
    return Spent(clock_s, theirs - ours)


def median_of(runs: Sequence[Spent]) -> Spent:
    return Spent(statistics.median(r.clock_s for r in runs), statistics.median(r.cpu_s for r in runs))


def median_spent(work: Callable[[], object], repeats: int = 3) -> Spent:
    """Median of some runs after one that does not count."""
    work()
    return median_of([clocked(work) for _ in range(repeats)])


def side_by_side(works: dict[str, Callable[[], object]], repeats: int = 3) -> dict[str, Spent]:
    """Medians of each piece of work, in turns so that a busy machine slows all alike; the first turn does not count."""
    runs: dict[str, list[Spent]] = {name: [] for name in works}
    for turn in range(repeats + 1):
        for name, work in works.items():
            once = clocked(work)
            if turn:
                runs[name].append(once)
    return {name: median_of(values) for name, values in runs.items()}


class Stages:
    """Progress that adds up what stages take: each lasts from its first word to the first of the next."""

    def __init__(self):
        self.spent: dict[str, Spent] = {}
        self._stage: str | None = None
        self._began = now()

    def __call__(self, stage: str | None, done: int = 0, total: int = 0) -> None:
        if stage == self._stage:
            return
        if self._stage is not None:
            self.spent[self._stage] = self.spent.get(self._stage, Spent(0.0, 0.0)) + since(self._began)
        self._stage, self._began = stage, now()


def on_threads(work: Callable, items, n_threads: int = N_THREADS) -> list:
    """Work on items, so many at once; results in order."""
    with ThreadPoolExecutor(n_threads) as pool:
        return list(pool.map(work, items))


def demo_recipe(size_px: int) -> Recipe:
    recipe = load_recipe(demo_recipe_file())
    return recipe.model_copy(update={"output": recipe.output.model_copy(update={"size_px": size_px})})


def print_setting() -> None:
    """Date, machine, load and versions: what a figure is worth nothing without."""
    names = ("poredepth", "numpy", "scipy", "numba", "OpenEXR", "opencv-python-headless")
    found = []
    for name in names:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    load = f", load before the run {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"{date.today()}, Python {platform.python_version()}, {os.cpu_count()} cores{load}; {', '.join(found)}")


def print_heads(left: str = "by the clock", right: str = "by processor time") -> None:
    print(f"  {'':<58}{left:>16}{right:>20}")


def print_rows(rows: Sequence[tuple[str, float | tuple[float, float], str]]) -> None:
    """Rows of (what, figure or (by the clock, by processor time), unit), in columns."""
    for what, figure, unit in rows:
        pair = figure if isinstance(figure, tuple) else (figure,)
        cells = "".join(f"{value:>{width},.2f}" for value, width in zip(pair, (16, 20), strict=False))
        print(f"  {what:<58}{cells} {unit}")


def seconds_row(what: str, spent: Spent) -> tuple[str, tuple[float, float], str]:
    return what, (spent.clock_s, spent.cpu_s), "s"


def rate_row(what: str, count: float, spent: Spent, unit: str = "M texel/s") -> tuple[str, tuple[float, float], str]:
    """Millions a second by the clock, and a second of one core."""
    return what, (count / spent.clock_s / 1e6, count / max(spent.cpu_s, 1e-9) / 1e6), unit
