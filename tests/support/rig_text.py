"""The text of a rig.toml: what a test says of its rig, between what all rigs say alike."""


def circle(diameter_mm: float) -> str:
    """Lines of a table or a content area."""
    return f'shape = "circle"\ndiameter_mm = {diameter_mm}'


def rig_text(
    mirror: str,
    *,
    name: str = "test",
    resolution: tuple[int, int] = (1280, 720),
    throw_ratio: float = 1.2,
    projector: str = "position_mm = [0, 0, 500]\nrotation_deg = [0, 0, 0]",
    table: str = circle(500),
    content: str = circle(480),
    more: str = "",
) -> str:
    """Lines of the tables of these names; `more` are further tables."""
    return f"""
format = "rigwarp rig"
version = 1
name = "{name}"
[projector]
resolution = {list(resolution)}
throw_ratio = {throw_ratio}
{projector}
[mirror]
{mirror}
[table]
{table}
[content]
{content}
{more}
"""
