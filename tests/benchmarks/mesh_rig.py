"""A rig whose mirror is a file, straight above a table: what the benchmarks of CAD exports are traced in."""


def mesh_rig(file: str, *, resolution: tuple[int, int], throw_ratio: float, lens_mm: float, table_mm: float) -> str:
    """rig.toml; the heights of lens and table are in the mirror's frame."""
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
reflecting_side = "-z"
[table]
shape = "circle"
diameter_mm = 500
height_mm = {table_mm}
[content]
shape = "circle"
diameter_mm = 100
pixels = [100, 100]
[camera]
resolution = [1920, 1080]
device = "virtual"
[target]
kind = "charuco"
squares = [10, 7]
square_mm = 36.0
marker_mm = 27.0
dictionary = "DICT_5X5_250"
"""
