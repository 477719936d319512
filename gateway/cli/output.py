"""What the commands print: JSON alone on standard output, everything else readable and short.

Much of what is printed comes from messages of strangers. A terminal obeys some characters, so all but the
printable ones are shown by their escapes, and what an encoding cannot say never stops a command.
"""

import json
import sys
from io import TextIOWrapper
from typing import Any

import orjson
from rich.console import Console
from rich.text import Text

CAUTION = (
    "A band never identifies a patient alone: check two identifiers at the bedside. "
    "Not a medical device; local protocols, licensed practice and local law govern."
)


class PlainConsole(Console):
    """A console on which text is only ever text."""

    def render_str(self, text: str, **options: Any) -> Text:
        """Give back text as it may be shown, unprintable characters as their escapes."""
        return super().render_str("".join(map(_printable, text)), **options)


errors = PlainConsole(stderr=True, highlight=False)
out = PlainConsole(highlight=False, markup=False, soft_wrap=True)


def let_nothing_be_unprintable() -> None:
    """Show what the terminal's encoding cannot say by its escape, where Python would stop the command."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def print_json(document: Any) -> None:
    """Print one JSON document on standard output, in UTF-8 whatever the terminal speaks (RFC 8259, section 8.1)."""
    try:
        text = orjson.dumps(document, option=orjson.OPT_INDENT_2, default=str)
    except orjson.JSONEncodeError:  # text that is no Unicode, such as half a surrogate pair in a file's name
        text = json.dumps(document, indent=2, default=str).encode("ascii")
    sys.stdout.flush()
    sys.stdout.buffer.write(text + b"\n")
    sys.stdout.buffer.flush()


def _printable(character: str) -> str:
    return character if character.isprintable() else character.encode("unicode_escape").decode("ascii")
