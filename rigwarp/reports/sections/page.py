"""The building blocks of a page: sections of text, tables, figures and lists, in the order of reading; templates."""

import base64
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import jinja2


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

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) in pixels, from the PNG's first chunk: a browser then keeps room for it."""
        width, height = struct.unpack(">II", self.png[16:24])
        return width, height


@dataclass(frozen=True, kw_only=True)
class Rows:
    """A table; the first column of each row names it.

    `note` stands under it; the last `strong` rows are set off as totals; `detail`: for the expert, after the pictures.
    """

    rows: Sequence[Sequence[str]]
    head: Sequence[str] = ()
    note: str = ""
    strong: int = 0
    detail: bool = False


@dataclass(frozen=True, kw_only=True)
class Section:
    """A chapter of the report; `missing` lists what should be in it and is not, and why.

    Pictures stand after the tables, unless `pictures_first`; tables marked as detail come last.
    """

    anchor: str
    title: str
    paragraphs: Sequence[str] = ()
    tables: Sequence[Rows] = ()
    pictures: Sequence[Picture] = ()
    points: Sequence[str] = ()
    missing: Sequence[str] = field(default_factory=list)
    preformatted: str = ""
    pictures_first: bool = False

    @property
    def text(self) -> str:
        """All its words, in no order to read."""
        tables = [cell for table in self.tables for row in (table.head, *table.rows) for cell in row]
        notes = [*(table.note for table in self.tables), *(picture.caption for picture in self.pictures)]
        return "\n".join([self.title, *self.paragraphs, *self.points, *tables, *notes])


def summary_section(sentences: Sequence[str], **beside: Any) -> Section:
    """The first section of a page without verdicts; `beside`: whatever else `Section` takes."""
    return Section(anchor="summary", title="In short", paragraphs=sentences, **beside)


def page_template(name: str) -> jinja2.Template:
    """A template of `reports/templates`: HTML with everything escaped, and no name left undefined."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("rigwarp.reports"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)
