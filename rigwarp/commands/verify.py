"""`rigwarp verify`: check pictures through the live warp, photographed, compared with what should be."""

from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from rigwarp.commands.console import Console, print_next
from rigwarp.commands.options import DisplayOption, JsonOption, RigArgument
from rigwarp.commands.verify_text import (
    print_drift,
    print_refined,
    print_reregistration,
    print_verified,
    refined_record,
    verdict_record,
)
from rigwarp.errors import UsageError
from rigwarp.files import RigFolder, open_rig
from rigwarp.jobs.checks.drift import drift_record, look_quickly
from rigwarp.jobs.checks.refine import refine_current
from rigwarp.jobs.checks.verify import Verified, require_passed, verify_current
from rigwarp.jobs.checks.verify_record import check_figures
from rigwarp.verification.verdict import judge_errors


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
    Exit code 6 when the picture is out of the rig's own tolerance, dots are missing or seen twice, or the fit failed.

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
    console.caution()
    made = verify_current(console, folder, before=before, display=display)
    print_verified(console, made)
    console.result({"result": made.result, **_figures(made)})
    print_next(console, folder)
    require_passed(made.verdict)


def _verify_quickly(console: Console, folder: RigFolder, display: int | None, *, correct: bool) -> None:
    """`verify --quick`: what has moved; and what comes of correcting it."""
    console.caution()
    tell = partial(print_drift, console, folder, correcting=correct)
    looked = look_quickly(console, folder, correct=correct, display=display, on_look=tell)
    check, done = looked.check, looked.reregistered
    if done is not None:
        print_reregistration(console, done)
    outcome = None if done is None else asdict(done)
    console.result({"result": check.result, **drift_record(check).to_dict(), "reregistration": outcome})
    print_next(console, folder)
    require_passed(judge_errors(looked.picture, folder.rig))


def _verify_and_refine(console: Console, folder: RigFolder, display: int | None, sheet: list[Path]) -> None:
    """`verify --refine`: feed back what is measured; then the whole check of the result that is current."""
    console.caution()
    done = refine_current(console, folder, sheet, display=display, on_refined=partial(print_refined, console))
    print_verified(console, done.verified)
    refinement = {"result": done.refined.result, "refinement": refined_record(done.refined)}
    console.result({**refinement, **_figures(done.verified)})
    print_next(console, folder)
    require_passed(done.verified.verdict)


def _figures(made: Verified) -> dict[str, Any]:
    checks = {name: check_figures(check) for name, check in made.checks.items()}
    return {"verdict": verdict_record(made.verdict), "verification": checks}
