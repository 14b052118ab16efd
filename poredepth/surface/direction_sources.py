"""From the ``directions`` of a recipe to pulls on the field, one for each entry."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

import numpy as np

from poredepth.recipe.model import DirectionSpec
from poredepth.surface.pulls import Pull, guide_pull
from poredepth.surface.skin import Surface


@dataclass(frozen=True)
class DirectionFiles:
    """How the files that directions name are read.

    Attributes
    ----------
    lines : name -> polylines (n, 3) in mesh units
    """

    lines: Callable[[str], list[np.ndarray]]


def build_pulls(surface: Surface, specs: Sequence[DirectionSpec], files: DirectionFiles) -> list[Pull]:
    """What each entry of ``directions`` asks of the field, in the order of the recipe.

    Raises
    ------
    RegionError : an entry that lies far from the skin, or is nowhere on it; it is named as ``directions[i]``
    MeshError : a guide file that cannot be read
    """
    return [_pull(surface, f"directions[{i}]", spec, files) for i, spec in enumerate(specs)]


def _pull(surface: Surface, label: str, spec: DirectionSpec, files: DirectionFiles) -> Pull:
    return guide_pull(surface, _lines_mm(surface, label, spec, files), strength=spec.strength, reach_mm=spec.reach_mm)


def _lines_mm(surface: Surface, label: str, spec: DirectionSpec, files: DirectionFiles) -> list[tuple[str, np.ndarray]]:
    """Guide lines of one entry, each with what findings call it."""
    if spec.points is not None:
        return [(label, np.asarray(spec.points, float) * surface.mm_per_unit)]
    lines = files.lines(spec.file)
    name = PurePosixPath(spec.file).name
    return [
        (f"{label}: polyline {number} of {len(lines)} in {name}", line * surface.mm_per_unit)
        for number, line in enumerate(lines, 1)
    ]
