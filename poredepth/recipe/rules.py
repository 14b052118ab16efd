"""Rules between the keys of one mapping: which keys go together, which exclude each other.

They are plain functions on a mapping, because they run twice: on the file's own keys (so that every broken rule is
found even where a value is wrong as well) and inside the models (so that Python users get the same checks).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

DIRECTION_SOURCES = ("points", "file", "map", "around", "curvature", "preset")
AROUND_ONLY = ("radius_mm", "way")
REGION_SOURCES = ("group", "mask", "center", "part", "union", "intersect", "subtract")
REGION_SETS = ("union", "intersect", "subtract")
LAYER_SOURCES = ("map", "patch", "patches")
VARY_SOURCES = ("ramp", "map")
THIN_SOURCES = ("deeper_than_um", "curvature_over_per_mm")
#: Keys of thin_where that go with one of its sources only.
THIN_KEYS = {
    "softness_um": "deeper_than_um",
    "softness_per_mm": "curvature_over_per_mm",
    "form": "curvature_over_per_mm",
}
BANDS = ("coarse", "middle", "fine")
BANDS_DEFAULT_MM = {"coarse_mm": 2.5, "fine_mm": 0.8}
CUTOFFS = tuple(BANDS_DEFAULT_MM)
#: Ways of combining that may be rounded by smooth_um.
SMOOTH_COMBINES = ("deepest", "highest")
MAP_ONLY = ("scale_mm", "mid", "invert")
#: Keys of a layer with a patch, and for which ways of laying it they are.
PLACE_KEYS = {
    "print_mm": ("scatter",),
    "overlap_mm": ("scatter",),
    "turn_deg": ("scatter",),
    "size": ("scatter", "spread"),
    "along_ratio": ("scatter", "spread"),
    "across_ratio": ("scatter", "spread"),
    "phase_mm": ("spread",),
    "tie_points": ("registered",),
    "feather_mm": ("registered",),
    "mirror": ("registered",),
}
PLACES = ("scatter", "spread", "registered")
PATCH_ONLY = ("place", *PLACE_KEYS)


#: How files of each kind may be packed, without loss.
COMPRESSIONS = {"exr": ("zip", "zips", "piz", "rle", "none"), "tiff": ("zip", "none"), "png": ("zip",)}


@dataclass(frozen=True)
class Broken:
    """One broken rule.

    Attributes
    ----------
    key : the key the rule is about; None for the mapping as a whole
    found, allowed : the two halves of the message
    missing : keys that would have satisfied the rule, where it broke because none of them is there
    point : whether the key is what is wrong, or its value
    """

    key: str | None
    found: str
    allowed: str
    missing: tuple[str, ...] = ()
    point: Literal["key", "value"] = "key"


def direction_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of one entry of ``directions``."""
    broken = _exactly_one(data, DIRECTION_SOURCES)
    if data.get("curvature") is False:
        broken.append(Broken("curvature", "found false", "true (leave the entry out to do without)", point="value"))
    if "curvature" in data and "reach_mm" in data:
        broken.append(_not_with("reach_mm", "curvature", "not with curvature, which pulls everywhere"))
    if "around" in data:
        if "radius_mm" not in data:
            broken.append(_needs("radius_mm", "a number above 0, in mm, beside around"))
        if "way" not in data:
            broken.append(_needs("way", "rays or rings, beside around"))
        return broken
    others = [key for key in DIRECTION_SOURCES if key in data]
    alone = [key for key in AROUND_ONLY if key in data]
    if alone and not others:
        return [_needs("around", f"a point [x, y, z] or a landmark, beside {alone[0]}")]
    return broken + [_not_with(key, others[0], "only beside around") for key in alone]


