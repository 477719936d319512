"""YAML text as a tree that knows the line of everything, and where in it something could not be read.

Only the plain part of YAML is read: mappings, lists and scalars, with the meaning that the core schema of YAML
1.2.2 (section 10.3.2) gives them, so that `no` and `2026-03-14` are text. Anchors and tags are refused: the one
lets a short file unfold into a giant, the other names types that these documents do not have.

What can be read in spite of a mistake is read, so that one mistake hides no other: where a value cannot be known,
`UNREAD` stands in its place. Nothing here reads a file: text in, tree out.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    NodeEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)
from ruamel.yaml.reader import ReaderError

from gateway.errors import ConfigurationFault, Fault

LIMIT = 1024 * 1024  # no file that people write by hand is larger
DEPTH = 32  # nor nested deeper

Steps = tuple[str | int, ...]  #: a place in a document: keys, and indexes from 0
Scalar = str | int | float | bool | None


class _Unread(str):
    """A text that is empty and equal to the empty text, so that asking it anything is harmless."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "UNREAD"


#: Stands where a value could not be read; known by identity. It is no value: whatever is concluded from it is void.
UNREAD: Any = _Unread()


@dataclass(frozen=True, slots=True)
class Tree:
    """A mapping, a list or one value, and its line counted from 1; what a key names stands on the key's line.

    Only who is reading a document may `put` and `take`.
    """

    value: "dict[str, Tree] | list[Tree] | Scalar"
    line: int

    def find(self, *path: str | int) -> "Tree | None":
        """Give back the part at `path`, by keys and indexes; None when there is none."""
        found: Tree | None = self
        for step in path:
            found = found._below(step) if found else None
        return found

    def plain(self) -> Any:
        """Give back the same without lines."""
        if isinstance(self.value, dict):
            return {key: part.plain() for key, part in self.value.items()}
        if isinstance(self.value, list):
            return [part.plain() for part in self.value]
        return self.value

    def knows(self, path: Steps) -> bool:
        """Whether what stands at `path`, or that nothing stands there, is what the writer of the text said."""
        return all(tree.value is not UNREAD for tree in self._on_the_way(path))

    def knows_all_of(self, path: Steps) -> bool:
        """Whether that holds for everything below `path` as well."""
        found = self.find(*path)
        return self.knows(path) and (found is None or found._is_read())

    def line_of(self, path: Steps) -> int:
        """Give back the line on which the value at `path` stands, or that of its nearest parent."""
        *_, nearest = self._on_the_way(path)
        return nearest.line

    def put(self, path: Steps, below: "Tree") -> None:
        """Let `below` stand at `path`; its parent must be there."""
        owner = self.find(*path[:-1])
        if owner and isinstance(owner.value, dict):
            owner.value[str(path[-1])] = below
        elif owner and isinstance(owner.value, list):
            owner.value[int(path[-1])] = below

    def take(self, path: Steps) -> "Tree | None":
        """Take a key out, and give back what it named."""
        owner = self.find(*path[:-1])
        return owner.value.pop(str(path[-1]), None) if owner and isinstance(owner.value, dict) else None

    def _is_read(self) -> bool:
        if isinstance(self.value, dict):
            return all(part._is_read() for part in self.value.values())
        if isinstance(self.value, list):
            return all(part._is_read() for part in self.value)
        return self.value is not UNREAD

    def _below(self, step: str | int) -> "Tree | None":
        if isinstance(self.value, dict) and isinstance(step, str):
            return self.value.get(step)
        if isinstance(self.value, list) and isinstance(step, int) and step < len(self.value):
            return self.value[step]
        return None

    def _on_the_way(self, path: Steps) -> "Iterator[Tree]":
        """This tree and every part of it on the way down `path`, as far as there is one."""
        yield self
        below = self._below(path[0]) if path else None
        if below is not None:
            yield from below._on_the_way(path[1:])


def dotted(path: Sequence[str | int]) -> str:
    """Give back the path as people write it: `feeds[0].mapping`."""
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else (f".{step}" if text else step)
    return text


def parse_yaml(text: str, *, file: str) -> tuple[Tree, list[Fault]]:
    """Give back the one mapping in `text`, and the mistakes in spite of which it could be read.

    `file` is the name shown in faults. Raises `ConfigurationFault` where no mapping can be made out.
    """
    if len(text) > LIMIT:
        raise ConfigurationFault([Fault(file, None, "", f"longer than {LIMIT} characters", "split the file")])
    composer = _Composer(YAML(typ="safe", pure=True).parse(text), file)
    try:
        tree = composer.document()
    except (YAMLError, ValueError, OverflowError) as error:  # the last two: an escape for no character
        raise ConfigurationFault([_syntax_fault(error, text, file)]) from error
    faults = list(dict.fromkeys(composer.faults))
    if not isinstance(tree.value, dict):
        wrong = Fault(file, tree.line, "", "must be a mapping of keys to values", "write key: value")
        raise ConfigurationFault(faults or [wrong])
    return tree, faults


