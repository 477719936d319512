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

CAUTION = (
    "A band never identifies a patient alone: check two identifiers at the bedside. "
    "Not a medical device; local protocols, licensed practice and local law govern."
)


class PlainText:
    """Lines on standard output, safe on any terminal."""

    def print(self, line: str) -> None:
        """Print one line."""
        if isinstance(sys.stdout, TextIOWrapper):
            sys.stdout.reconfigure(errors="backslashreplace")
        sys.stdout.write("".join(map(_printable, line)) + "\n")


out = PlainText()
errors = Console(stderr=True, highlight=False)


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
