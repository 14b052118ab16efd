"""The demo, small, in every format: it passes, and each of ten mistakes is named."""

from __future__ import annotations

import shutil
from dataclasses import replace

import numpy as np
import pytest
from tampering import (
    about_mid,
    change,
    eight_bits,
    restate,
    rewrite,
    shifted_beside_seams,
    srgb,
    values_of,
    without_gutter,
)

from poredepth import load_recipe, prepare
from poredepth.checking import MapChecker
from poredepth.demo import demo_recipe_file
from poredepth.maps import compose_tiles, write_set
from poredepth.output import FORMATS, read_map_metadata, tile_file_name
from poredepth.surface.seams import seam_edges

SIZE_PX = 512


@pytest.fixture(scope="module")
def demo():
    recipe = load_recipe(demo_recipe_file())
    output = recipe.output.model_copy(update={"size_px": SIZE_PX})
    return prepare(recipe.model_copy(update={"output": output}))


@pytest.fixture(scope="module")
def checker(demo):
    """What the recipe means at this size is worked out once."""
    return MapChecker(demo)


@pytest.fixture(scope="module")
def written(demo, tmp_path_factory):
    """Folders of the maps by format: composed once, written as a command with --format does."""
    heights_mm = {tile: one.copy() for tile, one in compose_tiles(demo, None).items()}
    folders = {}
    for format in FORMATS:
        folders[format] = tmp_path_factory.mktemp(format)
        output = demo.recipe.output.model_copy(update={"format": format})
        of = replace(demo, recipe=demo.recipe.model_copy(update={"output": output}))
        write_set(of, heights_mm, lambda tile, f=format: folders[f] / tile_file_name("head", tile, f, True))
    return folders


@pytest.fixture(params=FORMATS)
def maps(request, written, tmp_path):
    """Paths of a fresh copy, by tile."""
    shutil.copytree(written[request.param], tmp_path, dirs_exist_ok=True)
    return {read_map_metadata(one).tile: one for one in sorted(tmp_path.iterdir()) if one.suffix != ".json"}


def test_the_demo_passes(maps, checker):
    report = checker.check(maps.values())
    assert [str(one) for one in report.findings] == []
    [measure] = report.measures
    for one in measure.files:
        assert one.texels.n_wrong == 0
        assert min(one.texels.n_skin, 10_000) == 10_000
        assert min(one.texels.n_seam, one.texels.n_gutter, one.texels.n_outside) > 100
    # the head as a whole stands where it is meant to, to a hundredth of what single readings err
    assert abs(measure.skin.mean_mm) < 0.02 * measure.skin.rms_mm
    print(f"{measure.files[0].format}: {measure}")


def scale(path, demo):
    restate(path, scale_mm=read_map_metadata(path).scale_mm * 1.01)


def values_times(path, demo):
    change(path, about_mid(path, 1.01))


def mid(path, demo):
    one = 1 if values_of(path).dtype.kind == "u" else 1 / 65535
    change(path, lambda values: (values.astype(float) + one).astype(values.dtype if one < 1 else float))


def flipped(path, demo):
    change(path, np.flipud)


def bent(path, demo):
    change(path, srgb)


def coarse(path, demo):
    change(path, eight_bits)


def no_gutter(path, demo):
    zero = read_map_metadata(path).mid_code or 0
    change(path, without_gutter(demo.raster(), read_map_metadata(path).tile, zero))


def moved(path, demo):
    edges = seam_edges(demo.surface)
    side = edges.uv[(edges.uv[:, 0, :, 0] < 1).all(axis=1), 0]
    change(path, shifted_beside_seams(demo.raster(), 1001, side))


def spot(path, demo):
    def fault(values):
        values = values.copy()
        values[300, 200] = np.nan if values.dtype.kind == "f" else 0
        return values

    change(path, fault)


def cut(path, demo):
    stated = read_map_metadata(path)
    full = 1.0 if stated.mid_code is None else 65535.0
    limit = (0.95 * stated.range_high_mm / stated.scale_mm + stated.mid) * full
    change(path, lambda values: np.minimum(values, limit).astype(values.dtype))


@pytest.mark.parametrize(
    "fault, name, words",
    [
        (scale, "scale-off", "1.01 times what is meant (+1 %)"),
        (values_times, "scale-off", "1.01 times what is meant (+1 %)"),
        (mid, "mid-shifted", "too high"),
        (flipped, "rows-flipped", "upside down"),
        (bent, "srgb-curve", "the sRGB curve was applied"),
        (coarse, "eight-bit", "different heights"),
        (no_gutter, "gutter-removed", "the gutter of 4 px around charts is gone"),
        (moved, "seam-shifted", "moved by one texel (down)"),
        (cut, "clipped", "are cut off in"),
    ],
)
def test_each_mistake_is_named(fault, name, words, maps, demo, checker):
    fault(maps[1001], demo)
    report = checker.check(maps.values())
    of_file = [one for one in report.findings if one.file == maps[1001]]
    print("\n".join(map(str, report.findings)))
    assert name in report.names
    assert {one.name for one in of_file} <= {name, "set-differs"}
    assert words in of_file[0].text
    assert of_file[0].place.at


def test_tiles_exchanged(maps, checker):
    ours, theirs = values_of(maps[1001]), values_of(maps[1002])
    rewrite(maps[1001], theirs)
    rewrite(maps[1002], ours)
    assert checker.check(maps.values()).names == ("tile-swapped",)


def test_one_texel(maps, demo, checker):
    spot(maps[1001], demo)
    is_code = read_map_metadata(maps[1001]).mid_code is not None
    report = checker.check(maps.values())
    assert report.names == (("texels-differ", "outside-range") if is_code else ("not-a-number",))
    for one in report.findings:
        assert (one.place.row_px, one.place.col_px) == (300, 200)
