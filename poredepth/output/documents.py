"""Small text files put in place whole."""

from __future__ import annotations

from pathlib import Path

from poredepth.errors import MapFileError
from poredepth.files import part_files, put_in_place


def write_document(path: Path | str, text: str) -> Path:
    """Write UTF-8 text with plain newlines beside the target, then rename; MapFileError if that fails."""
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part_files(path) as (part,):
            part.write_text(text, encoding="utf-8", newline="\n")
            put_in_place([(part, path)])
    except OSError as error:
        raise MapFileError(f"{path}: cannot write ({error.strerror}); choose another folder with -o") from error
    return path
