"""`rigwarp page`: the page beside the table without content playing, for calibrating."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.console import Console
from rigwarp.commands.next_text import print_step
from rigwarp.commands.options import (
    CallOption,
    DisplayOption,
    JsonOption,
    LanguageOption,
    PageHostOption,
    PageNameOption,
)
from rigwarp.commands.page_text import page_options, print_address
from rigwarp.files import open_rig
from rigwarp.files.page_key_file import new_page_keys
from rigwarp.jobs.next_step import next_step
from rigwarp.jobs.page import LOCAL, PORT, KeyWatch, page_hello, require_page


def page(
    rig: Annotated[Path, typer.Argument(metavar="RIG", help="The rig folder, or its rig.toml.", show_default=False)],
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Where it listens.")] = PORT,
    page_host: PageHostOption = LOCAL,
    page_name: PageNameOption = None,
    display: DisplayOption = None,
    language: LanguageOption = "",
    call: CallOption = "",
    new_key: Annotated[
        bool, typer.Option("--new-key", help="Make new keys, which turns everybody out, and serve nothing.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Serve the page beside the table, for calibrating from a tablet; Ctrl-C ends it.

    Nothing plays: `rigwarp play RIG SOURCE --page` serves the same page beside the content.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    if new_key:
        new_page_keys(folder.root)
        console.say(f"{folder.root / 'page.key'}: new keys. Whoever had an old one is turned out; show the code anew.")
        console.result({"new_key": folder.root / "page.key"})
        print_step(console, next_step(folder))
        return
    require_page()
    from rigwarp.page.serve import Address, serve  # brings the server, which needs the extra

    console.caution()
    options = page_options(port, page_host, page_name, language, call=call)

    def ready(address: Address) -> None:
        print_address(console, asdict(address), page_host)

    serve(page_hello(folder, options, display=display), on_ready=ready, new_keys=KeyWatch(folder.root))
    console.result({"page": "ended"})
    print_step(console, next_step(folder))
