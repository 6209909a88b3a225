"""The words of rig.toml: every table, its keys and what each one means (used to check names and to word errors)."""

from typing import Final

TOP_LEVEL: Final = {
    "format": 'the name of this file format, always "rigwarp rig"',
    "version": "the version of this file format, always 1",
    "name": "a name for reports and windows",
    "projector": "the table [projector]",
    "mirror": "the table [mirror]",
    "obstacle": "one table [[obstacle]] for each part that blocks light",
    "table": "the table [table], the surface that is lit",
    "content": "the table [content], the canvas that content fills",
    "camera": "the table [camera]",
    "target": "the table [target], the printed sheet",
    "tolerance": "the table [tolerance], what counts as good",
    "measured": "one table [[measured]] for each length measured on the built rig",
    "view": "the table [view], the installation's own camera that looks at the table through mirrors",
}

PROJECTOR: Final = {
    "resolution": "the native pixels, [width, height]",
    "throw_ratio": "the distance / image width, from the data sheet",
    "lens_shift": "the share of the image width / height by which its centre is off the axis; + is right, up",
    "position_mm": "the centre of projection in the table frame, [x, y, z]",
    "rotation_deg": "the angles of R_table_from_projector = Rz Ry Rx about x, y and z, [x, y, z]",
    "aim_mm": "the point in the table frame that the optical axis goes through, [x, y, z]",
    "roll_deg": "the turn about the optical axis, only together with aim_mm",
    "position_tolerance_mm": "the 1-sigma of how well the position is known, 0.01 if it cannot be elsewhere",
    "rotation_tolerance_deg": "the 1-sigma of how well the orientation is known, 0.001 if it cannot be otherwise",
    "gamma": 'the exponent of the transfer curve (most projectors: 2.2), or "srgb"',
}

MIRROR: Final = {
    "kind": '"mesh", "conic", "profile" or "facets"',
    "position_mm": "the origin of the mirror's own frame in the table frame, [x, y, z]",
    "rotation_deg": "the angles of R_table_from_mirror = Rz Ry Rx about x, y and z, [x, y, z]",
    "position_tolerance_mm": "the 1-sigma of how well the position is known, 0.01 if it cannot be elsewhere",
    "rotation_tolerance_deg": "the 1-sigma of how well the orientation is known, 0.001 if it cannot be otherwise",
    "material": "the sample of its material that was measured: the path from here to BENCH, then /NAME",
}

MIRROR_KINDS: Final = {
    "mesh": {
        "file": "the CAD file (STL, PLY, OBJ, 3MF, glTF or STEP) in the rig folder",
        "reflecting_side": 'the side that reflects: "+x", "-x", "+y", "-y", "+z", "-z", or [x, y, z]',
        "crease_deg": "the bend from which on an edge is a crease, or leave it out to have creases found",
    },
    "conic": {
        "radius_mm": "the radius of curvature at the vertex, negative when the surface bends towards -z",
        "conic_constant": "0 for a sphere, -1 for a paraboloid, below -1 for a hyperboloid, else an ellipsoid",
        "coefficients_mm": "the even polynomial terms of r^4, r^6, ... added to the sag",
        "aperture_mm": "the radii between which the mirror reflects, [inner, outer]",
    },
    "profile": {
        "file": "a CSV file with the columns r_mm, z_mm in the rig folder",
    },
    "facets": {
        "facet": "one table [[mirror.facet]] for each panel",
        "sheet_mm": "the thickness of the sheet that the panels are folded from",
        "fold_radius_mm": "the radius inside its folds, together with sheet_mm",
        "k_factor": "where its neutral axis lies in a fold, from the inside, as a share of sheet_mm",
    },
}

FACET: Final = {
    "corners_mm": "the panel's corners in order round its rim, mirror frame, [[x, y, z], ...]",
    "bend_radius_mm": "the radius of a single-curved panel, together with bend_axis",
    "bend_axis": "the direction of the bend's axis, mirror frame, together with bend_radius_mm",
}

OBSTACLE: Final = {
    "file": "its shape (STL, PLY, OBJ, 3MF, glTF or STEP) in the rig folder",
    "position_mm": "the origin of its own frame in the table frame, [x, y, z]",
    "rotation_deg": "the angles of R_table_from_obstacle = Rz Ry Rx about x, y and z, [x, y, z]",
}

AREA_SIZES: Final = {
    "circle": {"diameter_mm": "the diameter of the circle"},
    "rectangle": {"size_mm": "the sides along x and y, [w, h]"},
}

