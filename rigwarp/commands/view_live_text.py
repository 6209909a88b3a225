"""What `rigwarp view play` says."""

from pathlib import Path

from rigwarp.commands.console import Console
from rigwarp.files import RigFolder
from rigwarp.jobs.view.play import ViewPlayed, about_top
from rigwarp.jobs.view.top import top_cautions
from rigwarp.view.top import TopMaps


def print_top_still(console: Console, folder: RigFolder, out: Path, run: Path, maps: TopMaps) -> None:
    """The straight top view of a photograph."""
    width, height = maps.top.pixels
    console.say(f"{out}: {width} x {height} pixels, {maps.top.mm_per_pixel:g} mm each, by {run.name}")
    for caution in top_cautions(maps):
        console.say(f"  - {caution}.")
    about = about_top(folder, maps)
    console.result({"still": out, "view": run, "seen": maps.seen, **about})


def print_played(console: Console, made: ViewPlayed) -> None:
    """A live top view that has ended."""
    shown = made.shown
    console.say(f"{shown.frames} pictures in {shown.seconds:.1f} s, by {made.run.name}")
    console.table(
        [
            ("age of a picture when it was handed on, ms", shown.age_ms),
            ("of 95 in 100 at most", shown.age_p95_ms),
            ("the camera's period, ms", shown.period_ms),
        ]
    )
    if shown.reopened:
        console.say(f"  - The camera went away and was opened again {shown.reopened} times.")
    if made.dropped:
        console.say(f"  - The disk was too slow for {made.dropped} pictures of the video.")
    console.result(
        {
            "view": made.run,
            "frames": shown.frames,
            "seconds": shown.seconds,
            "age_ms": shown.age_ms,
            "age_p95_ms": shown.age_p95_ms,
            "period_ms": shown.period_ms,
            "reopened": shown.reopened,
            "address": made.address,
            "recorded": made.recorded,
            "dropped": made.dropped,
        }
    )
