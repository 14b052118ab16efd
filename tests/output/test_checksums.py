"""Checksums, against published digests and the program that reads such files."""

from __future__ import annotations

import shutil
import subprocess

import pytest

from poredepth.errors import MapFileError
from poredepth.output.checksums import FileTrouble, read_checksums, verify, write_checksums

#: SHA-256 of "abc" and of nothing.  Source: FIPS 180-4 examples (NIST).
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
EMPTY = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
ODD_NAMES = ["b.exr", "a b.txt", "back\\slash", "new\nline", "\\n", "grün.png", "*star"]


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "maps").mkdir()
    for name in ODD_NAMES:
        (tmp_path / name).write_bytes(b"abc")
    (tmp_path / "maps" / "x.exr").write_bytes(b"")
    return tmp_path


def test_known_digests_and_the_format(folder):
    path = write_checksums(folder, ["maps/x.exr", folder / "b.exr", "b.exr"])
    assert path.name == "checksums.sha256"
    assert path.read_text() == f"{ABC}  b.exr\n{EMPTY}  maps/x.exr\n"
    assert read_checksums(folder) == read_checksums(path) == {"b.exr": ABC, "maps/x.exr": EMPTY}
    assert verify(folder) == []


def test_the_program_agrees(folder):
    """GNU ``sha256sum`` writes the same lines and accepts ours, odd names too (where it is installed)."""
    write_checksums(folder, ODD_NAMES)
    assert read_checksums(folder) == dict.fromkeys(ODD_NAMES, ABC)
    if shutil.which("sha256sum"):
        checked = subprocess.run(["sha256sum", "-c", "--strict", "checksums.sha256"], cwd=folder, capture_output=True)
        assert checked.returncode == 0, checked.stderr
        theirs = subprocess.run(["sha256sum", "--", *ODD_NAMES], cwd=folder, capture_output=True).stdout
        assert sorted(theirs.splitlines()) == sorted((folder / "checksums.sha256").read_bytes().splitlines())


def test_missing_and_changed_files_are_found(folder):
    write_checksums(folder, ["b.exr", "a b.txt", "maps/x.exr"])
    (folder / "b.exr").write_bytes(b"abd")
    (folder / "a b.txt").unlink()
    assert verify(folder) == [FileTrouble("a b.txt", "missing"), FileTrouble("b.exr", "changed")]
    assert str(verify(folder)[1]) == "b.exr: changed"


def test_a_large_file_is_read_in_pieces(folder):
    """One million letters a.  Source: FIPS 180-4 examples (NIST)."""
    (folder / "large").write_bytes(b"a" * 1_000_000)
    write_checksums(folder, ["large"])
    assert read_checksums(folder)["large"] == "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"


def test_its_own_file_is_left_out(folder):
    write_checksums(folder, ["b.exr"])
    write_checksums(folder, [path for path in folder.iterdir() if path.is_file()])
    assert "checksums.sha256" not in read_checksums(folder)
    assert verify(folder) == []


def test_other_programs_spellings_are_read(folder):
    (folder / "checksums.sha256").write_bytes(f"{ABC.upper()} *b.exr\r\n\r\n{EMPTY}  maps/x.exr\r\n".encode())
    assert verify(folder) == []


@pytest.mark.parametrize(
    "text, message",
    [
        (f"{ABC}  ../b.exr\n", "1: '../b.exr' lies outside"),
        (f"{ABC}  b.exr\n{ABC}  /etc/hosts\n", "2: '/etc/hosts' lies outside"),
        (f"{ABC[:-1]}  b.exr\n", "1: got .* allowed is a SHA-256"),
        ("hello\n", "1: got 'hello'"),
    ],
)
def test_broken_lists_are_refused(folder, text, message):
    (folder / "checksums.sha256").write_text(text)
    with pytest.raises(MapFileError, match=message):
        verify(folder)


def test_files_outside_and_files_that_are_not_there_are_refused(folder):
    with pytest.raises(MapFileError, match="lies outside"):
        write_checksums(folder / "maps", [folder / "b.exr"])
    with pytest.raises(MapFileError, match="lies outside"):
        write_checksums(folder / "maps", ["../b.exr"])
    with pytest.raises(MapFileError, match="cannot read for its checksum"):
        write_checksums(folder, ["nothing"])
    with pytest.raises(MapFileError, match="cannot read"):
        read_checksums(folder / "maps")
    assert not (folder / "checksums.sha256").exists()
