"""What really lands on the table: blinking dots, lines and light, photographed, each compared with what should be."""

from rigwarp.verification.budget import Cause, RegionBudget
from rigwarp.verification.charts import Modulation, chart_picture, line_charts, measure_charts
from rigwarp.verification.draw import dot_pictures
from rigwarp.verification.grid_coverage import CheckGrid, GridCoverage
from rigwarp.verification.judge import ErrorFigures, Similarity, VerificationResult, judge_dots
from rigwarp.verification.locate import DotsFound, UnreadableBlob, locate_dots
from rigwarp.verification.map_budget import MapBudget, WarpSigmas, map_budget
from rigwarp.verification.plan import DotPlan, plan_dots
from rigwarp.verification.read_code import light_table
from rigwarp.verification.shape import AffineShape, LineFigure, fit_affine_shape, straightness, worst_line
from rigwarp.verification.uniformity import NinePoints, measure_uniformity

__all__ = [
    "AffineShape",
    "Cause",
    "CheckGrid",
    "DotPlan",
    "DotsFound",
    "ErrorFigures",
    "GridCoverage",
    "LineFigure",
    "MapBudget",
    "Modulation",
    "NinePoints",
    "RegionBudget",
    "Similarity",
    "UnreadableBlob",
    "VerificationResult",
    "WarpSigmas",
    "chart_picture",
    "dot_pictures",
    "fit_affine_shape",
    "judge_dots",
    "light_table",
    "line_charts",
    "locate_dots",
    "map_budget",
    "measure_charts",
    "measure_uniformity",
    "plan_dots",
    "straightness",
    "worst_line",
]
