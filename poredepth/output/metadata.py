"""What a file must tell a renderer and the next person: one table, used for the file, the sidecar and the docs."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace

from poredepth.errors import CalibrationError, MapFileError
from poredepth.output.calibration import Calibration
from poredepth.version import __version__

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
    Field("format", "string", "", "exr-float, tiff-16 or png-16"),
    Field("mid", "number", "value", "value of zero height; 16-bit: mid_code / 65535"),
    Field("mid_code", "integer or null", "code", "16-bit code of zero height, 1 to 65534; null for a float file"),
    Field("scale_mm", "number", "mm", "height of one full unit of value, above 0"),
    Field("scale", "number", "unit", "scale_mm expressed in unit"),
    Field("unit", "string", "", "um, mm, cm, m or in: the unit of scale"),
    Field("formula", "string", "", "height_mm from the stored value or code, with the numbers of this file"),
    Field("range_low_mm", "number", "mm", "lowest height in the map"),
    Field("range_high_mm", "number", "mm", "highest height in the map"),
    Field("code_step_um", "number or null", "um", "height of one code; null for a float file"),
    Field("clipped_texels", "integer", "texels", "texels limited to the range before writing"),
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
    Field("part", "string or null", "", "what of the map this is: layer NAME, band NAME or seams; null: all of it"),
)

FIELD_NAMES = tuple(field.name for field in FIELDS)


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
    format: str = "exr-float"
    mid: float = 0.0
    mid_code: int | None = None
    scale_mm: float = 1.0
    scale: float = 1.0
    unit: str = "mm"
    formula: str = ""
    range_low_mm: float = 0.0
    range_high_mm: float = 0.0
    code_step_um: float | None = None
    clipped_texels: int = 0
    tile: int = 1001
    size_px: tuple[int, int] = (0, 0)
    texel_um: float | None = None
    gutter_px: int = 0
    patches: tuple[PatchRecord, ...] = ()
    layers: tuple[str, ...] = ()
    part: str | None = None

    def __post_init__(self):
        size_px = self.size_px if isinstance(self.size_px, Iterable) else (self.size_px, self.size_px)
        _set(self, "size_px", tuple(int(size) for size in size_px))
        patches = tuple(PatchRecord(**patch) if isinstance(patch, Mapping) else patch for patch in self.patches)
        _set(self, "patches", patches)
        _set(self, "layers", tuple(str(layer) for layer in self.layers))
        for name in ("mid", "scale_mm", "scale", "range_low_mm", "range_high_mm", "code_step_um", "texel_um"):
            self._make_exact(name, float)
        for name in ("seed", "mid_code", "clipped_texels", "tile", "gutter_px"):
            self._make_exact(name, int)

    def _make_exact(self, name: str, kind: type) -> None:
        # numpy scalars print differently from Python numbers, and files must be the same byte for byte
        found = getattr(self, name)
        if found is None:
            return
        if not math.isfinite(found):
            raise MapFileError(f"metadata {name}: got {found!r}, allowed is a finite number")
        _set(self, name, kind(found))

    def described(self, calibration: Calibration, range_mm: tuple[float, float], size_px: tuple[int, int]):
        """The same metadata with calibration, range (low, high in mm) and size (width, height) filled in."""
        return replace(
            self,
            format=calibration.format,
            mid=calibration.mid,
            mid_code=calibration.mid_code,
            scale_mm=calibration.scale_mm,
            scale=calibration.scale_in_unit,
            unit=calibration.unit,
            formula=calibration.formula,
            code_step_um=calibration.code_step_um,
            range_low_mm=range_mm[0],
            range_high_mm=range_mm[1],
            size_px=size_px,
        )

    def calibration(self) -> Calibration:
        """The calibration the metadata states; raises MapFileError when its parts contradict each other."""
        try:
            calibration = Calibration(self.format, self.mid, self.scale_mm, self.unit, fitted=False)
        except CalibrationError as error:
            raise MapFileError(f"metadata {error}") from error
        for name, expected in (("mid_code", calibration.mid_code), ("scale", calibration.scale_in_unit)):
            if getattr(self, name) != expected:
                raise MapFileError(
                    f"metadata {name}: got {getattr(self, name)!r}, but mid, scale_mm and unit give {expected!r}"
                )
        return calibration

    def to_dict(self) -> dict:
        """Plain JSON types, every field, plus ``exact``: each number with a fraction as a decimal string."""
        plain = asdict(self)
        plain.update(
            size_px=list(self.size_px), patches=[_plain_record(p) for p in self.patches], layers=list(self.layers)
        )
        plain["exact"] = {name: repr(found) for name, found in plain.items() if isinstance(found, float)}
        return plain

    @classmethod
    def from_dict(cls, plain: Mapping) -> MapMetadata:
        """The reverse of ``to_dict``; ``exact`` strings win over numbers that went through float32.

        Keys of a later version are left out.  Raises MapFileError when a field is missing, is of the wrong type, or
        contradicts its exact string.
        """
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


if tuple(field.name for field in fields(MapMetadata)) != FIELD_NAMES:
    raise AssertionError("MapMetadata and the metadata table differ")  # the one place where both are defined
