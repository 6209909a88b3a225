"""A scene: a clock drawn on the table in millimetres.

    cd demos && rigwarp play my-rig --scene clock:draw

The function is called for every frame with the time in seconds and a cleared drawing; nothing else is needed.
"""

import math
import time

from rigwarp.live.operate.table_drawing import TableDrawing


def draw(time_s: float, table: TableDrawing) -> None:
    """A dial of 80 % of the canvas, with the hands of the local time."""
    x, y = (float(part) for part in table.content.centre_mm)
    radius = 0.4 * min(table.content.size_mm)

    def rim(turns: float, share: float) -> tuple[float, float]:
        angle = 2 * math.pi * turns
        return x + share * radius * math.sin(angle), y + share * radius * math.cos(angle)

    table.circle((x, y), radius, width_mm=2.0, colour=(70, 120, 170))
    for hour in range(12):
        table.line(rim(hour / 12, 0.9), rim(hour / 12, 1.0), width_mm=2.0, colour=(150, 190, 220))
    now = time.localtime()
    minutes = now.tm_min + now.tm_sec / 60
    table.line((x, y), rim((now.tm_hour % 12 + minutes / 60) / 12, 0.55), width_mm=6.0, colour=(240, 240, 230))
    table.line((x, y), rim(minutes / 60, 0.85), width_mm=4.0, colour=(240, 240, 230))
    table.circle(rim(time_s % 60 / 60, 0.95), 4.0, width_mm=None, colour=(255, 190, 90))
