"""A view's map over virtual rigs drawn from their tolerances: error, and error over sigma.

* places: rays are the virtual rig's own; places have independent noise, and a smooth error as a projector's map has it.
* heights: as places, by wings that sink outwards and both see the middle: points 0 to 60 mm above it, told by one wing
  and their height by both, each pixel off by 0.05.
* patterns: a whole scan by the projector, whose map is the true one with a smooth error of its stated size.
* screen: a tablet at three places, its glass drawn from 0.5 to 1.5 mm and its pitch from 0.05 %, and three photographs
  of the printed sheet, side by side, its four sides and both diagonals read twice each, to 0.1 mm; `screen-once` with
  one photograph, two sides read once each; `screen-alone` with none.
* as_built: patterns, with the view's lens calibrated, by a projector that was scanned itself (by a camera with all its
  pixels): each wing's form against the built one, once both are laid on each other; the map has that camera's errors.
* sheets: four photographs of the printed sheet, its scale drawn from 0.1 mm over the length of the steel rule, which
  was laid along the whole pattern; `sheets-200` where it was laid along the printed rulers of 200 mm.

`--cells` chooses among these, `--seeds A-B` the rigs (24 of them are drawn), `--jobs N` shares them out. The smooth
errors are whitened over the 24 rigs, so that these tell as much as a few hundred would.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.ndimage import distance_transform_edt

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS / "support"), str(_TESTS / "benchmarks")]

from drawn_views import RIGS, drawn_view, white, with_lens  # noqa: E402
from run import alone, spread  # noqa: E402
from view_mirrors import judged_mirrors  # noqa: E402
from virtual_views import bowl_mm, sorting_view  # noqa: E402
from whole_chain import photographed_camera, scanned  # noqa: E402

from rigwarp.devices import Bench, open_virtual, open_virtual_view  # noqa: E402
from rigwarp.errors import RigwarpError  # noqa: E402
from rigwarp.files import RigFolder, make_current, new_run, write_camera, write_map  # noqa: E402
from rigwarp.files.names import CAMERA_FILE, MAP_FILE, RESULTS  # noqa: E402
from rigwarp.geometry import Array, PixelMap, ViewMap  # noqa: E402
from rigwarp.jobs.design import design_model  # noqa: E402
from rigwarp.jobs.progress import SILENT  # noqa: E402
from rigwarp.jobs.scans.scan_runs import DEFAULT_SET, ScanOptions  # noqa: E402
from rigwarp.jobs.view.demo import against_truth  # noqa: E402
from rigwarp.jobs.view.fit import fit_rig_view  # noqa: E402
from rigwarp.jobs.view.scan import scan_view, seen_folder  # noqa: E402
from rigwarp.jobs.view.screen import export_screen, import_screen, photograph_screen  # noqa: E402
from rigwarp.jobs.view.sheets import fit_view_by_sheets, scan_sheets  # noqa: E402
from rigwarp.rig.model import RULER_MM  # noqa: E402
from rigwarp.simulation.view import ScreenPlace  # noqa: E402
from rigwarp.table_map import fit_table_map, rig_tolerances, samples_from_scan  # noqa: E402
from rigwarp.view import LeanDoubt, Lit, Screen, fit_view, height_of, pixels_of, points  # noqa: E402

CELLS = ("places", "heights", "patterns", "as_built", "screen", "screen-once", "screen-alone", "sheets", "sheets-200")
_SHARE = {"places": 0.2, "heights": 0.2, "patterns": 0.4, "as_built": 0.4, "screen": 0.4}
_P95_MM = {"places": 0.10, "patterns": 0.10, "as_built": 0.10, "screen": 0.15, "sheets": 0.25}
_TOLD = ("built_um", "off_um", "z", "findings")
_PROJECTOR_MM = 0.02
_HEIGHTS_MM, _SPOTS, _OFF_PX = (0.0, 5.0, 20.0, 60.0), 400, 0.05
_FOLD_PX = 3.0
_TABLET = Screen(pixels=(512, 320), pitch_mm=0.5175, thickness_mm=7.6)  # as fine to the camera as the demo's
_TABLET_AT = ((0.0, 0.0, 0.0), (184.0, 6.0, 0.05), (-184.0, -4.0, np.pi - 0.03))
_SHEETS_AT = ((0.0, 0.0, 0.0), (30.0, 10.0, 3.2), (-130.0, -5.0, 0.08), (130.0, 5.0, -0.1))


def measure(cells: list[str] | None = None, seeds: range = range(1, RIGS + 1), jobs: int = 1) -> dict[str, Any]:
    """Pooled figures over the rigs."""
    asked = [cell for cell in CELLS if cells is None or cell in cells]
    cases = [(cell, seed) for cell in asked for seed in seeds]
    found = dict(zip(cases, spread(_one, cases, jobs), strict=True))
    figures: dict[str, Any] = {}
    held: dict[str, bool] = {}
    for cell in asked:
        each = {seed: found[cell, seed] for seed in seeds}
        refused = {seed: one for seed, one in each.items() if isinstance(one, str)}
        figures[cell] = {**_pooled({n: one for n, one in each.items() if n not in refused}), "refused": refused}
        held |= {f"{cell}: {what}": holds for what, holds in _held(cell, figures[cell]).items()}
    return {"rigs": len(seeds), **figures, "held": held}


def _one(case: tuple[str, int]) -> dict[str, float] | str:
    """A rig's figures, or in which words it was refused."""
    cell, seed = case
    with tempfile.TemporaryDirectory() as folder:
        try:
            return _JOBS[cell](Path(folder) / "rig", seed)
        except RigwarpError as error:
            return str(error).replace(folder, "")


