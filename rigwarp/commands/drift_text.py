"""A quick look and a re-registration in words."""

import numpy as np

from rigwarp.commands.console import Console
from rigwarp.files import RigFolder
from rigwarp.jobs.checks.drift import QuickCheck, Reregistered
from rigwarp.reports.wording import quantity
from rigwarp.verification.drift.motion import PartMotion


def print_drift(console: Console, folder: RigFolder, check: QuickCheck, *, correcting: bool) -> None:
    """A look in words; `correcting`: a re-registration follows by itself where one suffices."""
    judged = check.judged
    console.say("Since the last verification: " + (", ".join(_WORDS[name] for name in judged.findings) or "no change"))
    rows = [("picture, 95 % of the dots within", f"{quantity(judged.picture.p95_mm, 'mm')} of where they should be")]
    if judged.camera.known:
        rows.append(
            (
                "table in the camera's picture",
                f"{judged.camera.seen_px:.2f} px away, sigma {judged.camera.sigma_px:.2f} px",
            )
        )
    shifted = quantity(judged.light.rms_mm, "mm")
    rows.append(("light on the table", f"{shifted} away, rms of {len(judged.look.ids)} dots"))
    rows += [(f"  if it is the {motion.part}", _motion_words(motion)) for motion in judged.light.motions]
    rows += [
        ("projected light", f"{100 * judged.light_level:.0f} % of what it was"),
        ("room light", f"{100 * judged.room_light:.0f} % of what it was"),
    ]
    console.table(rows)
    advice = {
        "nothing": "Nothing needs to be done about the picture's place",
        "re-register": "A re-registration suffices"
        + ("" if correcting else f": rigwarp verify {folder.root} --quick --reregister"),
        "scan": f"A new scan is due: rigwarp calibrate {folder.root}",
    }
    console.say(f"{advice[judged.advice]} ({judged.why}).")


_WORDS = {
    "camera": "the camera has moved",
    "projector": "the projector has moved",
    "mirror": "the mirror has moved",
    "projector or mirror": "the projector or the mirror has moved; the data do not tell which",
    "projector and mirror": "both the projector and the mirror have moved",
    "camera, projector or mirror": "the camera, the projector or the mirror has moved; the data do not tell which",
    "light level": "the projector's light has changed",
    "camera exposure": "the camera's exposure has changed",
    "room light": "the room light has changed",
}


def _motion_words(motion: PartMotion) -> str:
    """Length and angle of a motion, and its components."""
    parts = []
    for name, unit, values, sigma in (
        ("shifted", " mm", motion.shift_mm, motion.shift_sigma_mm),
        ("turned", "°", np.degrees(motion.turn_rad), np.degrees(motion.turn_sigma_rad)),
    ):
        if np.any(sigma > 0.0):
            size = float(np.linalg.norm(values))
            components = ", ".join(f"{v:+.2f}" for v in values)
            parts.append(f"{name} by {size:.2f}{unit} (x, y, z: {components}; sigma {np.max(sigma):.2f})")
    return ", ".join(parts)


def print_reregistration(console: Console, done: Reregistered) -> None:
    """A re-registration in words."""
    if not done.kept:
        console.say(
            f"Re-registered, and no better ({quantity(done.picture.p95_mm, 'mm')} P95): the result before "
            "stays current."
        )
        return
    console.say(f"Re-registered: P95 {quantity(done.picture.p95_mm, 'mm')}. Current result {done.result}")
    if done.camera_aside is not None:
        console.say(f"The camera's new place is in camera.json; the one before is kept as {done.camera_aside.name}.")
