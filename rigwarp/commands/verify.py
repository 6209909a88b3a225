"""`rigwarp verify`: check pictures through the live warp, photographed, compared with what should be.

What verification.json then holds stands in `rigwarp.commands.check_record`.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from rigwarp.camera import CameraModel
from rigwarp.capture import photograph
from rigwarp.commands.budget import print_coverage, write_budget
from rigwarp.commands.check_record import (
    Checked,
    ContentShown,
    Quality,
    check_figures,
    error_figures,
    print_verification,
    write_verification,
)
from rigwarp.commands.console import Console
from rigwarp.commands.design import design_prewarp
from rigwarp.commands.drift import (
    drift_record,
    outcome_record,
    print_drift,
    print_reregistration,
    quick_check,
    reregister,
)
from rigwarp.commands.fit import camera_of
from rigwarp.commands.live_bench import live_bench
from rigwarp.commands.options import DisplayOption, JsonOption, RigArgument
from rigwarp.commands.quick_look import BenchLooker, prewarp_of, quick_frames, state_of, store_state, take_look
from rigwarp.commands.refine import print_refined, refine, refined_record
from rigwarp.commands.shaped_table import CheckPositions, shape_of
from rigwarp.devices import Bench
from rigwarp.errors import InputError, MeasurementError, ToleranceError, UsageError
from rigwarp.files import RigFolder, current_result, open_rig, read_adjustment, read_json, read_prewarp, write_picture
from rigwarp.files.names import ADJUST_FILE, BUDGET_FILE, FIT_FILE, PICTURES, PREWARP_FILE, VERIFICATION_FILE
from rigwarp.geometry import Array, BoolArray, Photo
from rigwarp.live import CpuRenderer, Warp, warp_of
from rigwarp.prewarp import UNCHANGED, Adjustment, Prewarp
from rigwarp.prewarp.adjustment import adjusted_mm, hidden_mm, unadjusted_mm
from rigwarp.rig import Content, inside_content
from rigwarp.verification import (
    DotPlan,
    ErrorFigures,
    SeenContent,
    VerificationResult,
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

__all__ = ["PICTURES", "VERIFICATION_FILE", "Checked", "error_figures", "print_verification", "require_tolerance"]

_BLACK, _ALL_DOTS = 0, 1  # indices of the pictures without any dot and with every dot
_RIM_POINTS = 12  # of a dot, that must lie on the light


def verify(
    rig: RigArgument,
    before: Annotated[
        bool, typer.Option("--before/--no-before", help="Also measure what the design's warp would give.")
    ] = True,
    display: DisplayOption = None,
    quick: Annotated[
        bool, typer.Option("--quick", help="A few frames only: what has moved since the last verification?")
    ] = False,
    again: Annotated[
        bool,
        typer.Option(
            "--reregister", help="With --quick: put what has moved into a new result, and keep it if it is better."
        ),
    ] = False,
    refine_: Annotated[
        bool, typer.Option("--refine", help="Feed what is measured back into a new result, kept if it is better.")
    ] = False,
    sheet: Annotated[
        list[Path] | None,
        typer.Option(
            "--sheet", metavar="PHOTO", help="With --refine: photograph of the sheet on the table; may be repeated."
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Show check pictures through the live warp, photograph them, and measure the picture on the table.

    Dots blink in a code of their own, so each is known wherever it lands; nothing of the structured light is used. They
    tell how far the picture is off, its scale, skew and turn, how straight lines are, and what is missing or doubled.
    Patches of fine lines tell its resolution, white pictures the evenness of its light. A correction by hand
    (adjust.json) is in force as in `rigwarp play`; the dots are wanted where the corrected content puts them.
    Exit code 6 when the picture is out of the rig's own tolerance.

    With --quick, five photographs (two of a sparse grid of dots, three of black) are compared with those kept by the
    last verification: has the camera moved, the projector, the mirror, or has the light changed? --reregister corrects
    camera.json and the map by the rigid motion found, without a scan.

    With --refine, the smooth part of the dots' residuals goes back into the map; and where a photograph of the printed
    sheet lying on the table shows that the table is not flat, its shape goes into the map and into the check itself.
    The new result is measured again and becomes current only if it is better beyond the dots' noise.
    """
    if quick and refine_:
        raise UsageError("found --quick and --refine, expected one of them: refining takes the whole check")
    if sheet and not refine_:
        raise UsageError("--sheet goes with --refine: it tells whether the table is flat")
    if again and not quick:
        raise UsageError("--reregister goes with --quick: it corrects by what a quick look finds")
    console = Console(json=json)
    folder = open_rig(rig)
    if quick:
        _verify_quickly(console, folder, display, correct=again)
        return
    if refine_:
        _verify_and_refine(console, folder, display, sheet or [])
        return
    result = current_result(folder.root)
    console.caution()
    with live_bench(console, folder, display=display) as bench:
        checks = verify_result(console, folder, result, bench, before=before)
    print_verification(console, checks)
    print_coverage(console, result)
    console.result({"result": result, "verification": {k: check_figures(c) for k, c in checks.items()}})
    require_tolerance(folder, checks["after"].result)


