"""How far the built mirror strays from its design, told from the samples of the table map.

One maximum-a-posteriori fit finds how projector and mirror are mounted and what figure the mirror has; the figure is
reported after rigid alignment, and what the data cannot tell is named instead of numbered.
"""

from rigwarp.as_built.describe.alignment import align_built, remove_rigid
from rigwarp.as_built.describe.defects import Defect
from rigwarp.as_built.describe.findings import Finding
from rigwarp.as_built.describe.form import FormFigures, ZernikeTerm
from rigwarp.as_built.describe.panels import Fold, Panel
from rigwarp.as_built.describe.result import AsBuilt, Mounting
from rigwarp.as_built.describe.ripple import Ripple
from rigwarp.as_built.estimate import estimate_as_built
from rigwarp.as_built.fine_ripple.estimate import FineRipple
from rigwarp.as_built.solve.raised import HeightFit, RaisedScan, raised_scan

__all__ = [
    "AsBuilt",
    "Defect",
    "Finding",
    "FineRipple",
    "Fold",
    "FormFigures",
    "HeightFit",
    "Mounting",
    "Panel",
    "RaisedScan",
    "Ripple",
    "ZernikeTerm",
    "align_built",
    "estimate_as_built",
    "raised_scan",
    "remove_rigid",
]
