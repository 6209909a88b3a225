"""A rig whose mirror is a file, straight above a table: what the benchmarks of CAD exports are traced in."""

from collections.abc import Sequence

from rig_text import circle, rig_text
from scipy.spatial.transform import Rotation


def mesh_rig(
    file: str,
    *,
    resolution: tuple[int, int],
    throw_ratio: float,
    lens_mm: float,
    table_mm: float,
    turned_rad: Sequence[float] = (0.0, 0.0, 0.0),
) -> str:
    """rig.toml; heights of lens and table are in the frame of the mirror once `turned_rad` (3,) is taken back."""
    turn = Rotation.from_rotvec(turned_rad)
    side = turn.apply([0.0, 0.0, -1.0]).tolist()
    back_deg = turn.inv().as_euler("ZYX", degrees=True)[::-1].tolist()
    return rig_text(
        f'kind = "mesh"\nfile = "{file}"\nposition_mm = [0, 0, 0]\nrotation_deg = {back_deg}\nreflecting_side = {side}',
        name="benchmark",
        resolution=resolution,
        throw_ratio=throw_ratio,
        projector=f"position_mm = [0, 0, {lens_mm}]\nrotation_deg = [0, 0, 0]",
        table=f"{circle(500)}\nheight_mm = {table_mm}",
        content=f"{circle(100)}\npixels = [100, 100]",
    )
