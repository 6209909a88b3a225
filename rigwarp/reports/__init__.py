"""Results for people: figures, the coverage of a map in numbers, and the self-contained report of a result."""

from rigwarp.reports.measures.coverage import Coverage, Spread, judge_coverage
from rigwarp.reports.measures.table_raster import TableRaster, raster_table

__all__ = ["Coverage", "Spread", "TableRaster", "judge_coverage", "raster_table"]
