"""page.key: the two keys of the page beside the table, which nobody but the rig folder's owner may read."""

from pathlib import Path
from typing import Final

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.names import PAGE_KEY_FILE
from rigwarp.files.reading import read_json
from rigwarp.talk.keys import LEAST_LETTERS, PageKeys

FORMAT: Final = "rigwarp page key"


def page_keys(root: Path) -> PageKeys:
    """The keys of a rig folder, made where there are none; InputError if the file is damaged or cannot be written."""
    path = root / PAGE_KEY_FILE
    if not path.exists():
        return new_page_keys(root)
    contents = read_json(path, format=FORMAT)
    operate, view = contents.get("operate"), contents.get("view")
    for key in (operate, view):
        if not isinstance(key, str) or len(key) < LEAST_LETTERS or not key.isascii() or operate == view:
            raise InputError(f"{path}: found no two keys. Make new ones: rigwarp page {root} --new-key")
    return PageKeys(operate=str(operate), view=str(view))


def new_page_keys(root: Path) -> PageKeys:
    """New keys in place of the old ones, which open nothing any more."""
    keys = PageKeys.new()
    contents = {"operate": keys.operate, "view": keys.view}
    write_json(root / PAGE_KEY_FILE, contents, format=FORMAT, replace=True, private=True)
    return keys
