"""What the commands print: JSON alone on standard output, everything else readable and short."""

import sys
from typing import Any

import orjson
from rich.console import Console

CAUTION = (
    "A band never identifies a patient alone: check two identifiers at the bedside. "
    "Not a medical device; local protocols, licensed practice and local law govern."
)

errors = Console(stderr=True, highlight=False)
out = Console(highlight=False, markup=False, soft_wrap=True)


def print_json(document: Any) -> None:
    """Print one JSON document on standard output."""
    text = orjson.dumps(document, option=orjson.OPT_INDENT_2, default=str).decode()
    sys.stdout.write(text + "\n")
    sys.stdout.flush()
