"""``poredepth patch`` and ``inspect`` of patches from the outside: what they leave, what they say, how they end."""

from __future__ import annotations

import struct
import zlib

import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
from command_line import run_here
from PIL import Image
from ruamel.yaml import YAML

from poredepth.patch.store import read_patch
from poredepth.patch.synthesise import synthesise


@pytest.fixture(scope="module")
def skin_mm():
    return synthesise("pores", size_mm=6, texel_um=20, seed=2).height_mm


@pytest.fixture
def folder(tmp_path, skin_mm):
    tilted = skin_mm + np.linspace(-0.05, 0.05, 300)
    codes = np.round((tilted / 0.4 + 0.5) * 65535).astype(np.uint16)
    iio.imwrite(tmp_path / "scan.png", codes)
    return tmp_path


def test_a_picture_becomes_a_patch_that_a_recipe_lays_by_name(folder, skin_mm):
    done = run_here(
        "patch", "prepare", "scan.png", "-o", "new/cheek.tif", "--texel-um", 20, "--height-um", 400, "--sheet",
        "cheek.png", "--source", "own scan", "--licence", "CC0-1.0", "--consent", "signed 2026-11-02", cwd=folder,
    )  # fmt: skip
    assert (done.returncode, "Traceback" in done.stderr) == (0, False), done.stderr
    patch = read_patch(folder / "new" / "cheek.tif")
    assert patch.periodic and patch.texel_mm == 0.02
    assert patch.provenance.consent == "signed 2026-11-02"
    assert any(line.startswith("form taken off: ") for line in patch.provenance.history)
    facts = YAML(typ="safe").load((folder / "new" / "cheek.patch.yaml").read_text())
    assert facts["texture"]["sq_um"] == pytest.approx(1000 * patch.sq_mm, rel=1e-5)
    for said in (
        "form taken off",
        "Sq by wavelength",
        "pits",
        "border",
        "in a recipe:",
        "cheek: {file: new/cheek.tif}",
    ):
        assert said in done.stdout, said
    for stage in ("reading the picture", "cleaning", "making it tile", "writing the patch", "drawing the sheet"):
        assert stage in done.stderr
    assert iio.imread(folder / "cheek.png").shape[1] == 1800
    seen = run_here("inspect", "new/cheek.tif", cwd=folder)
    by_file = run_here("inspect", "new/cheek.patch.yaml", cwd=folder)
    assert seen.returncode == by_file.returncode == 0
    assert seen.stdout.splitlines()[1:] == by_file.stdout.splitlines()[1:]
    assert f"Sq {facts['texture']['sq_um']:.4g} um" in seen.stdout


def test_a_patch_out_of_numbers(folder):
    words = (
        "patch",
        "synthesise",
        "pores",
        "--region",
        "nose",
        "--size-mm",
        6,
        "--seed",
        5,
        "--set",
        "density_per_cm2=90",
    )
    for name in ("a.tif", "b.tif"):
        done = run_here(*words, "--set", "diameter_um=300,400", "-o", name, cwd=folder)
        assert done.returncode == 0, done.stderr
    assert (folder / "a.tif").read_bytes() == (folder / "b.tif").read_bytes()
    patch = read_patch(folder / "a.tif")
    assert patch.height_mm.shape == (300, 300) and patch.periodic
    assert "density_per_cm2 90, diameter_um 300 to 400" in patch.provenance.history[1]
    assert patch.provenance.history[0] == "synthesised: pores of the nose, seed 5"
    assert patch.provenance.consent == "synthetic, no person"


def test_the_numbers_of_a_kind_are_listed_with_where_they_come_from(folder):
    done = run_here("patch", "synthesise", "pores", "--region", "nose", "--list", cwd=folder)
    assert done.returncode == 0
    assert done.stdout.startswith("pores: regions cheek, nose, forehead, chin; numbers of nose")
    assert "density_per_cm2       120" in done.stdout and "Jung et al. 2014" in done.stdout


