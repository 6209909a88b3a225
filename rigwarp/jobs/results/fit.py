"""A scan becomes the table map, the as-built mirror and the prewarp; a result that passes becomes current."""

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.as_built import AsBuilt
from rigwarp.camera import CameraModel
from rigwarp.decode import Decoded, left_px
from rigwarp.errors import InputError
from rigwarp.files import (
    RigFolder,
    complete_runs,
    make_current,
    new_run,
    read_decoded,
    write_as_built,
    write_map,
    write_prewarp,
)
from rigwarp.files.camera_file import camera_of
from rigwarp.files.names import CAMERA_FILE, DECODED_FILE, FIT_FILE, MAP_FILE, PREWARP_FILE, RESULTS, SCANS
from rigwarp.files.records import BorderRecord, FitRecord, MapFigures, RegistrationRecord, RippleRecord, VerdictRecord
from rigwarp.files.records.record import finite
from rigwarp.files.runs import current_or_none, finish_run, put_back, stamped_ahead
from rigwarp.geometry import BoolArray
from rigwarp.geometry.threads import by_rows
from rigwarp.jobs.freed_memory import give_back_memory, share_one_heap
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.results.budget import warp_sigmas, write_budget
from rigwarp.jobs.results.design_ahead import DesignAhead
from rigwarp.jobs.results.fit_mirror import fit_mirror
from rigwarp.jobs.scans.chosen_scans import table_scans
from rigwarp.jobs.scans.scan_runs import scan_figures
from rigwarp.jobs.scans.zones import shown_in
from rigwarp.prewarp import build_prewarp
from rigwarp.rig import Rig, inside_content
from rigwarp.table_map import (
    Border,
    MapFacts,
    TableMapFit,
    ZonePlaces,
    fit_table_map,
    rig_tolerances,
    samples_of_zones,
    zone_places,
)
from rigwarp.table_map.registration import shifts_by_name
from rigwarp.verification import MapBudget, WarpSigmas, plan_dots
from rigwarp.verification.verdict import Verdict, judge_fit, lights


@dataclass(frozen=True, kw_only=True)
class WarpMade:
    """The part of a result by which content is shown: all that nobody at the table need wait longer for.

    Attributes
    ----------
    run : the result's folder, finished but for the mirror's form and the budget. Map and prewarp are in it: they are
        not kept in memory, of which a small board has little.
    table_map : what the map's fit tells beside its pixels, and `figures` what `held_out_figures` says of it.
    triangles, mesh_error_px : of the prewarp.
    lit : (K,) by check dot, whether the map lights its place.
    sigmas : what the budget is made from.
    verdict : what speaks against the map.
    """

    run: Path
    table_map: MapFacts
    figures: MapFigures
    triangles: int
    mesh_error_px: float
    lit: BoolArray
    sigmas: WarpSigmas
    verdict: Verdict


@dataclass(frozen=True, kw_only=True)
class FitMade(WarpMade):
    """A finished result folder and what is in it.

    Attributes
    ----------
    as_built : None where the mirror's shape could not be told.
    budget : made from map and prewarp.
    verdict : what speaks against the whole result, what `show` of `fit_scans` found included.
    current : whether it is the live result now.
    seconds : per stage.
    ready_s : seconds after the start at which "map", "warp" (live, unless something speaks against it) and "mirror"
        were ready.
    """

    as_built: AsBuilt | None
    budget: MapBudget
    current: bool
    seconds: dict[str, float]
    ready_s: dict[str, float]


def fit_rig(progress: Progress, folder: RigFolder, scan: str | None = None, *, accept: bool = False) -> FitMade:
    """Fit the scan of the table of that name, by default the latest finished one; see `fit_scans`."""
    share_one_heap()
    return fit_scans(progress, folder, table_scans(folder, scan), accept=accept)


