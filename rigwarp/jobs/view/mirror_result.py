"""A view's mirror as a rig of its own, for whatever is made of a mirror and its deviation: moulds, tables."""

from dataclasses import replace
from pathlib import Path

from rigwarp.errors import InputError
from rigwarp.files import RigFolder, current_view
from rigwarp.files.names import AS_BUILT_FILE, VIEW_FILE
from rigwarp.files.records import ViewRecord
from rigwarp.jobs.view.scan import view_of
from rigwarp.rig import view_as_projector


def mirror_result(folder: RigFolder, number: int) -> tuple[RigFolder, Path]:
    """The rig with the view's camera for its projector and one of its mirrors, and where that mirror's deviation is.

    Raises
    ------
    InputError
        The rig has no view or no such mirror, or its deviation is not told.
    """
    view = view_of(folder)
    if not 0 <= number < len(view.mirrors):
        raise InputError(f"--view-mirror {number}: rig.toml has [[view.mirror]] 0 to {len(view.mirrors) - 1}.")
    run = current_view(folder.root)
    result = run / f"mirror-{number}"
    if not (result / AS_BUILT_FILE).is_file():
        told = ViewRecord.read(run / VIEW_FILE).as_built if (run / VIEW_FILE).is_file() else ()
        why = next((one.not_told for one in told if one.mirror == number and one.not_told), "it was not looked for")
        raise InputError(f"{result}: how view.mirror[{number}] strays from its design is not told: {why}.")
    rig = replace(folder.rig, projector=view_as_projector(view, folder.view_lens), mirror=view.mirrors[number])
    return replace(folder, rig=rig), result
