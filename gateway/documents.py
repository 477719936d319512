"""YAML documents that people write, checked against a model: every mistake at once, each with its line.

A document becomes a tree that knows the line of everything (`parse_yaml`), then a pydantic model that forbids
unknown keys checks it (`read_document`). Each complaint of the model becomes a `Fault` that names the file,
the line, the dotted path and, for a misspelt key or word, what was probably meant. Nothing here reads a file:
text in, model out.

Only the plain part of YAML is read: mappings, lists and scalars, with the meaning that the core schema of YAML
1.2.2 (section 10.3.2) gives them, so that `no` and `2026-03-14` are text. Anchors and tags are refused: the one
lets a short file unfold into a giant, the other names types that these documents do not have.
"""

import difflib
import re
import types
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import takewhile
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails
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

M = TypeVar("M", bound="Section")
LIMIT = 1024 * 1024  # no file that people write by hand is larger
DEPTH = 32  # nor nested deeper


class Section(BaseModel):
    """The base of every part of a document: unknown keys are faults, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class Tree:
    """A mapping, a list or one value, and its line counted from 1; what a key names stands on the key's line."""

    value: "dict[str, Tree] | list[Tree] | str | int | float | bool | None"
    line: int

    def find(self, step: str | int) -> "Tree | None":
        """Give back the part one step below, by key or by index; None when there is none."""
        if isinstance(self.value, dict) and isinstance(step, str):
            return self.value.get(step)
        if isinstance(self.value, list) and isinstance(step, int) and step < len(self.value):
            return self.value[step]
        return None

    def plain(self) -> Any:
        """Give back the same without lines."""
        if isinstance(self.value, dict):
            return {key: part.plain() for key, part in self.value.items()}
        if isinstance(self.value, list):
            return [part.plain() for part in self.value]
        return self.value


def read_document(text: str, model: type[M], *, file: str) -> M:
    """Give back the checked document.

    `file` is the name shown in faults. Raises `ConfigurationFault` holding every mistake found.
    """
    tree = parse_yaml(text, file=file)
    try:
        return model.model_validate(tree.plain())
    except ValidationError as error:
        faults = [_fault(detail, tree, model, file) for detail in error.errors()]
        raise ConfigurationFault(sorted(faults, key=lambda fault: fault.line or 0)) from None


def line_of(tree: Tree, path: Sequence[str | int]) -> int | None:
    """Give back the line (from 1) on which the value at `path` stands, or that of its nearest parent."""
    line: int | None = None
    for step in path:
        below = tree.find(step)
        if below is None:
            break
        tree, line = below, below.line
    return line


def suggest(word: str, choices: Iterable[str]) -> str:
    """Give back "did you mean …?" for the nearest of `choices`, or the list when none is near."""
    names = sorted(set(choices))
    near = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    if near:
        return f"did you mean {near[0]}?"
    return f"one of: {', '.join(names)}" if names else ""


def dotted(path: Sequence[str | int]) -> str:
    """Give back the path as people write it: `feeds[0].mapping`."""
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else (f".{step}" if text else step)
    return text


# ── text to tree ───────────────────────────────────────────────────────────────────────────────────


def parse_yaml(text: str, *, file: str) -> Tree:
    """Parse one YAML mapping, keeping the line of everything. Raises `ConfigurationFault`."""
    if len(text) > LIMIT:
        raise ConfigurationFault([Fault(file, None, "", f"longer than {LIMIT} characters", "split the file")])
    composer = _Composer(YAML(typ="safe", pure=True).parse(text), file)
    try:
        tree = composer.document()
    except (YAMLError, ValueError, OverflowError) as error:  # the last two: an escape for no character
        raise ConfigurationFault([_syntax_fault(error, text, file)]) from error
    if not composer.faults and not isinstance(tree.value, dict):
        composer.faults.append(Fault(file, tree.line, "", "must be a mapping of keys to values", "write key: value"))
    if composer.faults:
        raise ConfigurationFault(list(dict.fromkeys(composer.faults)))
    return tree


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
        return Tree(_value(event) if isinstance(event, ScalarEvent) else None, line)

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


def _value(event: ScalarEvent) -> str | int | float | bool | None:
    text: str = event.value
    is_plain, _ = event.implicit
    if not is_plain:
        return text
    if text in WORDS:
        return WORDS[text]
    if WHOLE_NUMBER.fullmatch(text):
        return int(text)
    return float(text) if NUMBER.fullmatch(text) else text


