"""Pictures of the player's own that stand in for the content for a while: the check grid, the page's code."""

from collections.abc import Callable, Sequence
from concurrent.futures import Future

from rigwarp.live.operate.check_pictures import check_picture
from rigwarp.live.operate.flashes import FlashLimit
from rigwarp.live.operate.table_drawing import BLACK, WHITE, TableDrawing
from rigwarp.live.render.picture import Picture
from rigwarp.live.worker import Worker
from rigwarp.rig import Content

CODE_S = 60.0
"""How long the code stays on the table."""
_MODULE_MM, _QUIET_MODULES = 3.0, 4
"""Of the code: large enough for a phone held over the table, and the margin that ISO/IEC 18004 asks for."""


class StandIn:
    """Which picture stands in for the content; drawn beside the frame loop, and shown when it is there.

    Without a canvas (`content` None) nothing can be drawn.
    """

    def __init__(self, content: Content | None) -> None:
        self._content = content
        self._worker = Worker("rigwarp-stand-in")
        self._made: dict[str, Future[Picture]] = {}
        self._wanted, self._until_s = "", 0.0
        self._shown: Picture | None = None
        self.name = ""

    def show_grid(self, on: bool) -> None:
        """The check grid until it is taken away."""
        content = self._content
        if content is not None:
            self._want("grid" if on else "", lambda: check_picture("grid", content))

    def show_code(self, rows: Sequence[str], now_s: float) -> None:
        """The code whose rows are given as "0" and "1", for a minute; no rows: away with it."""
        content = self._content
        if content is not None:
            self._want(f"code {hash(tuple(rows))}" if rows else "", lambda: code_picture(content, rows))
            self._until_s = now_s + CODE_S

    def picture(self, now_s: float, flashes: FlashLimit) -> Picture | None:
        """What to show instead of the content; None: the content."""
        if self._wanted.startswith("code") and now_s >= self._until_s:
            self._wanted = ""
        future = self._made.get(self._wanted)
        ready = not self._wanted or (future is not None and future.done())
        if self.name != self._wanted and ready and flashes.jump(now_s):
            self.name = self._wanted
            self._shown = future.result() if future is not None else None
        return self._shown

    def close(self) -> None:
        """Draw no more."""
        self._worker.close()

    def _want(self, name: str, draw: Callable[[], Picture]) -> None:
        if name and name not in self._made:
            self._made = {kept: made for kept, made in self._made.items() if kept == "grid"}
            self._made[name] = self._worker.submit(draw)
        self._wanted = name


def code_picture(content: Content, rows: Sequence[str]) -> Picture:
    """A two-dimensional code in the middle of the canvas, dark on light, its first row away from the front edge."""
    drawing = TableDrawing(content)
    drawing.clear(BLACK)
    count = len(rows) + 2 * _QUIET_MODULES
    module_mm = min(_MODULE_MM, 0.7 * min(content.size_mm) / count)
    left, top = (
        float(content.centre_mm[0]) - count * module_mm / 2,
        float(content.centre_mm[1]) + count * module_mm / 2,
    )

    def square(column: float, row: float, size: float) -> list[tuple[float, float]]:
        x, y, side = left + column * module_mm, top - row * module_mm, size * module_mm
        return [(x, y), (x + side, y), (x + side, y - side), (x, y - side)]

    drawing.polygon(square(0, 0, count), colour=WHITE)
    for row, cells in enumerate(rows, _QUIET_MODULES):
        for column, cell in enumerate(cells, _QUIET_MODULES):
            if cell == "1":
                drawing.polygon(square(column, row, 1), colour=BLACK)
    return drawing.picture
