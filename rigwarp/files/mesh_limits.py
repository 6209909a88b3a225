"""How large a mesh may be, whatever the format: a small file can unpack to what fills the memory."""

from typing import Final

MOST_MESH_BYTES: Final = 256 << 20
"""Of a file."""
MOST_TEXT_BYTES: Final = 128 << 20
"""Of one that lists its numbers as text, packed or not; as 3MF that is read in a minute and 2 GB."""
MOST_TRIANGLES: Final = 5_300_000
"""As many as a binary STL of the largest size holds."""


def require_bytes(count: int) -> None:
    """Refuse what a packed file says that it unpacks to; ValueError with the reason."""
    if count > MOST_TEXT_BYTES:
        raise ValueError(f"it unpacks to {count / 2**20:.0f} MiB, at most {MOST_TEXT_BYTES / 2**20:.0f} are read")


def require_triangles(count: int) -> None:
    """Refuse more triangles than can be traced; ValueError with the reason."""
    if count > MOST_TRIANGLES:
        raise ValueError(
            f"it holds {count / 1e6:.1f} million triangles, at most {MOST_TRIANGLES / 1e6:.1f} are read: coarsen it"
        )