def region_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of one region."""
    if "radius_mm" in data and "center" not in data:
        others = [key for key in REGION_SOURCES if key in data]
        if not others:
            return [_needs("center", "a center [x, y, z] beside radius_mm")]
        return [*_exactly_one(data, REGION_SOURCES), _not_with("radius_mm", others[0], "only beside center")]
    broken = _exactly_one(data, REGION_SOURCES)
    if "center" in data and "radius_mm" not in data:
        broken.append(_needs("radius_mm", "a number above 0, in mm, beside center"))
    sets = [key for key in REGION_SETS if key in data]
    if "feather_mm" in data and sets:
        broken.append(
            _not_with("feather_mm", sets[0], "only with group, mask, center or part (feather the regions named)")
        )
    return broken


def patch_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of one patch, with what its patch file says put in."""
    meanings = {
        "texel_um": "a number above 0, in um: the width of one pixel on the skin",
        "height_um": "a number above 0, in um: the height of one full unit of the picture's value",
    }
    beside = "; or a patch file beside the picture (NAME.patch.yaml), as poredepth patch makes"
    return [_needs(key, allowed + beside) for key, allowed in meanings.items() if key not in data]


def layer_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of one layer."""
    return _source_rules(data) + _smooth_rule(data)


def _source_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of what is laid, and how."""
    broken = _exactly_one(data, LAYER_SOURCES)
    if broken:
        return broken
    if "map" in data:
        broken = [_not_with(key, "map", "only in a layer with patch") for key in PATCH_ONLY if key in data]
        if "scale_mm" not in data:
            broken.append(_needs("scale_mm", "a number above 0, in mm: the height of one full unit of the map"))
        return broken + _vary_size_rule(data, "beside map")
    source = "patch" if "patch" in data else "patches"
    broken = [
        _not_with(key, source, "only in a layer with map (the patch has its own calibration)")
        for key in MAP_ONLY
        if key in data
    ]
    if "place" not in data:
        return [*broken, _needs("place", ", ".join(PLACES))]
    return broken + _place_rules(data) + _overlap_rule(data)


def _place_rules(data: Mapping[str, Any]) -> list[Broken]:
    place = data["place"]
    broken = [
        Broken(key, f"found with place: {place}", f"only with place: {' or '.join(places)}")
        for key, places in PLACE_KEYS.items()
        if place in PLACES and place not in places and key in data
    ]
    if place in PLACES and place != "scatter":
        if "patches" in data:
            broken.append(Broken("patches", f"found with place: {place}", "only with place: scatter; give one patch"))
        broken += _vary_size_rule(data, f"with place: {place}")
    if place == "scatter" and "print_mm" not in data:
        broken.append(_needs("print_mm", "a number of at least 1, in mm: the diameter of one print"))
    if place == "spread" and "region" not in data:
        broken.append(_needs("region", "the name of a region: one sheet does not fit a whole head"))
    if place == "registered" and "tie_points" not in data:
        broken.append(_needs("tie_points", "a list of at least three tie points {px: [x, y], at: [x, y, z]}"))
    return broken


def _vary_size_rule(data: Mapping[str, Any], where: str) -> list[Broken]:
    vary = data.get("vary")
    size = vary.get("size") if isinstance(vary, Mapping) else getattr(vary, "size", None)
    return [] if size is None else [Broken("vary", f"found size in it {where}", "size only with place: scatter")]


def vary_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of what a gain or size varies by."""
    broken = _exactly_one(data, VARY_SOURCES)
    if "map" not in data:
        broken += [_not_with(key, "ramp", "only beside map") for key in ("black", "white") if key in data]
    return broken


def _overlap_rule(data: Mapping[str, Any]) -> list[Broken]:
    overlap_mm, print_mm = data.get("overlap_mm"), data.get("print_mm")
    if not (_is_number(overlap_mm) and _is_number(print_mm) and overlap_mm > print_mm >= 1):
        return []
    return [Broken("overlap_mm", f"found {overlap_mm}", f"at most print_mm, which is {print_mm}", point="value")]


def _smooth_rule(data: Mapping[str, Any]) -> list[Broken]:
    combine = data.get("combine")
    if "smooth_um" not in data or not (combine is None or combine in ("add", "replace")):
        return []
    allowed = f"only with combine: {' or '.join(SMOOTH_COMBINES)}"
    return [Broken("smooth_um", f"found with combine: {combine or 'add'}", allowed)]


def gain_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of a gain that is a mapping of bands."""
    return _not_empty(data, BANDS)