def _syntax_fault(error: Exception, text: str, file: str) -> Fault:
    if isinstance(error, MarkedYAMLError):
        mark = error.problem_mark or error.context_mark
        message = f"not YAML: {error.problem or error.context}"
        return Fault(file, mark.line + 1 if mark else None, "", message, "check indentation and colons")
    if isinstance(error, ReaderError):
        line = text.count("\n", 0, error.position) + 1
        return Fault(file, line, "", "not YAML: a character that is no text", "take it out")
    return Fault(file, None, "", "not YAML", "check what stands in quotes")


class _Composer:
    """Puts a tree together from the parser's events, gathering what these documents may not hold."""

    def __init__(self, events: Iterator[Any], file: str) -> None:
        self.events, self.file = events, file
        self.faults: list[Fault] = []

    def document(self) -> Tree:
        """The one document of the stream; an empty stream is an empty value."""
        tree: Tree | None = None
        for event in self.events:
            if isinstance(event, DocumentStartEvent) and tree is not None:
                self._fault(event, "a second document", "one file holds one document")
            if isinstance(event, NodeEvent):
                found = self._node(event, 0)
                tree = tree or found
        return tree or Tree(None, 1)

    def _node(self, event: Any, depth: int) -> Tree:
        line = event.start_mark.line + 1
        if depth > DEPTH:
            raise ConfigurationFault([Fault(self.file, line, "", f"nested deeper than {DEPTH} levels")])
        if isinstance(event, AliasEvent) or event.anchor:
            self._fault(event, "anchors and aliases are not read", "write the value itself at each place")
        elif event.tag:
            self._fault(event, "tags are not read", "take the tag out")
        if isinstance(event, MappingStartEvent):
            return Tree(self._mapping(depth), line)
        if isinstance(event, SequenceStartEvent):
            return Tree([self._node(each, depth + 1) for each in self._until(SequenceEndEvent)], line)
        if isinstance(event, ScalarEvent) and not self._joins_halves(event):
            return Tree(UNREAD, line)
        return Tree(_value(event) if isinstance(event, ScalarEvent) and not event.tag else UNREAD, line)

    def _mapping(self, depth: int) -> dict[str, Tree]:
        found: dict[str, Tree] = {}
        for event in self._until(MappingEndEvent):
            key = self._node(event, depth + 1)
            below = self._node(next(self.events), depth + 1)
            if not isinstance(event, ScalarEvent):
                self._fault(event, "a key must be a word", "check braces and brackets")
            elif event.value in found:
                self._fault(event, "the same key twice", "keep one of the two")
            else:
                found[event.value] = Tree(below.value, key.line)
        return found

    def _joins_halves(self, event: ScalarEvent) -> bool:
        """Make one character of two escapes for its halves, as JSON writes it (RFC 8259 section 7); False for one."""
        try:
            event.value = event.value.encode("utf-16", "surrogatepass").decode("utf-16")
        except UnicodeDecodeError:
            self._fault(event, "an escape for half a character", "write the character itself")
            event.value = ascii(event.value)
            return False
        return True

    def _until(self, end: type[Event]) -> Iterator[Any]:
        return takewhile(lambda event: not isinstance(event, end), self.events)

    def _fault(self, event: Event, message: str, remedy: str) -> None:
        self.faults.append(Fault(self.file, event.start_mark.line + 1, "", message, remedy))


#: Plain words that are not text, as the core schema of YAML 1.2.2 has them (section 10.3.2), without the octal,
#: hexadecimal and infinite numbers, for which these documents have no use.
WORDS = {"": None, "~": None} | {
    spelt: value
    for word, value in {"null": None, "true": True, "false": False}.items()
    for spelt in (word, word.capitalize(), word.upper())
}
WHOLE_NUMBER = re.compile(r"[-+]?[0-9]{1,18}")
NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")


def _value(event: ScalarEvent) -> Scalar:
    text: str = event.value
    is_plain, _ = event.implicit
    if not is_plain:
        return text
    if text in WORDS:
        return WORDS[text]
    if WHOLE_NUMBER.fullmatch(text):
        return int(text)
    return float(text) if NUMBER.fullmatch(text) else text
