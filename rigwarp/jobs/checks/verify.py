"""Check pictures through the live warp, photographed, compared with what should be.

What verification.json then holds stands in `rigwarp.jobs.checks.verify_record`.
"""

from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.capture import photograph
from rigwarp.devices import Bench, DisplayChoice
from rigwarp.errors import InputError, MeasurementError, ToleranceError
from rigwarp.files import RigFolder, current_result, make_folder, rig_locked, write_picture
from rigwarp.files.adjust_file import hand_correction
from rigwarp.files.camera_file import camera_of
from rigwarp.files.names import BUDGET_FILE, FIT_FILE, PICTURES
from rigwarp.files.records import FitRecord
from rigwarp.files.rig_changes import changes_since
from rigwarp.geometry import Array, BoolArray, Photo
from rigwarp.jobs.bench.live_bench import live_bench
from rigwarp.jobs.checks.quick_look import BenchLooker, keep_look, prewarp_of, quick_frames
from rigwarp.jobs.checks.verify_record import Checked, Quality, write_verification
from rigwarp.jobs.design import design_map, design_prewarp
from rigwarp.jobs.freed_memory import give_back_memory
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.results.budget import write_budget
from rigwarp.jobs.results.history import verdict_of_fit
from rigwarp.jobs.results.shaped_table import CheckPositions, shape_of
from rigwarp.live import CpuRenderer, Warp, warp_of
from rigwarp.prewarp import UNCHANGED, Adjustment, Prewarp
from rigwarp.prewarp.adjustment import adjusted_mm, hidden_mm, unadjusted_mm
from rigwarp.rig import Content, inside_content
from rigwarp.verification import (
    DotPlan,
    SeenContent,
    chart_picture,
    dot_pictures,
    judge_dots,
    light_table,
    line_charts,
    locate_dots,
    measure_charts,
    measure_uniformity,
    plan_dots,
)
from rigwarp.verification.verdict import Verdict, judge_picture, lights

_BLACK, _ALL_DOTS = 0, 1  # indices of the pictures without any dot and with every dot
_RIM_POINTS = 12  # of a dot, that must lie on the light


@dataclass(frozen=True, kw_only=True)
class Verified:
    """A result that was checked: "after" through its own warp, and "before" through the design's where asked for.

    `verdict` is that of the dots and, unless somebody accepted it, of the fit.
    """

    result: Path
    checks: dict[str, Checked]
    verdict: Verdict


def verify_current(
    progress: Progress, folder: RigFolder, *, before: bool = True, display: DisplayChoice = None
) -> Verified:
    """Open the rig's devices and check the current result with them; see `verify_result`."""
    result = current_result(folder.root)
    with rig_locked(folder.root, "verify"), live_bench(progress, folder, display=display) as bench:
        return verify_result(progress, folder, result, bench, before=before)


@dataclass(frozen=True, kw_only=True)
class DotsShown:
    """The dots through a result's warp: what has to be known before it goes live.

    Attributes
    ----------
    adjustment, revision : the correction by hand under which they were shown, and which one that is.
    black : the photograph without any.
    checked : what was seen, and `verdict` what speaks against the result.
    """

    adjustment: Adjustment
    revision: int
    black: Photo
    checked: Checked
    verdict: Verdict


def check_dots(progress: Progress, folder: RigFolder, result: Path, bench: Bench) -> DotsShown:
    """Show the dots through a result's warp."""
    _require_unchanged(folder, result)
    camera, (adjustment, revision) = camera_of(folder), hand_correction(folder.root)
    checked, black = check_warp(progress, folder, bench, camera, prewarp_of(result), adjustment=adjustment)
    judged = CheckPositions(shape_of(result, camera)).judged(checked.result)
    dots = judge_picture(judged, folder.rig, promised=_promised(folder, adjustment))
    verdict = verdict_of_fit(result).with_more(dots)
    return DotsShown(adjustment=adjustment, revision=revision, black=black, checked=checked, verdict=verdict)


def verify_result(
    progress: Progress,
    folder: RigFolder,
    result: Path,
    bench: Bench,
    *,
    before: bool = True,
    dots_shown: DotsShown | None = None,
) -> Verified:
    """Measure a result's warp (and the design's); writes verification.json and the photographs beside it.

    `dots_shown` is what `check_dots` said, where that was done already.
    """
    shown = check_dots(progress, folder, result, bench) if dots_shown is None else dots_shown
    camera = camera_of(folder)
    adjustment, response = shown.adjustment, (FitRecord.read_or_none(result / FIT_FILE) or FitRecord()).response_shape
    quality = _quality(progress, folder, bench, camera, result, shown, response, again=dots_shown is not None)
    give_back_memory()
    checks = {"after": replace(shown.checked, quality=quality)}
    if before:
        planned, _ = check_warp(progress, folder, bench, camera, design_prewarp(folder), adjustment=adjustment)
        checks = {"before": planned, **checks}
        give_back_memory()
    positions = CheckPositions(shape_of(result, camera))
    checks = {name: replace(check, result=positions.judged(check.result)) for name, check in checks.items()}
    make_folder(result / PICTURES)
    for name, check in checks.items():
        write_picture(result / PICTURES / f"check_{name}.png", check.photo, replace=True)
    left_out = len(plan_dots(folder.rig.content).ids) - len(dots_left(folder.rig.content, adjustment).ids)
    content = {"revision": shown.revision, "adjustment": asdict(adjustment), "dots_left_out": left_out}
    dots = judge_picture(checks["after"].result, folder.rig, promised=_promised(folder, adjustment))
    write_verification(result, checks, content, response, dots)
    if left_out:
        progress.note(f"{left_out} dots lie off the light or under a mask of the correction by hand: left out.")
    if (result / BUDGET_FILE).is_file():  # results of older versions have none
        write_budget(folder, result)
    if dots.failures:
        progress.note("This check is no measure for later ones: what rigwarp verify --quick compares with stays.")
    else:
        _keep_look(progress, folder, result, bench, camera)
    return Verified(result=result, checks=checks, verdict=verdict_of_fit(result).with_more(dots))


