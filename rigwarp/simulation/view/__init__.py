"""The virtual view: the installation's own camera, which sees the virtual table by way of its mirrors.

Independent of the estimators like the rest of the simulation: its rays are traced by the simulation's own arithmetic.
"""

from rigwarp.simulation.view.prints import DotPrint, ScreenPlace
from rigwarp.simulation.view.truth import ScreenTruth, ViewMirrorTruth, ViewTruth
from rigwarp.simulation.view.virtual_view import VirtualView

__all__ = ["DotPrint", "ScreenPlace", "ScreenTruth", "ViewMirrorTruth", "ViewTruth", "VirtualView"]
