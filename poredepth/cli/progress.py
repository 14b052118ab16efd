"""Progress on the terminal: a bar where there is one, otherwise a line per stage."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

STAGES = {
    "mesh": "reading the mesh",
    "patches": "reading patches",
    "directions": "finding the direction of the skin",
    "regions": "finding regions",
    "layers": "laying patches",
    "seams": "making seams even",
    "compose": "composing",
    "write": "writing",
    "split": "splitting into displacement and normals",
    "derive normal": "deriving normals",
    "derive normal-object": "deriving normals in object space",
    "derive curvature": "deriving curvature",
    "derive slopes": "deriving slopes",
    "derive added-roughness": "deriving added roughness",
    "derive cavity": "deriving cavity",
    "derive occlusion": "deriving occlusion",
    "documents": "writing documents",
    "displace": "displacing the mesh",
    "bands": "splitting bands",
    "flatten": "laying the region flat",
    "heights": "reading heights",
    "repeats": "looking for repeats",
    "read": "reading the picture",
    "clean": "cleaning",
    "form": "taking the form off",
    "turn": "finding the lay",
    "tile": "making it tile",
    "synthesise": "making relief",
    "measure": "measuring",
    "patch": "writing the patch",
    "sheet": "drawing the sheet",
    "check": "reading the maps",
    "texels": "working out what is meant",
    "checksums": "comparing checksums",
    "preview": "rendering the preview",
    "picture": "rendering the head",
}


@contextmanager
def shown_progress() -> Iterator[Callable[[str, int, int], None]]:
    """A function (stage, done, total) to hand to the library; what it says goes to standard error."""
    if sys.stderr.isatty():
        with _bar() as update:
            yield update
    else:
        yield _lines()


@contextmanager
def _bar() -> Iterator[Callable[[str, int, int], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = TextColumn("{task.description:<34}"), BarColumn(bar_width=30), TimeElapsedColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("starting", total=1)

        def update(stage: str, done: int, total: int) -> None:
            progress.update(task, description=STAGES.get(stage, stage), completed=done, total=max(total, 1))

        yield update


def _lines() -> Callable[[str, int, int], None]:
    said: set[str] = set()

    def update(stage: str, done: int, total: int) -> None:
        if stage not in said:
            said.add(stage)
            print(STAGES.get(stage, stage), file=sys.stderr, flush=True)

    return update
