"""What really lands on the table: blinking dots, photographed, each compared with its place."""

from rigwarp.verification.draw import dot_pictures
from rigwarp.verification.judge import ErrorFigures, Similarity, VerificationResult, judge_dots
from rigwarp.verification.locate import DotsFound, UnreadableBlob, locate_dots
from rigwarp.verification.plan import DotPlan, plan_dots

__all__ = [
    "DotPlan",
    "DotsFound",
    "ErrorFigures",
    "Similarity",
    "UnreadableBlob",
    "VerificationResult",
    "dot_pictures",
    "judge_dots",
    "locate_dots",
    "plan_dots",
]
