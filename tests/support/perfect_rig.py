"""A virtual rig without any defect: what remains is geometry."""

IDEAL = """
format = "rigwarp virtual rig"
version = 1
seed = 3
[projector]
blur_px = 0
pupil_diameter_mm = 0
pupil_samples = 1
vignetting = 0
black_level = 0
[camera]
position_mm = [0, -300, 900]
aim_mm = [0, 0, 0]
focal_px = 450
blur_px = 0
vignetting = 0
read_noise_e = 0
full_well_e = 1e9
[room]
ambient = 0
haze = 0
texture = 0
"""
