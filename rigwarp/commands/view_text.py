"""What the actions of `rigwarp view` say."""

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.commands.console import Console
from rigwarp.files import RigFolder
from rigwarp.jobs.view.demo import ViewShown
from rigwarp.jobs.view.fit import ViewFitted
from rigwarp.jobs.view.lens import ViewLensMade
from rigwarp.jobs.view.play import ViewPlayed, about_top
from rigwarp.jobs.view.scan import ViewScanTaken
from rigwarp.jobs.view.sheets import SheetsFitted, SheetsScanned
from rigwarp.jobs.view.top import top_cautions
from rigwarp.jobs.view.trace import ViewTraced
from rigwarp.jobs.view.verify import ViewVerified
from rigwarp.view import ViewCover
from rigwarp.view.top import TopMaps

_HIGH_MM = 10.0


def print_traced(console: Console, folder: RigFolder, made: ViewTraced) -> None:
    """The design of a view."""
    console.say(f"{folder.rig.name}: the view's design, traced into {made.path}")
    console.table(_cover_rows(made.cover))
    for doubt in made.doubts:
        console.say(f"  - {doubt}")
    for picture in made.pictures:
        console.say(f"  picture {picture}")
    console.result(
        {
            "design": made.path,
            "cover": cover_figures(made.cover),
            "zones": [{"zone": part.first_zone, "mirror": part.mirror} for part in made.parts],
            "pictures": made.pictures,
            "doubts": made.doubts,
        }
    )


def print_scanned(console: Console, taken: list[ViewScanTaken]) -> None:
    """Scans of a view."""
    console.table(
        [(str(one.run), 100.0 * float(one.decoded.valid.mean())) for one in taken], head=("scan", "decoded, %")
    )
    console.result(
        {
            "scans": [one.run for one in taken],
            "decoded": [float(one.decoded.valid.mean()) for one in taken],
            "seconds": sum(one.seconds for one in taken),
        }
    )


def print_fitted(console: Console, made: ViewFitted) -> None:
    """A view's map."""
    fit, screen = made.fit, made.record.screen
    sigma = fit.view_map.sigma_mm[fit.view_map.answered]
    console.say(f"The view's map, in {made.run}")
    console.table(
        [
            (
                "samples held out of the fit",
                f"{fit.rms_mm:.3f} mm rms, {fit.p95_mm:.3f} mm P95, {fit.max_mm:.2f} mm at most",
            ),
            ("places known to (1-sigma per axis)", f"{np.median(sigma):.3f} mm, at most {np.max(sigma):.2f} mm"),
            ("of what the camera sees, lit", f"{100.0 * fit.lit_share:.1f} %"),
            ("of that, measured", f"{100.0 * fit.coverage:.1f} %"),
            ("lean of the lines of sight known to", f"{max(fit.registration.lean_sigma):.4f} mm per mm"),
            *([] if screen is None else [_screen_row(screen)]),
            *_cover_rows(made.cover),
        ]
    )
    console.table(
        [
            (piece.part.name, zone.pixels, zone.design_rms_mm, zone.registered_rms_mm, zone.moved_mm, zone.moved_deg)
            for piece, zone in zip(fit.parts, made.record.zones, strict=True)
        ],
        head=("piece", "pixels", "design off by, mm", "once moved, mm", "moved, mm", "turned, deg"),
    )
    for mirror in made.record.as_built:
        name = f"  view.mirror[{mirror.mirror}]"
        if mirror.figure_rms_um is not None:
            known = f"known to {mirror.figure_sigma_um:.0f} µm (1-sigma, usual place)"
            console.say(f"{name}: its form is off by {mirror.figure_rms_um:.0f} µm rms, {known}")
        for text in mirror.findings:
            console.say(f"{name}: {text}")
        if mirror.not_told is not None and mirror.mirror is not None:
            console.say(f"{name}: its shape is not told: {mirror.not_told}")
    for caution in made.record.cautions:
        console.say(f"  - {caution}.")
    values = made.record.to_dict()
    keys = ("view_map", "as_built", "screen", "zones", "cautions", "seconds")
    console.result({"view": made.run, **{key: values.get(key) for key in keys}})


