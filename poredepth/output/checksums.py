"""Checksums of a set's files, in the format that ``sha256sum -c`` reads.

Source: GNU coreutils manual, "md5sum invocation" (the format of all its sums) and "sha2 utilities": the digest, a
blank, a blank or a star, the name; a backslash at the line's start says that newlines and backslashes in the name are
written as \\n and \\\\.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from poredepth.errors import MapFileError
from poredepth.output.documents import write_document

CHECKSUMS_NAME = "checksums.sha256"

_LINE = re.compile(r"(\\?)([0-9a-fA-F]{64}) [ *](.+)")
_ESCAPES = {"\\": "\\\\", "\n": "\\n", "\r": "\\r"}


@dataclass(frozen=True)
class FileTrouble:
    """A file that is not what its checksum says: ``trouble`` is ``missing`` or ``changed``."""

    name: str
    trouble: str

    def __str__(self) -> str:
        return f"{self.name}: {self.trouble}"


def write_checksums(folder: Path | str, files: Iterable[Path | str]) -> Path:
    """Write the checksums of files into ``folder``.

    Parameters
    ----------
    folder : where ``checksums.sha256`` goes
    files : paths inside ``folder``, or names relative to it; each is listed once, by name

    Raises
    ------
    MapFileError : a file outside the folder, or one that cannot be read.
    """
    folder = Path(folder)
    names = sorted({_relative(folder, file) for file in files} - {CHECKSUMS_NAME})
    lines = [_line(name, _digest(folder / name)) for name in names]
    return write_document(folder / CHECKSUMS_NAME, "".join(lines))


def read_checksums(path: Path | str) -> dict[str, str]:
    """SHA-256 in small hexadecimal by file name; ``path`` is the file, or the folder that holds it.

    Raises
    ------
    MapFileError : no such file, a line that is no checksum, or a name outside the folder.
    """
    path = Path(path)
    path = path / CHECKSUMS_NAME if path.is_dir() else path
    try:
        text = path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise MapFileError(f"{path}: cannot read ({error}); export the set again") from error
    found = {}
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        match = _LINE.fullmatch(line.removesuffix("\r"))
        if match is None:
            raise MapFileError(f"{path}:{number}: got {line!r}, allowed is a SHA-256, two blanks and a name")
        escaped, digest, name = match.groups()
        name = _unescaped(name) if escaped else name
        if PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts:
            raise MapFileError(f"{path}:{number}: {name!r} lies outside the folder; allowed are names inside it")
        found[name] = digest.lower()
    return found


def verify(folder: Path | str) -> list[FileTrouble]:
    """Files that are missing or changed since the checksums were written, by name; an empty list if all is well.

    Raises
    ------
    MapFileError : the checksums cannot be read, or a file that is there cannot.
    """
    folder = Path(folder)
    troubles = []
    for name, expected in sorted(read_checksums(folder).items()):
        if not (folder / name).is_file():
            troubles.append(FileTrouble(name, "missing"))
        elif _digest(folder / name) != expected:
            troubles.append(FileTrouble(name, "changed"))
    return troubles


def _relative(folder: Path, file: Path | str) -> str:
    file = Path(file)
    for base, path in ((folder, file), (folder.resolve(), (folder / file).resolve())):
        if path.is_relative_to(base):
            return path.relative_to(base).as_posix()
    inside = (folder / file).resolve()
    if not inside.is_relative_to(folder.resolve()):
        raise MapFileError(f"{file}: lies outside {folder}; allowed are files inside it")
    return inside.relative_to(folder.resolve()).as_posix()


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise MapFileError(f"{path}: cannot read for its checksum ({error.strerror})") from error


def _line(name: str, digest: str) -> str:
    escaped = "".join(_ESCAPES.get(letter, letter) for letter in name)
    return f"{'' if escaped == name else chr(92)}{digest}  {escaped}\n"


def _unescaped(name: str) -> str:
    meant = {written[1]: letter for letter, written in _ESCAPES.items()}
    return re.sub(r"\\([\\nr])", lambda match: meant[match.group(1)], name)
