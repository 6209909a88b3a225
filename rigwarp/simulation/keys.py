"""Every key of virtual.toml and what it means; a key that is not here is an error."""

from typing import Final

TOP_LEVEL: Final = {
    "format": 'always "rigwarp virtual rig"',
    "version": "the version of this format, 1",
    "seed": "the whole number that all random numbers start from",
    "surface": "the table with the closed form of a mirror that rig.toml gives as a file",
    "built": "the table with what went wrong in making and seating the mirror",
    "projector": "the table with the real projector",
    "camera": "the table with the real camera",
    "room": "the table with the surroundings",
    "sheet": "the table with the printed sheet",
    "view": "the table with the real view, the installation's own camera and its mirrors",
    "mishaps": "the table with what goes wrong while photographs are taken",
}

SURFACE: Final = {
    "kind": 'always "polynomial": a conic plus terms c x^i y^j',
    "radius_mm": "vertex radius of the conic part; leave it out for none",
    "conic_constant": "conic constant of the conic part",
    "terms": "a list of [i, j, c], each adding c x^i y^j, mm",
    "aperture_centre_mm": "middle of the reflecting area, mirror frame, [x, y]",
    "aperture_size_mm": "width and depth of a rectangular reflecting area, [w, d]",
    "aperture_radius_mm": "radius of a round reflecting area",
}

BUILT: Final = {
    "radius_percent": "growth of the vertex radius in per cent",
    "astigmatism_um": "rms of the astigmatism over the aperture",
    "astigmatism_deg": "direction in which the astigmatism raises the rim, from the mirror's x",
    "zernike": "tables [[built.zernike]]: more terms",
    "aperture_radius_mm": "radius of the circle on which astigmatism and Zernike terms are defined",
    "aperture_centre_mm": "its centre, [x, y]",
    "dent": "tables [[built.dent]]: Gaussian dents",
    "ripple": "tables [[built.ripple]]: ripples",
    "facet": "tables [[built.facet]]: errors of single panels",
    "hole": "tables [[built.hole]]: round holes that the design does not have",
    "rim_mm": "how far the mirror reaches beyond its designed outline (negative: short of it); not where panels meet",
    "seat_shift_mm": "shift of the whole mirror along the table's axes, [x, y, z]",
    "seat_turn_deg": "turn of the whole mirror about its origin, rotation vector along the table's axes",
}

ZERNIKE: Final = {
    "n": "radial order",
    "m": "azimuthal order, negative for the sine terms",
    "um": "rms over the aperture (orthonormal term)",
}

DENT: Final = {
    "position_mm": "its middle in the mirror frame (panels: in the panel's own frame: x along its first edge), [x, y]",
    "width_mm": "full width at half depth of the Gaussian",
    "depth_um": "depth of its middle along the mirror's z, away from the projector (negative: a bump)",
    "facet": "number of the panel it is on",
}

RIPPLE: Final = {
    "amplitude_um": "half of peak to valley",
    "period_mm": "distance from crest to crest",
    "direction_deg": "direction across the crests, from the mirror's x",
    "rings": "true for rings around the mirror's origin, as a lathe leaves them",
    "phase_deg": "phase at the mirror's origin",
}

FACET: Final = {
    "facet": "number of the panel",
    "tilt_deg": "turn about the panel's own x and y, [x, y]",
    "bend_radius_mm": "radius of a bend that the panel should not have",
    "bend_deg": "direction of that bend's axis, from the panel's x",
    "twist_mrad_per_mm": "twist: how fast the panel's slope along its x grows along its y",
}

HOLE: Final = {
    "position_mm": "its middle in the mirror frame (panels: in the panel's own frame: x along its first edge), [x, y]",
    "diameter_mm": "its diameter",
    "facet": "number of the panel it is in",
}

