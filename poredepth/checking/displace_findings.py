"""What is wrong with a displaced mesh, cause before consequence, a sentence each."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from poredepth.checking.obtained import DisplaceMeasure, place_text, um_text
from poredepth.checking.rendered import own_unit_mm
from poredepth.output.calibration import CODE_MAX
from poredepth.output.metadata import MapMetadata
from poredepth.units import MM_PER_UNIT, UM_PER_MM, UNITS

#: A mean shift above this, and above so many of its standard errors, is told.
MOST_SHIFT_MM, SHIFT_ERRORS = 1e-4, 5.0
#: Heights obtained may be off by so many times the error of reading.
MOST_READING_RATIO = 1.1
#: Standard errors by which few points may mistake a root mean square.
CHANCE = 3.0
#: Heights so many times as high as meant, or low, are told.
MOST_GAIN = 1.02
#: A factor this near to a power of ten, or of 25.4, is a mistaken unit.
_UNIT_SLACK = 0.03
#: Below this correlation heights are not the relief; a turn that mends it must reach it.
LEAST_CORRELATION = 0.9
#: Surfaces of areas this different are told.
MOST_AREA_RATIO = 1.02
#: Texels on the skin this different from what the metadata say are told.
MOST_TEXEL_RATIO = 1.5
#: Mids that programs take for granted.
_USUAL_MIDS = {"0": 0.0, "0.5": 0.5, "32768/65535": 32768 / CODE_MAX, "32767/65535": 32767 / CODE_MAX}


@dataclass(frozen=True)
class Facts:
    """What findings look at besides the measure.

    Attributes
    ----------
    metadata : of each tile
    recipe_unit, recipe_subdivide : of the recipe's mesh; None without a composition
    turned_correlation : with the relief, if the picture's lie on the UVs were mended so (see `rendered.TURNS`)
    quantum_mm : error of rounding to the file's numbers, root mean square
    """

    metadata: Mapping[int, MapMetadata]
    recipe_unit: str | None
    recipe_subdivide: int | None
    turned_correlation: Mapping[str, float]
    quantum_mm: float


def findings(m: DisplaceMeasure, facts: Facts) -> list[str]:
    """All findings of a measure; none: a renderer obtains the relief that is meant."""
    found = []
    if m.zero_mm != 0:
        found.append(
            f"a map of zero height moves the mesh by {um_text(m.zero_mm)} um: the file can hold no value of zero "
            "height; its mid must be a number of its kind, code / 65535 in 16 bits"
        )
    if m.unread_ratio > 0:
        found.append(
            f"{100 * m.unread_ratio:.2g} % of the skin with UVs lies in tiles of which there is no map, and stays "
            "where it is; give the maps of all tiles"
        )
    found += _units(m, facts)
    if m.vertices is not None:
        found += _heights(m, facts)
    found += _seams(m, facts)
    if m.n_folded:
        found.append(
            f"{m.n_folded} of {m.n_looked_at} small triangles are folded over, one at {place_text(m.folded_at)}: "
            "either heights rise too steeply for the surface to follow, or the mesh has slivers whose normals point "
            "away from them; lower the gain of the deepest layer there, or repair the mesh"
        )
    return found


# ---- units


def _units(m: DisplaceMeasure, facts: Facts) -> list[str]:
    found = []
    for tile, known in facts.metadata.items():
        scale_mm = known.scale * own_unit_mm(known)
        if not math.isclose(scale_mm, known.scale_mm, rel_tol=1e-9):
            found.append(
                f"tile {tile}: the scale of {known.scale:g} {known.unit} is {scale_mm:g} mm, but scale_mm says "
                f"{known.scale_mm:g}: {_times(scale_mm / known.scale_mm)} as much; one of them was changed"
            )
    if facts.recipe_unit is None:
        return found + _unlike_texels(m, facts)
    if facts.recipe_unit != m.unit:
        factor = MM_PER_UNIT[facts.recipe_unit] / MM_PER_UNIT[m.unit]
        found.append(
            f"the scene takes the mesh's numbers for {m.unit}, the recipe has them in {facts.recipe_unit}: heights are "
            f"{_times(factor)} as high on the head as they should; give unit {facts.recipe_unit}"
        )
    return found


def _unlike_texels(m: DisplaceMeasure, facts: Facts) -> list[str]:
    """Without a recipe, the size of texels tells whether the mesh has the size the map was made for."""
    told_um = next((known.texel_um for known in facts.metadata.values() if known.texel_um), None)
    factor = UM_PER_MM * m.texel_mm / told_um if told_um else 1.0
    if 1 / MOST_TEXEL_RATIO < factor < MOST_TEXEL_RATIO:
        return []
    unit = _unit_for(m.unit, factor)
    cause = f"the mesh is in {unit}, not {m.unit}" if unit else "this is not the mesh the map was made for"
    return [
        f"texels are {um_text(m.texel_mm)} um on this mesh, {told_um:.3g} um by the metadata, {_times(factor)} as "
        f"large: {cause}"
    ]


def _times(factor: float) -> str:
    return f"{factor:.4g} times"


def _is_unit_factor(factor: float) -> bool:
    if factor <= 0:
        return False
    inch = math.log10(25.4)
    ways = [math.log10(factor) + shift for shift in (0.0, inch, -inch)]
    return any(abs(way - round(way)) < math.log10(1 + _UNIT_SLACK) for way in ways)


def _unit_for(unit: str, factor: float) -> str | None:
    """The unit in which lengths are ``factor`` times smaller, nearly; texels of a subdivided mesh are not the same."""
    for other in UNITS:
        if abs(math.log(MM_PER_UNIT[unit] / MM_PER_UNIT[other] / factor)) < math.log(1.25):
            return other
    return None


# ---- heights


def _heights(m: DisplaceMeasure, facts: Facts) -> list[str]:
    found = []
    if not 1 / MOST_AREA_RATIO < m.area_ratio < MOST_AREA_RATIO:
        found.append(
            f"the surface displaced has {m.area_ratio:.3g} times the area of the recipe's skin and lies "
            f"{m.apart_rms_mm:.2g} mm from it (rms), with {m.subdivide} Catmull-Clark steps here and "
            f"{facts.recipe_subdivide} in the recipe: set the recipe's mesh: subdivide to what the renderer does"
        )
    # with another unit everything else is wrong too, and would only hide the cause
    if facts.recipe_unit == m.unit:
        wrong = _wrong_heights(m, facts) or _too_coarse(m)
        found += [wrong] if wrong else []
    return found


def _wrong_heights(m: DisplaceMeasure, facts: Facts) -> str | None:
    """The one cause that explains most: a picture laid wrong, a factor, a shift, or plain error."""
    if m.correlation < LEAST_CORRELATION:
        return _unlike_relief(m, facts)
    if not 1 / MOST_GAIN < m.gain < MOST_GAIN:
        unit = "; a unit is mistaken" if _is_unit_factor(m.gain) else ""
        return f"heights are {_times(m.gain)} as high as meant{unit}: check scale and unit of the metadata"
    if abs(m.mean_shift_mm) > max(MOST_SHIFT_MM, SHIFT_ERRORS * m.mean_shift_error_mm):
        return _shifted(m, facts)
    allowed_mm = math.hypot(MOST_READING_RATIO * m.reading.rms_mm, facts.quantum_mm)
    if m.vertices.rms_mm > allowed_mm + CHANCE * math.hypot(m.vertices.rms_error_mm, m.reading.rms_error_mm):
        ratio = m.vertices.rms_mm / max(m.reading.rms_mm, 1e-12)
        return (
            f"heights are off by {um_text(m.vertices.rms_mm)} um rms, {ratio:.2f} times what reading a map of this "
            f"size costs ({um_text(m.reading.rms_mm)} um), most at {place_text(m.vertices.worst_at)}: the files are "
            "not the maps of this recipe, were filtered or repacked, or charts lie on each other in UV"
        )
    return None


def _too_coarse(m: DisplaceMeasure) -> str | None:
    """Edges longer than the map's texel that cost more than reading the map does."""
    if m.edge_mm <= 1.01 * m.texel_mm or m.rays.rms_mm <= MOST_READING_RATIO * m.reading.rms_mm:
        return None
    ratio = m.rays.rms_mm / max(m.reading.rms_mm, 1e-12)
    return (
        f"edges of {um_text(m.edge_mm)} um lose relief between vertices: heights along normals are off by "
        f"{um_text(m.rays.rms_mm)} um rms, {ratio:.2f} times what reading the map costs; cut to edges of the map's "
        f"texel, {um_text(m.texel_mm)} um, or half of it"
    )


