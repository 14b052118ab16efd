"""What a file must tell a renderer and the next person: one table, used for the file, the sidecar and the docs."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace

from poredepth.errors import CalibrationError, MapFileError
from poredepth.output.calibration import Calibration
from poredepth.output.channels import ChannelCoding
from poredepth.output.formats import FILE_FORMATS, encoding_name
from poredepth.units import MM_PER_UNIT
from poredepth.version import __version__

#: The kind of a map that holds heights.
HEIGHT = "height"
#: Every key in a file starts with this; the key without a field name holds the whole table as JSON.
NAMESPACE = "poredepth"


@dataclass(frozen=True)
class Field:
    """One row of the metadata table: ``type`` as in JSON, ``unit`` empty when there is none."""

    name: str
    type: str
    unit: str
    meaning: str


FIELDS: tuple[Field, ...] = (
    Field("version", "string", "", "version of poredepth that wrote the file"),
    Field("recipe", "string or null", "", "file name of the recipe, without its folder"),
    Field("recipe_hash", "string or null", "", "SHA-256 of the recipe, in hexadecimal"),
    Field("seed", "integer or null", "", "seed of the recipe"),
    Field("kind", "string", "", "what the values are: height, or the name of a map that follows from it"),
    Field("format", "string", "", "exr-float, exr-half, tiff-float, tiff-16 or png-16"),
    Field(
        "encoding",
        "string",
        "",
        "type and zero of the values: float, half or u16, and zero or mid, as in float-zero, u16-mid",
    ),
    Field("compression", "string", "", "how the file is packed, always lossless: zip, zips, piz, rle or none"),
    Field("levels", "integer", "", "mip levels in the file, each the mean of the heights below it; 1: none"),
    Field("channels", "list of strings", "", "names of the channels; a height map has one, Y"),
    Field("mid", "number", "value", "value of zero height; 16-bit: mid_code / 65535"),
    Field("mid_code", "integer or null", "code", "16-bit code of zero height, 1 to 65534; null for a float file"),
    Field(
        "scale_mm", "number or null", "mm", "height of one full unit of value, above 0; null if the map is no length"
    ),
    Field("scale", "number", "unit", "scale_mm expressed in unit"),
    Field("unit", "string", "", "um, mm, cm, m, in or scene: the unit of scale; 1 or 1/mm if the map is no length"),
    Field("unit_mm", "number or null", "mm", "one unit; null if the map is no length"),
    Field(
        "scene_unit", "string or null", "", "unit of the scene, um, mm, cm, m or in; null: none of them, or not known"
    ),
    Field("scene_unit_mm", "number or null", "mm", "one unit of the scene; null: not known"),
    Field("scale_scene", "number or null", "scene units", "scale_mm expressed in units of the scene"),
    Field("formula", "string", "", "height_mm from the stored value or code, with the numbers of this file"),
    Field("range_low_mm", "number or null", "mm", "lowest height in the map; null if the map is no length"),
    Field("range_high_mm", "number or null", "mm", "highest height in the map; null if the map is no length"),
    Field(
        "code_step_um", "number or null", "um", "height of one code; half: the largest step in this map; float: null"
    ),
    Field("clipped_texels", "integer", "texels", "texels limited to what the file can hold before writing"),
    Field("clipped_mm", "number", "mm", "how far the most clipped height lies beyond that"),
    Field("clipped_at_px", "two integers or null", "px", "row, column of that texel; null: none is clipped"),
    Field("tile", "integer", "", "1001 + U + 10 V, 1001 to 1100"),
    Field("size_px", "two integers", "px", "width, height"),
    Field("texel_um", "number or null", "um", "median size of a texel on the skin"),
    Field("gutter_px", "integer", "px", "how far the map continues beyond the borders of a chart"),
    Field(
        "patches",
        "list of objects",
        "",
        "patches used: name, file, sha256, source, licence, consent (text), history (list)",
    ),
    Field("layers", "list of strings", "", "names of the layers, bottom to top"),
    Field(
        "part",
        "string or null",
        "",
        "what of the map this is: layer NAME, band NAME, seams, or coarse (without waves the mesh cannot show); "
        "null: all of it",
    ),
    Field(
        "convention", "string or null", "", "how directions in the map are meant: frame and signs; null: it has none"
    ),
    Field("settings", "object", "", "numbers that a map of another kind was made with, by name"),
)

FIELD_NAMES = tuple(one.name for one in FIELDS)

#: What maps were whose table is from before these fields; encoding and unit_mm follow from other fields.
_ADDED = dict.fromkeys(
    ("encoding", "unit_mm", "scene_unit", "scene_unit_mm", "scale_scene", "clipped_at_px", "convention")
)
_ADDED |= {"kind": HEIGHT, "compression": "zip", "levels": 1, "channels": ["Y"], "clipped_mm": 0.0, "settings": {}}

_FRACTIONS = (
    "mid",
    "scale_mm",
    "scale",
    "unit_mm",
    "scene_unit_mm",
    "scale_scene",
    "range_low_mm",
    "range_high_mm",
    "code_step_um",
    "clipped_mm",
    "texel_um",
)


@dataclass(frozen=True)
class PatchRecord:
    """Where a patch came from and under which terms; an empty string means it was not stated.

    ``history`` says what was done to its picture, in order.
    """

    name: str
    file: str = ""
    sha256: str = ""
    source: str = ""
    licence: str = ""
    consent: str = ""
    history: tuple[str, ...] = ()

    def __post_init__(self):
        _set(self, "history", tuple(str(step) for step in self.history))


@dataclass(frozen=True)
class MapMetadata:
    """The metadata of one map; fields as in ``FIELDS``.

    Only what the caller knows needs to be given: ``write_map`` fills in the calibration, the range and the size.
    ``size_px`` may be given as one number for a square map; ``patches`` as dicts.
    """

    version: str = __version__
    recipe: str | None = None
    recipe_hash: str | None = None
    seed: int | None = None
    kind: str = HEIGHT
    format: str = "exr-float"
    encoding: str = "float-zero"
    compression: str = "zip"
    levels: int = 1
    channels: tuple[str, ...] = ("Y",)
    mid: float = 0.0
    mid_code: int | None = None
    scale_mm: float | None = 1.0
    scale: float = 1.0
    unit: str = "mm"
    unit_mm: float | None = 1.0
    scene_unit: str | None = None
    scene_unit_mm: float | None = None
    scale_scene: float | None = None
    formula: str = ""
    range_low_mm: float | None = 0.0
    range_high_mm: float | None = 0.0
    code_step_um: float | None = None
    clipped_texels: int = 0
    clipped_mm: float = 0.0
    clipped_at_px: tuple[int, int] | None = None
    tile: int = 1001
    size_px: tuple[int, int] = (0, 0)
    texel_um: float | None = None
    gutter_px: int = 0
    patches: tuple[PatchRecord, ...] = ()
    layers: tuple[str, ...] = ()
    part: str | None = None
    convention: str | None = None
    settings: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self):
        size_px = self.size_px if isinstance(self.size_px, Iterable) else (self.size_px, self.size_px)
        _set(self, "size_px", tuple(int(size) for size in size_px))
        if self.clipped_at_px is not None:
            _set(self, "clipped_at_px", tuple(int(at) for at in self.clipped_at_px))
        _set(self, "settings", {str(name): float(number) for name, number in sorted(self.settings.items())})
        _set(self, "channels", tuple(str(name) for name in self.channels))
        patches = tuple(PatchRecord(**patch) if isinstance(patch, Mapping) else patch for patch in self.patches)
        _set(self, "patches", patches)
        _set(self, "layers", tuple(str(layer) for layer in self.layers))
        for name in _FRACTIONS:
            self._make_exact(name, float)
        for name in ("seed", "levels", "mid_code", "clipped_texels", "tile", "gutter_px"):
            self._make_exact(name, int)

    def _make_exact(self, name: str, kind: type) -> None:
        # numpy scalars print differently from Python numbers, and files must be the same byte for byte
        found = getattr(self, name)
        if found is None:
            return
        if not math.isfinite(found):
            raise MapFileError(f"metadata {name}: got {found!r}, allowed is a finite number")
        _set(self, name, kind(found))

    def described(
        self, coding: Calibration | ChannelCoding, range_mm: tuple[float, float] | None, size_px: tuple[int, int]
    ):
        """The same metadata with the coding, range (low, high in mm; None: no length) and (width, height) filled in."""
        low_mm, high_mm = range_mm or (None, None)
        return replace(
            self,
            format=coding.format,
            encoding=coding.encoding,
            mid=coding.mid,
            mid_code=coding.mid_code,
            scale_mm=coding.scale_mm,
            scale=coding.scale_in_unit,
            unit=coding.unit,
            unit_mm=coding.unit_mm,
            scale_scene=_ratio(coding.scale_mm, self.scene_unit_mm),
            formula=coding.formula,
            code_step_um=None if range_mm is None else coding.largest_step_um(*range_mm),
            range_low_mm=low_mm,
            range_high_mm=high_mm,
            size_px=size_px,
        )

    def calibration(self) -> Calibration:
        """The calibration the metadata states; raises MapFileError when its parts contradict each other."""
        if self.kind != HEIGHT or self.scale_mm is None:
            raise MapFileError(f"metadata kind: got {self.kind!r}, allowed is {HEIGHT}; this map holds no heights")
        try:
            calibration = Calibration(self.format, self.mid, self.scale_mm, self.unit, False, self.unit_mm)
        except CalibrationError as error:
            raise MapFileError(f"metadata {error}") from error
        stated = (
            ("mid_code", calibration.mid_code),
            ("scale", calibration.scale_in_unit),
            ("unit_mm", calibration.unit_mm),
            ("encoding", calibration.encoding),
            ("scale_scene", _ratio(self.scale_mm, self.scene_unit_mm)),
        )
        for name, expected in stated:
            if getattr(self, name) != expected:
                raise MapFileError(
                    f"metadata {name}: got {getattr(self, name)!r}, but mid, scale_mm and unit give {expected!r}"
                )
        return calibration

    def to_dict(self) -> dict:
        """Plain JSON types, every field, plus ``exact``: each number with a fraction as a decimal string."""
        plain = asdict(self)
        plain.update(
            size_px=list(self.size_px),
            clipped_at_px=None if self.clipped_at_px is None else list(self.clipped_at_px),
            channels=list(self.channels),
            patches=[_plain_record(p) for p in self.patches],
            layers=list(self.layers),
        )
        plain["exact"] = {name: repr(found) for name, found in plain.items() if isinstance(found, float)}
        return plain

    @classmethod
    def from_dict(cls, plain: Mapping) -> MapMetadata:
        """The reverse of ``to_dict``; ``exact`` strings win over numbers that went through float32.

        Keys of a later version are left out, and a table without any field that was added later is completed.  Raises
        MapFileError when a field is missing, is of the wrong type, or contradicts its exact string.
        """
        if not _ADDED.keys() & plain.keys():
            plain = {**plain, **_ADDED, **_of_older(plain)}
        missing = [name for name in FIELD_NAMES if name not in plain]
        if missing:
            raise MapFileError(f"metadata: {', '.join(missing)} missing; the table was cut or changed")
        known = {name: plain[name] for name in FIELD_NAMES}
        try:
            for name, text in plain.get("exact", {}).items():
                if name not in known:
                    continue
                if not math.isclose(known[name], float(text), rel_tol=1e-6, abs_tol=1e-30):
                    raise MapFileError(f"metadata {name}: {known[name]!r}, but its exact string says {text}")
                known[name] = float(text)
            return cls(**known)
        except (TypeError, ValueError, KeyError, AttributeError) as error:
            raise MapFileError(f"metadata: a field has the wrong type ({error})") from error


def _of_older(plain: Mapping) -> dict:
    """Fields that follow from others in a table from before they were added."""
    format, unit_mm = plain.get("format"), MM_PER_UNIT.get(plain.get("unit"))
    encoding = encoding_name(format, plain.get("mid")) if format in FILE_FORMATS else None
    return {"unit_mm": unit_mm, "encoding": encoding}


def _ratio(length_mm: float | None, unit_mm: float | None) -> float | None:
    return None if length_mm is None or unit_mm is None else length_mm / unit_mm


def _plain_record(record: PatchRecord) -> dict:
    return {**asdict(record), "history": list(record.history)}


def to_json(plain: Mapping) -> str:
    """One line of ASCII JSON with sorted keys: the same bytes for the same metadata, legal in every format."""
    return json.dumps(plain, sort_keys=True, ensure_ascii=True, allow_nan=False, separators=(", ", ": "))


def to_strings(plain: Mapping) -> dict[str, str]:
    """The fields that hold one number or text as ``poredepth:<name>`` strings, exact decimals; null is left out."""
    return {
        f"{NAMESPACE}:{name}": plain[name] if isinstance(plain[name], str) else repr(plain[name])
        for name in FIELD_NAMES
        if isinstance(plain.get(name), str | int | float)
    }


def from_strings(strings: Mapping[str, str]) -> dict:
    """The metadata dict out of the strings of a file; empty when the file has none.

    Raises MapFileError when the JSON is broken, or a single string contradicts it: someone edited one of them.
    """
    if NAMESPACE not in strings:
        return {}
    try:
        plain = json.loads(strings[NAMESPACE])
    except json.JSONDecodeError as error:
        raise MapFileError(f"metadata: the JSON does not parse ({error})") from error
    if not isinstance(plain, dict):
        raise MapFileError("metadata: the JSON is not an object")
    for key, expected in to_strings(plain).items():
        if strings.get(key, expected) != expected:
            raise MapFileError(f"metadata: {key} says {strings[key]!r}, the JSON beside it says {expected!r}")
    return plain


def _set(metadata: MapMetadata | PatchRecord, name: str, found) -> None:
    object.__setattr__(metadata, name, found)


if tuple(one.name for one in fields(MapMetadata)) != FIELD_NAMES:
    raise AssertionError("MapMetadata and the metadata table differ")  # the one place where both are defined
