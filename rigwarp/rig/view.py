"""A view's camera in the projector's place: its rays run from the pixel by way of the mirror to the table, too."""

from rigwarp.rig.model import Lens, Projector, View


def view_as_projector(view: View, lens: Lens | None = None) -> Projector:
    """The camera as the projector that would light what it sees, with its calibrated lens where there is one."""
    focal_px = view.focal_px if lens is None else float(lens.matrix[0, 0])
    return Projector(
        resolution=view.resolution,
        throw_ratio=(focal_px or float(view.resolution[0])) / view.resolution[0],
        lens_shift=(0.0, 0.0),
        placement=view.placement,
        position_tolerance_mm=view.position_tolerance_mm,
        rotation_tolerance_rad=view.rotation_tolerance_rad,
        transfer=1.0,
        lens=lens,
    )
