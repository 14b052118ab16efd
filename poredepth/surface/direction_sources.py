"""From the ``directions`` of a recipe to pulls on the field, one for each entry."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

import numpy as np

from poredepth.errors import RegionError
from poredepth.patch.angles import AnglePicture
from poredepth.recipe.model import DirectionSpec
from poredepth.surface.locate import SkinPoint, nearest_skin_points
from poredepth.surface.pulls import Pull, around_pull, form_pull, guide_pull, map_pull, snap_limit_mm
from poredepth.surface.skin import Surface

#: What is told of an entry that pulls on no triangle, by kind.
_NOWHERE = {
    "map": "the map asks for a direction nowhere on the skin; allowed: a picture in a UV tile that holds charts, with "
    "alpha above 0 there; check the name (<UDIM> for several tiles) and the alpha",
    "around": "radius_mm ends within one triangle of the mesh; allowed: a radius larger than the triangles there; give "
    "a larger one",
}


@dataclass(frozen=True)
class DirectionFiles:
    """How the files that directions name are read.

    Attributes
    ----------
    lines : name -> polylines (n, 3) in mesh units
    angles : name, which may hold <UDIM> -> painted angles by UV tile
    """

    lines: Callable[[str], list[np.ndarray]]
    angles: Callable[[str], Mapping[int, AnglePicture]]


def build_pulls(
    surface: Surface, specs: Sequence[DirectionSpec], files: DirectionFiles, form: Surface | None = None
) -> list[Pull]:
    """What each entry of ``directions`` asks of the field, in the order of the recipe.

    Parameters
    ----------
    files : see `DirectionFiles`
    form : the skin that ``surface`` was split from; None: it was not split

    Raises
    ------
    RegionError : an entry that lies far from the skin, or is nowhere on it; it is named as ``directions[i]``
    MeshError, PatchError : a guide file, or a painted map, that cannot be read
    """
    pulls = []
    for i, spec in enumerate(specs):
        if spec.kind == "curvature":
            pulls.append(form_pull(surface, surface if form is None else form, strength=spec.strength))
            continue
        pull = _pull(surface, f"directions[{i}]", spec, files)
        if not (pull.weight > 0).any():
            raise RegionError(f"directions[{i}]: {_NOWHERE[spec.kind]}")
        pulls.append(pull)
    return pulls


def _pull(surface: Surface, label: str, spec: DirectionSpec, files: DirectionFiles) -> Pull:
    how = {"strength": spec.strength, "reach_mm": spec.reach_mm}
    if spec.map is not None:
        return map_pull(surface, files.angles(spec.map), **how)
    if spec.around is not None:
        point = _skin_point(surface, f"{label}.around", spec.around)
        return around_pull(surface, point, spec.radius_mm, spec.way, **how)
    return guide_pull(surface, _lines_mm(surface, label, spec, files), **how)


def _skin_point(surface: Surface, label: str, point: Sequence[float]) -> SkinPoint:
    """Nearest skin point of a point in mesh units."""
    found = nearest_skin_points(surface, np.asarray(point, float) * surface.mm_per_unit)[0]
    limit_mm = snap_limit_mm(surface)
    if found.snapped_mm > limit_mm:
        raise RegionError(
            f"{label}: {[float(x) for x in point]} is {found.snapped_mm:.1f} mm from the skin; allowed: up to "
            f"{limit_mm:.1f} mm; the point is in the mesh file's unit: check the unit and the coordinates"
        )
    return found


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
