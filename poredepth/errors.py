"""Every error poredepth raises on purpose.

    PoredepthError
    |- RecipeError(ValueError)       the recipe file, all findings at once
    |- MeshError(ValueError)         a mesh file, its UVs or its topology
    |- RegionError(ValueError)       a region, a mask or a direction that cannot be placed
    |- PatchError(ValueError)        a height picture or its calibration
    |- PlacementError(ValueError)    a layer that cannot be laid on this skin
    |- CalibrationError(ValueError)  heights that do not fit the asked encoding
    |- MapFileError(OSError)         a map that cannot be written, or reads back wrong

Warnings: ``PoredepthWarning`` is the root; each names what the person should look at.
"""

from __future__ import annotations


class PoredepthError(Exception):
    """Root of all errors raised on purpose; ``exit_code`` is what a command ends with."""

    exit_code = 3


class RecipeError(PoredepthError, ValueError):
    """Raised when a recipe has findings; ``findings`` holds them all, in file order."""

    def __init__(self, findings: list[str] | str):
        self.findings = [findings] if isinstance(findings, str) else list(findings)
        super().__init__("\n".join(self.findings))


class MeshError(PoredepthError, ValueError):
    """Raised when a mesh cannot be read or cannot carry a map."""


class RegionError(PoredepthError, ValueError):
    """Raised when a region, mask or direction cannot be found on the skin."""


class PatchError(PoredepthError, ValueError):
    """Raised when a height picture cannot be read or calibrated."""


class PlacementError(PoredepthError, ValueError):
    """Raised when a layer cannot be laid on this skin."""


class CalibrationError(PoredepthError, ValueError):
    """Raised when heights do not fit the asked encoding."""


class MapFileError(PoredepthError, OSError):
    """Raised when a map cannot be written, or does not read back as it was written."""

    exit_code = 4


class PoredepthWarning(UserWarning):
    """Root of all warnings."""
