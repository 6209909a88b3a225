"""The view's part of a demonstration: traced, scanned and fitted on a virtual rig, and judged by what was built."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rigwarp.devices import Bench, open_virtual, open_virtual_view
from rigwarp.files import RigFolder, make_folder, write_bytes, write_picture
from rigwarp.files.names import PICTURES, TOP_FILE
from rigwarp.files.top_file import read_top
from rigwarp.geometry import ViewMap
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.scans.scan_runs import DEFAULT_SET, ScanOptions
from rigwarp.jobs.view.fit import ViewFitted, fit_rig_view
from rigwarp.jobs.view.report import write_view_report
from rigwarp.jobs.view.scan import scan_view, seen_folder, view_of
from rigwarp.jobs.view.screen import export_screen, import_screen, photograph_screen
from rigwarp.jobs.view.trace import ViewTraced, trace_rig_view
from rigwarp.jobs.view.verify import ViewVerified, verify_view
from rigwarp.simulation.view import DotPrint, ScreenPlace
from rigwarp.view import Lit, Screen, lit_by_projector

_SCREEN = Screen(pixels=(1280, 800), pitch_mm=0.207, thickness_mm=7.6)  # a tablet of 12 inches
_ASIDE = 0.27  # of the table's width: where the tablet lies the second and the third time
_FOLDER = "screen"
_DOTS_MM = 20.0  # rigwarp targets --dots 20, on A3
_DOTS = DotPrint(columns=19, rows=12, pitch_mm=_DOTS_MM, centre_mm=np.array([6.0, -3.0]), rotation_rad=0.06)


@dataclass(frozen=True, kw_only=True)
class ViewShown:
    """A view, demonstrated.

    Attributes
    ----------
    traced, fitted : the design, and the measured view.
    truth : the map against what was built, which only a virtual rig can tell: n, rms_mm, p95_mm, max_mm, coverage (of
        what is seen lit), lit_share (of what is seen of the table), z_spread (error over sigma), lean_rms.
    verified : printed dots, measured through the map.
    pictures : what each shows -> its file.
    report : the page on the view.
    """

    traced: ViewTraced
    fitted: ViewFitted
    truth: dict[str, float]
    verified: ViewVerified
    pictures: dict[str, Path]
    report: Path


def demonstrate_view(progress: Progress, folder: RigFolder) -> ViewShown:
    """Trace, scan and fit the view of a virtual rig: by its projector, or by a tablet on the table."""
    traced = trace_rig_view(folder, progress)
    lit: Lit | None = None
    if folder.rig.projects:
        virtual = open_virtual(folder)
        bench = Bench(display=virtual.display, camera=open_virtual_view(folder).camera(virtual))
        scan_view(progress, seen_folder(folder), bench, ScanOptions())
        lit = lit_by_projector(virtual.true_map(), folder.rig.table)
    else:
        _scan_by_tablet(progress, folder)
    fitted = fit_rig_view(progress, folder)
    return ViewShown(
        traced=traced,
        fitted=fitted,
        truth=against_truth(fitted.fit.view_map, open_virtual_view(folder).true_map(), lit or fitted.evidence.lit),
        verified=_verify(progress, folder, fitted),
        pictures=_draw(folder, fitted),
        report=write_view_report(folder),
    )


def _verify(progress: Progress, folder: RigFolder, fitted: ViewFitted) -> ViewVerified:
    """A sheet of dots laid on the table, photographed and measured through the map: it shares nothing with the scan."""
    make_folder(fitted.run / PICTURES)
    photo = fitted.run / PICTURES / "dots.png"
    write_picture(photo, open_virtual_view(folder).dots_photo(_DOTS))
    return verify_view(progress, folder, [photo], dots_mm=_DOTS_MM)


def _scan_by_tablet(progress: Progress, folder: RigFolder) -> None:
    aside = _ASIDE * folder.rig.table.size_mm[0]
    places = [
        ScreenPlace(centre_mm=np.zeros(2), rotation_rad=0.0),
        ScreenPlace(centre_mm=np.array([aside, 6.0]), rotation_rad=0.05),
        ScreenPlace(centre_mm=np.array([-aside, -4.0]), rotation_rad=np.pi - 0.03),
    ]
    source = folder.root / _FOLDER
    export_screen(progress, source, _SCREEN, set_name=DEFAULT_SET)
    photograph_screen(progress, folder, source, places)
    import_screen(progress, folder, source)


def against_truth(found: ViewMap, truth: ViewMap, lit: Lit | None = None) -> dict[str, float]:
    """A measured view against the true one, and how much of what it truly sees (where that was lit) is measured."""
    shown = truth.answered if lit is None else truth.answered & lit.at(truth.table_mm)
    both = found.measured & truth.answered & (found.zone == truth.zone)
    vectors = (found.table_mm - truth.table_mm)[both]
    error = np.linalg.norm(vectors, axis=-1)
    lean = (found.lean - truth.lean)[both]
    return {
        "n": int(both.sum()),
        "rms_mm": float(np.sqrt(np.mean(error**2))),
        "p95_mm": float(np.percentile(error, 95)),
        "max_mm": float(error.max()),
        "coverage": float((both & shown).sum() / shown.sum()),
        "lit_share": float(shown.sum() / truth.answered.sum()),
        "z_spread": float(np.sqrt(np.mean((vectors / found.sigma_mm[both][:, None]) ** 2))),
        "lean_rms": float(np.sqrt(np.mean(lean**2))),
    }


def view_alone(rig_toml: str) -> str:
    """A rig file without its projector: the view alone."""
    kept, keep = [], True
    for line in rig_toml.splitlines(keepends=True):
        if line.startswith("["):
            name = line.strip("[] \n").split("]")[0]
            keep = name.split(".")[0] not in ("projector", "mirror", "content", "camera")
        if keep:
            kept.append(line)
    return "".join(kept)


def _draw(folder: RigFolder, fitted: ViewFitted) -> dict[str, Path]:
    from rigwarp.reports.figures.view import view_cover, view_fineness

    target = fitted.run / PICTURES
    write_bytes(target / "view_cover.png", view_cover(fitted.cover, folder.rig), replace=True)
    write_bytes(target / "view_lean.png", view_fineness(fitted.cover, folder.rig), replace=True)
    photo = open_virtual_view(folder).sheet_photo(view_of(folder).target)
    write_picture(target / "sheet.png", photo)
    write_picture(target / "sheet_straight.png", read_top(fitted.run / TOP_FILE).apply(photo))
    return {
        "what the camera sees of the table": target / "view_cover.png",
        "how finely, and how aslant": target / "view_lean.png",
        "a sheet in both wings": target / "sheet.png",
        "the same, as the straight top view": target / "sheet_straight.png",
        "printed dots in both wings": target / "dots.png",
    }