def _unlike_relief(m: DisplaceMeasure, facts: Facts) -> str:
    if m.correlation < -LEAST_CORRELATION:
        return f"heights have the wrong sign ({_times(m.gain)} as high as meant): what should go in comes out"
    turn, best = max(facts.turned_correlation.items(), key=lambda item: item[1], default=("", 0.0))
    if best >= LEAST_CORRELATION:
        return (
            f"heights fit the relief as if {turn} (correlation {best:.3f} once that is mended, {m.correlation:.3f} "
            "as it is): row 0 of the picture must lie at v = 1, column 0 at u = 0"
        )
    return (
        f"heights are not the relief of this recipe (correlation {m.correlation:.3f}): check that files, mesh and "
        "recipe belong together"
    )


def _shifted(m: DisplaceMeasure, facts: Facts) -> str:
    known = next(iter(facts.metadata.values()))
    scale_mm = known.scale * own_unit_mm(known)
    share = m.mean_shift_mm / scale_mm
    text = f"all heights are shifted by {UM_PER_MM * m.mean_shift_mm:+.4g} um ({share:+.4g} of scale)"
    # the value that would be zero height, were the shift mended
    mid = known.mid + share
    near = min(_USUAL_MIDS, key=lambda name: abs(_USUAL_MIDS[name] - mid))
    slack = SHIFT_ERRORS * m.mean_shift_error_mm / scale_mm + 1e-6
    if abs(_USUAL_MIDS[near] - mid) <= slack and abs(_USUAL_MIDS[near] - known.mid) > slack:
        return f"{text}: zero height is {near} in the file, but {known.mid:g} is taken off; decode with mid {near}"
    return f"{text}: values were changed after the map was written (a colour transform, another mid)"


# ---- seams


def _seams(m: DisplaceMeasure, facts: Facts) -> list[str]:
    if m.reading is not None:
        limit_mm, what = MOST_READING_RATIO * m.reading.rms_mm, "what reading a map of this size costs"
    else:
        limit_mm, what = m.neighbours_rms_mm, "the step from a texel to the next"
    # rounding to codes may open cracks of its own
    if m.n_seam_points == 0 or m.seams.rms_mm <= max(math.hypot(limit_mm, 2 * facts.quantum_mm), MOST_SHIFT_MM):
        return []
    one, other = ("none" if math.isnan(uv[0]) else f"{uv[0]:.5f} {uv[1]:.5f}" for uv in m.seam_worst_uv)
    return [
        f"seams crack by {um_text(m.seams.rms_mm)} um rms, more than {what} ({um_text(limit_mm)} um); the widest, "
        f"{um_text(m.seams.worst_mm)} um, at {place_text(m.seams.worst_at)}, uv {one} and {other}: compose with a "
        "gutter of 2 texels or more and seams: eased, and let nothing cut the map along its charts"
    ]
