"""The design's light path: every projector pixel from the lens over the mirror to the table."""

from rigwarp.tracing.build import build_model
from rigwarp.tracing.design_map import trace_map, trace_pixels
from rigwarp.tracing.export_check import ExportCheck, check_export
from rigwarp.tracing.forecast import Forecast, forecast
from rigwarp.tracing.model import OpticalModel, Trace
from rigwarp.tracing.reasons import Reason
from rigwarp.tracing.sensitivity import Sensitivity, sensitivity
from rigwarp.tracing.surfaces import Surface

__all__ = [
    "ExportCheck",
    "Forecast",
    "OpticalModel",
    "Reason",
    "Sensitivity",
    "Surface",
    "Trace",
    "build_model",
    "check_export",
    "forecast",
    "sensitivity",
    "trace_map",
    "trace_pixels",
]