def _require_unchanged(folder: RigFolder, result: Path) -> None:
    """Raise InputError where rig.toml asks for another content than the result was made for."""
    changed = changes_since(folder, result)
    if changed.of_map or changed.of_warp:
        again = "calibrate" if changed.of_map else "fit"
        raise InputError(
            f"{folder.root}: {' and '.join(changed.of_map + changed.of_warp)} in rig.toml changed since the result "
            f"{result.name} was made. Make it again: rigwarp {again} {folder.root}"
        )


def _keep_look(progress: Progress, folder: RigFolder, result: Path, bench: Bench, camera: CameraModel) -> None:
    """Five more photographs, by which a later `verify --quick` sees what has moved since."""
    photos = BenchLooker(bench=bench).look(quick_frames(folder, prewarp_of(result)))
    try:
        keep_look(folder, result, photos, camera, bench.camera.exposure_s)
    except MeasurementError as error:
        progress.note(f"No quick look is kept for rigwarp verify --quick: {error}")


def check_warp(
    progress: Progress,
    folder: RigFolder,
    bench: Bench,
    camera: CameraModel,
    prewarp: Prewarp,
    *,
    adjustment: Adjustment = UNCHANGED,
) -> tuple[Checked, Photo]:
    """The dots through a warp under a correction by hand, measured, and the photograph without any."""
    plan = dots_left(folder.rig.content, adjustment)
    warp = warp_of(prewarp, folder.rig.content, adjustment=adjustment)
    photos = _photographs(progress, bench, warp, dot_pictures(plan))
    found = judge_dots(locate_dots(photos, plan, camera, folder.rig.table.height_mm), plan)
    return Checked(result=found, photo=photos[_ALL_DOTS]), photos[_BLACK]


def dots_left(content: Content, adjustment: Adjustment) -> DotPlan:
    """The dots that a correction by hand leaves on the light, wanted where it puts them.

    Light lies on the content area as rig.toml has it: what is moved off it is cut, and masks stay dark.
    """
    plan = plan_dots(content)
    if adjustment == UNCHANGED:
        return plan
    angle = np.linspace(0.0, 2.0 * np.pi, _RIM_POINTS, endpoint=False)
    rim = plan.diameter_mm / 2.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    seen = adjusted_mm(plan.table_mm[:, None] + rim, content, adjustment)
    lit: BoolArray = np.all(inside_content(content, seen) & ~hidden_mm(seen, adjustment), axis=1)
    return plan.aimed_at(adjusted_mm(plan.table_mm, content, adjustment), lit)


def _quality(
    progress: Progress,
    folder: RigFolder,
    bench: Bench,
    camera: CameraModel,
    result: Path,
    dots: DotsShown,
    shape: float | None,
    *,
    again: bool,
) -> Quality:
    """Lines and light through a result's warp; `again`: the dots were shown a whole fit ago, and daylight changes."""
    content, height_mm = folder.rig.content, folder.rig.table.height_mm
    warp, black = warp_of(prewarp_of(result), content, adjustment=dots.adjustment), dots.black
    if again:
        nothing = dot_pictures(dots_left(content, dots.adjustment))[_BLACK]
        black = _photographs(progress, bench, warp, [nothing])[0]
    undo: Callable[[Array], Array] = partial(unadjusted_mm, content=content, adjustment=warp.adjustment)
    charts = line_charts(content)
    lines = _photographs(progress, bench, warp, [chart_picture(chart, content) for chart in charts])
    white = np.full((content.pixels[1], content.pixels[0], 3), 255, np.uint8)
    even = _photographs(progress, bench, warp, [white])[0]
    bare = replace(warp.prewarp, gain=(warp.prewarp.gain > 0).astype(np.float32))
    uneven = _photographs(progress, bench, warp_of(bare, content, adjustment=warp.adjustment), [white])[0]
    light = light_table(black, shape)
    seen = SeenContent.of(black.shape, content, camera, height_mm, undo)
    return Quality(
        modulations=tuple(measure_charts(lines, charts, black, light, content, seen)),
        light_before_gain=measure_uniformity(uneven, black, light, content, seen),
        light_after_gain=measure_uniformity(even, black, light, content, seen),
    )


def _photographs(progress: Progress, bench: Bench, warp: Warp, pictures: list[np.ndarray]) -> list[Photo]:
    """Photographs of content pictures shown through a warp."""
    with closing(CpuRenderer(warp)) as renderer, progress.stage(len(pictures), "Verifying") as advance:
        return list(photograph(bench, map(renderer.render, pictures), advance=advance))


def require_passed(verdict: Verdict, advice: str = "") -> None:
    """Raise ToleranceError for what speaks against a result; `advice`: a sentence on what to do then."""
    if verdict.failures:
        raise ToleranceError(". ".join(["; and ".join(verdict.failures), *([advice] if advice else [])]))


def _promised(folder: RigFolder, adjustment: Adjustment) -> BoolArray:
    """(K,) by dot id, whether the design lights the place where the dot is wanted."""
    return lights(design_map(folder), dots_left(folder.rig.content, adjustment))