def _screen_row(screen: Mapping[str, Any]) -> tuple[str, str]:
    """What a printed sheet told of the display."""
    glass, sigma = screen["glass_mm"], screen["glass_sigma_mm"]
    return "glass of the display, by the printed sheet", f"{glass:.2f} mm, 1-sigma {sigma:.2f} mm"


def print_view_shown(console: Console, shown: ViewShown) -> None:
    """A view, demonstrated."""
    truth, cover, dots = shown.truth, shown.fitted.cover, shown.verified.record
    console.say("\nThe camera that sees the table through mirrors")
    console.table(
        [
            ("design off by", f"{max(shown.fitted.fit.registration.rms_before_mm):.1f} mm rms"),
            ("measured, against what was really built", f"{truth['rms_mm']:.3f} mm rms, {truth['p95_mm']:.3f} mm P95"),
            ("of what it sees, lit", f"{100.0 * truth['lit_share']:.1f} %"),
            ("of that, measured", f"{100.0 * truth['coverage']:.1f} %"),
            # which share nothing with the scan
            (f"{dots.n} printed dots, measured by it", f"{dots.p95_mm:.3f} mm P95: {shown.verified.verdict.state}"),
            *_cover_rows(cover),
        ]
    )
    console.table([(what, str(path)) for what, path in shown.pictures.items()])
    console.say(f"\nThe view's story, for any browser: open {shown.report}")


def shown_result(shown: ViewShown) -> dict[str, Any]:
    """The keys that a view adds to the JSON object of `demo`."""
    return {
        "view": shown.fitted.run,
        "view_map": shown.truth,
        "view_dots": shown.verified.record.to_dict(),
        "view_as_built": [one.to_dict() for one in shown.fitted.record.as_built],
        "view_report": shown.report,
        "view_pictures": {path.name: path for path in shown.pictures.values()},
    }


def cover_figures(cover: ViewCover) -> dict[str, float]:
    """What of the table is seen, as numbers."""
    pixel, coarsest = cover.range_of(cover.mm_per_px)
    lean, steepest = cover.range_of(cover.lean)
    return {
        "seen": cover.seen_share,
        "overlap": cover.overlap_share,
        "widest_unseen_mm": cover.widest_unseen_mm,
        "mm_per_px": pixel,
        "mm_per_px_max": coarsest,
        "lean": lean,
        "lean_max": steepest,
    }


def _cover_rows(cover: ViewCover) -> list[tuple[str, str]]:
    found = cover_figures(cover)
    return [
        ("of the table, seen", f"{100.0 * found['seen']:.1f} %"),
        ("seen by two pieces", f"{100.0 * found['overlap']:.1f} %"),
        ("widest place that nothing sees", f"{found['widest_unseen_mm']:.0f} mm"),
        ("a pixel on the table", f"{found['mm_per_px']:.2f} mm, at most {found['mm_per_px_max']:.2f} mm"),
        (
            f"a thing {_HIGH_MM:g} mm high seems to stand off by",
            f"{_HIGH_MM * found['lean']:.1f} mm, at most {_HIGH_MM * found['lean_max']:.1f} mm",
        ),
    ]


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
    beside = {"address": made.address, "recorded": made.recorded, "dropped": made.dropped}
    console.result({"view": made.run, **asdict(shown), **beside})


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
    rows, sheets = [], []
    for one in made.corners:
        photo, corners = made.photos[one.photo], len(one.pixels_px)
        rows.append((photo, one.part.name, corners, "mirrored" if one.flipped else "as printed"))
        sheets.append({"photo": photo, "zone": one.zone, "corners": corners, "flipped": one.flipped})
    console.table(rows, head=("photograph", "seen over", "corners", "the sheet looks"))
    for text in made.left_out:
        console.say(f"  - left out: {text}")
    console.result({"scan": made.run, "sheets": sheets, "left_out": made.left_out})


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
    places = [
        (name, *map(float, (*place.centre_mm, np.degrees(place.rotation_rad), place.sigma[:2].max())))
        for name, place in zip(made.photos, fit.places, strict=True)
    ]
    console.table(places, head=("sheet in", "x, mm", "y, mm", "turned, deg", "known to, mm"))
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
