"""Heights in millimetres to calibrated files, and back."""

from poredepth.output.calibration import FORMATS, Calibration, MapFormat, decode, encode, fit_calibration, tolerance_mm
from poredepth.output.metadata import FIELDS, Field, MapMetadata, PatchRecord
from poredepth.output.sidecar import read_sidecar, sidecar_path, write_sidecar
from poredepth.output.tiles import EXTENSION, tile_file_name, tile_indices, tile_number
from poredepth.output.write import WrittenMap, read_map, read_map_metadata, write_map

__all__ = [
    "EXTENSION",
    "FIELDS",
    "FORMATS",
    "Calibration",
    "Field",
    "MapFormat",
    "MapMetadata",
    "PatchRecord",
    "WrittenMap",
    "decode",
    "encode",
    "fit_calibration",
    "read_map",
    "read_map_metadata",
    "read_sidecar",
    "sidecar_path",
    "tile_file_name",
    "tile_indices",
    "tile_number",
    "tolerance_mm",
    "write_map",
    "write_sidecar",
]
