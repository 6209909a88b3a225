"""A rig whose mirror is a file, straight above a table: what the benchmarks of CAD exports are traced in."""

from collections.abc import Sequence

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
    return f"""
format = "rigwarp rig"
version = 1
name = "benchmark"
[projector]
resolution = [{resolution[0]}, {resolution[1]}]
throw_ratio = {throw_ratio}
position_mm = [0, 0, {lens_mm}]
rotation_deg = [0, 0, 0]
[mirror]
kind = "mesh"
file = "{file}"
position_mm = [0, 0, 0]
rotation_deg = {back_deg}
reflecting_side = {side}
[table]
shape = "circle"
diameter_mm = 500
height_mm = {table_mm}
[content]
shape = "circle"
diameter_mm = 100
pixels = [100, 100]
"""