def _pooled(by_seed: dict[int, dict[str, float]]) -> dict[str, Any]:
    rigs = list(by_seed.values())
    if not rigs:
        return {}
    square = {name: float(np.sqrt(np.mean([one[name] ** 2 for one in rigs]))) for name in ("rms_mm", "z_spread")}
    lean = [one["lean_z"] ** 2 for one in rigs if "lean_z" in one]
    told = {n: one["mirrors"] for n, one in by_seed.items() if "mirrors" in one}
    over_sigma = {
        height_mm: np.sqrt(np.mean([np.square(one["over_sigma"][height_mm]) for one in rigs], axis=0)).tolist()
        for height_mm in rigs[0].get("over_sigma", {})
    }
    passed_on = {seed: round(one["passed_on_z"], 2) for seed, one in by_seed.items() if "passed_on_z" in one}
    return {
        **square,
        "p95_mm": float(np.median([one["p95_mm"] for one in rigs])),
        "worst_p95_mm": max(one["p95_mm"] for one in rigs),
        "p95_mm_by_seed": {seed: round(one["p95_mm"], 3) for seed, one in by_seed.items()},
        "z_by_seed": {seed: round(one["z_spread"], 2) for seed, one in by_seed.items()},
        "coverage": min(one["coverage"] for one in rigs),
        "wrong_zone_px": max(one["wrong_zone_px"] for one in rigs),
        **({"as_built": _mirrors(told), "passed_on_z_by_seed": passed_on} if told else {}),
        **({"over_sigma": over_sigma} if over_sigma else {}),
        **({"lean_z": float(np.sqrt(np.mean(lean)))} if lean else {}),
    }


def _mirrors(told: dict[int, list[dict[str, Any]]]) -> dict[str, Any]:
    """Figures of all rigs' wings."""
    found = [one for wings in told.values() for one in wings if "off_um" in one]
    if not found:
        return {"not_told": told}
    return {
        "wings": len(found),
        "not_told": {n: [one["not_told"] for one in wings if "not_told" in one] for n, wings in told.items()},
        "built_um": float(np.median([one["built_um"] for one in found])),
        "off_um": float(np.median([one["off_um"] for one in found])),
        "worst_off_um": max(one["off_um"] for one in found),
        "z_spread": float(np.sqrt(np.mean([one["z"] ** 2 for one in found]))),
        "by_seed": {n: [{key: one.get(key) for key in _TOLD} for one in wings] for n, wings in told.items()},
    }


