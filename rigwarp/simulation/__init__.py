"""The virtual rig: a physical model of what was really built, with area-exact transport of light.

Independent of the estimators on purpose: it shares their frames and units, and none of their approximations.
"""

from rigwarp.simulation.truth import VirtualTruth
from rigwarp.simulation.truth_file import parse_truth
from rigwarp.simulation.virtual_rig import VirtualRig

__all__ = ["VirtualRig", "VirtualTruth", "parse_truth"]
