"""All samples side by side, for people."""

from rigwarp.commands.console import Console
from rigwarp.jobs.samples.compare import Compared, sentences


def print_compared(console: Console, compared: Compared) -> None:
    """The table in the two parts that fit a terminal, and what a maker should know first."""
    for words, (head, *rows) in zip(
        ("What stays", "What the prewarp corrects, and specks"), compared.parts(), strict=True
    ):
        console.say(words)
        console.table(rows, head=head)
    for text in sentences(compared):
        console.say(text)
