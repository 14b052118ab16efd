"""Written maps opened again and proved: what stands in the files is what was meant."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from poredepth.checking.against import Plan, plan_for, skin_check, texel_check
from poredepth.checking.file_checks import Subject, file_findings
from poredepth.checking.reader import ENDINGS, OpenedMap, UnreadableMapError, open_map
from poredepth.checking.recipe_checks import Origins, recipe_findings
from poredepth.checking.report import CheckReport, FileMeasure, Finding, SetMeasure, TexelMeasure
from poredepth.checking.sampling import NotComparableError
from poredepth.checking.scan import scan
from poredepth.checking.set_checks import set_findings, set_key
from poredepth.checking.stated import Stated, carries_metadata, stated_metadata
from poredepth.errors import MapFileError
from poredepth.output.checksums import CHECKSUMS_NAME, verify
from poredepth.output.metadata import HEIGHT
from poredepth.output.sidecar import sidecar_path
from poredepth.pipeline import Composition, OnProgress, quiet

#: What the texels of a file tell leaves nothing to tell of these.
_EXPLAINED = ("range-differs", "outside-range", "clipped", "eight-bit", "tiles-alike")
#: Findings on texels that are not about the file as a whole.
_LOCAL = ("texels-differ", "filled-outside")

_NOTHING = np.empty(0, np.int64)

_Known = tuple[OpenedMap, Stated | None, list[str]]


def check_files(
    paths: Iterable[Path | str],
    composition: Composition | None = None,
    *,
    oiio: bool | None = None,
    on_progress: OnProgress = quiet,
) -> CheckReport:
    """Check written maps by a reader that is not the writer, alone and, if a composition is given, beside it.

    Parameters
    ----------
    paths : map files, or folders: all maps of this project in them.  Tiles of one map are checked as a set
    composition : what the maps are meant to hold, see `prepare`; size and format are those of the files
    oiio : whether OpenImageIO reads the files; default: where it is installed
    on_progress : called with (stage, done, total)

    Returns
    -------
    CheckReport, the same for the same files: texels are drawn by a fixed seed

    Raises
    ------
    UnreadableMapError : no such file, or a broken one
    """
    return MapChecker(composition, oiio=oiio, on_progress=on_progress).check(paths)


class MapChecker:
    """Checks any number of maps of one recipe: what it means is worked out once for each size.

    Parameters
    ----------
    composition, oiio, on_progress : see `check_files`
    """

    def __init__(
        self, composition: Composition | None = None, *, oiio: bool | None = None, on_progress: OnProgress = quiet
    ):
        self._composition, self._oiio, self._on_progress = composition, oiio, on_progress
        self._origins = None if composition is None else Origins(composition.recipe)
        self._plans: dict[tuple, Plan | None] = {}

    def check(self, paths: Iterable[Path | str]) -> CheckReport:
        """Check map files, or folders; see `check_files`."""
        given = [Path(path) for path in paths]
        opened = find_maps(given, oiio=self._oiio)
        whole_set = any(path.is_dir() for path in given)
        sets: dict[tuple, list[_Known]] = {}
        for one in opened:
            stated, wrong = stated_metadata(one)
            sets.setdefault(set_key(one.path, stated), []).append((one, stated, wrong))
        findings = _checksums(given, opened, self._on_progress)
        measures: list[SetMeasure] = []
        # heights first: other maps are judged by their recipe
        for members in sorted(sets.values(), key=lambda one: one[0][1] is not None and not one[0][1].holds_heights):
            done = sum(len(measure.files) for measure in measures)
            found, measure = self._check_set(members, whole_set or len(members) > 1, done, len(opened))
            findings += found
            measures.append(measure)
        self._on_progress("check", len(opened), len(opened))
        return CheckReport(tuple(findings), tuple(measures))

    def _check_set(
        self, members: Sequence[_Known], whole_set: bool, done: int, total: int
    ) -> tuple[list[Finding], SetMeasure]:
        plan, subjects, of_files = self._plan(members), [], []
        for number, (one, stated, wrong) in enumerate(members):
            self._on_progress("check", done + number, total)
            wanted = plan.wanted(stated.tile) if plan is not None and _fits(one, stated, plan) else _NOTHING
            subjects.append(Subject(one, stated, scan(one, wanted)))
            of_files += file_findings(subjects[-1], wrong)
        of_files += set_findings(subjects)
        known = [one for one in subjects if one.stated is not None]
        of_recipe = []
        if self._composition is not None and known:
            of_recipe = recipe_findings(known, self._origins, self._composition, whole_set)
        if plan is None:
            return [*of_recipe, *of_files], SetMeasure(tuple(_measured(one) for one in subjects))
        of_texels: list[Finding] = []
        measures = []
        for one in subjects:
            texels, found = self._texels(one, plan)
            measures.append(replace(_measured(one), texels=texels))
            of_texels += found
            if texels is not None:
                of_files = [other for other in of_files if not _is_explained(other, one, found)]
        skin, of_seams = skin_check([one for one in subjects if _fits(one.opened, one.stated, plan)], plan)
        findings = [*of_texels, *of_recipe, *of_files, *([] if of_texels else of_seams)]
        return findings, SetMeasure(tuple(measures), skin)

    def _texels(self, one: Subject, plan: Plan) -> tuple[TexelMeasure | None, list[Finding]]:
        if not _fits(one.opened, one.stated, plan) or one.stated.tile not in plan.samples:
            return None, []
        output = self._origins.of(one).output or self._composition.recipe.output
        return texel_check(one, plan, not output.fill_gaps)

    def _plan(self, members: Sequence[_Known]) -> Plan | None:
        """What is looked at; None if there is no recipe, or it does not say what these maps hold."""
        usable = [(one, stated) for one, stated, _ in members if _is_square(one, stated)]
        sizes = Counter(one.shape[0] for one, _ in usable)
        if self._composition is None or not sizes:
            return None
        key = sizes.most_common(1)[0][0], usable[0][1]["part"]
        if key not in self._plans:
            self._on_progress("texels", 0, 1)
            try:
                self._plans[key] = plan_for(self._composition, *key)
            except NotComparableError:
                self._plans[key] = None
            self._on_progress("texels", 1, 1)
        return self._plans[key]


def find_maps(paths: Iterable[Path | str], *, oiio: bool | None = None) -> list[OpenedMap]:
    """The maps among files and in folders, each once, opened; parameters and errors as in `check_files`."""
    found: dict[Path, OpenedMap] = {}
    for path in map(Path, paths):
        if not path.is_dir():
            found.setdefault(path, open_map(path, oiio=oiio))
            continue
        files = [one for one in sorted(path.iterdir()) if one.suffix.lower() in ENDINGS and one.is_file()]
        opened = [open_map(one, oiio=oiio) for one in files if not one.name.startswith(".")]
        inside = {one.path: one for one in opened if carries_metadata(one)}
        if not inside:
            raise UnreadableMapError(f"{path}: no map of poredepth in this folder; give one that `compose` wrote to")
        found = {**inside, **found}
    return list(found.values())


def _checksums(given: Sequence[Path], opened: Sequence[OpenedMap], on_progress: OnProgress) -> list[Finding]:
    """Files that are not those whose checksums were written beside them: of folders all, else those that were given."""
    folders = {one.path.parent for one in opened} | {path for path in given if path.is_dir()}
    names = {name for one in opened for name in (one.path.name, sidecar_path(one.path).name)}
    found = []
    for folder in sorted(one for one in folders if (one / CHECKSUMS_NAME).is_file()):
        on_progress("checksums", 0, 1)
        try:
            troubles = verify(folder)
        except MapFileError as error:
            raise UnreadableMapError(str(error)) from error
        for trouble in troubles:
            if folder in given or trouble.name in names:
                text = f"the file is {trouble.trouble}, says {CHECKSUMS_NAME}"
                hint = "it was edited, saved anew or lost since the set was written: write the set again"
                found.append(Finding("checksum-differs", text, hint, folder / trouble.name))
    return found


def _fits(one: OpenedMap, stated: Stated | None, plan: Plan) -> bool:
    """Whether a map can be held against a plan: it says what its values mean, and is of that size."""
    return _is_square(one, stated) and one.shape[0] == plan.intent.raster.size_px


def _is_square(one: OpenedMap, stated: Stated | None) -> bool:
    """Whether a map says what its values mean, and is of the size it says, one that a recipe can have."""
    if stated is None or not stated.is_usable or stated.size_px != one.shape[::-1]:
        return False
    return one.shape[0] == one.shape[1] and 16 <= one.shape[0] <= 32768


def _is_explained(finding: Finding, subject: Subject, of_texels: Sequence[Finding]) -> bool:
    """Whether what the texels tell of a file makes a finding on the same file superfluous.

    Where all texels are right, tiles may be alike, and heights few, by right.
    """
    if finding.file != subject.opened.path:
        return False
    if not of_texels:
        return finding.name in ("tiles-alike", "eight-bit")
    return finding.name in _EXPLAINED and any(one.name not in _LOCAL for one in of_texels)


def _measured(one: Subject) -> FileMeasure:
    opened, stated, found = one.opened, one.stated, one.scan
    ends = [None, None]
    if one.decoder is not None:
        ends = [
            None if end is None else float(one.decoder.mm(np.array([end.value], found.dtype))[0])
            for end in (found.low, found.high)
        ]
    return FileMeasure(
        opened.path,
        0 if stated is None else stated.tile,
        HEIGHT if stated is None else str(stated.plain.get("kind", HEIGHT)),
        opened.reader,
        opened.shape[::-1],
        opened.pixel_type,
        opened.compression,
        opened.row_order,
        "" if stated is None else str(stated["format"]),
        "" if stated is None else str(stated["formula"]),
        "nothing" if stated is None else stated.by,
        ends[0],
        ends[1],
        None if found.levels is None else len(found.levels),
    )
