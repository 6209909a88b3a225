"""What `rigwarp fit`, and whoever fits with it, says of a fit."""

from typing import Any

from rigwarp.as_built import AsBuilt
from rigwarp.as_built.describe.deciding import deciders_in_words
from rigwarp.as_built.describe.panels import Fold
from rigwarp.commands.console import Console
from rigwarp.jobs.results.fit import FitMade, border_record
from rigwarp.reports.wording import quantity, share
from rigwarp.table_map import Border
from rigwarp.verification import MapBudget
from rigwarp.words import number

_REPORTED = ("centre", "middle", "rim")
STAGES = ("trace", "scan", "decode", "fit", "as_built", "prewarp", "verify", "total")
"""The stages whose seconds `--json` states; null for those that a command does not run."""


def print_fit(console: Console, made: FitMade) -> None:
    """The result for people."""
    figures, registration, built = made.figures, made.table_map.registration, made.as_built
    borders = [
        (f"border of zones {b.band.zones[0]} and {b.band.zones[1]}", border_told(b)) for b in made.table_map.borders
    ]
    told = [("mirror figure", "not told by this scan")]
    if built is not None:
        rms, bare = built.figures.rms_um, built.figures.rms_without_power_um
        told = [
            ("mirror figure", f"{quantity(rms, 'µm')} rms, {quantity(bare, 'µm')} without power"),
            *[(f"fold of panels {fold.zones[0]} and {fold.zones[1]}", fold_told(fold)) for fold in built.folds],
            ("told by", heights_told(built)),
            *([] if built.deciders is None else [("its power", deciders_in_words(built.deciders))]),
        ]
    console.say(f"Result {made.run}{' (now current)' if made.current else ''}")
    console.table(
        [
            (
                "table map, on samples held out",
                f"{quantity(figures.rms_mm, 'mm')} rms, {quantity(figures.p95_mm, 'mm')} P95",
            ),
            ("content area covered", share(figures.coverage)),
            ("design against samples, as drawn", f"{quantity(registration.rms_before_mm, 'mm')} rms"),
            ("after moving projector and mirror", f"{quantity(registration.rms_after_mm, 'mm')} rms"),
            *borders,
            *told,
            ("warp mesh", f"{made.triangles} triangles, off by {made.mesh_error_px:.3f} px at most"),
        ]
    )
    for sentence in made.verdict.not_proven:
        console.say(f"  in doubt: {sentence}")
    for sentence in made.verdict.failures if made.current else ():  # else it ends the command
        console.say(f"  accepted all the same: {sentence}")
    print_budget(console, made.budget)
    if built is None:
        return
    for finding in built.findings:
        console.say(f"  {finding.what}: {finding.effect} {finding.moves_mm:.1f} mm; {finding.prewarp}")
        console.say(f"    hint (common practice): {finding.cause}; remedy: {finding.remedy}")
    for direction in built.unobservable:
        console.say(f"  the data cannot tell: {direction}")


def as_built_figures(as_built: AsBuilt | None) -> dict[str, Any] | None:
    """What `--json` says of the mirror; `figure_rms_um` first."""
    return None if as_built is None else {"figure_rms_um": as_built.figures.rms_um, **as_built.to_dict()}


def border_told(border: Border) -> str:
    """Where the built border of two zones runs, for people."""
    figures = border_record(border)
    if not border.told:
        return f"as designed: both zones send light to the same places, within {quantity(figures.jump_mm, 'mm')}"
    return (
        f"{number(abs(figures.offset_mm or 0.0))} mm beside the designed one on the mirror, turned by "
        f"{abs(border.turned_deg):.2f}°, known to {figures.sigma_px:.1f} projector px"
    )


def fold_told(fold: Fold) -> str:
    """The built angle of a fold against the design's, for people."""
    how = "flatter" if fold.opened_deg > 0.0 else "sharper"
    return f"{abs(fold.opened_deg):.3f}° {how} than designed (1-sigma {fold.sigma_deg:.3f})"


def heights_told(built: AsBuilt) -> str:
    """One line for people: which heights and lengths told the mirror's shape, and whether they tell its radius."""
    boards = " and ".join(f"{height.raised_mm:.2f} mm" for height in built.heights if height.raised_mm)
    lengths = ", ".join(f'"{name}"' for name in built.measured_lengths)
    told = f"the table and a board {boards} above it" if boards else "the table" if lengths else "the table alone"
    if lengths:
        told += f" and the measured length{'s' if len(built.measured_lengths) > 1 else ''} {lengths}"
    if built.power_determined or boards:
        return told
    return f"{told}, which {'do' if lengths else 'does'} not tell the radius against the distance"


def print_budget(console: Console, budget: MapBudget) -> None:
    """The budget in two lines, for people."""
    expanded = [f"{r.name} {quantity(r.expanded_mm, 'mm', 2)}" for r in budget.regions if r.name in _REPORTED]
    whole = next(region for region in budget.regions if region.name == "all")
    named = {cause.key: cause.name for cause in budget.causes}
    largest = sorted(whole.sigma_mm, key=lambda key: -whole.sigma_mm[key])[:2]
    told = [*expanded, *([] if budget.camera_known else ["camera left out"])]
    console.table(
        [
            ("uncertainty (k = 2, per axis)", ", ".join(told)),
            ("  most of it", ", ".join(named[key] for key in largest)),
        ]
    )
