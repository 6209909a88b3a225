"""The two keys of the page beside the table."""

import secrets
from dataclasses import dataclass
from typing import Final, Literal

Role = Literal["operate", "view"]
_BYTES: Final = 16
"""128 bits: no guessing, however long."""
LEAST_LETTERS: Final = 20


@dataclass(frozen=True, kw_only=True)
class PageKeys:
    """Whoever knows `operate` may do what the page offers; `view` shows it and changes nothing."""

    operate: str
    view: str

    @classmethod
    def new(cls) -> "PageKeys":
        """Two that nobody knows yet."""
        return cls(operate=secrets.token_urlsafe(_BYTES), view=secrets.token_urlsafe(_BYTES))

    def role_of(self, key: object) -> Role | None:
        """What a key allows; compared in constant time."""
        given = key.encode() if isinstance(key, str) and key.isascii() else b""
        operate = secrets.compare_digest(given, self.operate.encode())
        view = secrets.compare_digest(given, self.view.encode())
        return "operate" if operate else "view" if view else None
