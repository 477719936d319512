"""Documents spoilt on purpose in several places at once, and where each mistake then stands.

What may be left out is read from the published JSON Schema, and lines are those that ruamel.yaml marks, so that
nothing here asks the reader that is under test.
"""

import io
from collections.abc import Iterator, Sequence
from copy import deepcopy
from typing import Any, Literal, NamedTuple

from hypothesis import strategies as st
from ruamel.yaml import YAML

Steps = tuple[str | int, ...]


class Spoil(NamedTuple):
    """One mistake to make: a key misspelt or taken out, or a value of the wrong kind put in place of the right one."""

    how: Literal["misspelt", "missing", "wrong"]
    path: Steps


class Made(NamedTuple):
    """A mistake as it stands in the text: its line, and the key or index it is about."""

    how: str
    line: int
    last: str | int


def load(text: str) -> Any:
    return YAML(typ="safe").load(text)


def every_spoil(document: Any, schema: dict[str, Any]) -> list[Spoil]:
    """Every mistake of form that can be made in a right document."""
    return list(_spoils(document, schema, [schema], ()))


def several(spoils: list[Spoil]) -> st.SearchStrategy[list[Spoil]]:
    """Up to eight of them that do not undo each other."""
    return st.lists(st.sampled_from(spoils), min_size=1, max_size=8, unique_by=lambda spoil: spoil.path).map(_apart)


class Spoilt(NamedTuple):
    """A spoilt document, as a value and as text, and the mistakes in the text."""

    document: Any
    text: str
    made: list[Made]


def spoil(document: Any, spoils: Sequence[Spoil]) -> Spoilt:
    """Give back the document with these mistakes in it."""
    spoilt = deepcopy(document)
    for each in sorted(spoils, key=lambda each: -len(each.path)):
        _make(spoilt, each)
    text = io.StringIO()
    YAML().dump(spoilt, text)
    marked = YAML(typ="rt").load(text.getvalue())
    misspelt = {each.path for each in spoils if each.how == "misspelt"}
    return Spoilt(spoilt, text.getvalue(), [_made(each, misspelt, marked) for each in spoils])


def misspell(key: str) -> str:
    """A slip of the hand that leaves the word near; which one depends on the word alone."""
    slips = (key[:-1], key + key[-1], key.upper(), key[0] + key[2:3] + key[1] + key[3:])
    return next(slip for slip in (slips[len(key) % 4], slips[1]) if slip and slip != key)


def _spoils(node: Any, schema: dict[str, Any], shapes: list[dict[str, Any]], path: Steps) -> Iterator[Spoil]:
    shapes = [found for shape in shapes for found in _resolved(shape, schema)]
    if path:
        yield Spoil("wrong", path)
    if isinstance(node, list):
        for index, item in enumerate(node):
            yield from _spoils(item, schema, [shape["items"] for shape in shapes if "items" in shape], (*path, index))
    if not isinstance(node, dict):
        return
    for key, below in node.items():
        named = [shape["properties"][key] for shape in shapes if key in shape.get("properties", {})]
        if named:
            yield Spoil("misspelt", (*path, key))
        if any(key in shape.get("required", ()) for shape in shapes):
            yield Spoil("missing", (*path, key))
        yield from _spoils(below, schema, named, (*path, key))


def _resolved(shape: dict[str, Any], schema: dict[str, Any]) -> Iterator[dict[str, Any]]:
    if "$ref" in shape:
        yield from _resolved(schema["$defs"][shape["$ref"].rpartition("/")[2]], schema)
    for other in shape.get("anyOf", ()):
        yield from _resolved(other, schema)
    yield shape


def _apart(spoils: list[Spoil]) -> list[Spoil]:
    kept: list[Spoil] = []
    for each in spoils:
        if not any(_undoes(each, other) or _undoes(other, each) for other in kept):
            kept.append(each)
    return kept


def _undoes(one: Spoil, other: Spoil) -> bool:
    return one.how != "misspelt" and other.path[: len(one.path)] == one.path


def _make(document: Any, each: Spoil) -> None:
    *above, last = each.path
    for step in above:
        document = document[step]
    if each.how == "misspelt":
        document[misspell(str(last))] = document.pop(last)
    elif each.how == "missing":
        del document[last]
    else:
        document[last] = 7 if isinstance(document[last], list | dict) else {"some": "thing"}


def _made(each: Spoil, misspelt: set[Steps], marked: Any) -> Made:
    steps = [misspell(str(step)) if each.path[: end + 1] in misspelt else step for end, step in enumerate(each.path)]
    *above, last = steps
    line = 1
    for step in above if each.how == "missing" else steps:
        line = _line(marked, step)
        marked = marked[step]
    return Made(each.how, line, last)


def _line(node: Any, step: str | int) -> int:
    line, _ = node.lc.key(step) if isinstance(node, dict) else node.lc.item(step)
    return int(line) + 1
