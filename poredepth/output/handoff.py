"""What every document beside a tile set says: the numbers a renderer needs, in its scene's unit, gathered once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

import numpy as np

from poredepth.errors import MapFileError
from poredepth.output.metadata import MapMetadata, PatchRecord
from poredepth.output.tiles import FIRST_TILE, tile_indices
from poredepth.units import MM_PER_UNIT, UM_PER_MM, UNITS

#: Stands for the tile number in the name of a set.  Source: MaterialX specification, "Filename Substitutions".
TILE_TOKEN = "<UDIM>"
#: The shortest wave a map is taken to show, in texels: 0.73 of the height of four pass, 0.29 of two (docs/sampling.md).
FINEST_TEXELS = 4

Triple = tuple[float, float, float]


@dataclass(frozen=True)
class TileFile:
    """One tile of a set: its number, file name, lowest and highest height in mm."""

    tile: int
    name: str
    low_mm: float
    high_mm: float

    @property
    def corner_uv(self) -> tuple[int, int]:
        """u and v of the tile's lower left corner."""
        return tile_indices(self.tile)


@dataclass(frozen=True)
class NormalMap:
    """The tangent-space normal map that goes with a displacement map.

    Attributes
    ----------
    pattern : file name with ``<UDIM>`` for the tile number, see `file_pattern`
    y_up : green rises along +v; False: it rises along -v
    signed : the file holds -1 to 1; False: 0 to 1, n = 2 value - 1
    channels : names of the channels that hold x, y and z
    frame : one sentence that says what x, y and z are on the skin
    """

    pattern: str
    y_up: bool = True
    signed: bool = False
    channels: tuple[str, str, str] = ("R", "G", "B")
    frame: str = "x along rising u, y along rising v, z along the normal of the smooth mesh"

    @property
    def decode(self) -> tuple[Triple, Triple]:
        """Scale and bias, x y z: n = value * scale + bias is a normal with y along +v."""
        scale, bias = (1.0, 0.0) if self.signed else (2.0, -1.0)
        turn = 1.0 if self.y_up else -1.0
        return (scale, turn * scale, scale), (bias, turn * bias + 0.0, bias)

    @property
    def way(self) -> str:
        """Which way green rises, as artists ask for it."""
        return "+Y up" if self.y_up else "+Y down"

    @property
    def flat(self) -> Triple:
        """The value of a normal that is not tilted."""
        return (0.0, 0.0, 1.0) if self.signed else (0.5, 0.5, 1.0)


