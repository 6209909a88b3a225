"""What `rigwarp view lens, scan --sheet, verify, play and report` say."""

from pathlib import Path

import numpy as np

from rigwarp.commands.console import Console
from rigwarp.files import RigFolder
from rigwarp.jobs.view.lens import ViewLensMade
from rigwarp.jobs.view.play import ViewPlayed, about_top
from rigwarp.jobs.view.sheets import SheetsFitted, SheetsScanned
from rigwarp.jobs.view.top import top_cautions
from rigwarp.jobs.view.verify import ViewVerified
from rigwarp.view.top import TopMaps


def print_top_still(console: Console, folder: RigFolder, out: Path, run: Path, maps: TopMaps) -> None:
    """The straight top view of a photograph."""
    width, height = maps.top.pixels
    console.say(f"{out}: {width} x {height} pixels, {maps.top.mm_per_pixel:g} mm each, by {run.name}")
    for caution in top_cautions(maps):
        console.say(f"  - {caution}.")
    about = about_top(folder, maps)
    console.result({"still": out, "view": run, "seen": maps.seen, **about})


def print_played(console: Console, made: ViewPlayed) -> None:
    """A live top view that has ended."""
    shown = made.shown
    console.say(f"{shown.frames} pictures in {shown.seconds:.1f} s, by {made.run.name}")
    console.table(
        [
            ("age of a picture when it was handed on, ms", shown.age_ms),
            ("of 95 in 100 at most", shown.age_p95_ms),
            ("the camera's period, ms", shown.period_ms),
        ]
    )
    if shown.reopened:
        console.say(f"  - The camera went away and was opened again {shown.reopened} times.")
    if made.dropped:
        console.say(
            f"  - The video lacks {made.dropped} pictures (those before stand longer): processor or disk was too slow. "
            "End other programs, or make view.top.mm_per_pixel in rig.toml larger."
        )
    console.result(
        {
            "view": made.run,
            "frames": shown.frames,
            "seconds": shown.seconds,
            "age_ms": shown.age_ms,
            "age_p95_ms": shown.age_p95_ms,
            "period_ms": shown.period_ms,
            "reopened": shown.reopened,
            "address": made.address,
            "recorded": made.recorded,
            "dropped": made.dropped,
        }
    )


def print_view_lens(console: Console, folder: RigFolder, made: ViewLensMade) -> None:
    """The lens of a view's camera."""
    result = made.result
    console.say(f"The view's lens, in {made.path}")
    console.table(
        [
            ("photographs used", f"{len(result.used)} of {made.photos}"),
            ("residual of corners", f"{result.rms_px:.3f} px rms"),
            ("focal length", f"{result.matrix[0, 0]:.1f} x {result.matrix[1, 1]:.1f} px"),
            ("a line of sight known to", f"{made.lens.sigma_px:.3f} px"),
        ]
    )
    for name, reason in made.rejected:
        console.say(f"  - {name}: {reason}")
    for warning in made.warnings:
        console.say(f"  - {warning}")
    view = folder.rig.view
    if view is not None and view.lens is None:
        console.say(f'Enter it in rig.toml, below [view]: lens = "{made.path.name}"')
    console.result(
        {
            "lens": made.path,
            "kept_aside": made.kept_aside,
            "rms_px": result.rms_px,
            "sigma_px": made.lens.sigma_px,
            "matrix": made.lens.matrix,
            "distortion": made.lens.distortion,
            "photos_used": len(result.used),
            "rejected": dict(made.rejected),
            "warnings": made.warnings,
        }
    )


def print_sheets_scanned(console: Console, made: SheetsScanned) -> None:
    """Photographs of sheets, looked at."""
    rows = [
        (made.photos[one.photo], one.part.name, len(one.pixels_px), "mirrored" if one.flipped else "as printed")
        for one in made.corners
    ]
    console.table(rows, head=("photograph", "seen over", "corners", "the sheet looks"))
    for text in made.left_out:
        console.say(f"  - left out: {text}")
    console.result(
        {
            "scan": made.run,
            "sheets": [
                {
                    "photo": made.photos[one.photo],
                    "zone": one.zone,
                    "corners": len(one.pixels_px),
                    "flipped": one.flipped,
                }
                for one in made.corners
            ],
            "left_out": made.left_out,
        }
    )


def print_sheets_fitted(console: Console, made: SheetsFitted) -> None:
    """A view's map by sheets."""
    figures, fit = made.record.view_map, made.fit
    assert figures is not None
    console.say(f"The view's map, in {made.run}")
    seen = fit.view_map.answered
    console.table(
        [
            ("each corner from what the others say", f"{figures.rms_mm:.3f} mm rms, {figures.p95_mm:.3f} mm P95"),
            ("of what the camera sees, near a sheet", f"{100.0 * (figures.coverage or 0.0):.1f} %"),
            ("sigma there (median)", f"{np.median(fit.view_map.sigma_mm[fit.view_map.measured]):.3f} mm"),
            ("sigma everywhere (largest)", f"{np.max(fit.view_map.sigma_mm[seen]):.2f} mm"),
            ("of the table, seen", f"{100.0 * made.cover.seen_share:.1f} %"),
        ]
    )
    console.table(
        [
            (
                name,
                *(float(c) for c in place.centre_mm),
                float(np.degrees(place.rotation_rad)),
                float(place.sigma[:2].max()),
            )
            for name, place in zip(made.photos, fit.places, strict=True)
        ],
        head=("sheet in", "x, mm", "y, mm", "turned, deg", "known to, mm"),
    )
    for caution in made.record.cautions:
        console.say(f"  - {caution}.")
    values = made.record.to_dict()
    keys = ("view_map", "as_built", "zones", "cautions", "seconds")
    console.result({"view": made.run, **{key: values.get(key) for key in keys}})


def print_view_verified(console: Console, made: ViewVerified) -> None:
    """A check of a view."""
    record = made.record
    console.table(
        [(s.photo, s.n, s.outside, s.rms_mm, s.p95_mm, s.max_mm, s.scale, s.z_spread) for s in record.sheets],
        head=("sheet in", "points", "off the map", "rms, mm", "P95, mm", "max, mm", "scale", "error / sigma"),
    )
    console.say(
        f"All: {record.p95_mm:.3f} mm P95 of {record.n} printed points, {record.tolerance_mm:g} mm allowed: "
        f"{made.verdict.state}"
    )
    for text in made.left_out:
        console.say(f"  - left out: {text}")
    for text in record.not_proven:
        console.say(f"  - not proven: {text}.")
    console.result({"view": made.run, "verdict": made.verdict.state, "verification": record.to_dict()})