def test_a_picture_with_stated_size_is_inspected_as_a_patch(folder, skin_mm):
    tifffile.imwrite(folder / "tile.tif", skin_mm)
    done = run_here("inspect", "tile.tif", "--texel-um", 20, "--height-um", 1000, cwd=folder)
    assert done.returncode == 0, done.stderr
    assert f"Sq {1000 * skin_mm.std(dtype=float):.4g} um" in done.stdout and "tiles             yes" in done.stdout
    words = ("--texel-um", 20, "--height-um", 400)
    ramp = run_here("inspect", "scan.png", *words, cwd=folder)
    assert "no: for place: registered only" in ramp.stdout
    assert run_here("patch", "prepare", "scan.png", "-o", "scan.tif", *words, cwd=folder).returncode == 0
    assert run_here("inspect", "scan.png", *words, cwd=folder).stdout == ramp.stdout  # the patch file is not its own
    assert run_here("inspect", "scan.png", cwd=folder).stdout.startswith("picture")
    alone = run_here("inspect", "scan.png", "--texel-um", 20, cwd=folder)
    assert (alone.returncode, "height_um is not known" in alone.stderr) == (3, True)


def png(width, height, rows, bits=16, colour=0):
    """A PNG as the standard says, of any size in its head and any data."""

    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    data = zlib.compress(rows)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def _bad_pictures(folder, skin_mm):
    tifffile.imwrite(folder / "nothing.tif", np.full((50, 50), np.nan, np.float32))
    tifffile.imwrite(folder / "half.tif", np.where(np.indices((60, 60)).sum(0) % 2, np.nan, 1).astype(np.float32))
    per_cm = (1e4 / 25, 1e4 / 25)
    tifffile.imwrite(folder / "tagged.tif", skin_mm, resolution=per_cm, resolutionunit="CENTIMETER")
    rng = np.random.default_rng(0)
    Image.fromarray(rng.integers(0, 255, (60, 60, 3), np.uint8)).save(folder / "colour.png")
    Image.fromarray(rng.integers(0, 255, (60, 60), np.uint8)).save(folder / "photo.jpg")
    (folder / "one.png").write_bytes(png(1, 1, b"\0\1\2"))
    (folder / "line.png").write_bytes(png(65536, 1, b"\0" + bytes(2 * 65536)))
    (folder / "cut.png").write_bytes((folder / "scan.png").read_bytes()[:5000])
    (folder / "empty.png").write_bytes(b"")


@pytest.mark.parametrize(
    ("name", "more", "code", "said"),
    [
        ("tagged.tif", ["--texel-um", 20], 3, "20 um wide"),
        ("colour.png", [], 3, "a colour picture"),
        ("photo.jpg", [], 3, "JPEG"),
        ("nothing.tif", [], 3, "no value in it is a finite number"),
        ("half.tif", [], 3, "half.tif: holes: 50% of the picture has no data"),
        ("one.png", [], 3, "found 1 x 1"),
        ("line.png", [], 3, "found 1 x 65536"),
        ("cut.png", [], 3, "truncated"),
        ("empty.png", [], 3, "an empty file"),
        ("missing.png", [], 3, "no such file"),
        ("long" * 100 + ".png", [], 3, "no such file"),
        ("scan.png", ["-o", "long" * 100 + ".tif"], 4, "cannot be written"),
        (".", [], 3, "cannot be read"),
        ("scan.png", ["--height-um", 0], 3, "height_um is 0"),
        ("scan.png", ["--crop", 200, 0, 200, 100], 3, "crop"),
        ("scan.png", ["--form", "bent"], 3, "allowed: auto, none, tilt, bend"),
        ("scan.png", ["--tile", "always"], 3, "allowed"),
        ("scan.png", ["--colour", "grey"], 3, "allowed: refuse, linear, srgb"),
        ("scan.png", ["-o", "patch.jpg"], 3, "allowed for a patch: .tif, .tiff, .exr"),
        ("scan.png", ["--format", "tiff-8"], 3, "allowed: tiff-float, exr-float, tiff-16"),
        ("scan.png", ["--sheet", "sheet.jpg"], 2, "a name that ends in .png"),
        ("scan.png", ["-o", "scan.png/patch.tif"], 4, "cannot be written"),
    ],
)
def test_bad_input_gets_one_message_and_leaves_nothing(folder, skin_mm, name, more, code, said):
    _bad_pictures(folder, skin_mm)
    size = [] if name in ("tagged.tif",) else ["--texel-um", 20]
    height = [] if "--height-um" in more else ["--height-um", 400]
    output = [] if "-o" in more else ["-o", "patch.tif"]
    before = sorted(p.name for p in folder.iterdir())
    done = run_here("patch", "prepare", name, *output, *size, *height, *more, cwd=folder)
    assert (done.returncode, said in done.stderr) == (code, True), done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.count("error:") <= 1
    assert sorted(p.name for p in folder.iterdir()) == before