def _verify_quickly(console: Console, folder: RigFolder, display: int | None, *, correct: bool) -> None:
    """`verify --quick`: what has moved; and what comes of correcting it."""
    console.caution()
    with live_bench(console, folder, display=display, quick=True) as bench:
        looker = BenchLooker(bench=bench)
        check = quick_check(folder, looker)
        correct = correct and check.judged.advice == "re-register"
        print_drift(console, folder, check, corrected=correct)
        done = reregister(folder, check, looker) if correct else None
    if done is not None:
        print_reregistration(console, done)
    outcome = None if done is None else outcome_record(done)
    console.result({"result": check.result, **drift_record(check), "reregistration": outcome})
    require_tolerance(folder, check.judged.picture if done is None else done.picture)


def _verify_and_refine(console: Console, folder: RigFolder, display: int | None, sheet: list[Path]) -> None:
    """`verify --refine`: feed back what is measured; then the whole check of the result that is current."""
    console.caution()
    camera = camera_of(folder)
    with live_bench(console, folder, display=display) as bench:

        def check(prewarp: Prewarp) -> VerificationResult:
            return check_warp(console, folder, bench, camera, prewarp).result

        done = refine(console, folder, check, sheet)
        print_refined(console, done)
        checks = verify_result(console, folder, done.result, bench, before=False)
    print_verification(console, checks)
    print_coverage(console, done.result)
    console.result(
        {
            "result": done.result,
            "refinement": refined_record(done),
            "verification": {k: check_figures(c) for k, c in checks.items()},
        }
    )
    require_tolerance(folder, checks["after"].result)


def verify_result(
    console: Console, folder: RigFolder, result: Path, bench: Bench, *, before: bool = True
) -> dict[str, Checked]:
    """Measure a result's warp (and the design's); writes verification.json and the photographs beside it."""
    camera = camera_of(folder)
    adjustment, revision = hand_correction(folder)
    response = response_shape(result)
    checker = partial(check_warp, console, folder, bench, camera, adjustment=adjustment)
    checks = {"before": checker(design_prewarp(folder))} if before else {}
    checks["after"] = checker(read_prewarp(result / PREWARP_FILE), quality=True, response_shape=response)
    positions = CheckPositions(shape_of(result, camera))
    checks = {name: replace(check, result=positions.judged(check.result)) for name, check in checks.items()}
    (result / PICTURES).mkdir(exist_ok=True)
    for name, check in checks.items():
        write_picture(result / PICTURES / f"check_{name}.png", check.photo, replace=True)
    left_out = len(plan_dots(folder.rig.content).ids) - len(dots_shown(folder.rig.content, adjustment).ids)
    shown = ContentShown(adjustment=adjustment, revision=revision, left_out=left_out)
    write_verification(result, checks, shown, response)
    if left_out:
        console.note(f"{left_out} dots lie off the light or under a mask of the correction by hand: left out.")
    if (result / BUDGET_FILE).is_file():  # results of older versions have none
        write_budget(folder, result)
    _keep_look(console, folder, result, bench, camera)
    return checks


