"""Ten mistakes made on purpose, in every format: each is found and named, and a map as it was written passes."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from meshes_seams import square_in_two_tiles
from recipes import composed_of, relief_patch, scatter_layer
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

from poredepth.checking import MapChecker, check_files
from poredepth.maps import write_maps
from poredepth.output import FORMATS, read_map_metadata
from poredepth.surface.seams import seam_edges

SIZE_PX = 160


@pytest.fixture(scope="module")
def composition():
    """Two tiles of one seam, relief all over; 40 mm on half a tile each."""
    return composed_of(
        square_in_two_tiles(), "mm", {"relief": relief_patch()}, [scatter_layer("relief", 15.0)],
        output={"size_px": SIZE_PX},
    )  # fmt: skip


@pytest.fixture(scope="module")
def written(composition, tmp_path_factory):
    """Folder of the maps in each format."""
    folders = {}
    for format in FORMATS:
        folders[format] = tmp_path_factory.mktemp(format)
        output = composition.recipe.output.model_copy(update={"format": format})
        recipe = composition.recipe.model_copy(update={"output": output})
        write_maps(type(composition)(recipe, composition.patches, composition.ground, composition.layers),
                   folders[format])  # fmt: skip
    return folders


@pytest.fixture(params=FORMATS)
def maps(request, written, tmp_path):
    """Paths of a fresh copy, by tile."""
    shutil.copytree(written[request.param], tmp_path, dirs_exist_ok=True)
    paths = [one for one in sorted(tmp_path.iterdir()) if one.suffix != ".json"]
    return {read_map_metadata(one).tile: one for one in paths}


@pytest.fixture(scope="module")
def checker(composition):
    return MapChecker(composition)


def found(maps, checker):
    return checker.check(maps.values())


def test_a_map_as_it_was_written_passes(maps, checker):
    report = found(maps, checker)
    assert [str(one) for one in report.findings] == []
    [measure] = report.measures
    for one in measure.files:
        assert one.texels.n_skin > 3000  # nearly all there are
        assert one.texels.n_wrong == 0
        assert min(one.texels.n_seam, one.texels.n_gutter, one.texels.n_outside) > 50
    assert measure.skin.n_points == 10_000
    assert measure.skin.apart_mm < 1.1 * measure.skin.rms_mm


def test_a_map_passes_without_openimageio(maps, composition):
    report = MapChecker(composition, oiio=False).check(maps.values())
    assert [str(one) for one in report.findings] == []
    change(first(maps), np.flipud)
    assert MapChecker(composition, oiio=False).check(maps.values()).names == ("rows-flipped",)


def first(maps):
    return maps[1001]


def named(maps, checker, name):
    """The one finding on the texels of tile 1001, which has this name; the other tile is right."""
    report = found(maps, checker)
    assert name in report.names, [str(one) for one in report.findings]
    assert {one.file for one in report.findings if one.place is not None} <= {first(maps)}
    [finding] = [one for one in report.findings if one.name == name]
    print(finding)
    assert finding.place is not None and finding.place.tile == 1001
    assert finding.hint
    return finding, report


def test_scale_in_the_metadata_off_by_one_per_cent(maps, checker):
    for path in maps.values():
        restate(path, scale_mm=read_map_metadata(path).scale_mm * 1.01)
    report = found(maps, checker)
    assert report.names == ("scale-off",)
    assert "1.01 times what is meant (+1 %)" in report.findings[0].text


def test_heights_multiplied_by_one_and_a_hundredth(maps, checker):
    change(first(maps), about_mid(first(maps), 1.01))
    finding, report = named(maps, checker, "scale-off")
    assert "(+1 %)" in finding.text
    assert report.names == ("scale-off",)


def test_mid_shifted_by_one_code(maps, checker):
    path = first(maps)
    if values_of(path).dtype.kind == "u":
        change(path, lambda values: values.astype(float) + 1)
        assert "1 code (" in named(maps, checker, "mid-shifted")[0].text
        assert "too high" in named(maps, checker, "mid-shifted")[0].text
        return
    change(path, lambda values: (values.astype(float) + 1 / 65535).astype(values.dtype))
    # a half cannot hold this beside 0.03 and more
    finding, _ = named(maps, checker, "mid-shifted")
    assert "too high" in finding.text


def test_mid_in_the_metadata_shifted_by_one_code(maps, checker):
    for path in maps.values():
        stated = read_map_metadata(path)
        code = None if stated.mid_code is None else stated.mid_code - 1
        if stated.format == "exr-half":
            continue  # halves have no mid but 0
        encoding = stated.encoding if code is not None else "float-mid"
        mid = stated.mid - 1 / 65535 if code is None else code / 65535
        restate(path, mid=mid, mid_code=code, encoding=encoding)
    report = found(maps, checker)
    assert report.names == (() if stated.format == "exr-half" else ("mid-shifted",)), list(map(str, report.findings))


def test_tiles_swapped(maps, checker):
    one, other = maps.values()
    ours, theirs = values_of(one), values_of(other)
    rewrite(one, theirs)
    rewrite(other, ours)
    report = found(maps, checker)
    assert report.names == ("tile-swapped",), list(map(str, report.findings))
    assert [one.text for one in report.findings] == [
        "the file of tile 1001 holds the picture of tile 1012",
        "the file of tile 1012 holds the picture of tile 1001",
    ]


def test_files_renamed(maps, checker):
    """Names exchanged, sidecars with them: what is inside is right, the names are not."""
    one, other = maps.values()
    for a, b in ((one, other), (one.with_name(one.name + ".json"), other.with_name(other.name + ".json"))):
        a.rename(a.with_name("kept"))
        b.rename(a)
        a.with_name("kept").rename(b)
    assert found(maps, checker).names == ("tile-name",)


def test_rows_flipped(maps, checker):
    change(first(maps), np.flipud)
    _, report = named(maps, checker, "rows-flipped")
    assert report.names == ("rows-flipped",)


@pytest.mark.parametrize(
    "turn, name",
    [(np.fliplr, "columns-flipped"), (lambda a: a[::-1, ::-1], "turned-half"), (np.transpose, "transposed")],
)  # fmt: skip
def test_turned_otherwise(maps, checker, turn, name):
    change(first(maps), turn)
    named(maps, checker, name)


def test_srgb_curve(maps, checker):
    change(first(maps), srgb)
    finding, report = named(maps, checker, "srgb-curve")
    assert "the sRGB curve was applied" in finding.text
    assert report.names == ("srgb-curve",)


def test_eight_bits(maps, checker):
    change(first(maps), eight_bits)
    _, report = named(maps, checker, "eight-bit")
    assert report.names == ("eight-bit",), list(map(str, report.findings))


def test_eight_bits_are_told_without_the_recipe(maps):
    change(first(maps), eight_bits)
    assert "eight-bit" in check_files(maps.values()).names


def test_gutter_removed(maps, composition, checker):
    path = first(maps)
    zero = read_map_metadata(path).mid_code or 0
    change(path, without_gutter(composition.raster(), 1001, zero))
    _, report = named(maps, checker, "gutter-removed")
    assert report.names == ("gutter-removed",)


def test_seam_shifted(maps, composition, checker):
    edges = seam_edges(composition.surface)
    side = edges.uv[(edges.uv[:, 0, :, 0] < 1).all(axis=1), 0]
    assert len(side) > 5
    change(first(maps), shifted_beside_seams(composition.raster(), 1001, side))
    finding, report = named(maps, checker, "seam-shifted")
    assert "moved by one texel (down)" in finding.text
    assert report.names == ("seam-shifted",)


def test_one_texel_is_not_a_number_or_black(maps, checker):
    path = first(maps)
    stated = read_map_metadata(path)

    def fault(values):
        values = values.copy()
        values[47, 80] = np.nan if values.dtype.kind == "f" else 0
        return values

    change(path, fault)
    name = "not-a-number" if stated.mid_code is None else "outside-range"
    for report in (found(maps, checker), check_files(maps.values())):
        finding = next(one for one in report.findings if one.name == name)
        assert (finding.place.row_px, finding.place.col_px) == (47, 80)
        assert (finding.place.u, finding.place.v) == ((80 + 0.5) / SIZE_PX, 1 - (47 + 0.5) / SIZE_PX)


def test_peaks_clipped(maps, checker):
    path = first(maps)
    stated = read_map_metadata(path)
    full = 1.0 if stated.mid_code is None else 65535.0
    limit = (0.95 * stated.range_high_mm / stated.scale_mm + stated.mid) * full

    def fault(values):
        return np.minimum(values, limit).astype(values.dtype)

    change(path, fault)
    finding, report = named(maps, checker, "clipped")
    assert f"{stated.range_high_mm:.6f} mm is missing" in finding.text
    assert report.names == ("clipped",)
    assert set(check_files(maps.values()).names) <= {"clipped", "range-differs"}