TABLE: Final = {
    "shape": '"circle" or "rectangle"',
    "height_mm": "the height of the surface that is lit, table frame",
}

CONTENT: Final = {
    "shape": '"circle" or "rectangle"',
    "centre_mm": "the point where the middle of the content lies on the table, [x, y]",
    "rotation_deg": "0 if the content's top edge lies towards +y; positive turns it counter-clockwise seen from above",
    "pixels": "the size of the content's pictures, [width, height]",
}

CAMERA: Final = {
    "resolution": "the pixels of a photograph, [width, height]",
    "device": 'the number, path, stream address or command of the camera, "virtual" for a virtual rig',
    "channel": 'the colour of the photographs that is used: "grey", "red", "green" or "blue"',
}

TARGET: Final = {
    "kind": '"charuco"',
    "squares": "the squares of the board along its x and y, [columns, rows]",
    "square_mm": "the nominal side of a square",
    "marker_mm": "the nominal side of a marker, smaller than a square",
    "dictionary": "OpenCV's name of the marker dictionary",
    "layout": '"new", or "old" for boards of an even number of rows that OpenCV drew before version 4.6',
    "scale": "the measured / nominal length along x and y of the printed sheet",
    "ruler_mm": "the lengths along x and y over which scale was measured with a steel rule",
    "thickness_mm": "the thickness of the sheet, with the board that it is glued to",
    "centre_mm": "the point where the board's centre lies on the table, [x, y]",
    "rotation_deg": "0 if the printed top edge lies towards +y; positive turns it counter-clockwise seen from above",
}

VIEW: Final = {
    "device": 'the number, path or stream address of the camera, "virtual" for a virtual rig',
    "resolution": "the pixels of a picture, [width, height]",
    "focal_px": "the nominal focal length in pixels",
    "lens": "the file of the calibrated lens in the rig folder, as `rigwarp view lens` writes it",
    "position_mm": "the centre of projection in the table frame, [x, y, z]",
    "rotation_deg": "the angles of R_table_from_camera = Rz Ry Rx about x, y and z, [x, y, z]",
    "aim_mm": "the point in the table frame that the optical axis goes through, [x, y, z]",
    "roll_deg": "the turn about the optical axis, only together with aim_mm",
    "position_tolerance_mm": "the 1-sigma of how well the position is known, 0.01 if it cannot be elsewhere",
    "rotation_tolerance_deg": "the 1-sigma of how well the orientation is known, 0.001 if it cannot be otherwise",
    "mirror": "one table [[view.mirror]] for each mirror that the camera looks into, with the keys of [mirror]",
    "target": "the table [view.target], the sheet that is seen through the mirrors, with the keys of [target]",
    "top": "the table [view.top], the straight top view",
}

VIEW_TOP: Final = {
    "size_mm": "the sides of the straight top view along x and y, [w, h]",
    "centre_mm": "the point on the table in its middle, [x, y]",
    "mm_per_pixel": "the table millimetres of one pixel of it",
}

TOLERANCE: Final = {
    "content_p95_mm": "the largest 95th percentile of the position error that still counts as good",
    "figure_rms_um": "the largest rms deviation of the mirror that still counts as good",
}

MEASURED: Final = {
    "what": "which length it is, by its name",
    "mm": "the length",
    "sigma_mm": "how well it was measured, 1-sigma",
}

MEASURED_LENGTHS: Final = (
    "projector to mirror vertex",
    "projector to mirror vertex, sideways",
    "projector to table",
    "mirror vertex to table",
)
"""The lengths that can be measured, between the projector's centre of projection, the origin of the mirror's own frame,
and the table's surface; `sideways` is the horizontal distance."""

DICTIONARY_SIZES: Final = {
    **{f"DICT_{bits}X{bits}_{size}": size for bits in (4, 5, 6, 7) for size in (50, 100, 250, 1000)},
    "DICT_ARUCO_ORIGINAL": 1024,
    **{f"DICT_APRILTAG_{name}": size for name, size in (("16h5", 30), ("25h9", 35), ("36h10", 2320), ("36h11", 587))},
    **{f"DICT_APRILTAG_{name}": size for name, size in (("16H5", 30), ("25H9", 35), ("36H10", 2320), ("36H11", 587))},
    "DICT_ARUCO_MIP_36h12": 250,
    "DICT_ARUCO_MIP_36H12": 250,
}
"""OpenCV's predefined marker dictionaries (OpenCV 5.0) and how many different markers each holds."""
