"""The table map: projector pixel -> table millimetre, measured, with its uncertainty.

Samples (camera pixels with a decoded projector position and a place on the table) are compared with the traced design;
the design's pose is registered to them, and a smooth residual surface per zone takes up what is left.
"""

from rigwarp.table_map.assemble import HeldOut, MapFacts, TableMapFit
from rigwarp.table_map.borders import Border
from rigwarp.table_map.fit import fit_table_map
from rigwarp.table_map.inverse import InverseMap, invert
from rigwarp.table_map.orientation import check_orientation
from rigwarp.table_map.registration import Registration, apply_shifts, mounting_tolerances, register, rig_tolerances
from rigwarp.table_map.ripple import MapRipple
from rigwarp.table_map.samples import Samples, bin_samples, join_samples, samples_from_scan
from rigwarp.table_map.zone_places import ZonePlaces, samples_of_zones, zone_places

__all__ = [
    "Border",
    "HeldOut",
    "InverseMap",
    "MapFacts",
    "MapRipple",
    "Registration",
    "Samples",
    "TableMapFit",
    "ZonePlaces",
    "apply_shifts",
    "bin_samples",
    "check_orientation",
    "fit_table_map",
    "invert",
    "join_samples",
    "mounting_tolerances",
    "register",
    "rig_tolerances",
    "samples_from_scan",
    "samples_of_zones",
    "zone_places",
]
