"""The less usual mistakes, each by its name; and mistakes that come together or hide in formats and meshes."""

from __future__ import annotations

import shutil
from dataclasses import replace

import numpy as np
import pytest
from meshes_seams import mirrored_square, square_in_two_tiles
from recipes import composed_of, relief_patch, scatter_layer
from tampering import change, restate, values_of, without_gutter

from poredepth.checking import MapChecker
from poredepth.maps import write_maps
from poredepth.output import read_map_metadata

SIZE_PX = 160


def made(mesh, format="tiff-16", layers=None, **keys):
    layers = [scatter_layer("relief", 15.0)] if layers is None else layers
    return composed_of(
        mesh, "mm", {"relief": relief_patch()}, layers, output={"size_px": SIZE_PX, "format": format}, **keys
    )


@pytest.fixture(scope="module")
def checkers(tmp_path_factory):
    """A checker and a folder of maps by format, of one chart beside a mirrored, denser one."""
    out, first = {}, made(mirrored_square())
    for format in ("tiff-16", "tiff-float", "exr-half"):
        output = first.recipe.output.model_copy(update={"format": format})
        of = replace(first, recipe=first.recipe.model_copy(update={"output": output}))
        folder = tmp_path_factory.mktemp(format)
        write_maps(of, folder)
        out[format] = of, MapChecker(of), folder
    return out


@pytest.fixture(params=["tiff-16", "tiff-float", "exr-half"])
def case(request, checkers, tmp_path):
    composition, checker, folder = checkers[request.param]
    shutil.copytree(folder, tmp_path, dirs_exist_ok=True)
    [path] = [one for one in tmp_path.iterdir() if one.suffix != ".json"]
    return composition, checker, path


def found(case, fault):
    """The report, and its finding on texels."""
    _, checker, path = case
    change(path, fault)
    report = checker.check([path])
    print("\n".join(map(str, report.findings)))
    return report


def full(values):
    return 65535.0 if values.dtype.kind == "u" else 1.0


def on_values(curve):
    """A function of values 0 to 1, whatever the file holds."""
    return lambda values: (curve(values / full(values)) * full(values)).astype(
        values.dtype if values.dtype.kind == "f" else float
    )


def test_a_shift_by_micrometres(case):
    _, _, path = case
    stated = read_map_metadata(path)
    by = 0.005 / stated.scale_mm
    report = found(case, on_values(lambda v: v.astype(float) - by))
    assert report.names == ("mid-shifted",)
    assert "5 um" in report.findings[0].text
    assert "too low" in report.findings[0].text


@pytest.mark.parametrize("ratio, told", [(10.0, "10 times"), (0.1, "0.1 times"), (25.4, "25.4 times")])
def test_another_unit(case, ratio, told):
    """Millimetres read as centimetres, and the like: in the metadata, as values would clip."""
    _, checker, path = case
    restate(path, scale_mm=read_map_metadata(path).scale_mm * ratio)
    report = checker.check([path])
    assert report.names == ("scale-off",)
    assert told in report.findings[0].text


def test_heights_turned_inside_out(case):
    stated = read_map_metadata(case[2])
    report = found(case, on_values(lambda v: 2 * stated.mid - v.astype(float)))
    assert report.names == ("scale-and-mid-off",)
    assert "heights are -1 times what is meant" in report.findings[0].text


def test_normalised_values(case):
    """Stretched to the whole range, as programs do to show a picture."""
    report = found(case, on_values(lambda v: (v - v.min()) / (v.max() - v.min())))
    assert report.names == ("scale-and-mid-off",)


@pytest.mark.parametrize(
    "curve, told",
    [
        (lambda v: np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0.04045) + 0.055) / 1.055) ** 2.4), "taken off"),
        (lambda v: np.maximum(v, 0) ** (1 / 2.2), "a power of 1/2.2"),
        (lambda v: np.maximum(v, 0) ** 2.2, "a power of 2.2"),
    ],
)
def test_other_curves(case, curve, told):
    report = found(case, on_values(lambda v: curve(v.astype(float))))
    assert report.names == ("srgb-curve",)
    assert told in report.findings[0].text