def _held(cell: str, figures: dict[str, Any]) -> dict[str, bool]:
    most = _P95_MM.get(cell)
    held = {"no rig refused": not figures["refused"]}
    if "z_spread" not in figures:
        return held
    held |= {
        "error over sigma 0.9 to 1.1": 0.9 <= figures["z_spread"] <= 1.1,
        "none in a wrong zone further than 3 px from its own": figures["wrong_zone_px"] <= _FOLD_PX,
    }
    if most is not None:
        held[f"P95 at most {most} mm on every rig"] = figures["worst_p95_mm"] <= most
    if cell in ("places", "patterns"):
        held["rms at most 0.05 mm"] = figures["rms_mm"] <= 0.05
        held["98 % of what is seen lit"] = figures["coverage"] >= 0.98
    if "as_built" in figures:
        held["form's error over its sigma 0.8 to 1.2"] = 0.8 <= figures["as_built"].get("z_spread", np.nan) <= 1.2
    for height_mm, (height, place) in figures.get("over_sigma", {}).items():
        held[f"{height_mm:.0f} mm above the table: error over sigma 0.8 to 1.2"] = (
            0.8 <= min(height, place) <= max(height, place) <= 1.2
        )
    if "lean_z" in figures:
        held["lean's error over its sigma at most 1.2"] = figures["lean_z"] <= 1.2
    return held


def _shape(seed: int) -> Array:
    """(6, 2) numbers of which those of all rigs are white."""
    return np.asarray(white(12)[(seed - 1) % RIGS].reshape(6, 2))


def _wrong_zone_px(found: ViewMap, true: ViewMap) -> float:
    """How far a pixel at most lies from where the zone that it was given really is."""
    both, far = found.measured & true.answered, 0.0
    for zone in np.unique(found.zone[both]):
        wrong = both & (found.zone == zone) & (true.zone != zone)
        if wrong.any():
            far = max(far, float(distance_transform_edt(true.zone != zone)[wrong].max()))
    return far


def _places(root: Path, seed: int) -> dict[str, float]:
    view = sorting_view(root, share=_SHARE["places"], seed=seed, shape=_shape(seed))
    fit = fit_view(view.parts, view.seen, view.folder.rig.table)
    return _judged(fit.view_map, view.true, fit.registration.lean_doubt)


def _heights(root: Path, seed: int) -> dict[str, Any]:
    view = sorting_view(root, share=_SHARE["heights"], seed=seed, shape=_shape(seed), sinking=True)
    fit = fit_view(view.parts, view.seen, view.folder.rig.table)
    doubt, random, over = fit.registration.lean_doubt, np.random.default_rng(seed), {}
    for height_mm in _HEIGHTS_MM:
        spots = random.uniform([-60.0, -90.0], [60.0, 90.0], (_SPOTS, 2))
        pixels = pixels_of(view.true, spots, height_mm=height_mm).pixels_px + _OFF_PX * random.normal(
            size=(2, _SPOTS, 2)
        )
        height, sigma = height_of(fit.view_map, *pixels, sigma_px=_OFF_PX, lean_doubt=doubt)
        place, place_sigma = points(fit.view_map, pixels[0], height_mm=height_mm, sigma_px=_OFF_PX, lean_doubt=doubt)
        over[height_mm] = [_rms((height - height_mm) / sigma), _rms((place - spots) / place_sigma[:, None])]
    return {**_judged(fit.view_map, view.true, doubt), "over_sigma": over}


def _rms(values: Array) -> float:
    return float(np.sqrt(np.nanmean(values**2)))


def _judged(found: ViewMap, true: ViewMap, lean_doubt: LeanDoubt, lit: Lit | None = None) -> dict[str, float]:
    v, u = np.nonzero(found.measured & true.answered & (found.zone == true.zone))
    slopes = lean_doubt.slopes(np.stack([u, v], axis=-1).astype(float), found.zone[v, u])
    off = (found.lean - true.lean)[v, u]
    return {
        **against_truth(found, true, lit),
        "lean_z": float(np.sqrt(np.mean(off**2 / np.sum(slopes**2, axis=-1)))),
        "wrong_zone_px": _wrong_zone_px(found, true),
    }


def _patterns(root: Path, seed: int) -> dict[str, float]:
    folder = drawn_view(root, seed, share=_SHARE["patterns"])
    true = open_virtual(folder).true_map()
    off = bowl_mm(true, _PROJECTOR_MM, _shape(seed))
    sigma = np.where(true.answered, _PROJECTOR_MM, np.nan)
    _scan(folder, replace(true, x_mm=true.x_mm + off[..., 0], y_mm=true.y_mm + off[..., 1], sigma_mm=sigma))
    return _fitted(folder)


