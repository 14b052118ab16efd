"""Previews are bit for bit crops of the map, around the heart of a region."""

import re

import imageio.v3 as iio
import numpy as np
import pytest

from poredepth.errors import MapFileError, RegionError
from poredepth.mix.blocks import Blocking, fill_tile
from poredepth.patch.types import HeightPatch
from poredepth.pipeline import prepare
from poredepth.raster.window import Window
from poredepth.recipe import recipe_from_dict
from poredepth.surface.obj import PolygonMesh
from poredepth.view.clay import BACKGROUND_RGB
from poredepth.view.preview import preview, preview_window, save_png, texel_steps_mm

MAP_PX = 512


def two_squares() -> PolygonMesh:
    """A flat 40 x 40 mm square, cut in the middle: left half in tile 1001, right half mirrored in tile 1012, half as
    large there."""
    x, y = np.meshgrid(np.linspace(0, 40, 9), np.linspace(0, 40, 9))
    position = np.column_stack([x.ravel(), y.ravel(), 0 * x.ravel()])
    at = np.arange(81).reshape(9, 9)
    faces = np.stack([at[:-1, :-1], at[:-1, 1:], at[1:, 1:], at[1:, :-1]], axis=2).reshape(-1, 4)
    left = np.column_stack([0.1 + position[:, 0] * 0.02, 0.1 + position[:, 1] * 0.02])
    right = np.column_stack([1.9 - position[:, 0] * 0.01, 1.2 + position[:, 1] * 0.01])
    is_right = position[faces, 0].mean(axis=1) > 20
    groups = ["right" if flag else "left" for flag in is_right]
    face_uv = faces + 81 * is_right[:, None]
    return PolygonMesh.from_arrays(position, faces, np.vstack([left, right]), face_uv, groups=groups)


@pytest.fixture(scope="module")
def composition(tmp_path_factory):
    folder = tmp_path_factory.mktemp("preview")
    for name in ("skin.obj", "net.tif"):
        (folder / name).touch()
    rng = np.random.default_rng(5)
    relief = (0.01 * rng.standard_normal((200, 200))).astype(np.float32)
    patch = HeightPatch("net", relief - relief.mean(), 0.05, True, 0.0)
    data = {
        "poredepth": 1,
        "mesh": {"file": "skin.obj", "unit": "mm"},
        "patches": {"net": {"file": "net.tif", "texel_um": 50, "height_um": 100}},
        "regions": {
            "left cheek": {"group": "left"},
            "right cheek": {"group": "right"},
            "spot": {"center": [10, 22, 0], "radius_mm": 2, "feather_mm": 1},
            "speck": {"center": [10, 20.2, 0], "radius_mm": 1, "feather_mm": 0.5},
            "nowhere": {"intersect": ["left cheek", "far right"]},
            "far right": {"center": [38, 22, 0], "radius_mm": 2},
        },
        "layers": [{"name": "net", "patch": "net", "place": "scatter", "print_mm": 12}],
        "output": {"size_px": MAP_PX, "gutter_px": 6},
    }
    return prepare(recipe_from_dict(data, folder=folder), mesh=two_squares(), patches={"net": patch})


@pytest.fixture(scope="module")
def whole_maps(composition):
    raster, correction = composition.raster(), composition.seam_correction()
    assert correction.n_texels > 1000  # the windows below see changed texels
    maps = {tile: np.empty((MAP_PX, MAP_PX), np.float32) for tile in raster.tiles}
    for tile, out in maps.items():
        fill_tile(
            composition.layers, composition.ground, raster, tile, out, Blocking(block_texels=50_000), None, correction
        )
    return maps


@pytest.mark.parametrize("region", [None, "left cheek", "right cheek", "spot"])
@pytest.mark.parametrize("size_px", [37, 128, 2000])
def test_heights_are_bit_for_bit_the_crop_of_the_map(composition, whole_maps, region, size_px):
    seen = preview(composition, region, size_px=size_px)
    crop = whole_maps[seen.tile][seen.window.slices]
    assert seen.height_mm.dtype == np.float32
    assert seen.height_mm.shape == crop.shape == seen.window.shape
    assert np.array_equal(seen.height_mm.view(np.uint32), crop.view(np.uint32))
    assert np.abs(crop).max() > 0.001
    assert seen.image.shape[0] > crop.shape[0] and seen.image.shape[1] >= crop.shape[1]


