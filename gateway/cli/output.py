"""What the commands print: JSON alone on standard output, everything else readable and short.

Much of what is printed comes from messages of strangers. A terminal obeys some characters, so all but the
printable ones are shown by their escapes, and what an encoding cannot say never stops a command.

Sentences for people go to `errors`, which wraps them on a terminal; results go to `out`, which never wraps.
"""

import json
import sys
from collections.abc import Mapping
from io import TextIOWrapper
from typing import Any

import orjson
from rich.console import Console
from rich.text import Text


class PlainConsole(Console):
    """A console on which text is only ever text, and a line is only ever cut where somebody reads it."""

    def print(self, *objects: Any, **options: Any) -> None:
        """Print; anywhere but on a terminal a line stays whole, since it may be pasted, searched or parsed."""
        super().print(*objects, **({"soft_wrap": self.soft_wrap or not self.file.isatty()} | options))

    def render_str(self, text: str, **options: Any) -> Text:
        """Give back text as it may be shown, unprintable characters as their escapes."""
        return super().render_str("".join(map(_printable, text)), **options)


errors = PlainConsole(stderr=True, highlight=False, emoji=False)
out = PlainConsole(highlight=False, markup=False, emoji=False, soft_wrap=True)


def let_nothing_be_unprintable() -> None:
    """Show what the terminal's encoding cannot say by its escape, where Python would stop the command."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def counted(count: int, one: str, many: str = "") -> str:
    """Give back a number with its noun, as `1 file` or `2 files`; `many` where an s alone does not do."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def print_finding(finding: Mapping[str, Any], *, indent: str) -> None:
    """Print a finding with its place, and below it the remedy."""
    line = f"line {finding['line']}" if finding.get("line") else ""
    where = ", ".join(filter(None, (finding.get("path"), line)))
    out.print(f"{indent}{finding['level']}: {finding['message']}" + (f"  [{where}]" if where else ""))
    if finding.get("remedy"):
        out.print(f"{indent}  remedy: {finding['remedy']}")


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