def _as_built(root: Path, seed: int) -> dict[str, Any]:
    """The projector's map is that of a whole scan of its own: a view's mirrors inherit its camera's errors."""
    folder = with_lens(drawn_view(root, seed, share=_SHARE["as_built"], whole_camera=True), seed)
    virtual, rig = open_virtual(folder), folder.rig
    camera = photographed_camera(folder, virtual, sheet_mm=rig.target.thickness_mm)
    write_camera(root / CAMERA_FILE, camera)
    samples = samples_from_scan(scanned(folder, virtual), camera, rig.table)
    passed_on = fit_table_map(design_model(folder), samples, camera, rig_tolerances(rig)).table_map
    _scan(folder, passed_on)
    found, mirrors = _fitted(folder), judged_mirrors(folder)
    return {**found, "mirrors": mirrors, "passed_on_z": _over_sigma(passed_on, virtual.true_map())}


def _over_sigma(found: PixelMap, true: PixelMap) -> float:
    """Root mean square of a projector's map's errors over its sigma."""
    both = found.measured & true.answered & (found.zone == true.zone)
    return float(np.sqrt(np.mean(((found.table_mm - true.table_mm) / found.sigma_mm[..., None])[both] ** 2)))


def _scan(folder: RigFolder, known: PixelMap) -> None:
    """A whole scan of the view by its projector, whose map is given."""
    root, virtual, virtual_view = folder.root, open_virtual(folder), open_virtual_view(folder)
    with new_run(root / RESULTS, "fit", folder) as made:
        write_map(made / MAP_FILE, known, rig_hash=folder.rig_hash, scan="none")
    make_current(root, made)
    bench = Bench(display=virtual.display, camera=virtual_view.camera(virtual))
    scan_view(SILENT, seen_folder(folder), bench, ScanOptions())


def _fitted(folder: RigFolder) -> dict[str, float]:
    made, true = fit_rig_view(SILENT, folder), open_virtual_view(folder).true_map()
    return _judged(made.fit.view_map, true, made.fit.registration.lean_doubt, made.evidence.lit)


def _screen(root: Path, seed: int, *, sheets: tuple[int, ...] = (0, 2, 3), twelve: bool = True) -> dict[str, float]:
    folder = drawn_view(root, seed, share=_SHARE["screen"], alone=True, twelve=twelve)
    places = [ScreenPlace(centre_mm=np.array([x, y]), rotation_rad=turn) for x, y, turn in _TABLET_AT]
    export_screen(SILENT, root / "tablet", _TABLET, set_name=DEFAULT_SET)
    photograph_screen(SILENT, folder, root / "tablet", places)
    import_screen(SILENT, folder, root / "tablet", _sheet_photos(folder, tuple(_SHEETS_AT[n] for n in sheets)))
    return _fitted(folder)


def _screen_once(root: Path, seed: int) -> dict[str, float]:
    return _screen(root, seed, sheets=(0,), twelve=False)


def _screen_alone(root: Path, seed: int) -> dict[str, float]:
    return _screen(root, seed, sheets=(), twelve=False)


def _sheet_photos(folder: RigFolder, places: tuple[tuple[float, float, float], ...]) -> list[Path]:
    view, virtual = folder.rig.view, open_virtual_view(folder)
    assert view is not None
    paths = []
    for number, (x, y, turn) in enumerate(places):
        laid = replace(view.target, centre_mm=np.array([x, y]), rotation_rad=turn)
        paths.append(folder.root / f"sheet-{number}.png")
        cv2.imwrite(str(paths[-1]), virtual.sheet_photo(laid))
    return paths


def _sheets(root: Path, seed: int, *, ruler_mm: float | None = None) -> dict[str, float]:
    folder = drawn_view(root, seed, share=1.0, alone=True, ruler_mm=ruler_mm)
    scanned = scan_sheets(SILENT, folder, _sheet_photos(folder, _SHEETS_AT))
    made = fit_view_by_sheets(SILENT, folder, scanned.run).fit
    return _judged(made.view_map, open_virtual_view(folder).true_map(), made.lean_doubt)


def _sheets_by_short_rulers(root: Path, seed: int) -> dict[str, float]:
    return _sheets(root, seed, ruler_mm=RULER_MM)


_JOBS = {
    "places": _places,
    "heights": _heights,
    "patterns": _patterns,
    "as_built": _as_built,
    "screen": _screen,
    "screen-once": _screen_once,
    "screen-alone": _screen_alone,
    "sheets": _sheets,
    "sheets-200": _sheets_by_short_rulers,
}

if __name__ == "__main__":
    sys.exit(alone("view", measure))
