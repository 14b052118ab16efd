"""What a file says of itself, read from its text alone: nothing here decodes by the code that encoded."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from poredepth.checking.reader import OpenedMap
from poredepth.output.metadata import FIELD_NAMES, HEIGHT, NAMESPACE
from poredepth.output.sidecar import read_sidecar, sidecar_path

CODE_MAX = 65535
#: Numpy's type and the container of each format, by its name.
TYPES = {
    "exr-float": ("float32", "exr"),
    "exr-half": ("float16", "exr"),
    "tiff-float": ("float32", "tiff"),
    "tiff-16": ("uint16", "tiff"),
    "png-16": ("uint16", "png"),
}
_FORMULA = re.compile(r"height_mm = \((value|code / 65535) - (\S+)\) \* (\S+)")


@dataclass(frozen=True)
class Stated:
    """The metadata of a file, as far as a check needs them; numbers are exact.

    Attributes
    ----------
    plain : the whole table
    by : ``file and sidecar``, ``file`` or ``sidecar``
    """

    plain: Mapping
    by: str

    def __getitem__(self, name: str):
        """A field; None if it is not there."""
        return self.plain.get(name)

    def number(self, name: str) -> float | None:
        """A field that is a number; its exact string counts more.  None if it is missing or is none."""
        exact = self.plain.get("exact")
        text = exact.get(name) if isinstance(exact, Mapping) else None
        try:
            found = float(self.plain[name] if text is None else text)
        except (KeyError, TypeError, ValueError):
            return None
        return found if math.isfinite(found) else None

    @property
    def holds_heights(self) -> bool:
        return self.plain.get("kind", HEIGHT) == HEIGHT

    @property
    def is_usable(self) -> bool:
        """Whether heights can be decoded by what is stated."""
        return self.holds_heights and self.number("mid") is not None and (self.number("scale_mm") or 0) > 0

    @property
    def tile(self) -> int:
        return int(self.number("tile") or 0)

    @property
    def size_px(self) -> tuple[int, int] | None:
        """(width, height); None if it is not stated."""
        size = self.plain.get("size_px")
        ok = isinstance(size, list) and len(size) == 2 and all(isinstance(one, int) for one in size)
        return (size[0], size[1]) if ok else None

    @property
    def formula_numbers(self) -> tuple[str, float, float] | None:
        """(``value`` or ``code / 65535``, mid, scale) of the formula as it is written; None if it does not parse."""
        found = _FORMULA.fullmatch(str(self.plain.get("formula", "")))
        try:
            return found and (found[1], float(found[2]), float(found[3]))
        except ValueError:
            return None


@dataclass(frozen=True)
class Decoder:
    """Values of a file to millimetres, by the stated formula: height_mm = (value - mid) * scale_mm.

    ``value`` is the stored float, or the stored whole number over the largest of its type.
    """

    mid: float
    scale_mm: float

    @classmethod
    def of(cls, stated: Stated) -> Decoder:
        return cls(stated.number("mid"), stated.number("scale_mm"))

    def value(self, raw: np.ndarray) -> np.ndarray:
        """float64: floats as they are, whole numbers as shares of their largest."""
        if raw.dtype.kind == "f":
            return raw.astype(np.float64)
        return raw.astype(np.float64) / np.iinfo(raw.dtype).max

    def mm(self, raw: np.ndarray) -> np.ndarray:
        """Heights float64, mm."""
        return (self.value(raw) - self.mid) * self.scale_mm

    def value_of(self, height_mm: np.ndarray) -> np.ndarray:
        """The value that would mean a height, not rounded to what a file can hold; float64."""
        return np.asarray(height_mm, np.float64) / self.scale_mm + self.mid

    def rounding_mm(self, height_mm: np.ndarray, dtype: np.dtype) -> np.ndarray:
        """What writing may round each height by, float64: half a step of the type; float32: at least 1e-6 mm.

        To that come some float32 steps of the height itself, which another processor may work out differently.
        """
        own = 4.0 * np.spacing(np.abs(np.asarray(height_mm, np.float32))).astype(np.float64)
        if dtype.kind == "u":
            return own + (0.5 + 1e-6) * self.scale_mm / np.iinfo(dtype).max
        # the largest number has no next one, so numpy gives no step there: that below it is as large
        most = float(np.nextafter(np.finfo(dtype).max, dtype.type(0)))
        value = np.minimum(np.abs(self.value_of(height_mm)), most).astype(dtype)
        step_mm = np.spacing(value).astype(np.float64) * self.scale_mm
        return np.maximum(own, 1e-6) + 0.5 * step_mm if dtype == np.float32 else own + (0.5 + 1e-6) * step_mm

    def reach_mm(self, dtype: np.dtype) -> tuple[float, float]:
        """Lowest and highest height a file of a type can hold, mm."""
        low, high = (0.0, 1.0) if dtype.kind == "u" else (float(np.finfo(dtype).min), float(np.finfo(dtype).max))
        return (low - self.mid) * self.scale_mm, (high - self.mid) * self.scale_mm


def own_metadata(opened: OpenedMap) -> tuple[dict, list[str]]:
    """The table a file carries, empty if it has none; and what is wrong with it, in sentences."""
    text = opened.strings.get(NAMESPACE)
    plain: object = {}
    if text is None:
        described = opened.strings.get("ImageDescription", "")
        if f'"{NAMESPACE}"' not in described:
            return {}, []
        text, key = described, NAMESPACE
    else:
        key = None
    try:
        plain = json.loads(text)
        plain = plain if key is None else plain[key]
    except (ValueError, TypeError, KeyError) as error:
        return {}, [f"the metadata in the file do not parse ({error})"]
    if not isinstance(plain, dict):
        return {}, ["the metadata in the file are no table"]
    return plain, [
        f"{key} says {found!r}, the table beside it {plain[name]!r}"
        for name in FIELD_NAMES
        if (found := opened.strings.get(key := f"{NAMESPACE}:{name}")) is not None
        and isinstance(plain.get(name), str | int | float)
        and found != (plain[name] if isinstance(plain[name], str) else repr(plain[name]))
    ]


def stated_metadata(opened: OpenedMap) -> tuple[Stated | None, list[str]]:
    """What file and sidecar say, the file's own first; None if neither says anything.  And what is wrong with it."""
    own, wrong = own_metadata(opened)
    try:
        beside = read_sidecar(sidecar_path(opened.path))
    except OSError as error:
        beside, wrong = {}, [*wrong, str(error)]
    if own and beside:
        names = sorted(name for name in own.keys() | beside.keys() if own.get(name) != beside.get(name))
        if names:
            # "exact" repeats numbers that stand there by themselves
            first = next((name for name in names if name != "exact"), names[0])
            wrong.append(
                f"file and sidecar differ in {', '.join(names)} ({first}: {own.get(first)!r} in the file, "
                f"{beside.get(first)!r} beside it)"
            )
    if not own and not beside:
        return None, wrong
    by = "file and sidecar" if own and beside else "file" if own else "sidecar"
    return Stated(own or beside, by), wrong


def carries_metadata(opened: OpenedMap) -> bool:
    """Whether a file or its sidecar says that it is a map of this project."""
    described = opened.strings.get("ImageDescription", "")
    return NAMESPACE in opened.strings or f'"{NAMESPACE}"' in described or sidecar_path(opened.path).is_file()