PROJECTOR: Final = {
    "position_error_mm": "real minus stated position, [x, y, z]",
    "rotation_error_deg": "extra turn about the projection centre, rotation vector along the table's axes",
    "throw_ratio_percent": "growth of the throw ratio in per cent",
    "blur_px": "sigma of the picture's blur in projector pixels",
    "pupil_diameter_mm": "diameter of the exit pupil",
    "pupil_samples": "how many points stand for the pupil: 1, 7, 19 or 37",
    "focus_mm": "distance of the plane in focus before the mirror bends it; left out: as sharp on the table as it gets",
    "gamma": 'the real transfer curve: a power or "srgb"',
    "toe": "how much of their light the darkest codes lose, 0 to 1",
    "vignetting": "share of light lost in the picture's corners",
    "black_level": "light of a black picture as a share of white",
    "lamp": "light of the lamp as a share of what it was when the camera's exposure was set",
}

CAMERA: Final = {
    "position_mm": "centre of the lens in the table frame, [x, y, z]",
    "aim_mm": "a point on its optical axis, together with roll_deg",
    "roll_deg": "turn about the optical axis",
    "rotation_deg": "R_table_from_camera = Rz Ry Rx of these three angles, instead of aim_mm",
    "focal_px": "focal length in pixels, one number or [x, y]",
    "principal_px": "principal point; the picture's middle when left out",
    "distortion": "[k1, k2, p1, p2, k3]",
    "thin_prism": "[s1, s2, s3, s4]: the little that the five cannot hold",
    "blur_px": "sigma of the lens blur",
    "vignetting": "share of light lost in the frame's corners",
    "response": '"srgb" or a power p: code = light ** (1 / p)',
    "exposure": "sensor signal per unit of table radiance; leave it out for automatic",
    "full_well_e": "electrons at full scale",
    "read_noise_e": "read noise in electrons",
}

ROOM: Final = {
    "ambient": "room light while projecting, as a share of projected white",
    "haze": "share of the light that is spread widely over the picture",
    "albedo": "reflectance of the table",
    "texture": "relative rms of the table's unevenness in reflectance",
    "table_margin_mm": "how far the table top reaches beyond the area where light is wanted",
    "table_height_error_mm": "real minus stated height of the table",
    "table_bow_mm": "how far the table's middle stands above its rim; falls off with the square of the distance",
    "board_height_error_mm": "real minus stated height of the board that raises the table for a second scan",
    "board_tilt_deg": "how that board rises along the table's [x, y]",
}

SHEET: Final = {
    "scale_error_percent": "growth of the print that the user's ruler did not see, [x, y]",
    "thickness_mm": "thickness of the sheet",
    "paper": "reflectance of the paper",
    "ink": "reflectance of the ink",
    "square_mm": "side of the squares of the sheet that is used, where it is another than rig.toml says",
    "marker_mm": "side of its markers",
    "turned_deg": "how far the sheet lies turned against what rig.toml says, about its middle, from x to y",
}

VIEW: Final = {
    "position_error_mm": "real minus stated position, [x, y, z]",
    "rotation_error_deg": "extra turn about the lens's centre, rotation vector along the table's axes",
    "focal_px": "real focal length in pixels",
    "principal_px": "principal point; the picture's middle when left out",
    "distortion": "[k1, k2, p1, p2, k3]",
    "blur_px": "sigma of the lens blur",
    "vignetting": "share of light lost in the frame's corners",
    "response": '"srgb" or a power p: code = light ** (1 / p)',
    "full_well_e": "electrons at full scale",
    "read_noise_e": "read noise in electrons",
    "aperture_diameter_mm": "diameter of the lens's aperture",
    "focus_mm": "distance of the plane in focus before the mirrors bend it",
    "mirror": "tables [[view.mirror]]: what went wrong in making and hanging each mirror, in rig.toml's order",
    "screen": "the table [view.screen], the display that is laid on the table",
}

VIEW_MIRROR: Final = {
    **BUILT,
    "surface": "the table with the closed form of a mirror that rig.toml gives as a file",
    "dirt": "relative rms of the light that is lost unevenly on it; a third of it becomes a veil",
}

VIEW_SCREEN: Final = {
    "glass_mm": "thickness of the glass over its pixels",
    "glass_index": "refractive index of the glass",
    "pitch_percent": "growth of its pixels' pitch that the ruler did not show",
    "thickness_error_mm": "how much higher than said the top of its glass lies over the table",
}
