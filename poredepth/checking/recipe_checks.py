"""Are these the maps of a recipe: made from it as it is now, at their size, and all of them?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from poredepth.checking.file_checks import Subject
from poredepth.checking.report import Finding
from poredepth.checking.stated import Stated
from poredepth.pipeline import Composition
from poredepth.recipe import Recipe, recipe_hash
from poredepth.recipe.model import OutputSpec
from poredepth.surface.metric import median_texel_mm

#: The stated size of a texel may be off by this share.
TEXEL_SHARE = 1e-3


@dataclass(frozen=True)
class Origin:
    """How a map was written: the recipe's output with what a command was given instead; None: by another recipe."""

    output: OutputSpec | None
    recipe_hash: str


def origin(recipe: Recipe, stated: Stated) -> Origin:
    """Find the output keys with which the recipe has the hash that a map states.

    The hash takes in the output, and commands replace some of its keys: the size, the format, units.
    """
    files = recipe.file is not None
    first = None
    for output in _outputs(recipe.output, stated):
        found = recipe_hash(recipe.model_copy(update={"output": output}), files=files)
        first = first or found
        if found == stated["recipe_hash"]:
            return Origin(output, found)
    return Origin(None, first or recipe_hash(recipe, files=files))


def _outputs(own: OutputSpec, stated: Stated) -> Iterator[OutputSpec]:
    """The recipe's output as it may have been changed, the likeliest first."""
    size_px = own.size_px if stated.size_px is None else stated.size_px[0]
    # mid and scale belong to the format they were given for
    given = {} if stated["format"] == own.format else {"mid": None, "scale_mm": None}
    changed = {"size_px": size_px, "format": stated["format"], **given}
    choices = {
        "unit": [{"unit": unit} for unit in (stated["unit"], own.unit, "scene")],
        "compression": [{"compression": one} for one in (own.compression, stated["compression"] or own.compression)],
        "fill_gaps": [{"fill_gaps": one} for one in (own.fill_gaps, not own.fill_gaps)],
        "scene": [
            {},
            {"scene_unit": stated["scene_unit"], "scene_unit_mm": None},
            {"scene_unit": None, "scene_unit_mm": stated["scene_unit_mm"]},
        ],
        "clip": [{"clip": one} for one in (own.clip, not own.clip)],
        "mid": [{}, {"mid": None}],
    }
    tried = []
    for chosen in product(*choices.values()):
        output = own.model_copy(update=changed | {key: one[key] for one in chosen for key in one})
        if output not in tried:
            tried.append(output)
            yield output


class Origins:
    """Origins of maps, each found once."""

    def __init__(self, recipe: Recipe):
        self._recipe, self._by_hash = recipe, {}

    def of(self, one: Subject) -> Origin:
        """Where a map of heights is from."""
        key = (one.stated["recipe_hash"], one.stated["format"], one.stated.size_px)
        if key not in self._by_hash:
            self._by_hash[key] = origin(self._recipe, one.stated)
        return self._by_hash[key]

    def findings(self, one: Subject) -> list[Finding]:
        """Whether a map is of another recipe.  Maps of other kinds are of that of the heights they were given with."""
        stated = one.stated["recipe_hash"]
        if one.stated.holds_heights:
            of = self.of(one)
            if of.output is not None:
                return []
            text = f"its recipe has the hash {_short(stated)}, this one {_short(of.recipe_hash)}"
        else:
            known = {of.recipe_hash for of in self._by_hash.values()}
            if not known or stated in known | {key[0] for key in self._by_hash}:
                return []
            text = f"its recipe has the hash {_short(stated)}, that of the heights {_short(sorted(known)[0])}"
        hint = "the map is of another recipe, or the recipe or one of its files has changed since: compose it again"
        return [one.finding("other-recipe", text, hint)]


def recipe_findings(
    subjects: Sequence[Subject], origins: Origins, composition: Composition, whole_set: bool
) -> list[Finding]:
    """Are the files of one map those of this recipe, at this size, and all of them?

    Parameters
    ----------
    subjects : files that state what they are
    whole_set : a tile that is missing is a finding
    """
    found = []
    for one in subjects:
        found += origins.findings(one)
        if one.stated.holds_heights:
            found += _stated_raster(one, composition)
    tiles = composition.raster(_size_px(subjects[0])).tiles
    for one in subjects:
        if one.stated.tile not in tiles:
            text = f"the mesh has no skin in tile {one.stated.tile}; it has {', '.join(map(str, tiles))}"
            found.append(one.finding("tile-extra", text, "the tile is of another mesh or another unwrapping"))
    missing = [tile for tile in tiles if tile not in {one.stated.tile for one in subjects}]
    if missing and whole_set:
        there, all_of_them = subjects[0].opened.path.name, ", ".join(map(str, tiles))
        text = f"beside {there}, tile {', '.join(map(str, missing))} is not there; the mesh has {all_of_them}"
        found.append(Finding("tile-missing", text, "a renderer shows no relief there: write the whole set"))
    return found


def _size_px(one: Subject) -> int:
    return min(max(one.opened.shape[0], 16), 32768)


def _short(text) -> str:
    return "none" if text is None else str(text)[:12]


def _stated_raster(one: Subject, composition: Composition) -> list[Finding]:
    stated, raster = one.stated, composition.raster(_size_px(one))
    found = []
    texel_um = 1000.0 * median_texel_mm(composition.surface, raster.size_px)
    said_um = stated.number("texel_um")
    if said_um is None or abs(said_um - texel_um) > TEXEL_SHARE * texel_um:
        said = "nothing" if said_um is None else f"{said_um:.2f} um"
        text = f"a texel is stated to be {said} on the skin, on this mesh it is {texel_um:.2f} um (median)"
        hint = "the mesh, its unit or its UVs are others: compose it again"
        found.append(one.finding("texel-size-differs", text, hint))
    if stated.number("gutter_px") != raster.gutter_px:
        text = f"the gutter is stated to be {stated['gutter_px']} px wide, the recipe asks for {raster.gutter_px} px"
        found.append(one.finding("gutter-differs", text, "the recipe's output has changed: compose it again"))
    return found