# ── a complaint of the model to a fault ────────────────────────────────────────────────────────────

#: What pydantic complains of most, in our words: what is wanted, and what to write.
COMPLAINTS: dict[str, tuple[str, str]] = {
    "string_type": ("text is wanted here", "put it in quotes"),
    "list_type": ("a list is wanted here", "write [one, two], or one item a line after -"),
    "dict_type": ("keys with values are wanted here", "write key: value"),
    "model_type": ("keys with values are wanted here", "write key: value"),
    "int_type": ("a whole number is wanted here", "write a number without quotes"),
    "int_parsing": ("a whole number is wanted here", "write a number without quotes"),
    "int_from_float": ("a whole number is wanted here", "leave the fraction out"),
    "float_type": ("a number is wanted here", "write a number without quotes"),
    "float_parsing": ("a number is wanted here", "write a number without quotes"),
    "bool_type": ("yes or no is wanted here", "write true or false"),
    "bool_parsing": ("yes or no is wanted here", "write true or false"),
    "too_short": ("at least one is wanted here", "write one"),
}


def _fault(detail: ErrorDetails, tree: Tree, model: type[BaseModel], file: str) -> Fault:
    path = _steps(detail, tree)
    owner = _model_at(model, path[:-1])
    message, remedy = _complaint(detail, str(path[-1]) if path else "", owner)
    return Fault(file, line_of(tree, path), dotted(path), message, remedy)


def _steps(detail: ErrorDetails, tree: Tree) -> list[str | int]:
    """The keys and indexes of pydantic's location; the names of a union's branches among them are no keys."""
    steps: list[str | int] = []
    for step in detail["loc"]:
        below = tree.find(step)
        if below is not None:
            tree = below
            steps.append(step)
    return [*steps, detail["loc"][-1]] if detail["type"] == "missing" else steps


def _complaint(detail: ErrorDetails, name: str, owner: type[BaseModel] | None) -> tuple[str, str]:
    kind, given = detail["type"], detail["input"]
    if kind == "extra_forbidden":
        return "unknown key", suggest(name, _keys(owner))
    if kind == "missing":
        return "missing", f"add {name}"
    if kind in {"enum", "literal_error"}:
        choices = _choices(owner, name) or [str(detail.get("ctx", {}).get("expected", ""))]
        return "not a known word", suggest(str(given), choices)
    if kind == "string_pattern_mismatch":
        return "not in the form that is wanted here", _example(
            owner, name
        ) or f"it must match {detail['ctx']['pattern']}"
    if given is None and kind in COMPLAINTS:
        return "empty", "write a value, or take the line out"
    if kind == "string_type" and isinstance(given, list | dict):
        return COMPLAINTS[kind][0], "write one value"
    return COMPLAINTS.get(kind) or (_our_words(detail["msg"]), "")


def _our_words(message: str) -> str:
    """Pydantic's sentence as one of ours: in lower case, without what it says about itself."""
    said = message.removeprefix("Value error, ")
    return said[:1].lower() + said[1:]


def _model_at(model: type[BaseModel] | None, path: Sequence[str | int]) -> type[BaseModel] | None:
    named_freely = False  # inside a mapping whose keys the writer of the document chooses
    for step in path:
        if model is None or isinstance(step, int):
            continue
        if named_freely:
            named_freely = False
            continue
        field = _field(model, step)
        model = _inner_model(field.annotation) if field else None
        named_freely = field is not None and get_origin(field.annotation) is dict
    return model


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for arg in get_args(annotation) if (found := _inner_model(arg))), None)


def _keys(model: type[BaseModel] | None) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()] if model else []


def _field(model: type[BaseModel] | None, name: str) -> FieldInfo | None:
    fields = model.model_fields.items() if model else ()
    return next((field for own, field in fields if name in (own, field.alias)), None)


def _example(model: type[BaseModel] | None, name: str) -> str:
    field = _field(model, name)
    return f"write it as in {field.examples[0]}" if field and field.examples else ""


def _choices(model: type[BaseModel] | None, name: str) -> list[str]:
    field = _field(model, name)
    return _words(field.annotation) if field else []


def _words(annotation: Any) -> list[str]:
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return [str(member.value) for member in annotation]
    origin = get_origin(annotation)
    if origin is Literal:
        return [str(word) for word in get_args(annotation)]
    if origin in (Union, types.UnionType, Annotated, tuple, list):
        return [word for arg in get_args(annotation) for word in _words(arg)]
    return []