def fit_scans(
    progress: Progress,
    folder: RigFolder,
    scans: Sequence[Path],
    *,
    decoded: Sequence[Decoded] | None = None,
    design: DesignAhead | None = None,
    accept: bool = False,
    show: Callable[[WarpMade], Verdict] = lambda made: made.verdict,
) -> FitMade:
    """Everything that follows from a scan, written to a new result folder that becomes current unless it failed.

    Map and prewarp come first and go live; the mirror's form and the budget follow in the same folder. Where the form
    speaks against the result, what was live before is put back.

    Parameters
    ----------
    scans : the scan's run folders, more than one where the zones were lit one at a time.
    decoded : the same, read.
    design : where somebody has begun with it already.
    accept : make it current although something speaks against it.
    show : looks at the picture before it goes live, where there is something to look with.
    """
    clock = _Laps()
    give_back_memory()  # the photographs
    camera = camera_of(folder)
    if decoded is None:
        decoded = [read_decoded(scan / DECODED_FILE) for scan in scans]
        for text in dict.fromkeys(text for one in decoded for text in one.corrected):
            progress.note(f"Put right in the scan: {text}.")
        for text in dict.fromkeys(text for one in decoded for text in one.recovered):
            progress.note(f"In the scan {text}.")
    for one in decoded:
        seen = one.reason.shape[::-1]
        if camera.resolution != seen:
            raise InputError(
                f"{folder.root / CAMERA_FILE}: calibrated at {camera.resolution[0]} x {camera.resolution[1]} pixels, "
                f"but the scan has {seen[0]} x {seen[1]}. Calibrate and scan at the same resolution."
            )
    names, finished = [scan.name for scan in scans], complete_runs(folder.root / SCANS)
    settings = {"scans": names, "latest_scan": finished[-1].name if finished else names[-1]}
    _say_which(progress, names, finished)
    origin = {"rig_hash": folder.rig_hash, "scan": " + ".join(names)}
    with (
        new_run(folder.root / RESULTS, "fit", folder, settings=settings) as run,
        progress.stage(3, "Fitting") as advance,
        ThreadPoolExecutor(2) as beside,
    ):
        design = design or DesignAhead(folder)
        places = zone_places(decoded)
        for words in filter(None, places.in_words):
            progress.note(f"{words[0].upper()}{words[1:]}, which was put right.")
        of_scans = beside.submit(_scan_figures, decoded, places)
        lit = [shown_in(folder, scan) for scan in scans]

        def found_map() -> TableMapFit:
            found = _table_map(folder, decoded, camera, lit, places, design)
            give_back_memory()
            clock.lap("fit", "map")
            advance()
            return found

        made = _written_warp(folder, run, found_map(), origin, beside)
        table_map = made.table_map

        def judged(built: AsBuilt | None) -> Verdict:
            """The verdict, noted in fit.json."""
            share = finite(made.figures.coverage)
            found = judge_fit(table_map, built, folder.rig, promised=design.lit(), lit=made.lit, measured_share=share)
            record = _fit_record(made, of_scans.result(), clock.seconds)
            replace(record, verdict=VerdictRecord.of(found, accepted=accept)).write(run / FIT_FILE, replace=True)
            return found

        made = replace(made, verdict=judged(None))
        clock.lap("prewarp")
        finish_run(run)
        give_back_memory()
        shown = show(made)
        before = current_or_none(folder.root)
        current = accept or not shown.failures
        if current:
            make_current(folder.root, run)
            progress.note("The corrected picture is live; the mirror's form follows")
        give_back_memory()
        clock.lap("verify", "warp")
        advance()
        as_built = None
        if accept or table_map.registration.agreement.mistake in ("none", "unexplained"):
            as_built = fit_mirror(progress, folder, scans, design.model(), table_map, camera, decoded)
        give_back_memory()
        clock.lap("as_built", "mirror")
        advance()
        if as_built is not None:
            write_as_built(run, as_built, extra=origin)
        verdict = judged(as_built).with_more(shown)
        budget = write_budget(folder, run, made.sigmas)
        if current and verdict.failures and not accept:
            current = False
            put_back(folder.root, before)
    return FitMade(
        **{**vars(made), "verdict": verdict},
        as_built=as_built,
        budget=budget,
        current=current,
        seconds=clock.seconds,
        ready_s=clock.ready_s,
    )


def _table_map(
    folder: RigFolder,
    decoded: Sequence[Decoded],
    camera: CameraModel,
    lit: Sequence[BoolArray | None],
    places: ZonePlaces,
    design: DesignAhead,
) -> TableMapFit:
    """The map; its samples, as large as the photographs, are not kept."""
    samples = samples_of_zones(decoded, camera, folder.rig.table, lit, places)
    give_back_memory()
    found = fit_table_map(design.model(), samples, camera, rig_tolerances(folder.rig), **left_px(decoded))
    return replace(found, not_proven="; ".join(filter(None, [found.not_proven, places.not_proven])))


