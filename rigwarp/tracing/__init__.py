"""The design's light path: every projector pixel from the lens over the mirror to the table."""

from rigwarp.tracing.build import build_model
from rigwarp.tracing.cad.cad_faces import CadFaces, FaceNote
from rigwarp.tracing.cad.export_check import ExportCheck, check_export
from rigwarp.tracing.cad.recognise import FaceForm, RecognisedMirror, recognise
from rigwarp.tracing.design_map import trace_map, trace_pixels
from rigwarp.tracing.model import OpticalModel, Trace
from rigwarp.tracing.reasons import LightFate
from rigwarp.tracing.surfaces.surface import Surface
from rigwarp.tracing.tolerances.sensitivity import Sensitivity, sensitivity
from rigwarp.tracing.tolerances.tolerance_analysis import ToleranceAnalysis, analyse_tolerances

__all__ = [
    "CadFaces",
    "ExportCheck",
    "FaceForm",
    "FaceNote",
    "LightFate",
    "OpticalModel",
    "RecognisedMirror",
    "Sensitivity",
    "Surface",
    "ToleranceAnalysis",
    "Trace",
    "analyse_tolerances",
    "build_model",
    "check_export",
    "recognise",
    "sensitivity",
    "trace_map",
    "trace_pixels",
]
