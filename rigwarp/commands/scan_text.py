"""A scan's figures for people."""

import numpy as np

from rigwarp.commands.console import Console
from rigwarp.decode import Reason
from rigwarp.jobs.scans.scan_runs import ScanTaken, scan_figures
from rigwarp.reports.wording import sentence

_MOVED_WORTH_TELLING = 0.005


def print_scan(console: Console, taken: ScanTaken) -> None:
    """The scan's figures for people."""
    decoded = taken.decoded
    counts = np.bincount(decoded.reason.ravel(), minlength=len(Reason))
    lit = int(counts.sum() - counts[Reason.TOO_DARK])
    console.say(f"Scan {taken.run}")
    console.table(
        [
            ("camera pixels decoded", f"{counts[Reason.OK]} of {lit} lit"),
            ("saturated", f"{counts[Reason.SATURATED]}"),
            ("inconsistent", f"{counts[Reason.INCONSISTENT] + counts[Reason.STRAY] + counts[Reason.OUTSIDE]}"),
            ("moved during the scan", f"{counts[Reason.MOVED]}"),
            ("something passed by", f"{counts[Reason.PASSED_BY]}"),
            ("median uncertainty", f"{scan_figures(decoded)['median_sigma_px']:.3f} projector px"),
        ]
    )
    if decoded.moved_share > _MOVED_WORTH_TELLING:
        moved = f"{100 * decoded.moved_share:.1f} % of the decodable pixels moved during the scan"
        console.note(f"{moved}; they are left out.")
    for text in decoded.processing + decoded.recovered:
        console.note(sentence(text))
    for text in decoded.corrected:
        console.note(f"Put right: {text}.")
    if decoded.folded:
        console.note(f"Not everything is single-valued: {decoded.folded}. These parts are left out.")