@pytest.mark.parametrize(
    "words",
    [
        ("patch", "prepare", "scan.tif", "-o", "scan.tif"),
        ("patch", "prepare", "scan.tif", "-o", "linked.tif"),
        ("patch", "prepare", "scan.png", "-o", "new.tif", "--sheet", "scan.png"),
        ("inspect", "scan.png", "--sheet", "scan.png"),
    ],
)
def test_the_picture_that_is_read_is_never_written_onto(folder, skin_mm, words):
    tifffile.imwrite(folder / "scan.tif", skin_mm)
    (folder / "linked.tif").symlink_to("scan.tif")
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    done = run_here(*words, "--texel-um", 20, "--height-um", 1000, cwd=folder)
    assert (done.returncode, "is the picture itself" in done.stderr) == (2, True), done.stderr
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["head.obj", "--sheet", "a.png"], "allowed with --sheet: a patch or a picture"),
        (["head.yaml", "--texel-um", 20], "allowed with --texel-um: a patch or a picture"),
        (["head.yaml", "--repeats", "cheek", "--sheet", "a.png"], "allowed without --view and --repeats"),
        (["head.obj", "--view", "a.png", "--sheet", "b.png"], "allowed without --view and --repeats"),
    ],
)
def test_options_that_would_do_nothing_are_refused(folder, words, said):
    done = run_here("inspect", *words, cwd=folder)
    assert (done.returncode, said in done.stderr) == (2, True), done.stderr


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["stubble", "-o", "a.tif"], 3, "no kind 'stubble'; allowed: pores, lines, wrinkles, grain"),
        (["pores", "--region", "nosse", "-o", "a.tif"], 3, "did you mean 'nose'?"),
        (["pores", "--set", "density_per_cm=90", "-o", "a.tif"], 3, "did you mean 'density_per_cm2'?"),
        (["pores", "--set", "depth_um=9000", "-o", "a.tif"], 3, "depth_um"),
        (["pores", "--set", "depth_um", "-o", "a.tif"], 2, "allowed: NAME=NUMBER or NAME=LEAST,MOST"),
        (["pores", "--size-mm", 1.01, "-o", "a.tif"], 3, "allowed is a whole"),
        (["grain", "--texel-um", 1e-3, "-o", "a.tif"], 3, "at most 32768"),
        (["grain", "--size-mm", 1e300, "--texel-um", 1e-300, "-o", "a.tif"], 3, "at most 32768"),
        (["pores", "--set", "density_per_cm2=2000", "--size-mm", 6, "-o", "a.tif"], 3, "fit"),
        (["pores"], 2, "give the picture to write"),
    ],
)
def test_bad_numbers_get_one_message(folder, words, code, said):
    done = run_here("patch", "synthesise", *words, cwd=folder)
    assert (done.returncode, said in done.stderr) == (code, True), done.stderr
    assert not (folder / "a.tif").exists()
