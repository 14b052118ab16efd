"""Memory the system can have back."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest

from poredepth.memory import SMALL_BYTES, give_back, large_array


def anonymous_bytes() -> int:
    rows = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return 1024 * int(rows["RssAnon"].split()[0])


def test_a_large_array_takes_no_anonymous_memory_and_no_file_is_left(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    size = 4 * SMALL_BYTES // 4
    before = anonymous_bytes()
    array = large_array(size, np.float32)
    array[:] = np.float32(1.5)
    assert anonymous_bytes() - before < SMALL_BYTES // 2  # 64 MiB, were it in memory
    assert type(array) is np.ndarray and array.sum(dtype=float) == 1.5 * size
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("size", [0, 1, 1000])
def test_a_small_array_is_a_plain_one(size):
    assert large_array(size, np.float32).shape == (size,)


def test_without_room_for_files_it_lies_in_memory(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "missing"))
    array = large_array(SMALL_BYTES, np.float32)
    array[-1] = 2.0
    assert array.base is None and array[-1] == 2.0


def test_free_memory_goes_back_to_the_system():
    # 128 MB in pieces too small for mappings of their own; the last one keeps the heap from shrinking by itself
    pieces = [np.ones(1 << 13) for _ in range(2000)]
    kept = pieces[-1]
    pieces.clear()
    before = anonymous_bytes()
    give_back()
    assert before - anonymous_bytes() > 64 << 20
    assert kept.sum() == 1 << 13