@dataclass(frozen=True)
class HandOff:
    """All that a document beside a tile set needs; see `hand_off`.

    Attributes
    ----------
    pattern : file name with ``<UDIM>`` for the tile number, or the name of a single file
    tiles : by rising number
    format, size_px : of every tile; width, height
    mid : value of no displacement, exactly as a reader of the file gets it
    mid_code : its 16-bit code, None for a float file
    scale_mm : height of one full unit of value, mm
    scene_unit, scene_unit_mm : name of the scene's unit (None: it has none), and its length in mm
    texel_um : median size of a texel on the skin, None if not known
    finest_mm : the shortest wave the displacement holds, mm, None if not known
    normal : the normal map that goes with it
    split_mm : the displacement holds what is longer than this wave, the normal map what is shorter; None: not split
    layers, patches : names of the layers, bottom to top; where patches came from
    version, recipe, recipe_hash, seed : what made the set
    """

    pattern: str
    tiles: tuple[TileFile, ...]
    format: str
    size_px: tuple[int, int]
    mid: float
    mid_code: int | None
    scale_mm: float
    scene_unit: str | None
    scene_unit_mm: float
    texel_um: float | None
    finest_mm: float | None
    normal: NormalMap | None
    split_mm: float | None
    layers: tuple[str, ...]
    patches: tuple[PatchRecord, ...]
    version: str
    recipe: str | None
    recipe_hash: str | None
    seed: int | None

    @property
    def scale(self) -> float:
        """Height of one full unit of value in scene units."""
        return self.scale_mm / self.scene_unit_mm

    @property
    def bias(self) -> float:
        """What is added after multiplying by `scale`, scene units: height = value * scale + bias."""
        return 0.0 - self.mid * self.scale

    @property
    def is_tiled(self) -> bool:
        """True when the name has a token for the tile number."""
        return TILE_TOKEN in self.pattern

    @property
    def wraps(self) -> bool:
        """True when a single file without a number stands for a tile other than the first: its UVs must be wrapped."""
        return not self.is_tiled and self.tiles[0].tile != FIRST_TILE

    @property
    def stem(self) -> str:
        """File name of the set without tile number and ending: what documents are named after."""
        name = PurePosixPath(self.pattern).name
        return name.rpartition(".")[0].removesuffix(f".{TILE_TOKEN}")

    @property
    def range_mm(self) -> tuple[float, float]:
        """Lowest and highest height of the set, mm."""
        return min(tile.low_mm for tile in self.tiles), max(tile.high_mm for tile in self.tiles)

    @property
    def unit_name(self) -> str:
        """The scene's unit in words: ``cm``, or ``scene units of 2.5 mm``."""
        return self.scene_unit or f"scene units of {decimal(self.scene_unit_mm)} mm"

    @property
    def value_name(self) -> str:
        """What the formula starts from: the stored float, or the 16-bit code over its largest."""
        return "value" if self.mid_code is None else "code / 65535"

    @property
    def formula_mm(self) -> str:
        """Height in mm, with exact numbers."""
        return f"height_mm = ({self.value_name} - {decimal(self.mid)}) * {decimal(self.scale_mm)}"

    @property
    def multiply_add(self) -> str:
        """Height in scene units out of a value, with exact numbers, for renderers that multiply and add."""
        return f"height = value * {decimal(self.scale)} {signed(self.bias)}"

    def in_scene(self, length_mm: float) -> float:
        """A length in scene units."""
        return length_mm / self.scene_unit_mm

    def lines(self) -> list[str]:
        """The plain numbers, for a comment at the head of a document."""
        low_mm, high_mm = self.range_mm
        numbers = ", ".join(str(tile.tile) for tile in self.tiles)
        out = [
            f"Displacement map {self.pattern}, tile{'s' if len(self.tiles) > 1 else ''} {numbers}; raw data.",
            f"{self.formula_mm}; positive is outward.",
            f"One scene unit is {decimal(self.scene_unit_mm)} mm; in {self.unit_name}:",
            self.multiply_add + (", value = code / 65535." if self.mid_code is not None else "."),
            f"Heights used: {low_mm:.6g} to {high_mm:.6g} mm.",
        ]
        if self.split_mm is not None:
            out.append(f"Split: waves longer than {self.split_mm:g} mm are displacement, shorter ones normals.")
        if self.normal is not None:
            out.append(f"Normal map {self.normal.pattern} ({self.normal.way}): {self.normal.frame}.")
            if self.split_mm is None:
                out.append("It shows all of the relief: use it instead of the displacement, not on top of it.")
        return out


def hand_off(
    metadata: Sequence[MapMetadata],
    names: Sequence[str],
    *,
    scene_unit: str | None,
    scene_unit_mm: float,
    finest_um: float | None = None,
    normal: NormalMap | None = None,
    split_mm: float | None = None,
) -> HandOff:
    """Gather what the documents of a tile set need.

    Parameters
    ----------
    metadata, names : of each tile, as written; names relative to the folder the documents go to
    scene_unit : um, mm, cm, m or in; None when the scene's unit has no name
    scene_unit_mm : mm in one scene unit
    finest_um : the shortest wave the displacement holds; default: ``split_mm`` or four texels, whichever is longer
    normal : the normal map, if there is one
    split_mm : the wavelength at which the relief was split between displacement (longer) and normal map (shorter)

    Raises
    ------
    MapFileError : no tiles, tiles that do not share one calibration, names that do not hold their tile numbers alike,
        or a unit that contradicts itself.
    """
    if not metadata or len(metadata) != len(names):
        raise MapFileError(
            f"hand-off: got {len(metadata)} metadata and {len(names)} names, allowed is one of each for every tile"
        )
    _check_unit(scene_unit, scene_unit_mm)
    _check_one_calibration(metadata, names)
    if split_mm is not None and not (math.isfinite(split_mm) and split_mm > 0):
        raise MapFileError(f"split_mm: got {split_mm!r}, allowed is a finite number above 0")
    order = sorted(range(len(names)), key=lambda k: metadata[k].tile)
    first = metadata[order[0]]
    return HandOff(
        pattern=file_pattern([m.tile for m in metadata], names),
        tiles=tuple(
            TileFile(metadata[k].tile, names[k], metadata[k].range_low_mm, metadata[k].range_high_mm) for k in order
        ),
        format=first.format,
        size_px=first.size_px,
        # a float file holds its mid rounded to float32, and that is what a reader subtracts from
        mid=first.mid if first.mid_code is not None else float(np.float32(first.mid)),
        mid_code=first.mid_code,
        scale_mm=first.scale_mm,
        scene_unit=scene_unit,
        scene_unit_mm=float(scene_unit_mm),
        texel_um=first.texel_um,
        finest_mm=_finest_mm(first.texel_um, finest_um, split_mm),
        normal=normal,
        split_mm=split_mm,
        layers=first.layers,
        patches=_all_patches(metadata),
        version=first.version,
        recipe=first.recipe,
        recipe_hash=first.recipe_hash,
        seed=first.seed,
    )