def bands_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of ``bands``; what is left out is its default."""
    return order_of_cutoffs(data, BANDS_DEFAULT_MM, "by default")


def cutoffs_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of the cutoffs of a layer, as far as they do not need those of the recipe."""
    return _not_empty(data, CUTOFFS) + order_of_cutoffs(data, {}, "")


def order_of_cutoffs(data: Mapping[str, Any], others: Mapping[str, Any], whose: str) -> list[Broken]:
    """Whether fine_mm is below coarse_mm.

    Parameters
    ----------
    data : the mapping with the cutoffs; those that are no number above 0 are findings of their own
    others : what stands for those left out
    whose : words that say where ``others`` come from
    """
    values = {key: data.get(key, others.get(key)) for key in CUTOFFS}
    coarse_mm, fine_mm = values.values()
    if not (_is_number(coarse_mm) and _is_number(fine_mm) and coarse_mm > 0 and fine_mm > 0 and fine_mm >= coarse_mm):
        return []
    wrong, other, side = ("fine_mm", "coarse_mm", "below") if "fine_mm" in data else ("coarse_mm", "fine_mm", "above")
    told = f"{values[other]} {whose}" if other not in data else values[other]
    return [Broken(wrong, f"found {values[wrong]}", f"{side} {other}, which is {told}", point="value")]


def output_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of ``output``."""
    broken, format = [], data.get("format", "exr-float")
    if format == "exr-half" and _is_number(data.get("mid")) and data["mid"] != 0:
        allowed = "0 for exr-half, because halves are finest about 0 and coarse about 0.5; leave it out"
        broken.append(Broken("mid", f"found {data['mid']}", allowed, point="value"))
    packing = COMPRESSIONS.get(str(format).split("-")[0], ())
    if packing and data.get("compression") in COMPRESSIONS["exr"] and data["compression"] not in packing:
        allowed = f"{' or '.join(packing)} for {format}"
        broken.append(Broken("compression", f"found '{data['compression']}'", allowed, point="value"))
    if "scene_unit" in data and "scene_unit_mm" in data:
        broken.append(Broken("scene_unit_mm", "found it beside scene_unit", "one of the two"))
    return broken


def thin_rules(data: Mapping[str, Any]) -> list[Broken]:
    """Broken rules of where a layer thins out."""
    broken = _exactly_one(data, THIN_SOURCES)
    if broken:
        return broken
    source = next(key for key in THIN_SOURCES if key in data)
    return [
        _not_with(key, source, f"only beside {needed}")
        for key, needed in THIN_KEYS.items()
        if key in data and needed != source
    ]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9


def _exactly_one(data: Mapping[str, Any], keys: tuple[str, ...]) -> list[Broken]:
    present = [key for key in data if key in keys]  # in the order of the file: the first one stands
    allowed = f"exactly one of {', '.join(keys)}"
    if not present:
        return [Broken(None, f"none of {', '.join(keys)}", allowed, missing=keys)]
    return [Broken(key, f"found beside {present[0]}", allowed) for key in present[1:]]


def _not_empty(data: Mapping[str, Any], keys: tuple[str, ...]) -> list[Broken]:
    names = ", ".join(keys)
    return [] if data else [Broken(None, f"none of {names}", f"at least one of {names}", missing=keys)]


def _needs(key: str, allowed: str) -> Broken:
    return Broken(key, "missing", allowed, missing=(key,))


def _not_with(key: str, other: str, allowed: str) -> Broken:
    return Broken(key, f"found beside {other}", allowed)
