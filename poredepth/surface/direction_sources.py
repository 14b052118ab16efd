"""From the ``directions`` of a recipe to pulls on the field, one for each entry."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath

import numpy as np

from poredepth.errors import RegionError
from poredepth.patch.angles import AnglePicture
from poredepth.recipe.model_skin import DirectionSpec
from poredepth.recipe.presets import TENSION_LANDMARKS
from poredepth.surface.locate import SkinPoint, snapped_points
from poredepth.surface.pulls import Pull, around_pull, form_pull, guide_pull, map_pull
from poredepth.surface.skin import Surface
from poredepth.surface.tension_lines import tension_lines_mm

#: What is told of an entry that pulls on no triangle, by kind.
_NOWHERE = {
    "map": "the map asks for a direction nowhere on the skin; allowed: a picture in a UV tile that holds charts, with "
    "alpha above 0 there; check the name (<UDIM> for several tiles) and the alpha",
    "around": "radius_mm ends within one triangle of the mesh; allowed: a radius larger than the triangles there; give "
    "a larger one",
    "preset": "none of its lines comes near the skin; allowed: landmarks where their names say; check their places",
}

#: Tension lines are left out where they lie farther from the skin than this share of nasion to chin.
STRAY_SHARE = 0.1


@dataclass(frozen=True)
class DirectionInputs:
    """What directions need of the rest of the recipe.

    Attributes
    ----------
    lines : name -> polylines (n, 3) in mesh units
    angles : name, which may hold <UDIM> -> painted angles by UV tile
    landmarks : points (3,) by name, in mesh units
    """

    lines: Callable[[str], list[np.ndarray]]
    angles: Callable[[str], Mapping[int, AnglePicture]]
    landmarks: Mapping[str, Sequence[float]] = field(default_factory=dict)


def build_pulls(
    surface: Surface, specs: Sequence[DirectionSpec], inputs: DirectionInputs, form: Surface | None = None
) -> list[Pull]:
    """What each entry of ``directions`` asks of the field, in the order of the recipe.

    Parameters
    ----------
    inputs : see `DirectionInputs`
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
        pull = _pull(surface, f"directions[{i}]", spec, inputs)
        if not (pull.weight > 0).any():
            raise RegionError(f"directions[{i}]: {_NOWHERE[spec.kind]}")
        pulls.append(pull)
    return pulls


def _pull(surface: Surface, label: str, spec: DirectionSpec, inputs: DirectionInputs) -> Pull:
    how = {"strength": spec.strength, "reach_mm": spec.reach_mm}
    if spec.map is not None:
        return map_pull(surface, inputs.angles(spec.map), **how)
    if spec.around is not None:
        point = _skin_point(surface, f"{label}.around", spec.around)
        return around_pull(surface, point, spec.radius_mm, spec.way, **how)
    if spec.preset is not None:
        return _tension_pull(surface, label, inputs.landmarks, **how)
    return guide_pull(surface, _lines_mm(surface, label, spec, inputs), **how)


def _tension_pull(surface: Surface, label: str, landmarks: Mapping[str, Sequence[float]], **how) -> Pull:
    """Pull of the relaxed skin tension lines; what of them lies off the skin (no neck, no scalp) is left out."""
    missing = [name for name in TENSION_LANDMARKS if name not in landmarks]
    if missing:  # a recipe from a file was told before
        raise RegionError(
            f"{label}.preset: tension_lines lacks {', '.join(missing)}; allowed: a recipe with all of its landmarks"
        )
    for name in TENSION_LANDMARKS:
        _skin_point(surface, f"{label}.preset: landmark {name}", landmarks[name])
    at_mm = {name: surface.mm_per_unit * np.asarray(landmarks[name], float) for name in TENSION_LANDMARKS}
    lines = [(f"{label}: {name}", line) for name, line in tension_lines_mm(at_mm).items()]
    stray_mm = STRAY_SHARE * float(np.linalg.norm(at_mm["nasion"] - at_mm["chin"]))
    return guide_pull(surface, lines, stray_mm=stray_mm, **how)


def _skin_point(surface: Surface, label: str, point: Sequence[float]) -> SkinPoint:
    """Nearest skin point of a point in mesh units."""
    [found] = snapped_points(surface, np.asarray(point, float)[None] * surface.mm_per_unit, [label])
    return found


def _lines_mm(
    surface: Surface, label: str, spec: DirectionSpec, inputs: DirectionInputs
) -> list[tuple[str, np.ndarray]]:
    """Guide lines of one entry, each with what findings call it."""
    if spec.points is not None:
        return [(label, np.asarray(spec.points, float) * surface.mm_per_unit)]
    lines = inputs.lines(spec.file)
    name = PurePosixPath(spec.file).name
    return [
        (f"{label}: polyline {number} of {len(lines)} in {name}", line * surface.mm_per_unit)
        for number, line in enumerate(lines, 1)
    ]
