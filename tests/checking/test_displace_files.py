"""Files in a folder, taken to the mesh by the command."""

from __future__ import annotations

import re
import shutil

import pytest
from command_line import run_here
from plate import written_plate


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = written_plate(tmp_path_factory.mktemp("plate"))
    words = ("export", "plate.yaml", "-o", "set", "--encoding", "u16-mid", "--maps", "normal")
    assert run_here(*words, cwd=folder).returncode == 0
    assert run_here("export", "plate.yaml", "-o", "split", "--split-edge-um", "900", cwd=folder).returncode == 0
    return folder


def test_a_set_is_displaced_and_told(made):
    done = run_here("check", "set", "--recipe", "plate.yaml", "--displace", "plate.obj", cwd=made)
    assert done.returncode == 0, done.stdout + done.stderr
    shift_um = float(re.search(r"mean shift: ([+-][\d.]+) um", done.stdout)[1])
    assert abs(shift_um) < 0.1
    assert "a map of zero height moves nothing: yes" in done.stdout
    assert "all is well in 2 files" in done.stdout


def test_without_a_recipe_its_unit_is_asked_for(made):
    done = run_here("check", "set", "--displace", "plate.obj", cwd=made)
    assert done.returncode == 2 and "give the unit of the mesh" in " ".join(done.stderr.split())
    done = run_here("check", "set", "--displace", "plate.obj", "--unit", "mm", cwd=made)
    assert done.returncode == 0 and "lost between vertices" in done.stdout
    done = run_here("check", "set", "--unit", "mm", cwd=made)
    assert done.returncode == 2 and "without --displace" in " ".join(done.stderr.split())


def test_a_wrong_scene_is_a_finding_and_ends_with_one(made):
    done = run_here("check", "set", "--recipe", "plate.yaml", "--displace", "plate.obj", "--unit", "cm", cwd=made)
    assert done.returncode == 1
    assert "finding:" in done.stdout and "displaced:" in done.stdout.splitlines()[-1]


def test_a_coarse_part_is_displaced_without_a_relief_to_compare(made):
    done = run_here("check", "split", "--recipe", "plate.yaml", "--displace", "plate.obj", cwd=made)
    assert "lost between vertices" in done.stdout and "mean shift" not in done.stdout


def test_what_cannot_be_displaced_is_told(made, tmp_path):
    shutil.copy(made / "set" / "plate.normal.1001.tif", tmp_path)
    shutil.copy(made / "set" / "plate.normal.1001.tif.json", tmp_path)
    shutil.copy(made / "plate.obj", tmp_path)
    done = run_here("check", ".", "--displace", "plate.obj", "--unit", "mm", cwd=tmp_path)
    assert done.returncode == 3 and "none of them holds heights" in done.stderr


def test_a_mesh_that_is_not_there_is_told_before_anything_is_laid(made):
    done = run_here("check", "set", "--recipe", "plate.yaml", "--displace", "no.obj", cwd=made)
    assert done.returncode == 3 and "no.obj: cannot be read" in done.stderr and "laying patches" not in done.stderr
    for words in (("--edge-um", "50"), ("--subdivide", "1")):
        done = run_here("check", "set", *words, cwd=made)
        assert done.returncode == 2 and "without --displace" in " ".join(done.stderr.split())


def test_findings_are_told_though_the_mesh_cannot_be_displaced(made, tmp_path):
    shutil.copytree(made / "set", tmp_path / "set")
    (tmp_path / "set" / "plate.1001.tif.json").write_text('{"cut')
    done = run_here("check", "set", "--displace", made / "plate.obj", "--unit", "mm", cwd=tmp_path)
    assert done.returncode == 3 and "the sidecar cannot be read" in done.stderr
    assert "checksum-differs, metadata-differ" in done.stdout.splitlines()[-1]


def test_scene_units_without_a_name(made, tmp_path):
    words = ("export", made / "plate.yaml", "-o", "set", "--unit", "scene", "--scene-unit", "2.5")
    assert run_here(*words, cwd=tmp_path).returncode == 0
    words = ("check", "set", "--recipe", made / "plate.yaml", "--displace", made / "plate.obj")
    done = run_here(*words, cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert abs(float(re.search(r"mean shift: ([+-][\d.]+) um", done.stdout)[1])) < 0.1
    assert 0.95 < float(re.search(r"([\d.]+) times as high as meant", done.stdout)[1]) < 1.05


def test_what_is_not_held_against_the_recipe_is_told(made):
    done = run_here("check", "set", "--recipe", "plate.yaml", cwd=made)
    assert done.returncode == 0
    assert "all is well in 2 files; of these 1 (normal) were checked by themselves only" in done.stdout
