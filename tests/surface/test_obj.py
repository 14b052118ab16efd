"""The OBJ reader: every hazard as a small hand-written file, with the whole error message."""

import dataclasses

import numpy as np
import pytest

from poredepth.errors import MeshError, PoredepthWarning
from poredepth.surface.obj import DegenerateFaceWarning, PolygonMesh, read_obj, read_obj_polylines

SQUARE = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\n"
UVS = "vt 0 0\nvt 1 0\nvt 1 1\nvt 0 1\n"


@pytest.fixture
def written(tmp_path):
    """Write a text or bytes as an OBJ file."""

    def write(content, name="head.obj"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def fails(path, message, reader=read_obj):
    """The reader refuses the file with exactly this message; ``{}`` stands for the path."""
    with pytest.raises(MeshError) as caught:
        reader(path)
    assert str(caught.value) == message.replace("{}", str(path))


def faces_of(mesh, index=None):
    index = mesh.face_position if index is None else index
    return [part.tolist() for part in np.split(index, mesh.face_start[1:-1])]


# ---- what a file may hold


def test_square_with_texcoords(written):
    path = written(SQUARE + UVS + "vn 0 0 1\nf 1/1/1 2/2/1 3/3/1 4/4/1\n")
    mesh = read_obj(path)
    np.testing.assert_array_equal(mesh.position, [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    np.testing.assert_array_equal(mesh.texcoord, [[0, 0], [1, 0], [1, 1], [0, 1]])
    assert faces_of(mesh) == [[0, 1, 2, 3]] and faces_of(mesh, mesh.face_texcoord) == [[0, 1, 2, 3]]
    assert mesh.face_start.tolist() == [0, 4] and mesh.face_group.tolist() == [0]
    assert mesh.group_names == ("default",) and mesh.lines == () and mesh.file == str(path)
    assert (mesh.n_faces, mesh.n_corners, mesh.face_size.tolist()) == (1, 4, [4])
    wanted = {"position": "f8", "texcoord": "f8", "face_start": "i8", "face_position": "i8", "face_texcoord": "i8"}
    for name, dtype in {**wanted, "face_group": "i4"}.items():
        assert getattr(mesh, name).dtype == np.dtype(dtype), name
    with pytest.raises(dataclasses.FrozenInstanceError):
        mesh.file = "other"


@pytest.mark.parametrize(
    ("corners", "texcoord"),
    [
        ("1 2 3", [-1, -1, -1]),
        ("1/3 2/2 3/1", [2, 1, 0]),
        ("1//1 2//1 3//1", [-1, -1, -1]),
        ("1/3/1 2/2/1 3/1/1", [2, 1, 0]),
        ("1/3 2 3/1/9", [2, -1, 0]),
        ("1//1 2/2/1 3", [-1, 1, -1]),
        ("1//1 2/2/1 3//", [-1, 1, -1]),
        ("1/ 2/2/ 3//", [-1, 1, -1]),
        ("1/3/ 2/2/ 3/1/", [2, 1, 0]),
        ("1// 2// 3//", [-1, -1, -1]),
        ("+1/+3 2/2 3/1", [2, 1, 0]),
        ("-4/-2 -3/-3 -2/-4", [2, 1, 0]),
        ("-4//-1 -3//-1 -2//-1", [-1, -1, -1]),
        ("1/3 -3/2 -2/-4", [2, 1, 0]),
    ],
)
def test_every_way_to_write_a_corner(written, corners, texcoord):
    mesh = read_obj(written(SQUARE + UVS + "vn 0 0 1\nf " + corners + "\n"))
    assert faces_of(mesh) == [[0, 1, 2]]
    assert mesh.face_texcoord.tolist() == texcoord


def test_mixed_polygon_sizes_and_mixed_corner_forms(written):
    text = SQUARE + "v 0.5 1.5 0\n" + UVS + "f 1 2 3\nf 1/1 2/2 3/3 4/4\nf 1//7 2//7 3//7 5//7 4//7\n"
    mesh = read_obj(written(text))
    assert faces_of(mesh) == [[0, 1, 2], [0, 1, 2, 3], [0, 1, 2, 4, 3]]
    assert faces_of(mesh, mesh.face_texcoord) == [[-1] * 3, [0, 1, 2, 3], [-1] * 5]
    assert mesh.face_start.tolist() == [0, 3, 7, 12]


def test_extra_numbers_behind_a_position_are_passed_over(written):
    text = "v 0 0 0 1.0\nv 1 0 0 0.5 0.5 0.5\nv 1 1 0 red\nv 0 1 0\n"
    text += "vt 0.25\nvt 0.5 0.75\nvt 0.1 0.2 0.3\nf 1/1 2/2 3/3\n"
    mesh = read_obj(written(text))
    np.testing.assert_array_equal(mesh.position, [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    np.testing.assert_array_equal(mesh.texcoord, [[0.25, 0], [0.5, 0.75], [0.1, 0.2]])


def test_numbers_are_read_to_the_last_bit(written):
    numbers = ["0.1", "-1.7976931348623157e308", "5e-324", "+.5", "3.", "1E+2", "0.30000000000000004", "-0", "12345678"]
    mesh = read_obj(written("".join(f"v {n} {n} {n}\n" for n in numbers) + "f 1 2 3\n"))
    np.testing.assert_array_equal(mesh.position[:, 1], [float(n) for n in numbers])


def test_negative_indices_count_back_from_their_own_line(written):
    mesh = read_obj(written("v 0 0 0\nv 1 0 0\nv 1 1 0\nf -3 -2 -1\nv 5 0 0\nv 6 0 0\nv 6 1 0\nf -3 -2 -1\n"))
    assert faces_of(mesh) == [[0, 1, 2], [3, 4, 5]]


def test_a_face_may_stand_above_its_positions(written):
    mesh = read_obj(written("f 1/1 2/2 3/3\n" + SQUARE + UVS))
    assert faces_of(mesh) == [[0, 1, 2]]
    assert mesh.face_texcoord.tolist() == [0, 1, 2]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_line_ends_and_byte_order_mark(written, end, mark):
    text = "v 0 0 0\nv 1 0 0\nv 1 1 0\n\n# note\ng nose bridge\nf 1 2 3"
    mesh = read_obj(written(mark + text.replace("\n", end).encode()))
    assert faces_of(mesh) == [[0, 1, 2]] and mesh.group_names == ("nose bridge",)
    fails(written(mark + (text + " 9").replace("\n", end).encode()), "{}:7: 'f' corner 4 ('9') names position 9; "
          "allowed: 1 to 3, or -1 to -3 counted back from here; the file may be cut off or pieced together: "
          "export the mesh again")  # fmt: skip


def test_continued_lines_join_and_keep_their_numbers(written):
    text = "# a folder C:\\meshes\\\nv 0 0 \\\n0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nf 1 2 \\\n 3 \\\n4\n"
    assert faces_of(read_obj(written(text))) == [[0, 1, 2, 3]]
    assert faces_of(read_obj(written(text.replace("\n", "\r\n")))) == [[0, 1, 2, 3]]
    fails(written(text + "f 1 2\n"), "{}:10: 'f' has 2 corners; allowed: 3 or more; write an edge as 'l', or delete it")


def test_comments_tabs_and_blanks(written):
    text = "#v 9 9 9\n\tv\t0 0  0 # first\n  v 1 0 0#second\nv 1 1 0\t\n\n   \n"
    text += "f\t1 2\t3  # 4\ng left#2 # a note\nf 3 2 1\n"
    mesh = read_obj(written(text))
    np.testing.assert_array_equal(mesh.position, [[0, 0, 0], [1, 0, 0], [1, 1, 0]])
    assert faces_of(mesh) == [[0, 1, 2], [2, 1, 0]] and mesh.group_names == ("default", "left#2")


def test_unknown_records_are_passed_over(written):
    text = "mtllib a b.mtl\nusemtl skin\ns 1\ns off\nvp 1 2\np 1\ncstype bezier\nfo 1 2\nvnx\n" + SQUARE + "f 1 2 3\n"
    mesh = read_obj(written(text))
    assert faces_of(mesh) == [[0, 1, 2]] and len(mesh.position) == 4


# ---- groups


@pytest.mark.parametrize(
    ("records", "names"),
    [
        ("f", ["default"]),
        ("g nose|f", ["nose"]),
        ("g nose  bridge\tleft|f", ["nose bridge left"]),
        ("g nose|f|g|f", ["nose", "default"]),
        ("g nose|f|g cheek|f|g nose|f", ["nose", "cheek", "nose"]),
        ("o head|f", ["head"]),
        ("o head|g nose|f", ["nose"]),
        ("o head|f|g nose|f", ["head", "nose"]),
        ("o head|g nose|f|o eyes|f", ["nose", "eyes"]),
        ("o head|g|f", ["default"]),
        ("f|g nose|usemtl a|f", ["default", "nose"]),
        ("g unused|g nose|f|g behind", ["nose"]),
        ("g Stirnhöhe|f", ["Stirnhöhe"]),
    ],
)
def test_group_of_each_face(written, records, names):
    text = SQUARE + "\n".join("f 1 2 3" if record == "f" else record for record in records.split("|"))
    mesh = read_obj(written(text))
    assert [mesh.group_names[i] for i in mesh.face_group] == names
    assert mesh.group_names == tuple(dict.fromkeys(names))


# ---- polylines


def test_polylines(written):
    text = SQUARE + UVS + "l 1 2 3\nl 4/4 -3/1\nf 1 2 3\n"
    mesh = read_obj(written(text))
    assert [line.tolist() for line in mesh.lines] == [[0, 1, 2], [3, 1]]
    assert all(line.dtype == np.int64 for line in mesh.lines)
    guides = read_obj_polylines(written(SQUARE + "l 1 2 3\nl 4 2\n"))
    assert [guide.tolist() for guide in guides] == [[[0, 0, 0], [1, 0, 0], [1, 1, 0]], [[0, 1, 0], [1, 0, 0]]]
    assert all(guide.dtype == np.float64 for guide in guides)


def test_polyline_faults(written):
    fails(
        written(SQUARE + "f 1 2 3\n"),
        "{}: no polylines ('l' records); allowed: at least one 'l' record of 2 or more points; "
        "export the guides as curves or edges, not as faces",
        read_obj_polylines,
    )
    fails(
        written(SQUARE + "l 1\n"),
        "{}:5: 'l' has 1 point; allowed: 2 or more; delete the record",
        read_obj_polylines,
    )
    fails(
        written(SQUARE + "l 1 2\nl 3 0\n"),
        "{}:6: 'l' point 2 ('0') names position 0; allowed: 1 to 4, or -1 to -4 counted back from here; "
        "OBJ counts from 1: add 1 to every index",
        read_obj_polylines,
    )


# ---- faults, each with its whole message

NUMBERS = "; allowed: decimal numbers such as 0.5 or -2e-3; "
CORRECT = "correct it or export the mesh again"
FINITE = ", which is not finite; allowed: finite numbers; repair that point in the modelling program"
CORNER = "; allowed: a, a/b, a//c or a/b/c in whole numbers; " + CORRECT
CUT_LINE = "; the line may be cut off: export the mesh again"
CUT_OFF = "the file may be cut off or pieced together: export the mesh again"
BACK = ", or -1 to -4 counted back from here; "


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("v 0 0 0\nv 1 0\nv a 0 0", "2: 'v' has 2 numbers; allowed: 3 or more" + CUT_LINE),
        ("v\n", "1: 'v' has 0 numbers; allowed: 3 or more" + CUT_LINE),
        ("v 1 # 2 3", "1: 'v' has 1 number; allowed: 3 or more" + CUT_LINE),
        (SQUARE + "vt\nf 1 2 3", "5: 'vt' has 0 numbers; allowed: 1 or more" + CUT_LINE),
        ("v 0 0 0\n\nv 1 x 0", "3: 'v' has 'x'" + NUMBERS + CORRECT),
        ("v 0,5 0 0", "1: 'v' has '0,5'" + NUMBERS + "write a decimal point, not a comma"),
        ("v 1_0 0 0", "1: 'v' has '1_0'" + NUMBERS + CORRECT),
        ("v ٣ 0 0", "1: 'v' has '٣'" + NUMBERS + CORRECT),
        ("v 0x10 0 0", "1: 'v' has '0x10'" + NUMBERS + CORRECT),
        ("v 0 0 0\nv 0 nan 0", "2: 'v' has 'nan'" + FINITE),
        ("v 0 0 -Inf", "1: 'v' has '-Inf'" + FINITE),
        ("v 0 1e999 0", "1: 'v' has '1e999'" + FINITE),
        ("vt 0 nan", "1: 'vt' has 'nan'" + FINITE),
        (SQUARE + "f 1 2", "5: 'f' has 2 corners; allowed: 3 or more; write an edge as 'l', or delete it"),
        (SQUARE + "f 1 2 3\nf 1", "6: 'f' has 1 corner; allowed: 3 or more; write an edge as 'l', or delete it"),
        (SQUARE + "f", "5: 'f' has 0 corners; allowed: 3 or more; write an edge as 'l', or delete it"),
        (SQUARE + "f 1 2 3\nf 1 2 5", "6: 'f' corner 3 ('5') names position 5; allowed: 1 to 4" + BACK + CUT_OFF),
        (
            SQUARE + "f 0 1 2",
            "5: 'f' corner 1 ('0') names position 0; allowed: 1 to 4"
            + BACK + "OBJ counts from 1: add 1 to every index",
        ),
        (
            SQUARE + "f 1 -5 2\nv 9 9 9",
            "5: 'f' corner 2 ('-5') names position -5; allowed: 1 to 5" + BACK
            + "put the face below its 'v' records, or export the mesh again",
        ),
        (
            "f -1 -2 -3\n" + SQUARE,
            "1: 'f' corner 1 ('-1') names position -1; allowed: 1 to 4; "
            "put the face below its 'v' records, or export the mesh again",
        ),
        (
            SQUARE + "f 1/1 2/2 3/3",
            "5: 'f' corner 1 ('1/1') names texture coordinate 1; allowed: none, the file has no 'vt'; " + CUT_OFF,
        ),
        (
            SQUARE + UVS + "f 1/1 2/2 3/5",
            "9: 'f' corner 3 ('3/5') names texture coordinate 5; allowed: 1 to 4" + BACK + CUT_OFF,
        ),
        ("f 1 2 3", "1: 'f' corner 1 ('1') names position 1; allowed: none, the file has no 'v'; " + CUT_OFF),
        (
            SQUARE + "f 1 2 99999999999999999999999",
            "5: 'f' corner 3 ('99999999999999999999999') names position a number that is too long; allowed: 1 to 4"
            + BACK + CUT_OFF,
        ),
        (SQUARE + "f 1 2 3.0", "5: 'f' corner 3 is '3.0'" + CORNER),
        (SQUARE + "f 1 2 3\nf 1 x 3", "6: 'f' corner 2 is 'x'" + CORNER),
        (SQUARE + "f 1 /2 3", "5: 'f' corner 2 is '/2'" + CORNER),
        (SQUARE + "f 1/1/1/1 2/2/2/2 3/3/3/3", "5: 'f' corner 1 is '1/1/1/1'" + CORNER),
        (SQUARE + "f 1 / 2 3", "5: 'f' corner 2 is '/'" + CORNER),
        (SQUARE + "f 1_0 2 3", "5: 'f' corner 1 is '1_0'" + CORNER),
    ],
)  # fmt: skip
def test_fault_messages(written, text, message):
    fails(written(text), "{}:" + message)


NO_FACES = (
    "{}: no faces ('f' records); allowed: at least one face of 3 or more corners; export polygons, not points or curves"
)


def test_files_that_are_no_mesh(written, tmp_path):
    fails(written(""), NO_FACES)
    fails(written(SQUARE), NO_FACES)
    fails(
        tmp_path / "absent.obj",
        "{}: cannot be read (No such file or directory); allowed: an OBJ file; check the path and its spelling",
    )
    fails(tmp_path, "{}: cannot be read (Is a directory); allowed: an OBJ file; check the path and its spelling")
    fails(
        written(b"v 0 0 0\nglTF\x02\x00\x00"),
        "{}:2: a zero byte, so this is no text file; allowed: OBJ text in UTF-8; export the mesh as OBJ text",
    )
    fails(
        written(SQUARE.encode("utf-16")),
        "{}:1: a zero byte, so this is no text file; allowed: OBJ text in UTF-8; export the mesh as OBJ text",
    )
    fails(
        written(b"v 0 0 0\r# \r\ng Stirnh\xf6he\r\n"),
        "{}:3: byte 0xf6 is not UTF-8; allowed: OBJ text in UTF-8; export the mesh as OBJ text or save it as UTF-8",
    )


# ---- degenerate faces


def test_a_face_that_names_a_position_twice_is_left_out(written):
    faces = "g a\nf 1/1 2/2 2/2\ng b\nf 1/4 2/3 3/2 4/1\nf 1/1 2/2 3/3 -4/4\ng c\nf 4/1 2/2 1/3\n"
    path = written(SQUARE + UVS + faces)
    with pytest.warns(DegenerateFaceWarning) as caught:
        mesh = read_obj(path)
    assert len(caught) == 1 and issubclass(DegenerateFaceWarning, PoredepthWarning)
    warning = caught[0].message
    assert (warning.count, warning.place) == (2, f"{path}:10")
    assert str(warning) == (
        f"{path}:10: 2 faces name a position more than once and were left out (this is the first); "
        "allowed: each position once in a face; merge or delete collapsed edges in the modelling program"
    )
    assert caught[0].filename == __file__
    assert faces_of(mesh) == [[0, 1, 2, 3], [3, 1, 0]]
    assert faces_of(mesh, mesh.face_texcoord) == [[3, 2, 1, 0], [0, 1, 2]]
    assert mesh.group_names == ("b", "c") and mesh.face_group.tolist() == [0, 1]


def test_a_file_of_degenerate_faces_alone_is_refused(written):
    path = written(SQUARE + "f 1 2 1\n")
    with pytest.warns(DegenerateFaceWarning, match=":5: 1 face names a position more than once and was left out"):
        fails(
            path,
            "{}: every face names a position more than once; allowed: at least one face of 3 or more different "
            "positions; export the mesh again",
        )


def test_a_texcoord_named_twice_is_no_fault(written):
    mesh = read_obj(written(SQUARE + UVS + "f 1/1 2/1 3/1\n"))
    assert mesh.face_texcoord.tolist() == [0, 0, 0]


# ---- the fast and the slow way, and larger files


def test_the_slow_way_reads_the_same_as_the_fast_one(written):
    rng = np.random.default_rng(5)
    n = 40
    position = rng.normal(size=(n * n, 3))
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in position.tolist()]
    lines += [f"vt {u!r} {v!r}" for u, v in rng.random((n * n, 2)).tolist()]
    corner = np.arange(n * n).reshape(n, n) + 1
    quads = np.stack([corner[:-1, :-1], corner[1:, :-1], corner[1:, 1:], corner[:-1, 1:]], axis=-1).reshape(-1, 4)
    lines += ["f " + " ".join(f"{k}/{n * n + 1 - k}" for k in quad) for quad in quads.tolist()]
    fast = read_obj(written("\n".join(lines)))
    slow = read_obj(written("\n".join([*lines, f"f 1 {n * n}/1/1 2//"])))
    np.testing.assert_array_equal(fast.position, position)
    np.testing.assert_array_equal(fast.face_position.reshape(-1, 4), quads - 1)
    np.testing.assert_array_equal(fast.face_texcoord, n * n - 1 - fast.face_position)
    np.testing.assert_array_equal(slow.face_position[:-3], fast.face_position)
    np.testing.assert_array_equal(slow.face_texcoord[:-3], fast.face_texcoord)
    assert slow.face_texcoord[-3:].tolist() == [-1, 0, -1] and slow.face_position[-3:].tolist() == [0, n * n - 1, 1]
    np.testing.assert_array_equal(fast.position, slow.position)
    np.testing.assert_array_equal(fast.texcoord, slow.texcoord)


# ---- from Python arrays


def test_from_arrays_matches_the_reader(written):
    mesh = PolygonMesh.from_arrays(
        [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]],
        [[0, 1, 2], [0, 1, 2, 3]],
        [[0, 0], [1, 0], [1, 1], [0, 1]],
        [[0, -1, 2], [3, 2, 1, 0]],
        groups=["nose", "cheek"],
    )
    read = read_obj(written(SQUARE + UVS + "g nose\nf 1/1 2 3/3\ng cheek\nf 1/4 2/3 3/2 4/1\n"))
    for name in ("position", "texcoord", "face_start", "face_position", "face_texcoord", "face_group"):
        np.testing.assert_array_equal(getattr(mesh, name), getattr(read, name))
        assert getattr(mesh, name).dtype == getattr(read, name).dtype
    assert mesh.group_names == read.group_names and mesh.file == "mesh"


def test_from_arrays_takes_an_index_array_and_copies_the_points():
    position = np.eye(3)
    mesh = PolygonMesh.from_arrays(position, np.array([[0, 1, 2], [2, 1, 0]], np.uint32), file="tetra")
    position[:] = 7
    np.testing.assert_array_equal(mesh.position, np.eye(3))
    assert faces_of(mesh) == [[0, 1, 2], [2, 1, 0]] and mesh.face_texcoord.tolist() == [-1] * 6
    assert mesh.texcoord.shape == (0, 2) and mesh.group_names == ("default",) and mesh.file == "tetra"


def test_from_arrays_leaves_degenerate_faces_out():
    with pytest.warns(DegenerateFaceWarning, match=r"^mesh: faces\[1\]: 1 face names"):
        mesh = PolygonMesh.from_arrays(np.eye(3), [[0, 1, 2], [0, 1, 1]], groups=["a", "b"])
    assert faces_of(mesh) == [[0, 1, 2]] and mesh.group_names == ("a",)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"position": np.eye(2)}, "position has shape (2, 2); allowed: (n, 3); reshape it"),
        ({"position": "abc"}, "position holds no plain numbers; allowed: (n, 3) numbers; check it"),
        (
            {"position": np.full((3, 3), np.nan)},
            "position[0] is not finite; allowed: finite numbers; repair that point",
        ),
        ({"faces": []}, "no faces; allowed: at least one face of 3 or more corners; pass the polygons"),
        ({"faces": [[0, 1, 2], [0, 1]]}, "faces[1] has 2 corners; allowed: 3 or more; leave that face out"),
        ({"faces": [[0, 1, 3]]}, "faces[0] names 3; allowed: 0 to 2; indices count from 0 here"),
        ({"faces": [[0, 1, -1]]}, "faces[0] names -1; allowed: 0 to 2; indices count from 0 here"),
        ({"faces": [[0, 1, 2.0]]}, "faces holds float64 values; allowed: whole numbers; convert them to integers"),
        ({"faces": [0, 1, 2]}, "faces is no list of lists; allowed: one list of indices for each face"),
        (
            {"texcoord": [[0, 0]], "face_texcoord": [[0, 0, 1]]},
            "face_texcoord[0] names 1; allowed: -1 to 0; indices count from 0 here",
        ),
        (
            {"texcoord": [[0, 0]], "face_texcoord": [[0, 0]]},
            "face_texcoord has other corner counts than faces; allowed: one index for each corner, -1 for none; "
            "build both from the same polygons",
        ),
        (
            {"groups": ["a", "b"]},
            "groups has 2 names; allowed: one for each of the 1 faces; repeat the name for every face of a group",
        ),
    ],
)
def test_from_arrays_faults(arguments, message):
    with pytest.raises(MeshError) as caught:
        PolygonMesh.from_arrays(**{"position": np.eye(3), "faces": [[0, 1, 2]], **arguments})
    assert str(caught.value) == "mesh: " + message
