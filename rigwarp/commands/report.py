"""`rigwarp report`: the current result as one page for people."""

from rigwarp.commands.console import Console, print_next
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.files import open_rig
from rigwarp.jobs.results.report import report_current


def report(rig: RigArgument, json: JsonOption = False) -> None:
    """Write report.html for the current result: one page with all pictures inside, for any browser.

    What has not been measured is said to be missing. A report that is already there is replaced; it holds nothing that
    the other files of the result do not.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    made = report_current(folder)
    console.say(f"wrote {made.report}")
    console.result({"result": made.result, "report": made.report})
    print_next(console, folder)