def file_pattern(tiles: Sequence[int], names: Sequence[str]) -> str:
    """The name of a set with ``<UDIM>`` for the tile number; the name itself of a single file without a number.

    Only a number between the last two dots that is the file's own tile becomes a token: ``head.1001.exr`` of tile 1001.

    Raises
    ------
    MapFileError : tiles named unlike each other, twice the same tile, or a name no document can hold.
    """
    if len(set(tiles)) != len(tiles):
        raise MapFileError(f"tiles: got {sorted(tiles)}, allowed is each number once")
    patterns = [_pattern(tile, name) for tile, name in zip(tiles, names, strict=True)]
    if len(names) == 1:
        return patterns[0] or names[0]
    for name, tile, pattern in zip(names, tiles, patterns, strict=True):
        if pattern is None or pattern != patterns[0]:
            raise MapFileError(
                f"{name}: allowed for tile {tile} of a set is NAME.{tile}.ENDING, with one NAME and ENDING for all of "
                f"it; the first is {names[0]}"
            )
    return patterns[0]


def decimal(number: float) -> str:
    """Decimal text that gives the exact number back, with a point and without an exponent: 0.00002, not 2e-05."""
    return np.format_float_positional(float(number), unique=True, trim="0")


def signed(number: float) -> str:
    """An addend with its sign apart: ``+ 0.5``, ``- 0.5``."""
    return f"{'-' if number < 0 else '+'} {decimal(abs(number))}"


def _pattern(tile: int, name: str) -> str | None:
    tile_indices(tile)
    if TILE_TOKEN in name or PurePosixPath(name).is_absolute() or not PurePosixPath(name).suffix:
        raise MapFileError(
            f"{name}: allowed is a name with an ending, relative to the documents, without {TILE_TOKEN} in it"
        )
    stem, _, ending = name.rpartition(".")
    number = f".{tile}"
    return f"{stem.removesuffix(number)}.{TILE_TOKEN}.{ending}" if stem.endswith(number) else None


def _finest_mm(texel_um: float | None, finest_um: float | None, split_mm: float | None) -> float | None:
    if finest_um is not None:
        return finest_um / UM_PER_MM
    texels_mm = None if texel_um is None else FINEST_TEXELS * texel_um / UM_PER_MM
    if split_mm is None or texels_mm is None:
        return texels_mm if split_mm is None else float(split_mm)
    return max(float(split_mm), texels_mm)  # a split finer than the texels takes nothing away


def _all_patches(metadata: Sequence[MapMetadata]) -> tuple[PatchRecord, ...]:
    """Patches of all tiles, each once."""
    return tuple(dict.fromkeys(patch for m in metadata for patch in m.patches))


def _check_unit(scene_unit: str | None, scene_unit_mm: float) -> None:
    if scene_unit is not None and scene_unit not in UNITS:
        raise MapFileError(f"scene_unit: got {scene_unit!r}, allowed is one of {', '.join(UNITS)}, or None")
    if not (math.isfinite(scene_unit_mm) and scene_unit_mm > 0):
        raise MapFileError(f"scene_unit_mm: got {scene_unit_mm!r}, allowed is a finite number above 0")
    if scene_unit is not None and scene_unit_mm != MM_PER_UNIT[scene_unit]:
        raise MapFileError(
            f"scene_unit_mm: got {scene_unit_mm!r}, but one {scene_unit} is {MM_PER_UNIT[scene_unit]!r} mm; give "
            f"scene_unit=None for a unit without a name"
        )


def _check_one_calibration(metadata: Sequence[MapMetadata], names: Sequence[str]) -> None:
    for name, m in zip(names, metadata, strict=True):
        for field in ("format", "mid", "mid_code", "scale_mm", "size_px"):
            found, expected = getattr(m, field), getattr(metadata[0], field)
            if found != expected:
                raise MapFileError(
                    f"{name}: {field} is {found!r}, but {names[0]} has {expected!r}; all tiles of a set share one "
                    f"calibration and size, so write them in one go"
                )
