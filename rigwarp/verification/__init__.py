"""What really lands on the table: blinking dots, lines and light, photographed, each compared with what should be."""

from rigwarp.verification.budget.causes import CheckGrid, RegionBudget
from rigwarp.verification.budget.map_budget import MapBudget, WarpSigmas, map_budget, thinned
from rigwarp.verification.dots.corrected_map import ResidualField, fit_residual_field, moved_map, shifted_map
from rigwarp.verification.dots.judge import (
    ErrorFigures,
    LineFigure,
    VerificationResult,
    fit_affine_shape,
    judge_dots,
    straightness,
    worst_line,
)
from rigwarp.verification.dots.locate import DotsFound, locate_dots
from rigwarp.verification.dots.plan import DotPlan, dot_pictures, plan_dots
from rigwarp.verification.dots.read_code import light_table
from rigwarp.verification.drift.judgement import DriftJudgement, judge_drift
from rigwarp.verification.drift.light_model import figured_model, map_mounting
from rigwarp.verification.drift.quick import (
    QuickLook,
    QuickState,
    ambient_light,
    quick_pictures,
    quick_plan,
    read_quick,
)
from rigwarp.verification.quality.charts import ChartModulation, chart_picture, line_charts, measure_charts
from rigwarp.verification.quality.uniformity import NinePoints, SeenContent, measure_uniformity

__all__ = [
    "ChartModulation",
    "CheckGrid",
    "DotPlan",
    "DotsFound",
    "DriftJudgement",
    "ErrorFigures",
    "LineFigure",
    "MapBudget",
    "NinePoints",
    "QuickLook",
    "QuickState",
    "RegionBudget",
    "ResidualField",
    "SeenContent",
    "VerificationResult",
    "WarpSigmas",
    "ambient_light",
    "chart_picture",
    "dot_pictures",
    "figured_model",
    "fit_affine_shape",
    "fit_residual_field",
    "judge_dots",
    "judge_drift",
    "light_table",
    "line_charts",
    "locate_dots",
    "map_budget",
    "map_mounting",
    "measure_charts",
    "measure_uniformity",
    "moved_map",
    "plan_dots",
    "quick_pictures",
    "quick_plan",
    "read_quick",
    "shifted_map",
    "straightness",
    "thinned",
    "worst_line",
]
