"""The building blocks of a report page: sections of text, tables, figures and lists, in the order of reading."""

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A PNG with the words for those who cannot see it, and a caption on how to read it."""

    png: bytes
    alt: str
    caption: str

    @property
    def source(self) -> str:
        """The picture as a data address, so that the page needs no other file."""
        return "data:image/png;base64," + base64.b64encode(self.png).decode("ascii")


@dataclass(frozen=True, kw_only=True)
class Rows:
    """A table; the first column of each row names it. `note` stands under it."""

    rows: Sequence[Sequence[str]]
    head: Sequence[str] = ()
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Section:
    """A chapter of the report; `missing` lists what should be in it and is not, and why."""

    anchor: str
    title: str
    paragraphs: Sequence[str] = ()
    tables: Sequence[Rows] = ()
    pictures: Sequence[Picture] = ()
    points: Sequence[str] = ()
    missing: Sequence[str] = field(default_factory=list)
    preformatted: str = ""
