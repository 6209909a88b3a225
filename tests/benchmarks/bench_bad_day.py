"""Right, or says so: rigs that work, and everything that may go wrong on the day of the scan.

    python tests/benchmarks/run.py bad_day [--cells RIG/WAY ...] [--jobs N] [--json]

Every cell is one rig on which one thing goes wrong, with a seed of its own, taken through the numbers of the chain: the
photographs are decoded, the map is fitted, and what came out is compared with what was built. Wanted is, in every
cell, either a map whose errors are what it says (error over sigma, rms, at most 1.3) and at most three times as large
as without the mishap, or a refusal whose text names the cause: a MeasurementError (exit code 5), or a verdict on the
fit that fails it (exit code 6). A map that is neither is a silent failure, of which there should be none (nothing
being wrong is a cell, too); a refusal for a wrong cause sends the user looking in the wrong place.

The camera is known but for the mistakes with the sheet, for which board and sheet are photographed. The map and the
verdict on it are judged here, without the mirror: commands that look at a whole result afterwards may see more. The
rigs have half of the scenarios' pixels along each side. Mirrors of several zones are scanned one zone after the other,
as `scan` does it.
What changes the mirror (twist, ripple) changes the truth that is compared with, and with it the pixels whose place has
one meaning (tests/support/map_truth.py): errors are compared on those that have one on both days. That does not show
how the map is where light is smeared on one of the days, as on the crests of a ripple or at a hole's rim: there only
"z of all" tells, which nothing is asked of. "n" says how many pixels were judged at all, and a small number is to be
looked at. `--cells` takes patterns such as "round-table/*" or "*/knock".
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import re
import shutil
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from fnmatch import fnmatch
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS / "support"), str(_TESTS / "benchmarks")]

from map_truth import TrueMap, map_errors, spread, true_map  # noqa: E402
from small_rig import make_small_rig  # noqa: E402
from whole_chain import photographed_camera, true_camera  # noqa: E402

from rigwarp.camera import CameraModel  # noqa: E402
from rigwarp.decode import Decoder, left_px  # noqa: E402
from rigwarp.devices import open_virtual  # noqa: E402
from rigwarp.errors import MeasurementError, RigwarpError, ToleranceError  # noqa: E402
from rigwarp.files import RigFolder, open_rig  # noqa: E402
from rigwarp.jobs.checks.verify import require_passed  # noqa: E402
from rigwarp.jobs.design import design_map, design_model  # noqa: E402
from rigwarp.jobs.results.fit import content_coverage  # noqa: E402
from rigwarp.jobs.scans.zones import zones_of  # noqa: E402
from rigwarp.patterns import PatternSet, fast_set  # noqa: E402
from rigwarp.simulation import VirtualRig  # noqa: E402
from rigwarp.table_map import (  # noqa: E402
    TableMapFit,
    check_orientation,
    fit_table_map,
    rig_tolerances,
    samples_of_zones,
    zone_places,
)
from rigwarp.verification import plan_dots  # noqa: E402
from rigwarp.verification.verdict import judge_fit, lights  # noqa: E402

LARGEST_Z = 1.3
_LARGEST_GROWTH = 3.0
_UNKNOWN_MM = (
    1.0  # sigma: where a fold's pixel may be on either side, and says so, 10 mm in 20 of 150,000 hide all else
)
RIGS = ("round-table", "folded-counter", "shallow-fold")
_STEEP_MM = "15.31"  # the counter's fold
ROOFS_MM = {"shallow-fold": "0.43"}
"""Rigs that are the counter with another fold: 0.8 degrees, 62 mm at 0.4 degrees."""
_SEED = 500
RIGHT = "right"
SILENT, WRONG_CAUSE, WRONG_EXIT = "silent failure", "refused, wrong cause", "refused, not with exit code 5 or 6"


@dataclass(frozen=True, kw_only=True)
class Way:
    """Something that goes wrong.

    Attributes
    ----------
    text : what virtual.toml has beside the usual; {n} stands for the number of photographs, {half} for its half,
        {between} for the first of the second zone.
    cause, but_not : patterns for what a refusal has to speak of, and for what it must not name beside it.
    made : a line of its table [built].
    built : whether it changes the mirror.
    sheet : whether it matters only to a camera that is photographed.
    rigs : the rigs that it can happen to.
    """

    text: str
    cause: str
    but_not: str = r"(?!)"
    made: str = ""
    built: bool = False
    sheet: bool = False
    rigs: tuple[str, ...] = RIGS


FOLDS = ("folded-counter", "shallow-fold")
_MISHAPS = "\n[mishaps]\nphotographs = {n}\n"
_CAMERA_MOVED = r"camera moved"  # not: "the camera, the projector or the mirror, or the exposure"
_EXPOSURE = r"automatic exposure|exposure (or|follows)|follows the picture"
_CAMERA = r"camera[^.;]* moved"
_ROOM = r"room's light changed|daylight|sunshine"
_SMOOTHED = r"compress|smooth|bands|flicker"
WAYS = {
    "creep": Way(text=_MISHAPS + "creep_px = [0.6, -0.36]\n", cause=_CAMERA_MOVED),
    "creep, small": Way(text=_MISHAPS + "creep_px = [0.08, 0.05]\n", cause=_CAMERA_MOVED),
    "knock": Way(text=_MISHAPS + "knock_at = {half}\nknock_px = [1.2, -0.7]\n", cause=_CAMERA_MOVED),
    "knock between zones": Way(
        text=_MISHAPS + "knock_at = {between}\nknock_px = [1.2, -0.7]\n", cause=_CAMERA_MOVED, rigs=FOLDS
    ),
    "automatic exposure": Way(text=_MISHAPS + "auto_exposure = 1.0\n", cause=_EXPOSURE),
    "daylight": Way(text=_MISHAPS + "daylight = 0.1\n", cause=_ROOM, but_not=_CAMERA),
    "sunshine": Way(text=_MISHAPS + "sunshine = 0.1\nsunshine_at = [{half}, {later}]\n", cause=_ROOM, but_not=_CAMERA),
    "lamp": Way(text=_MISHAPS + "lamp_drift = -0.1\n", cause=r"lamp|brightness of the photographs", but_not=_CAMERA),
    "JPEG": Way(text=_MISHAPS + "jpeg_quality = 80\n", cause=_SMOOTHED),
    "bands": Way(text=_MISHAPS + "bands = 0.02\nbands_period_px = 90\n", cause=_SMOOTHED),
    "smoothing": Way(text=_MISHAPS + "smoothing_px = 1.5\n", cause=_SMOOTHED),
    "passer-by": Way(
        text=_MISHAPS + "passer_by_at = [{half}, {later}]\npasser_by_from_mm = [-150, 0]\n"
        "passer_by_to_mm = [150, 60]\npasser_by_radius_mm = 70\npasser_by_shadow = 0.9\n",
        cause=r"shadow|walk|passed|moved",
    ),
    "too early": Way(text=_MISHAPS + "early = [{half}]\n", cause=r"photograph {half}\b.*(before|shows)"),
    "exchanged": Way(text=_MISHAPS + "exchanged = [[{half}, {later}]]\n", cause=r"photograph.*(exchanged|shows)"),
    "missing": Way(text=_MISHAPS + "missing = [{half}]\n", cause=r"photograph|picture|missing"),
    "twice": Way(text=_MISHAPS + "twice = [{half}]\n", cause=r"photograph|picture|twice"),
    "upside down": Way(text=_MISHAPS + "turned_deg = 180\n", cause=r"turned|upside down|mirrored"),
    "on its side": Way(text=_MISHAPS + "turned_deg = 90\n", cause=r"turned|size|shape"),
    "mirrored": Way(text=_MISHAPS + "mirrored = true\n", cause=r"turned|mirrored"),
    "sheet the wrong way round": Way(text="turned_deg = 180\n", cause=r"sheet.*(turned|round)", sheet=True),
    "another sheet": Way(text="square_mm = 24.0\nmarker_mm = 18.0\n", cause=r"sheet|square|size", sheet=True),
    "twisted panel": Way(
        text="\n[[built.facet]]\nfacet = 1\ntwist_mrad_per_mm = 0.16\n",
        cause=r"fold|panel|zone",
        built=True,
        rigs=FOLDS,
    ),
    "print-layer ripple": Way(
        text="\n[[built.ripple]]\namplitude_um = 0.1\nperiod_mm = 1.6\ndirection_deg = 30\n", cause="ripple", built=True
    ),
    "hole": Way(
        text="\n[[built.hole]]\nposition_mm = [-12, 6]\ndiameter_mm = 8\n", cause=r"content.*light|not lit", built=True
    ),
    "short rim": Way(text="", made="rim_mm = -17\n", cause=r"content.*light|not lit", built=True),
}


def measure(cells: Sequence[str] = ("*",), jobs: int = 1) -> dict[str, Any]:
    """What came of each cell that fits one of the patterns, worked at in so many processes."""
    asked = [
        (rig, way)
        for rig in RIGS
        for way in WAYS
        if rig in WAYS[way].rigs and any(fnmatch(f"{rig}/{way}", pattern) for pattern in cells)
    ]
    days = sorted({(rig, WAYS[way].sheet) for rig, way in asked})
    figures: dict[str, Any] = {rig: {} for rig in RIGS if any(rig == one for one, _ in asked)}
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        good = dict(zip(days, pool.map(_good_day, *zip(*days, strict=True)), strict=True))
        for (rig, photographed), (found, _) in good.items():
            figures[rig]["nothing wrong, photographed camera" if photographed else "nothing wrong"] = found
        unspoilt = [good[rig, WAYS[way].sheet][1] for rig, way in asked]
        for (rig, way), found in zip(asked, pool.map(_cell, *zip(*asked, strict=True), unspoilt), strict=True):
            figures[rig][way] = found
            sys.stderr.write(f"  {rig}/{way}: {_line(found)}\n")
    outcomes = [one["outcome"] for found in figures.values() for one in found.values()]
    silent, misled, strange = (outcomes.count(kind) for kind in (SILENT, WRONG_CAUSE, WRONG_EXIT))
    figures |= {"cells": len(outcomes), SILENT: silent, WRONG_CAUSE: misled, WRONG_EXIT: strange}
    figures["held"] = {
        "no silent failure": silent == 0,
        f"error over sigma at most {LARGEST_Z:g} and error at most {_LARGEST_GROWTH:g} times the unspoilt one, "
        "or refused with the right cause": silent + misled + strange == 0,
    }
    return figures


def _good_day(rig: str, photographed: bool) -> tuple[dict[str, Any], "Day"]:
    with tempfile.TemporaryDirectory() as name:
        return RigBench(Path(name), rig).good_day(photographed=photographed)


def _cell(rig: str, way: str, unspoilt: "Day") -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as name:
        return RigBench(Path(name), rig).cell(way, unspoilt)


@dataclass(frozen=True, kw_only=True)
class Day:
    """Pixels whose place has one meaning, (N,) counted row by row, and how far the map is off there, mm."""

    pixel: NDArray[np.int64]
    error_mm: NDArray[np.float64]

    def times(self, other: "Day") -> float:
        """How many times another day's error, rms, on the pixels of both."""
        _, here, there = np.intersect1d(self.pixel, other.pixel, assume_unique=True, return_indices=True)
        return float(np.sqrt(np.mean(self.error_mm[here] ** 2) / np.mean(other.error_mm[there] ** 2)))


