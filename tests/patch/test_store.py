"""Patches on disk: what is written is what is read, with its terms, and nothing is lost when it fails."""

from __future__ import annotations

import resource

import numpy as np
import OpenImageIO as oiio
import pytest
import tifffile

from poredepth.errors import MapFileError, PatchError
from poredepth.patch.store import read_patch, round_height_um, write_patch
from poredepth.patch.types import HeightPatch, PatchChangedWarning, Provenance

TERMS = Provenance("own scan: née Ä", "CC BY 4.0", "signed 2026", history=("tilt taken off: 2.5 degrees", "x # y: [1]"))


def made(rows=60, cols=40, texel_mm=0.0125, periodic=True):
    height_mm = np.random.default_rng(0).normal(0, 0.01, (rows, cols))
    return HeightPatch("cheek", height_mm, texel_mm, periodic, 12.5, TERMS)


@pytest.mark.parametrize(
    ("name", "format", "within_mm"),
    [("cheek.tif", None, 0), ("cheek.exr", None, 0), ("cheek.tiff", "tiff-16", 0.5 * 0.1 / 65535 + 1e-8)],
)
def test_what_is_written_is_what_is_read(tmp_path, name, format, within_mm):
    patch = made()
    written = write_patch(tmp_path / "new" / name, patch, format=format, texture={"sq_um": 10.0, "str_ratio": np.nan})
    for path in (written.path, written.patch_file):
        again = read_patch(path)
        assert np.abs(again.height_mm - patch.height_mm).max() <= within_mm
        assert (again.name, again.texel_mm, again.lay_deg, again.periodic) == ("cheek", 0.0125, 12.5, True)
        origin = again.provenance
        assert (origin.source, origin.licence, origin.consent) == (TERMS.source, TERMS.licence, TERMS.consent)
        assert origin.history == TERMS.history
    assert "str_ratio" not in written.patch_file.read_text() and "sq_um: 10" in written.patch_file.read_text()
    assert sorted(p.name for p in written.path.parent.iterdir()) == sorted(["cheek.patch.yaml", name])


def test_a_piece_that_does_not_tile_stays_one(tmp_path):
    written = write_patch(tmp_path / "a.tif", made(periodic=False))
    assert not read_patch(written.path).periodic


def test_the_same_patch_gives_the_same_bytes(tmp_path):
    for suffix in (".tif", ".exr"):
        one, two = (write_patch(tmp_path / f"{n}{suffix}" / f"a{suffix}", made()) for n in (1, 2))
        assert one.path.read_bytes() == two.path.read_bytes()
        assert one.patch_file.read_bytes() == two.patch_file.read_bytes()


def test_an_independent_reader_sees_heights_and_size(tmp_path):
    patch = made()
    image = oiio.ImageInput.open(str(write_patch(tmp_path / "a.exr", patch).path))
    np.testing.assert_array_equal(image.read_image(oiio.FLOAT).reshape(60, 40), patch.height_mm)
    # 12.5 um a texel: 25400 / 12.5 texels an inch
    assert image.spec().getattribute("XResolution") == pytest.approx(2032) or image.spec().getattribute(
        "xDensity"
    ) == pytest.approx(2032)
    with tifffile.TiffFile(write_patch(tmp_path / "b.tif", patch).path) as file:
        np.testing.assert_array_equal(file.asarray(), patch.height_mm)
        top, bottom = file.pages[0].tags["XResolution"].value
        assert top / bottom == pytest.approx(800)  # per cm


def test_a_picture_changed_since_is_told(tmp_path):
    written = write_patch(tmp_path / "a.tif", made())
    tifffile.imwrite(written.path, 2 * made().height_mm)
    with pytest.warns(PatchChangedWarning, match="was changed since its numbers were written"):
        read_patch(written.path)


def test_refusals_name_what_is_allowed(tmp_path):
    with pytest.raises(PatchError, match=r"ends in '.png'; allowed for a patch: .tif, .tiff, .exr"):
        write_patch(tmp_path / "a.png", made())
    with pytest.raises(PatchError, match="allowed for exr-float: .exr"):
        write_patch(tmp_path / "a.tif", made(), format="exr-float")
    with pytest.raises(PatchError, match="has no a.patch.yaml beside it"):
        read_patch(tmp_path / "a.tif")
    write_patch(tmp_path / "a.tif", made())
    with pytest.raises(PatchError, match="a.patch.yaml is that of a.tif"):
        read_patch(tmp_path / "a.exr")


def test_a_picture_keeps_its_patch_file(tmp_path):
    """Two pictures that differ in their ending only would share one."""
    write_patch(tmp_path / "a.tif", made())
    with pytest.raises(PatchError, match="a.exr: a.patch.yaml is the patch file of another picture in this folder"):
        write_patch(tmp_path / "a.exr", made())
    assert np.array_equal(read_patch(tmp_path / "a.tif").height_mm, made().height_mm)
    (tmp_path / "a.tif").unlink()
    write_patch(tmp_path / "a.exr", made())
    assert np.array_equal(read_patch(tmp_path / "a.exr").height_mm, made().height_mm)


@pytest.mark.parametrize("source", ["", "\udcff"])
def test_terms_that_are_no_text_are_refused_by_name(tmp_path, source):
    patch = HeightPatch("cheek", made().height_mm, 0.0125, provenance=Provenance(source))
    with pytest.raises(PatchError, match="a.tif: cannot be described: a.patch.yaml:9:9: source: found .*; allowed: te"):
        write_patch(tmp_path / "a.tif", patch)
    assert not list(tmp_path.iterdir())


def test_nothing_is_lost_when_the_place_is_no_folder(tmp_path):
    (tmp_path / "taken").write_text("mine")
    with pytest.raises(MapFileError, match="cannot be written") as error:
        write_patch(tmp_path / "taken" / "a.tif", made())
    assert error.value.exit_code == 4
    assert (tmp_path / "taken").read_text() == "mine"
    written = write_patch(tmp_path / "a.tif", made())
    before = written.path.read_bytes()
    written.patch_file.unlink()
    written.patch_file.mkdir()  # the second file cannot be put in place
    with pytest.raises(MapFileError):
        write_patch(tmp_path / "a.tif", made(periodic=False))
    assert written.path.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.patch.yaml", "a.tif", "taken"]


@pytest.mark.parametrize("name", ["a.tif", "a.exr"])
def test_a_full_disk_is_told_and_leaves_what_was_there(tmp_path, name):
    """A limit on the size of files stands for the disk: writes beyond it fail alike."""
    written = write_patch(tmp_path / name, made())
    before = written.path.read_bytes(), written.patch_file.read_bytes()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (5000, hard))
    try:
        with pytest.raises(MapFileError, match=f"{name}: cannot be written .*[Ff]ile too large"):
            write_patch(tmp_path / name, made(periodic=False))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert (written.path.read_bytes(), written.patch_file.read_bytes()) == before
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize(("least", "round_number"), [(27.6, 30), (80.4, 90), (165.0, 180), (235.4, 240), (0.2, 5)])
def test_the_full_height_is_a_round_number(least, round_number):
    assert round_height_um(least) == round_number
