"""budget.json: how certain the picture's place is, by cause and region. Lengths are 1-sigma per axis, mm."""

import math
from dataclasses import dataclass
from typing import ClassVar

from rigwarp.files.records.record import Figures, Flag, Number, Part, Record, Text


@dataclass(frozen=True, kw_only=True)
class BudgetCause(Part):
    """A cause: its key in `BudgetRegion.sigma_mm`, name, type "A" or "B", "repeatable" or "common", evaluation."""

    key: Text = None
    name: Text = None
    kind: Text = None
    part: Text = None
    how: Text = None


@dataclass(frozen=True, kw_only=True)
class BudgetRegion(Part):
    """What the causes bring in a region of the content, their sums, and these at k = 2."""

    name: Text = None
    places: Number = None
    sigma_mm: Figures = None
    repeatable_mm: Number = None
    common_mm: Number = None
    combined_mm: Number = None
    expanded_mm: Number = None

    def of_key(self, key: Text) -> float:
        """mm by a cause's key, or by "repeatable", "common", "combined" or "expanded"; NaN where not told."""
        sums = ("repeatable", "common", "combined", "expanded")
        found = getattr(self, f"{key}_mm") if key in sums else (self.sigma_mm or {}).get(key or "")
        return math.nan if found is None else float(found)


@dataclass(frozen=True, kw_only=True)
class CheckRecord(Part):
    """The check dots against the part that differs from run to run; shares inside k = 2."""

    n: Number = None
    rms_mm: Number = None
    predicted_mm: Number = None
    inside_predicted: Number = None
    inside: Number = None


@dataclass(frozen=True, kw_only=True)
class BudgetRecord(Record):
    """budget.json; `check_grid` is None without a verification."""

    FORMAT: ClassVar[str] = "rigwarp budget"

    causes: tuple[BudgetCause, ...] = ()
    regions: tuple[BudgetRegion, ...] = ()
    coverage_factor: Number = None
    check_grid: CheckRecord | None = None
    camera_covariance_known: Flag = None
    assumed_flatness_mm: Number = None

    @property
    def camera_known(self) -> bool:
        """False where the camera came without a covariance."""
        return self.camera_covariance_known is not False

    @property
    def expanded_mm(self) -> float:
        """k = 2, per axis, over the whole content; NaN where not told."""
        return self._whole.of_key("expanded")

    @property
    def largest(self) -> tuple[str, ...]:
        """Names of the two causes that contribute most."""
        sizes = {cause.name or "-": self._whole.of_key(cause.key) for cause in self.causes}
        return tuple(sorted(sizes, key=lambda name: -sizes[name] if math.isfinite(sizes[name]) else math.inf)[:2])

    @property
    def _whole(self) -> BudgetRegion:
        return next((region for region in self.regions if region.name == "all"), BudgetRegion())
