"""The whole job on a virtual rig from Python: once by the jobs of an opened rig, once by the numeric functions.

python demos/whole_job.py DIR
"""

import sys
from pathlib import Path

import rigwarp
from rigwarp.prewarp import Prewarp
from rigwarp.scenarios import create_rig


def by_jobs(root: Path) -> Prewarp:
    """Files in the rig folder after every step, as the command line leaves them."""
    rig = rigwarp.open_rig(root)
    rig.trace()
    rig.camera()  # a virtual rig photographs its board by itself
    rig.scan()
    made = rig.fit()
    checked = rig.verify()
    rig.report()
    print(f"map {made.table_map.held_out.rms_mm:.3f} mm rms on samples held out")  # noqa: T201
    after, before = (checked.checks[name].result.p95_mm for name in ("after", "before"))
    print(f"dots {after:.3f} mm P95, by the design's warp {before:.1f}")  # noqa: T201
    return rig.warp().warp.prewarp


def by_functions(root: Path) -> Prewarp:
    """The same numbers without a file: every stage takes what the stage before it returns."""
    from rigwarp.as_built import estimate_as_built
    from rigwarp.camera import calibrate_lens_from_views, detect_board, locate_table_from_view
    from rigwarp.decode import Decoder
    from rigwarp.devices import open_virtual
    from rigwarp.files import open_rig
    from rigwarp.patterns import fast_set
    from rigwarp.prewarp import build_prewarp
    from rigwarp.table_map import fit_table_map, rig_tolerances, samples_from_scan
    from rigwarp.tracing import build_model

    folder = open_rig(root)
    rig, virtual = folder.rig, open_virtual(folder)
    lens = calibrate_lens_from_views([detect_board(photo, rig.target) for photo in virtual.board_photos()])
    sheet = detect_board(virtual.table_sheet_photo(), rig.target)
    camera = locate_table_from_view(
        sheet, lens, rig.target, height_mm=rig.table.height_mm + rig.target.thickness_mm
    ).camera
    patterns = fast_set(rig.projector.resolution, rig.projector.transfer)
    decoder = Decoder(patterns)
    for number in range(len(patterns.frames)):
        virtual.display.show(patterns.picture(number))
        decoder.add(virtual.camera.grab())
    samples = samples_from_scan(decoder.finish(), camera, rig.table)
    model = build_model(rig, meshes=folder.meshes, profiles=folder.profiles)
    fit = fit_table_map(model, samples, camera, rig_tolerances(rig))
    built = estimate_as_built(model, fit, rig_tolerances(rig), camera)
    held_out, figures = fit.held_out, built.figures
    print(f"map {held_out.rms_mm:.3f} mm rms on samples held out, mirror {figures.rms_um:.0f} µm rms")  # noqa: T201
    return build_prewarp(fit.table_map, rig.content, rig.projector.transfer, light=fit.light)


if __name__ == "__main__":
    create_rig("round-table", Path(sys.argv[1]))
    by_jobs(Path(sys.argv[1]))
    by_functions(Path(sys.argv[1]))