def _keep_look(console: Console, folder: RigFolder, result: Path, bench: Bench, camera: CameraModel) -> None:
    """Five more photographs, by which a later `verify --quick` sees what has moved since."""
    photos = take_look(bench.display, bench.camera, quick_frames(folder, prewarp_of(result)))
    try:
        store_state(folder, result, state_of(folder, result, photos, camera, bench.camera.exposure_s))
    except MeasurementError as error:
        console.note(f"No quick look is kept for rigwarp verify --quick: {error}")


def check_warp(
    console: Console,
    folder: RigFolder,
    bench: Bench,
    camera: CameraModel,
    prewarp: Prewarp,
    *,
    adjustment: Adjustment = UNCHANGED,
    quality: bool = False,
    response_shape: float | None = None,
) -> Checked:
    """Show the dots through a warp under a correction by hand and measure them; with `quality` lines and light too."""
    content, height_mm = folder.rig.content, folder.rig.table.height_mm
    warp = warp_of(prewarp, content, adjustment=adjustment)
    plan = dots_shown(content, adjustment)
    photos = _photographs(console, bench, warp, dot_pictures(plan))
    found = judge_dots(locate_dots(photos, plan, camera, height_mm), plan)
    seen = None
    if quality:
        undo: Callable[[Array], Array] = partial(unadjusted_mm, content=content, adjustment=adjustment)
        seen = _quality(console, folder, bench, camera, warp, photos[_BLACK], undo, response_shape)
    return Checked(result=found, photo=photos[_ALL_DOTS], quality=seen)


def dots_shown(content: Content, adjustment: Adjustment) -> DotPlan:
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


def hand_correction(folder: RigFolder) -> tuple[Adjustment, int]:
    """The correction by hand in force, and its revision; none, revision 0, without an adjust.json."""
    path = folder.root / ADJUST_FILE
    return read_adjustment(path) if path.exists() else (UNCHANGED, 0)


def response_shape(result: Path) -> float | None:
    """The camera's response as the result's scan measured it; None where the result does not tell."""
    try:
        decoded = read_json(result / FIT_FILE, format="rigwarp fit").get("decode")
    except InputError:
        return None
    record = decoded.get("scan 1", decoded) if isinstance(decoded, dict) else {}
    shape = record.get("response_shape")
    return float(shape) if isinstance(shape, int | float) else None


def _quality(
    console: Console,
    folder: RigFolder,
    bench: Bench,
    camera: CameraModel,
    warp: Warp,
    black: Photo,
    undo: Callable[[Array], Array],
    shape: float | None,
) -> Quality:
    """Lines and light through a warp."""
    content, height_mm = folder.rig.content, folder.rig.table.height_mm
    charts = line_charts(content)
    lines = _photographs(console, bench, warp, [chart_picture(chart, content) for chart in charts])
    white = np.full((content.pixels[1], content.pixels[0], 3), 255, np.uint8)
    even = _photographs(console, bench, warp, [white])[0]
    bare = replace(warp.prewarp, gain=(warp.prewarp.gain > 0).astype(np.float32))
    uneven = _photographs(console, bench, warp_of(bare, content, adjustment=warp.adjustment), [white])[0]
    light = light_table(black, shape)
    seen = SeenContent.of(black.shape, content, camera, height_mm, undo)
    return Quality(
        modulations=tuple(measure_charts(lines, charts, black, light, content, seen)),
        light_before_gain=measure_uniformity(uneven, black, light, content, seen),
        light_after_gain=measure_uniformity(even, black, light, content, seen),
    )


def _photographs(console: Console, bench: Bench, warp: Warp, pictures: list[np.ndarray]) -> list[Photo]:
    """Photographs of content pictures shown through a warp."""
    renderer = CpuRenderer(warp)
    try:
        with console.stage(len(pictures), "Verifying") as advance:
            return list(photograph(bench, map(renderer.render, pictures), advance=advance))
    finally:
        renderer.close()


def require_tolerance(folder: RigFolder, result: VerificationResult | ErrorFigures) -> None:
    """Raise ToleranceError when the picture is worse than rig.toml allows."""
    allowed = folder.rig.tolerance.content_p95_mm
    if result.p95_mm > allowed:
        raise ToleranceError(
            f"the picture is off by {result.p95_mm:.2f} mm (P95), tolerance.content_p95_mm allows {allowed:g}: "
            "check that nothing has moved since the camera was calibrated, and calibrate again"
        )
