"""Every command from the outside: what it leaves, what it says, how it ends.

Most run inside this process, through the function the installed command calls: a process of its own costs seconds of
starting and loading kernels.  What is about processes (the exit code, the same bytes, what is imported, the whole
demo) is run in new ones.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys

import imageio.v3 as iio
import numpy as np
import pytest
from command_line import run_here, run_process
from meshes_seams import mirrored_square
from plate import RECIPE, written_plate

from poredepth.output import read_map


@pytest.fixture
def folder(tmp_path):
    return written_plate(tmp_path)


def test_compose_writes_map_and_sidecar_and_says_what_a_renderer_must_be_told(folder):
    done = run_process("compose", "plate.yaml", "-o", "out", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "mid             0.0" in done.stdout
    assert "scale           1.0 mm for one full unit of value" in done.stdout
    assert "clipped texels  0" in done.stdout
    assert "seams           none" in done.stdout
    carried = re.search(r"^detail carried  pores: (.*)$", done.stdout, re.M)[1]
    sq_um = 100 * float((iio.imread(folder / "pores.png") / 65535).std())
    told = (
        rf"(\d+) % of Sq {sq_um:.1f} um by texels of 156\.2 um \(median, 256 px\); (\d+) % at 512 px, 100 % at 1024 px"
    )
    shares = re.fullmatch(told, carried)
    assert shares and 0 < int(shares[1]) < int(shares[2]) < 80, carried
    assert "composing" in done.stderr
    height_mm, metadata = read_map(folder / "out" / "plate.exr")
    assert height_mm.std() > 0.0005
    [patch] = metadata.patches
    assert (patch.name, patch.file, patch.source, patch.licence, patch.consent) == (
        "pores", "pores.png", "made here", "MIT", "synthetic",
    )  # fmt: skip
    sidecar = json.loads((folder / "out" / "plate.exr.json").read_text())
    assert sidecar["recipe"] == "plate.yaml"
    assert sidecar["layers"] == ["pores"]
    assert sidecar["texel_um"] == pytest.approx(40000 / 256)
    assert str(folder) not in json.dumps(sidecar)


def test_a_piece_of_a_scan_is_laid_told_and_keeps_its_terms(folder):
    """A 16-bit picture with a mask, fixed by tie points: the map, what inspect says, source, licence and consent."""
    heights = np.full((80, 120), 49152, np.uint16)
    mask = np.zeros((80, 120), np.uint8)
    mask[10:70, 10:110] = 255
    iio.imwrite(folder / "scan.png", heights)
    iio.imwrite(folder / "mask.png", mask)
    ties = ", ".join(
        f"{{px: [{x}, {y}], at: [{14 + x / 10}, {24 - y / 10}, 0.1]}}"
        for x, y in ((10, 10), (110, 12), (60, 70), (60, 40))
    )
    (folder / "plate.yaml").write_text(
        RECIPE.replace("file: pores.png,", "file: scan.png, mask: mask.png,")
        .replace("texel_um: 50", "texel_um: 98")
        .replace(
            "region: middle, place: scatter, print_mm: 8", f"place: registered, feather_mm: 1, tie_points: [{ties}]"
        )
    )
    done = run_here("compose", "plate.yaml", "-o", "out", cwd=folder)
    assert done.returncode == 0, done.stderr
    height_mm, metadata = read_map(folder / "out" / "plate.exr")
    [patch] = metadata.patches
    assert (patch.file, patch.source, patch.licence, patch.consent) == ("scan.png", "made here", "MIT", "synthetic")
    v, u = np.mgrid[0:256, 0:256]
    x, y = (u + 0.5) / 256 * 40, 40 - (v + 0.5) / 256 * 40
    border_mm = np.minimum.reduce([x - 15, 25 - x, y - 17, 23 - y])
    assert height_mm[border_mm > 1.3] == pytest.approx(0.025, abs=2e-5)  # (0.75 - 0.5) * 100 um
    assert np.abs(height_mm[border_mm < -0.5]).max() < 1e-6
    told = run_here("inspect", "plate.yaml", cwd=folder).stdout
    assert "registered by 4 tie points, 100.0 um a pixel (stated 98 um, +2.0 %), stretch 1.00 to 1.00" in told
    tied = "tie_points[3] px [60, 40] at [20, 20, 0.1]: snapped 0.10 mm, residual 0.000 mm, without it 0.00 mm"
    assert tied in " ".join(told.split())
    bad = (folder / "plate.yaml").read_text().replace("px: [60, 40]", "px: [60, 400]")
    (folder / "plate.yaml").write_text(bad)
    done = run_here("compose", "plate.yaml", "-o", "out", cwd=folder)
    assert done.returncode == 3 and "Traceback" not in done.stderr
    assert "layers[0].tie_points[3].px: [60, 400] lies outside the picture of patch 'pores'" in done.stderr


def test_compose_tells_how_even_the_map_is_over_its_seams(folder):
    mesh = mirrored_square()
    lines = [f"v {x} {y} {z}" for x, y, z in mesh.position] + [f"vt {u} {v}" for u, v in mesh.texcoord]
    for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True):
        corners = zip(mesh.face_position[a:b] + 1, mesh.face_texcoord[a:b] + 1, strict=True)
        lines.append("f " + " ".join(f"{v}/{vt}" for v, vt in corners))
    (folder / "plate.obj").write_text("\n".join(lines) + "\n")
    done = run_here("compose", "plate.yaml", "-o", "even", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "making seams even" in done.stderr
    said = re.search(
        r"^seams +eased: both sides ([\d.]+) um apart before, ([\d.]+) um now \(rms\); (\d+) texels changed, "
        r"by up to ([\d.]+) um$", done.stdout, re.M)  # fmt: skip
    before_um, after_um, n_texels, largest_um = map(float, said.groups())
    assert 0.001 < after_um < 0.6 * before_um
    (folder / "plate.yaml").write_text(RECIPE.replace("size_px: 256", "size_px: 256, seams: untouched"))
    assert "seams           untouched" in run_here("compose", "plate.yaml", "-o", "plain", cwd=folder).stdout
    even_mm, plain_mm = (read_map(folder / name / "plate.exr")[0] for name in ("even", "plain"))
    change_mm = np.abs(even_mm.astype(float) - plain_mm)
    assert 1000 * change_mm.max() == pytest.approx(largest_um, rel=0.01)
    assert 0.95 * n_texels < np.count_nonzero(change_mm) <= n_texels
    (folder / "plate.yaml").write_text(RECIPE.replace("size_px: 256", "size_px: 256, seams: true"))
    done = run_here("compose", "plate.yaml", "-o", "none", cwd=folder)
    assert done.returncode == 3
    assert "plate.yaml:12:31: output.seams: found true; allowed: untouched, eased, closed" in done.stderr


def test_compose_twice_gives_the_same_bytes(folder):
    for name in ("a", "b"):
        assert (
            run_process("compose", "plate.yaml", "-o", name, "--threads", 1 + (name == "b"), cwd=folder).returncode == 0
        )
    for file in ("plate.exr", "plate.exr.json"):
        assert (folder / "a" / file).read_bytes() == (folder / "b" / file).read_bytes()


@pytest.mark.parametrize(("format", "suffix"), [("tiff-16", "tif"), ("png-16", "png")])
def test_compose_in_16_bit_fits_the_scale(folder, format, suffix):
    done = run_here("compose", "plate.yaml", "-o", "out", "--format", format, "--size", 128, cwd=folder)
    assert done.returncode == 0, done.stderr
    height_mm, metadata = read_map(folder / "out" / f"plate.{suffix}")
    assert height_mm.shape == (128, 128)
    assert metadata.mid == 32768 / 65535
    assert f"mid             {metadata.mid!r} (code 32768)" in done.stdout
    assert metadata.range_high_mm < metadata.scale_mm * 0.5
    values = iio.imread(folder / "out" / f"plate.{suffix}")
    assert (values[0, 0] / 65535 - metadata.mid) * metadata.scale_mm == pytest.approx(height_mm[0, 0], abs=1e-7)


def test_preview_heights_line_names_the_crop_and_the_picture_is_there(folder):
    done = run_here("preview", "plate.yaml", "--region", "middle", "-o", "look.png", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("look.png: tile 1001, rows ")
    assert iio.imread(folder / "look.png").std() > 5


def test_preview_of_directions_lays_nothing_and_counts_singular_points(folder):
    (folder / "plate.yaml").write_text(RECIPE.replace("{points: [[5, 20, 0], [35, 22, 0]]}",
                                                      "{around: [20, 20, 0], radius_mm: 15, way: rings}"))  # fmt: skip
    done = run_here(
        "preview", "plate.yaml", "--show", "head", "-o", "head.png", "--window", 200, "--pitch", 30, cwd=folder
    )
    assert done.returncode == 0, done.stderr
    assert "turned 0 deg, pitched 30 deg" in done.stdout
    assert iio.imread(folder / "head.png").shape == (200, 200, 3)
    done = run_here("preview", "plate.yaml", "--show", "directions", "-o", "lines.png", "--window", 300, cwd=folder)
    assert done.returncode == 0, done.stderr
    assert done.stdout == (
        "lines.png: directions, head turned 0 deg, pitched 0 deg, 0.149 mm a pixel, 1 singular point of the field, "
        "1 seen\n"
    )
    assert "laying patches" not in done.stderr
    assert iio.imread(folder / "lines.png").shape[1:] == (360, 3)


def test_inspect_mesh_recipe_picture_map_and_schema(folder):
    mesh = run_here("inspect", "plate.obj", cwd=folder)
    assert mesh.returncode == 0, mesh.stderr
    assert "size           40.0 x 40.0 x 0.0 mm (unit mm)" in mesh.stdout
    assert "charts         1, of which 0 mirrored; 0 seam edges" in mesh.stdout
    assert "2048: 19.5 um" in mesh.stdout
    assert "advice" in mesh.stdout  # 40 mm is no head
    recipe = run_here("inspect", "plate.yaml", cwd=folder)
    assert "10 x 10 mm, 50 um a texel" in recipe.stdout
    assert "prints, stretch 1.00 to 1.00" in recipe.stdout
    assert re.search(r"^detail carried +pores: \d+ % of Sq .* um by texels of 156.2 um", recipe.stdout, re.M)
    picture = run_here("inspect", "pores.png", cwd=folder)
    assert "pixels   200 x 200" in picture.stdout
    assert run_here("compose", "plate.yaml", "-o", "out", cwd=folder).returncode == 0
    assert "recipe_hash" in run_here("inspect", "out/plate.exr", cwd=folder).stdout
    assert json.loads(run_here("inspect", "--schema", cwd=folder).stdout)["type"] == "object"


def test_inspect_draws_a_plate_and_lists_landmarks(folder):
    marks = "landmarks: {nasion: [20, 30, 0], high up: [10, 10, 3]}\nseed: 3"
    (folder / "plate.yaml").write_text(RECIPE.replace("seed: 3", marks))
    done = run_here("inspect", "plate.yaml", "--view", "look.png", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "look.png: plate.obj, unit mm, +y up, face along +z" in done.stdout.replace(f"{folder}/", "")
    assert "landmark nasion   [20.0, 30.0, 0.0] (nasion), 0.00 mm off the skin\n" in done.stdout
    assert "landmark high up  [10.0, 10.0, 3.0], 3.00 mm off the skin, more than 1 mm: check it" in done.stdout
    assert "landmark high up" in run_here("inspect", "plate.yaml", cwd=folder).stdout
    named = iio.imread(folder / "look.png")
    done = run_here("inspect", "plate.obj", "--view", "bare.png", cwd=folder)
    assert done.returncode == 0, done.stderr
    bare = iio.imread(folder / "bare.png")
    assert named.shape[1] > bare.shape[1] > 900
    assert np.median(bare) > 200


def test_a_mesh_of_the_wrong_size_is_told_before_the_long_work(folder):
    done = run_here("compose", "plate.yaml", "-o", "out", cwd=folder)
    said = done.stderr.splitlines()
    advice = [line for line in said if line.startswith("advice: ")]
    assert advice and "mm" in advice[0]
    assert said.index(advice[0]) < said.index("laying patches")


def test_charts_that_overlap_are_told_once_by_compose_and_by_inspect(folder):
    text = (folder / "plate.obj").read_text()
    half = [f"vt {min(i % 9, 8 - i % 9) / 8} {i // 9 / 8}" for i in range(81)]  # mirrored about the middle
    lines = [line for line in text.splitlines() if not line.startswith("vt ")]
    (folder / "plate.obj").write_text("\n".join(half + lines) + "\n")
    for words in (["compose", "plate.yaml", "-o", "out", "--size", 64], ["inspect", "plate.yaml"]):
        done = run_here(*words, cwd=folder)
        assert done.returncode == 0, done.stderr
        [warning] = [line for line in done.stderr.splitlines() if line.startswith("warning: ")]
        assert "plate.obj: charts overlap in UV: 800 mm2 of skin (50 % of the charts' area)" in warning
        assert "move the charts of one half by a whole tile (u + 1)" in warning
    [row] = [line for line in done.stdout.splitlines() if line.startswith("UV overlap")]
    assert row.endswith("  800 mm2 of skin under other skin, 50 % of the charts' area (mirrored)")


def test_bad_recipe_ends_with_3_and_all_findings(folder):
    (folder / "plate.yaml").write_text(
        RECIPE.replace("region: middle", "region: midle").replace("print_mm: 8", "print_mm: -8")
    )
    done = run_process("compose", "plate.yaml", cwd=folder)
    assert done.returncode == 3
    assert "plate.yaml:11:41: layers[0].region: " in done.stderr
    assert "did you mean 'middle'?" in done.stderr
    assert "layers[0].print_mm" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["compose", "nothing.yaml"], 3, "nothing.yaml:1:1:"),
        (["compose"], 2, "Missing argument"),
        (["compose", "plate.yaml", "--format", "tif-16"], 2, "did you mean 'tiff-16'?"),
        (["compose", "plate.yaml", "--size", "3"], 2, "--size"),
        (["preview", "plate.yaml", "--region", "midle"], 3, "middle"),
        (["compose", "plate.yaml", "-o", "plate.obj/x"], 4, "choose another with -o"),
        (["compose", "plate.yaml", "-o", "plate.txt"], 4, "error: plate.txt: cannot make the folder"),
        (["inspect", "nothing.obj"], 3, "nothing.obj"),
        (["inspect", "plate.obj", "--unit", "feet"], 2, "allowed: um, mm, cm, m, in"),
        (["preview", "plate.yaml", "-o", "look.jpg"], 2, "a name that ends in .png"),
        (["inspect", "plate.obj", "--view", "look.jpg"], 2, "a name that ends in .png"),
        (["inspect", "pores.png", "--view", "look.png"], 2, "allowed with --view: a mesh"),
        (["inspect", "nothing.obj", "--view", "look.png"], 3, "nothing.obj: no such file"),
        (["inspect", "plate.obj", "--unit", "feet", "--view", "x.png"], 2, "allowed: um, mm, cm, m, in"),
        (["inspect", "plate.obj", "--view", "plate.obj/look.png"], 4, "plate.obj/look.png: cannot be"),
        (["inspect", "nothing"], 3, "nothing: no such file"),
        (["inspect", "plate.txt"], 3, "allowed: .obj, .yaml"),
        (["inspect"], 2, "give a mesh, recipe, picture or map"),
        (["preview", "plate.yaml", "--show", "lines"], 2, "'lines'; allowed: relief, head, directions"),
        (["preview", "plate.yaml", "--show", "head", "--region", "middle"], 2, "not with --show head"),
        (["preview", "plate.yaml", "--show", "directions", "--light", "5"], 2, "not with --show directions"),
        (["preview", "plate.yaml", "--turn", "5"], 2, "not with --show relief"),
        (["preview", "plate.yaml", "--show", "directions", "--window", "4000"], 2, "16 to 2048 pixels"),
        (["preview", "plate.yaml", "--show", "directions", "--region", "midle"], 3, "middle"),
        (["nonsense"], 2, "nonsense"),
    ],
)
def test_bad_input_gets_one_message_and_its_exit_code(folder, words, code, said):
    done = run_here(*words, cwd=folder)
    assert (done.returncode, said in done.stderr) == (code, True), done.stderr
    assert "Traceback" not in done.stderr


def test_heights_beyond_a_given_scale_are_refused_and_nothing_is_left(folder):
    (folder / "plate.yaml").write_text(RECIPE.replace("size_px: 256", "size_px: 64, format: png-16, scale_mm: 0.001"))
    done = run_here("compose", "plate.yaml", "-o", "out", cwd=folder)
    assert done.returncode == 3
    assert "scale" in done.stderr
    assert list((folder / "out").iterdir()) == []


def test_help_names_every_command_and_the_formula(folder):
    done = run_process("--help", cwd=folder)
    for word in ("compose", "preview", "export", "inspect", "demo", "height_mm = (value - mid) * scale_mm"):
        assert word in done.stdout
    assert "poredepth" in run_process("--version", cwd=folder).stdout


def test_help_imports_nothing_heavy(folder):
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "poredepth", "--help"], cwd=folder, capture_output=True, text=True
    )
    loaded = {line.split("|")[-1].strip() for line in done.stderr.splitlines()}
    assert not loaded & {"numpy", "numba", "scipy", "OpenEXR", "pydantic", "imageio", "tifffile"}


def test_demo_composes_two_tiles_and_pictures(tmp_path):
    done = run_process("demo", "-o", "demo", "--size", 256, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    names = {p.name for p in (tmp_path / "demo").iterdir()}
    assert {"head.1001.exr", "head.1002.exr", "head.1001.exr.json", "head.png", "preview-cheek_left.png"} <= names
    height_mm, metadata = read_map(tmp_path / "demo" / "head.1002.exr")
    assert metadata.tile == 1002
    assert height_mm.std() > 0.001
    assert len(metadata.layers) >= 6
    assert {p.consent for p in metadata.patches} == {"synthetic, no person"}
    assert "detail carried" in done.stdout
