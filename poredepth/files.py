"""Files put in place whole: written beside their targets under hidden names, then renamed together; large pictures."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def part_files(*targets: Path) -> Iterator[list[Path]]:
    """Hidden names beside the targets; whatever is left under them at the end is removed."""
    mark = f"{os.getpid()}-{secrets.token_hex(4)}"
    parts = [target.with_name(f".{target.name}.{mark}.part") for target in targets]
    try:
        yield parts
    finally:
        for part in parts:
            part.unlink(missing_ok=True)


def put_in_place(pairs: list[tuple[Path, Path]]) -> None:
    """Rename every part onto its target; when one fails, the targets already renamed get their old content back."""
    done: list[tuple[Path, Path | None]] = []
    try:
        for part, target in pairs:
            old = _second_name(target)
            try:
                os.replace(part, target)
            except BaseException:
                if old is not None:
                    old.unlink(missing_ok=True)
                raise
            done.append((target, old))
    except BaseException:
        for target, old in reversed(done):
            if old is None:
                target.unlink(missing_ok=True)
            else:
                os.replace(old, target)
        raise
    for _, old in done:
        if old is not None:
            old.unlink(missing_ok=True)


@contextmanager
def pictures_of_any_size() -> Iterator[None]:
    """Pillow takes large pictures for attacks; maps are large, and their size is checked elsewhere."""
    from PIL import Image  # only here: its start-up time is not for every run

    before, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
    try:
        yield
    finally:
        Image.MAX_IMAGE_PIXELS = before


def _second_name(target: Path) -> Path | None:
    """A second name for the file that is about to be replaced; None when there is none yet."""
    if not target.exists():
        return None
    old = target.with_name(f".{target.name}.{os.getpid()}-{secrets.token_hex(4)}.old")
    try:
        os.link(target, old)
    except OSError:
        shutil.copy2(target, old)  # a file system without hard links
    return old
