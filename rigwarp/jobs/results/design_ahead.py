"""What a fit wants to know of the design, whatever the scan says: worked out while the scan is still being taken."""

from functools import partial

from rigwarp.files import RigFolder
from rigwarp.geometry import BoolArray
from rigwarp.jobs.design import design_map, design_model
from rigwarp.live.worker import Worker
from rigwarp.tracing import OpticalModel
from rigwarp.verification import plan_dots
from rigwarp.verification.verdict import lights


class DesignAhead:
    """Begun at once, in a thread that nobody who is interrupted waits for: a design from CAD takes seconds."""

    def __init__(self, folder: RigFolder) -> None:
        beside = Worker("rigwarp-design")
        self._model = beside.submit(partial(design_model, folder))
        self._lit = beside.submit(lambda: lights(design_map(folder), plan_dots(folder.rig.content)))
        beside.close()

    def model(self) -> OpticalModel:
        """The traced design."""
        return self._model.result()

    def lit(self) -> BoolArray:
        """(K,) by dot of `plan_dots`, whether the design's map lights its place."""
        return self._lit.result()