def _written_warp(
    folder: RigFolder, run: Path, table_map: TableMapFit, origin: dict[str, Any], beside: ThreadPoolExecutor
) -> WarpMade:
    """Write the map, and the prewarp made from it; what speaks against them is not judged yet."""
    parts = {
        "sigma_random_mm": table_map.random_mm,
        "sigma_common_mm": table_map.common_mm,
        "sigma_decode_mm": table_map.decode_mm,
        "sigma_ripple_mm": table_map.ripple_mm,
        "sigma_border_mm": table_map.border_mm,
        "sigma_light_mm": table_map.light_change_mm,
        "sigma_bands_mm": table_map.bands_mm,
        "sigma_curve_mm": table_map.curve_mm,
    }
    # a part that is nothing anywhere says nothing, and would be 33 MB of a 4K map
    more = {name: part for name, part in parts.items() if part.any()} | {"light": table_map.light}
    written = beside.submit(write_map, run / MAP_FILE, table_map.table_map, more=more, **origin)
    figures = beside.submit(held_out_figures, folder.rig, table_map)
    lit = beside.submit(lights, table_map.table_map, plan_dots(folder.rig.content))
    transfer = folder.rig.projector.transfer
    prewarp = build_prewarp(table_map.table_map, folder.rig.content, transfer, light=table_map.light)
    prewarp_written = beside.submit(write_prewarp, run / PREWARP_FILE, prewarp, extra=origin)
    sigmas = warp_sigmas(folder.rig, table_map.table_map, parts, prewarp)
    written.result()
    prewarp_written.result()
    return WarpMade(
        run=run,
        table_map=table_map.facts(),
        figures=figures.result(),
        triangles=len(prewarp.triangles),
        mesh_error_px=prewarp.mesh_error_px,
        lit=lit.result(),
        sigmas=sigmas,
        verdict=Verdict(),
    )


def _say_which(progress: Progress, names: Sequence[str], finished: Sequence[Path]) -> None:
    """Which scan it is; and where clocks do not go with the order in which scans were taken."""
    progress.note(f"Fitting the scan {' + '.join(names)}")
    ahead = [run.name for run in finished if stamped_ahead(run)]
    if ahead:
        progress.note(
            f"The time of {', '.join(ahead)} lies in the future: the clock was wrong then, or is now. The latest scan "
            "is told by the numbers in start.json, not by the clock."
        )


def not_current(root: Path, run: Path) -> str:
    """What to do with a result that failed, for people."""
    return (
        f"The result {run.name} is kept, and is not current. To use it all the same, fit its scan with: rigwarp fit "
        f"{root} --accept"
    )


class _Laps:
    """Seconds per stage, and after the start."""

    def __init__(self) -> None:
        self._start = self._last = time.monotonic()
        self.seconds: dict[str, float] = {}
        self.ready_s: dict[str, float] = {}

    def lap(self, stage: str, ready: str | None = None) -> None:
        now = time.monotonic()
        self.seconds[stage] = now - self._last
        self._last = now
        if ready is not None:
            self.ready_s[ready] = now - self._start


def held_out_figures(rig: Rig, table_map: TableMapFit) -> MapFigures:
    """The map judged by samples that it was not fitted to, and how much of the lit content area it covers."""
    return MapFigures.of(
        table_map.held_out,
        coverage=content_coverage(rig, table_map),
        not_proven=table_map.not_proven,
        ripples=tuple(RippleRecord.of(ripple) for ripple in table_map.ripples),
    )


def border_record(border: Border) -> BorderRecord:
    """What is reported of a border between zones."""
    return BorderRecord.of(
        border,
        zones=[float(zone) for zone in border.band.zones],
        offset_mm=float(np.nan_to_num(np.nanmedian(border.offset_mm))),
        offset_px=float(np.median(border.offset_px)),
        largest_px=float(np.abs(border.offset_px).max()),
        sigma_px=float(np.median(border.sigma_px)),
        jump_mm=float(np.median(border.jump_mm)),
    )


def content_coverage(rig: Rig, table_map: TableMapFit) -> float:
    """Share of the projector pixels that the registered design sends to the content area which the map has measured."""
    design, measured = table_map.design, table_map.table_map.measured

    def counted(rows: slice) -> tuple[int, int]:
        places = np.stack([design.x_mm[rows], design.y_mm[rows]], axis=-1)
        wanted = inside_content(rig.content, places)  # False where nothing is lit
        return int(np.count_nonzero(wanted)), int(np.count_nonzero(wanted & measured[rows]))

    wanted, found = np.sum(by_rows(counted, measured.shape), axis=0)
    return float(found / wanted) if wanted else 0.0


def _scan_figures(decoded: Sequence[Decoded], places: ZonePlaces) -> dict[str, Any]:
    """What each scan says of itself, and what was put right between them; by number where there are several."""
    scans = {}
    for number, (one, words) in enumerate(zip(decoded, places.in_words, strict=True), start=1):
        told = (words,) if words else ()
        scans[f"scan {number}"] = scan_figures(replace(one, corrected=one.corrected + told))
    return scans if len(scans) > 1 else scans["scan 1"]


def _fit_record(made: WarpMade, of_scans: dict[str, Any], seconds: dict[str, float]) -> FitRecord:
    table_map, registration = made.table_map, made.table_map.registration
    return FitRecord(
        table_map=made.figures,
        registration=RegistrationRecord.of(registration, shifts=shifts_by_name(registration.shifts)),
        borders=tuple(border_record(border) for border in table_map.borders),
        samples={"offered": table_map.samples_offered, "used": table_map.samples_used},
        decode=of_scans,
        seconds=seconds,
    )
