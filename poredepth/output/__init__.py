"""Heights in millimetres to calibrated files, and back."""

from poredepth.output.calibration import Calibration, decode, encode, tolerance_mm
from poredepth.output.channels import ChannelCoding
from poredepth.output.fitting import fit_calibration
from poredepth.output.formats import ENCODINGS, EXTENSION, FILE_FORMATS, FORMATS, FileFormat
from poredepth.output.metadata import FIELDS, Field, MapMetadata, PatchRecord
from poredepth.output.sidecar import read_sidecar, sidecar_path, write_sidecar
from poredepth.output.tiles import tile_file_name, tile_indices, tile_number
from poredepth.output.write import WrittenMap, read_map, read_map_metadata, write_channels, write_map

__all__ = [
    "ENCODINGS",
    "EXTENSION",
    "FIELDS",
    "FILE_FORMATS",
    "FORMATS",
    "Calibration",
    "ChannelCoding",
    "Field",
    "FileFormat",
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
    "write_channels",
    "write_map",
    "write_sidecar",
]
