"""What the actions of `rigwarp view` say."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from rigwarp.commands.console import Console
from rigwarp.files import RigFolder
from rigwarp.jobs.view.demo import ViewShown
from rigwarp.jobs.view.fit import ViewFitted
from rigwarp.jobs.view.scan import ViewScanTaken
from rigwarp.jobs.view.trace import ViewTraced
from rigwarp.view import ViewCover

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
    fit = made.fit
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
            *_screen_rows(made.record.screen),
            *_cover_rows(made.cover),
        ]
    )
    console.table([_mirror_row(number, made) for number in range(len(fit.parts))], head=_MIRROR_HEAD)
    for mirror in made.record.as_built:
        if mirror.figure_rms_um is not None:
            console.say(
                f"  view.mirror[{mirror.mirror}]: its form is off by {mirror.figure_rms_um:.0f} µm rms, known to "
                f"{mirror.figure_sigma_um:.0f} µm (1-sigma, usual place)"
            )
        for text in mirror.findings:
            console.say(f"  view.mirror[{mirror.mirror}]: {text}")
        if mirror.not_told is not None and mirror.mirror is not None:
            console.say(f"  view.mirror[{mirror.mirror}]: its shape is not told: {mirror.not_told}")
    for caution in made.record.cautions:
        console.say(f"  - {caution}.")
    console.result(fitted_result(made))


def _screen_rows(screen: Mapping[str, Any] | None) -> list[tuple[object, ...]]:
    """What a printed sheet told of the display."""
    if screen is None:
        return []
    glass, sigma = screen["glass_mm"], screen["glass_sigma_mm"]
    return [("glass of the display, by the printed sheet", f"{glass:.2f} mm, 1-sigma {sigma:.2f} mm")]


def print_view_shown(console: Console, shown: ViewShown) -> None:
    """A view, demonstrated."""
    truth, cover = shown.truth, shown.fitted.cover
    console.say("\nThe camera that sees the table through mirrors")
    console.table(
        [
            ("design off by", f"{max(shown.fitted.fit.registration.rms_before_mm):.1f} mm rms"),
            ("measured, against what was really built", f"{truth['rms_mm']:.3f} mm rms, {truth['p95_mm']:.3f} mm P95"),
            ("of what it sees, lit", f"{100.0 * truth['lit_share']:.1f} %"),
            ("of that, measured", f"{100.0 * truth['coverage']:.1f} %"),
            *_dots_rows(shown),
            *_cover_rows(cover),
        ]
    )
    console.table([(what, str(path)) for what, path in shown.pictures.items()])
    console.say(f"\nThe view's story, for any browser: open {shown.report}")


def _dots_rows(shown: ViewShown) -> list[tuple[object, ...]]:
    """What printed dots, which share nothing with the scan, say of the map."""
    found = shown.verified.record
    return [(f"{found.n} printed dots, measured by it", f"{found.p95_mm:.3f} mm P95: {shown.verified.verdict.state}")]


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


_MIRROR_HEAD = ("piece", "pixels", "design off by, mm", "once moved, mm", "moved, mm", "turned, deg")


def _mirror_row(number: int, made: ViewFitted) -> tuple[object, ...]:
    zone = made.record.zones[number]
    return (
        made.fit.parts[number].part.name,
        zone.pixels,
        zone.design_rms_mm,
        zone.registered_rms_mm,
        zone.moved_mm,
        zone.moved_deg,
    )


def fitted_result(made: ViewFitted) -> dict[str, Any]:
    """The JSON object of `view fit`."""
    values = made.record.to_dict()
    return {
        "view": made.run,
        **{key: values.get(key) for key in ("view_map", "as_built", "screen", "zones", "cautions", "seconds")},
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
