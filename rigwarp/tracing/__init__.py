"""The design's light path: every projector pixel from the lens over the mirror to the table."""

from rigwarp.tracing.build import build_model
from rigwarp.tracing.design_map import trace_map, trace_pixels
from rigwarp.tracing.model import OpticalModel, Trace
from rigwarp.tracing.reasons import Reason
from rigwarp.tracing.surfaces import Surface

__all__ = ["OpticalModel", "Reason", "Surface", "Trace", "build_model", "trace_map", "trace_pixels"]
