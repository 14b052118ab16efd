"""``poredepth inspect --repeats`` from the outside."""

from __future__ import annotations

import re

import imageio.v3 as iio
import numpy as np
import pytest
from meshes import flat_mesh
from scipy.ndimage import gaussian_filter
from typer.testing import CliRunner

from poredepth.cli.main import app

RECIPE = """\
poredepth: 1
mesh: {file: plate.obj, unit: mm}
directions:
  - {points: [[5, 20, 0], [35, 20, 0]]}
regions:
  middle: {center: [20, 20, 0], radius_mm: 16, feather_mm: 2}
patches:
  pores: {file: pores.png, texel_um: 100, height_um: 100}
layers:
  - {name: tiles, patch: pores, region: middle, place: spread}
  - {name: scattered, patch: pores, region: middle, place: scatter, print_mm: 5}
output: {size_px: 256}
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    mesh = flat_mesh(40, 40, 20)
    lines = [f"v {x} {y} {z}" for x, y, z in mesh.position] + [f"vt {u} {v}" for u, v in mesh.texcoord]
    for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True):
        lines.append("f " + " ".join(f"{i + 1}/{i + 1}" for i in mesh.face_position[a:b]))
    (tmp_path / "plate.obj").write_text("\n".join(lines) + "\n")
    noise = gaussian_filter(np.random.default_rng(0).normal(size=(80, 80)), 2, mode="wrap")
    iio.imwrite(
        tmp_path / "pores.png", np.round((0.5 + 0.1 * noise / noise.std()).clip(0, 1) * 65535).astype(np.uint16)
    )
    (tmp_path / "plate.yaml").write_text(RECIPE)
    monkeypatch.chdir(tmp_path)


def _run(*words):
    return CliRunner().invoke(app, [*map(str, words)])


@pytest.mark.usefixtures("folder")
def test_repeats_are_told_for_each_layer_and_the_mix():
    done = _run("inspect", "plate.yaml", "--repeats", "middle")
    assert done.exit_code == 0, done.output
    rows = dict(re.findall(r"^(.*?)  +(.*)$", done.stdout, re.M))
    assert re.fullmatch(r"\d\.\d cm2 of it laid flat, stretch 1\.00 to 1\.00", rows["region middle"])
    told = (
        r"largest (\d\.\d\d) at (\d+\.\d) mm \(.* along, .* across the skin's direction(, best at \[.*\] and \[.*\])?\)"
        r", by chance \d\.\d\d; turned by half \d\.\d\d; (not )?seen as a repeat"
    )
    found = {name: re.fullmatch(told, rows[f"repeats of {name}"]) for name in ("tiles", "scattered", "the mix")}
    assert float(found["tiles"][1]) > 0.98 and float(found["tiles"][2]) == 8.0
    assert found["tiles"][3] and not found["tiles"][4]
    assert float(found["scattered"][1]) < 0.25
    assert found["scattered"][4] and not found["scattered"][3]
    assert rows["advice"] == "above 0.3 an eye sees a repeat; 1 is plain tiling, 0 none at all"


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("words", "exit_code", "message"),
    [
        (("plate.yaml", "--repeats", "midle"), 3, "did you mean 'middle'"),
        (("plate.obj", "--repeats", "middle"), 2, "allowed with --repeats: a recipe"),
        (("plate.yaml", "--repeats", "middle", "--view", "x.png"), 2, "allowed without --view"),
        (("plat.yaml", "--repeats", "middle"), 3, "no such file"),
    ],
)
def test_what_cannot_be_measured_is_said(words, exit_code, message):
    done = _run("inspect", *words)
    assert done.exit_code == exit_code or (done.exit_code == 1 and done.exception.exit_code == exit_code)
    assert message in re.sub(r"\s+", " ", done.output + str(done.exception))
