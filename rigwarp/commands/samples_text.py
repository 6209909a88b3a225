"""What the samples commands say of cycles, tables and predictions."""

from rigwarp.commands.console import Console
from rigwarp.files.records.samples import CycleRecord
from rigwarp.jobs.samples.figure_rows import cycle_rows


def print_cycle(console: Console, record: CycleRecord) -> None:
    """A finished cycle: its closure first, then its figures."""
    logs = [100.0 * abs(value) for value in record.closure or ()]
    console.say(
        f"Closure: the reference changed by {max(logs, default=0.0):.2f} % and {record.closure_shift_px or 0.0:.3f} px "
        f"between the ends of the cycle{'' if record.closure_good else ': more than 1 % or 0.1 px. Measure it again'}."
    )
    console.table(cycle_rows(record), head=("figure", "found", "1-sigma", "computed from"))
