"""Report chapters on where the numbers come from, and on safety."""

from typing import Final

from rigwarp.files import RigFolder
from rigwarp.reports.figures.sketch import rig_sketch
from rigwarp.reports.result_parts import ResultParts
from rigwarp.reports.sections.page import Picture, Rows, Section
from rigwarp.reports.wording import flat_rows, plain_value

CAUTIONS: Final = (
    "This software draws light patterns; it does not make a projector, mirror or building safe. Follow the projector "
    "maker's instructions and the risk-group or laser-class label on it.",
    "Do not look into the lens or into its reflection in the mirror, and place the beam so that nobody's eyes can be "
    "brought into it, children's included. A curved mirror changes where and how strongly the light is concentrated, "
    "so the maker's classification may no longer describe the rig. Laser-scanning projectors are laser products: do "
    "not open, modify or defeat them.",
    "A concave mirror focuses sunlight and can start a fire: cover it whenever it is not in use and never leave it "
    "where direct sun can reach it, windows and low winter sun included.",
    "Calibration patterns and content can flash; people with photosensitive epilepsy can be harmed by flashes. Warn "
    "visitors, keep flashing slow and give a way to stop it.",
    "Secure mirrors, projectors and cables against falling and heat, keep vents free, and use the supplied power "
    "adapters.",
    "Rules for public places, lasers, electrical work, fire safety and suspended loads differ by country: local codes, "
    "the venue and licensed professionals have the last word.",
)


def caution_section() -> Section:
    """The safety wording."""
    return Section(anchor="cautions", title="Cautions", points=CAUTIONS)


def rig_section(folder: RigFolder) -> Section:
    """What rig.toml says, drawn."""
    drawn = Picture(
        png=rig_sketch(folder.rig, meshes=folder.meshes, profiles=folder.profiles),
        alt="Projector, mirror, light and table from the front, from the right and from above",
        caption="The rig as rig.toml has it now, in table mm. The projector looks along its blue z axis. A part "
        "that stands elsewhere than you built it, or is turned the wrong way, is a wrong number there.",
    )
    return Section(anchor="rig", title="The rig as it was planned", pictures=[drawn])


def origin_section(parts: ResultParts) -> Section:
    """Rig, scan, versions, settings, times, camera."""
    start, stop = parts.start, parts.stop
    rows = [
        ("result", parts.name),
        ("scan", plain_value(parts.map_origin.scan)),
        ("rig (SHA-256)", parts.rig_hash),
        ("command", plain_value(start.command)),
        ("started (UTC)", plain_value(start.started_utc)),
        ("finished (UTC)", plain_value(stop.stopped_utc)),
    ]
    if start.versions is not None:
        versions = (f"{name} {plain_value(value)}" for name, value in start.versions.items())
        rows.append(("versions", ", ".join(versions)))
    tables = [Rows(rows=rows)]
    for title, contents in (
        ("Settings", start.settings),
        ("Time taken", parts.fit.seconds),
        ("Camera (camera.json as it is now)", parts.fit.camera or parts.camera_extra),
    ):
        if contents:
            unit = " (s)" if title == "Time taken" else ""
            rows = [(f"{k}{unit}", v) for k, v in flat_rows(contents)]
            tables.append(Rows(rows=rows, head=(title, ""), detail=True))
    if parts.file_hashes:
        hashes = list(parts.file_hashes.items())
        tables.append(Rows(rows=hashes, head=("File, as it is now", "SHA-256"), detail=True))
    missing = [
        f"{name.capitalize()}: {parts.missing[name]}."
        for name in ("start record", "stop record", "camera")
        if name in parts.missing
    ]
    if "stop record" in parts.missing:
        missing.append("This run did not finish: its numbers must not be used.")
    return Section(
        anchor="origin",
        title="Where this comes from",
        tables=tables,
        missing=missing,
        preformatted=start.rig_toml or "",
    )
