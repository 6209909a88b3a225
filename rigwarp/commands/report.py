"""`rigwarp report`: the current result as one page for people."""

from rigwarp.commands.console import Console, print_next
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.files import current_result, open_rig
from rigwarp.reports.report import write_report


def report(rig: RigArgument, json: JsonOption = False) -> None:
    """Write report.html for the current result: one page with all pictures inside, for any browser.

    What has not been measured is said to be missing. A report that is already there is replaced; it holds nothing that
    the other files of the result do not.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    path = write_report(folder, current_result(folder.root))
    console.say(f"wrote {path}")
    console.result({"result": path.parent, "report": path})
    print_next(console, folder)