class RigBench:
    """One rig: what it gives on a good day, and on others."""

    def __init__(self, root: Path, name: str) -> None:
        self._root = root / name
        _make(self._root, name)
        self._folder = open_rig(self._root)
        self._truth = true_map(self._folder)
        self._design = design_map(self._folder)
        zone = zones_of(self._folder)
        self._masks = [zone == n for n in np.unique(zone)] if len(np.unique(zone)) > 1 else [np.ones(zone.shape, bool)]
        projector = self._folder.rig.projector
        self._patterns = fast_set(projector.resolution, projector.transfer)
        if len(self._masks) > 1:
            self._patterns = self._patterns.with_plaid()  # as scans of zones have it

    @property
    def photographs(self) -> int:
        """How many a scan takes."""
        return len(self._patterns.frames) * len(self._masks)

    def good_day(self, *, photographed: bool) -> tuple[dict[str, Any], Day]:
        """Figures of a day on which nothing goes wrong."""
        good, day = self._figures(self._folder, self._truth, photographed=photographed)
        return {"outcome": RIGHT if good["z"] <= LARGEST_Z else SILENT, **good}, day

    def cell(self, name: str, unspoilt: Day) -> dict[str, Any]:
        """What comes of a mishap."""
        way = WAYS[name]
        count = self.photographs
        words = {"{n}": str(count), "{half}": str(count // 2), "{later}": str(count // 2 + 4)}
        words["{between}"] = str(len(self._patterns.frames) + 1)
        text, cause = (_filled(words, part) for part in (way.text, way.cause))
        folder = self.spoilt(text, _SEED + 1 + list(WAYS).index(name), made=way.made)
        return self.judged(folder, cause, way.but_not, unspoilt, built=way.built, photographed=way.sheet)

    def judged(
        self, folder: RigFolder, cause: str, but_not: str, unspoilt: Day, *, built: bool, photographed: bool = False
    ) -> dict[str, Any]:
        """What comes of a spoilt rig; `cause` and the others as in `Way`."""
        truth = true_map(folder) if built else self._truth
        try:
            found, day = self._figures(folder, truth, photographed=photographed)
        except (MeasurementError, ToleranceError) as error:
            right = bool(re.search(cause, str(error), re.I)) and not re.search(but_not, str(error), re.I)
            return {"outcome": "refused, right cause" if right else WRONG_CAUSE, "error": _short(error)}
        except RigwarpError as error:
            return {"outcome": WRONG_EXIT, "error": f"exit {error.exit_code}: {_short(error)}"}
        growth = day.times(unspoilt)
        good = found["z"] <= LARGEST_Z and growth <= _LARGEST_GROWTH
        return {"outcome": RIGHT if good else SILENT, **found, "times unspoilt": growth}

    def spoilt(self, text: str, seed: int, *, made: str = "") -> RigFolder:
        root = self._root.with_name(f"{self._root.name}-spoilt")
        shutil.copytree(self._root, root)
        truth = root / "virtual.toml"
        told = re.sub(r"^seed = \d+", f"seed = {seed}", truth.read_text(encoding="utf-8"), flags=re.M)
        told = told.replace("[built]\n", f"[built]\n{made}", 1)
        # [sheet] stands last in the scenarios' files: lines without a table of their own go on there
        truth.write_text(told.rstrip() + "\n" + text, encoding="utf-8")
        return open_rig(root)

    def _figures(self, folder: RigFolder, truth: TrueMap, *, photographed: bool) -> tuple[dict[str, float], Day]:
        virtual = open_virtual(folder)
        sheet_mm = virtual.truth.sheet.thickness_mm
        camera = (
            photographed_camera(folder, virtual, sheet_mm=sheet_mm) if photographed else true_camera(folder, virtual)
        )
        fit = self.fitted(folder, virtual, camera)
        share, dots = content_coverage(folder.rig, fit), plan_dots(folder.rig.content)
        require_passed(
            judge_fit(
                fit,
                None,
                folder.rig,
                promised=lights(design_map(folder), dots),
                lit=lights(fit.table_map, dots),
                measured_share=share,
            )
        )
        errors = map_errors(folder, fit, truth)
        clear = ~errors.smeared
        length_mm, sigmas = (np.linalg.norm(each, axis=-1) for each in (errors.error_mm, errors.z))
        known = clear & ~(length_mm > _UNKNOWN_MM * sigmas)
        day = Day(pixel=errors.pixel[known], error_mm=length_mm[known])
        return {
            "z": spread(errors.z[clear]),
            "z of all": spread(errors.z),
            "rms_mm": float(np.sqrt(np.mean(length_mm[clear] ** 2))),
            "largest_mm": float(length_mm[clear].max()),
            "n": int(np.count_nonzero(clear)),
        }, day

    def fitted(self, folder: RigFolder, virtual: VirtualRig, camera: CameraModel) -> TableMapFit:
        photos = virtual.handed_over(
            [photo for mask in self._masks for photo in _photographed(virtual, self._patterns, mask)]
        )
        per_zone = len(self._patterns.frames)
        scans = []
        for number in range(len(self._masks)):
            last = number == len(self._masks) - 1
            pile = photos[number * per_zone :] if last else photos[number * per_zone : (number + 1) * per_zone]
            decoder = Decoder(self._patterns)
            for photo in pile:
                decoder.add(photo)
            decoded = decoder.finish()
            check_orientation(decoded, camera, self._design, folder.rig.table.height_mm)  # as `scan --import` does
            scans.append(decoded)
        samples = samples_of_zones(scans, camera, folder.rig.table, self._masks, zone_places(scans))
        return fit_table_map(
            design_model(folder),
            samples,
            camera,
            rig_tolerances(folder.rig),
            **left_px(scans),
        )


def _make(root: Path, name: str) -> None:
    """A rig folder of that name."""
    make_small_rig(root, "folded-counter" if name in ROOFS_MM else name)
    if name in ROOFS_MM:
        rig = root / "rig.toml"
        text = rig.read_text(encoding="utf-8")
        assert text.count(_STEEP_MM) == 4
        rig.write_text(text.replace(_STEEP_MM, ROOFS_MM[name]), encoding="utf-8")


def _photographed(virtual: VirtualRig, patterns: PatternSet, mask: NDArray[np.bool_]) -> list[NDArray[np.uint8]]:
    photos = []
    for index in range(len(patterns.frames)):
        virtual.display.show(patterns.of_zone(index, mask))
        photos.append(virtual.camera.grab())
    return photos


def _filled(words: dict[str, str], text: str) -> str:
    for word, value in words.items():
        text = text.replace(word, value)
    return text


def _line(cell: dict[str, Any]) -> str:
    """A cell in a line, while the others are still to come."""
    told = cell.get("error") or f"z {cell['z']:.2f}, {cell['rms_mm']:.4f} mm, {cell['times unspoilt']:.1f} x unspoilt"
    return f"{cell['outcome']}: {told}"


def _short(error: RigwarpError) -> str:
    return " ".join(str(error).split())[:160]


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("bad_day", measure))