def test_the_window_lies_around_the_middle_of_the_region(composition):
    tile, window = preview_window(composition, "left cheek", size_px=100)
    assert tile == 1001 and window.shape == (100, 100)
    # the left half spans u 0.1 to 0.5 and v 0.1 to 0.9: its middle is (0.3, 0.5); triangles are 5 mm = 0.1 wide
    assert abs(window.col_px + 50 - 0.3 * MAP_PX) < 0.05 * MAP_PX
    assert abs(window.row_px + 50 - 0.5 * MAP_PX) < 0.05 * MAP_PX
    assert preview_window(composition, "right cheek", size_px=100)[0] == 1012


def test_the_window_shrinks_to_the_region_and_stays_in_the_tile(composition):
    tile, window = preview_window(composition, "right cheek", size_px=2000)
    # x 20 to 40 mm is u 1.5 to 1.7, y 0 to 40 mm is v 1.2 to 1.6; 16 px of margin
    expected = Window(round(0.4 * MAP_PX) - 16, round(0.5 * MAP_PX) - 16, 0, 0)
    assert tile == 1012
    assert abs(window.row_px - expected.row_px) <= 1 and abs(window.col_px - expected.col_px) <= 1
    assert abs(window.n_rows - (0.4 * MAP_PX + 32)) <= 2 and abs(window.n_cols - (0.2 * MAP_PX + 32)) <= 2
    _, small_map = preview_window(composition, "left cheek", size_px=4096, map_size_px=64)
    assert small_map.row_px >= 0 and small_map.row_px + small_map.n_rows <= 64


def test_a_spot_smaller_than_a_triangle_is_found(composition):
    tile, window = preview_window(composition, "speck", size_px=64)
    u, v = 0.1 + 10 * 0.02, 0.1 + 20.2 * 0.02
    assert tile == 1001
    assert window.col_px <= u * MAP_PX <= window.col_px + window.n_cols
    assert window.row_px <= (1 - v) * MAP_PX <= window.row_px + window.n_rows


def test_texel_size_and_steps_are_those_of_the_skin(composition):
    seen = preview(composition, "right cheek")
    # 1 / 0.01 mm per unit of UV
    assert seen.texel_um == pytest.approx(1000 * 100 / MAP_PX, rel=1e-5)
    x, y, has_height = texel_steps_mm(composition.raster(), seen.tile, seen.window)
    inside = np.isfinite(x[..., 0])
    np.testing.assert_allclose(np.linalg.norm(x[inside], axis=1), 100 / MAP_PX, rtol=1e-5)
    np.testing.assert_allclose(np.linalg.norm(y[inside], axis=1), 100 / MAP_PX, rtol=1e-5)
    np.testing.assert_allclose((x[inside] * y[inside]).sum(axis=1), 0, atol=1e-6)
    # the gutter has heights but is not drawn: 6 px all around 0.2 x 0.4 of the tile
    assert abs(inside.sum() - 0.2 * 0.4 * MAP_PX**2) < 700
    assert has_height.sum() > inside.sum() + 6 * 300
    assert (seen.image[2, 2] == BACKGROUND_RGB).all()


def test_an_unknown_region_is_named_with_what_there_is(composition):
    message = (
        "recipe: regions: found no region 'left cheak'; allowed: left cheek, right cheek, spot, speck, nowhere, "
        "far right; did you mean 'left cheek'?"
    )
    with pytest.raises(RegionError, match=f"^{re.escape(message)}$"):
        preview(composition, "left cheak")


def test_an_empty_region_is_refused(composition):
    with pytest.raises(RegionError, match="region 'nowhere' is empty"):
        preview(composition, "nowhere")


def test_a_picture_is_written_whole_or_not_at_all(tmp_path):
    image = np.random.default_rng(2).integers(0, 255, (30, 40, 3), np.uint8)
    path = save_png(image, tmp_path / "new folder" / "a.png")
    np.testing.assert_array_equal(iio.imread(path), image)
    assert [p.name for p in path.parent.iterdir()] == ["a.png"]

    blocked = tmp_path / "taken.png"
    (blocked / "inside").mkdir(parents=True)  # a folder of that name cannot be replaced by a file
    with pytest.raises(MapFileError, match="taken.png: cannot be written"):
        save_png(image, blocked)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["new folder", "taken.png"]
    (tmp_path / "file").touch()
    with pytest.raises(MapFileError, match="cannot be written"):
        save_png(image, tmp_path / "file" / "a.png")