def test_half_floats_in_between(case):
    report = found(case, on_values(lambda v: v.astype(np.float16).astype(float)))
    if case[2].suffix == ".exr":
        assert report.ok
    else:
        assert report.names == ("half-rounded",)


def test_a_gutter_that_was_filled_anew(case):
    """Stretched out from the charts, as programs pad."""
    composition, _, _ = case
    inside = without_gutter(composition.raster(), 1001, 0)(np.ones((SIZE_PX, SIZE_PX), np.float32)) > 0
    from scipy.ndimage import distance_transform_edt

    nearest = distance_transform_edt(~inside, return_distances=False, return_indices=True)
    report = found(case, lambda values: values[tuple(nearest)])
    assert report.names == ("gutter-differs",)


def test_the_rest_of_the_picture_filled(case):
    composition, _, path = case
    raster = composition.raster()
    empty = raster.skin_points(1001, raster.whole()).triangle.reshape(SIZE_PX, SIZE_PX) < 0
    top = values_of(path).max()
    report = found(case, lambda values: np.where(empty, top, values))
    assert report.names == ("filled-outside",)


def test_texels_painted_over_along_a_seam(case):
    composition, checker, path = case
    sample = next(iter(checker._plans.values())).samples[1001]
    near = sample.seam_px <= 1.2

    def fault(values):
        values = values.copy()
        values[sample.row_px[near], sample.col_px[near]] = values[0, 0]
        return values

    report = found(case, fault)
    assert report.names == ("seam-differs",)


def test_some_texels_inside(case):
    rng = np.random.default_rng(2)
    step = 0.004 / read_map_metadata(case[2]).scale_mm

    def fault(values):
        values = values.astype(float)
        values[rng.integers(40, 120, 60), rng.integers(20, 60, 60)] += step * full(values_of(case[2]))
        return values if full(values_of(case[2])) > 1 else values.astype(values_of(case[2]).dtype)

    report = found(case, fault)
    assert report.names == ("texels-differ",)
    assert "of the texels looked at are not what the recipe means, all others are; worst 4" in report.findings[0].text


def test_a_blurred_map(case):
    from scipy.ndimage import gaussian_filter

    report = found(case, lambda values: gaussian_filter(values.astype(float), 1.0).astype(values.dtype))
    assert report.names[0] == "heights-differ"
    assert "correlation with what is meant 0.8" in report.findings[0].text


def test_two_mistakes_at_once(case):
    """Flipped, and then one texel lost; the flip is told, and so is the texel if it is no number."""

    def fault(values):
        values = np.flipud(values).copy()
        values[80, 80] = np.nan if values.dtype.kind == "f" else 0
        return values

    report = found(case, fault)
    assert report.names[0] == "rows-flipped"
    if values_of(case[2]).dtype.kind == "f":
        assert report.names == ("rows-flipped", "not-a-number")


def test_nothing_but_zero_moved_by_a_code(tmp_path):
    """A flat map has nothing to fit a line to; a code is told all the same."""
    of = made(square_in_two_tiles(), layers=[])
    write_maps(of, tmp_path)
    for path in tmp_path.glob("*.tif"):
        change(path, lambda values: values + 1.0)
    report = MapChecker(of).check([tmp_path])
    assert report.names == ("mid-shifted",)
    assert "1 code (" in report.findings[0].text


def test_a_map_of_another_mesh(tmp_path):
    """The same recipe on another unwrapping: tiles and texel size do not fit."""
    write_maps(made(square_in_two_tiles()), tmp_path)
    report = MapChecker(made(mirrored_square())).check([tmp_path])
    assert {"tile-extra", "texel-size-differs", "heights-differ"} <= set(report.names)


def test_a_map_of_an_older_recipe(tmp_path):
    write_maps(made(square_in_two_tiles()), tmp_path)
    report = MapChecker(made(square_in_two_tiles(), seed=5)).check([tmp_path])
    assert report.names == ("heights-differ", "other-recipe")
    report = MapChecker(made(square_in_two_tiles(), layers=[scatter_layer("relief", 15.0, gain=0.5)])).check([tmp_path])
    assert report.names == ("scale-off", "other-recipe")
    assert "heights are 2 times what is meant" in report.findings[0].text
