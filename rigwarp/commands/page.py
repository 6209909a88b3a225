"""`rigwarp page`: the page beside the table without content playing, for calibrating."""

from dataclasses import asdict
from typing import Annotated

import typer

from rigwarp.commands.console import Console, print_step
from rigwarp.commands.options import (
    CallOption,
    DisplayOption,
    JsonOption,
    LanguageOption,
    PageHostOption,
    PageNameOption,
)
from rigwarp.commands.page_text import page_options, print_address
from rigwarp.defaults import LOCAL, PORT
from rigwarp.errors import UsageError
from rigwarp.files import RigFolder, open_rig
from rigwarp.files.page_key_file import new_page_keys, page_keys
from rigwarp.jobs.next_step import next_step
from rigwarp.jobs.page import KeyWatch, page_hello, require_page, tables_hello
from rigwarp.jobs.tables import is_address, look_at_tables, require_table
from rigwarp.talk.keys import PageKeys


def page(
    rigs: Annotated[
        list[str],
        typer.Argument(
            metavar="RIG...",
            help="The rig folder; several, or addresses of pages with their keys, for one line a table.",
        ),
    ],
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

    Nothing plays: `rigwarp play RIG SOURCE --page` serves the same page beside the content. Of several tables it is a
    page with one line each, the worst first.
    """
    console = Console(json=json)
    options = page_options(port, page_host, page_name, language, call=call)
    several = len(rigs) > 1 or is_address(rigs[0])
    if several and new_key:
        raise UsageError("found --new-key and several tables: name one rig folder")
    if new_key:
        _make_keys(console, open_rig(rigs[0]))
        return
    folder = None if several else open_rig(rigs[0])
    require_page()
    from rigwarp.page.serve import Address, serve  # brings the server, which needs the extra

    def ready(address: Address) -> None:
        print_address(console, asdict(address), page_host)

    if folder is not None:
        console.caution()
        serve(page_hello(folder, options, display=display), on_ready=ready, new_keys=KeyWatch(folder.root))
    else:  # one line a table, the worst first; each with a link to its own page
        for place in rigs:
            require_table(place)
        first = next((place for place in rigs if not is_address(place)), None)
        keys = PageKeys.new() if first is None else page_keys(open_rig(first).root)
        hello = tables_hello(keys, options)
        serve(hello, on_ready=ready, tables=lambda: [asdict(one) for one in look_at_tables(rigs)])
    console.result({"page": "ended"})


def _make_keys(console: Console, folder: RigFolder) -> None:
    new_page_keys(folder.root)
    console.say(f"{folder.root / 'page.key'}: new keys. Whoever had an old one is turned out; show the code anew.")
    console.result({"new_key": folder.root / "page.key"})
    step = next_step(folder)
    print_step(console, step.standing, step.command)
