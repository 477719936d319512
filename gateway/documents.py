"""YAML documents that people write, checked against a model: every mistake at once, each with its line.

A document is parsed with positions kept (ruamel.yaml), then validated by a pydantic model that forbids
unknown keys. Each complaint of the model becomes a `Fault` that names the file, the line, the dotted path
and, for a misspelt key or word, what was probably meant. Nothing here reads a file: text in, model out.
"""

import difflib
import types
from collections.abc import Iterable, Sequence
from enum import Enum
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from gateway.errors import ConfigurationFault, Fault

M = TypeVar("M", bound="Section")
LIMIT = 4 * 1024 * 1024  # no file that people write by hand is larger


class Section(BaseModel):
    """The base of every part of a document: unknown keys are faults, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


def read_document(text: str, model: type[M], *, file: str) -> M:
    """Give back the checked document.

    `file` is the name shown in faults. Raises `ConfigurationFault` holding every mistake found.
    """
    tree = parse_yaml(text, file=file)
    try:
        return model.model_validate(_plain(tree))
    except ValidationError as error:
        faults = [_fault(detail, tree, model, file) for detail in error.errors()]
        raise ConfigurationFault(sorted(faults, key=lambda fault: fault.line or 0)) from None


def parse_yaml(text: str, *, file: str) -> CommentedMap:
    """Parse one YAML mapping, keeping the line of every key. Raises `ConfigurationFault`."""
    if len(text) > LIMIT:
        raise ConfigurationFault([Fault(file, None, "", f"longer than {LIMIT} characters")])
    yaml = YAML(typ="rt")
    yaml.allow_duplicate_keys = False
    try:
        tree = yaml.load(text)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else None
        raise ConfigurationFault(
            [Fault(file, line, "", f"not YAML: {error.problem or error.context}", "check indentation and colons")]
        ) from error
    except YAMLError as error:
        raise ConfigurationFault([Fault(file, None, "", "not YAML")]) from error
    if not isinstance(tree, CommentedMap):
        raise ConfigurationFault([Fault(file, 1, "", "must be a mapping of keys to values")])
    return tree


def line_of(tree: Any, path: Sequence[str | int]) -> int | None:
    """Give back the line (from 1) on which the value at `path` stands, or that of its nearest parent."""
    line: int | None = None
    for step in path:
        try:
            if isinstance(tree, CommentedMap):
                line = tree.lc.key(step)[0] + 1
            elif isinstance(tree, CommentedSeq):
                line = tree.lc.item(step)[0] + 1
            else:
                return line
            tree = tree[step]
        except (KeyError, IndexError, TypeError, AttributeError):
            return line
    return line


def suggest(word: str, choices: Iterable[str]) -> str:
    """Give back "did you mean …?" for the nearest of `choices`, or the list when none is near."""
    names = sorted(set(choices))
    near = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    if near:
        return f"did you mean {near[0]}?"
    return f"one of: {', '.join(names)}" if names else ""


def _plain(node: Any) -> Any:
    """The same tree in plain dicts and lists; ruamel's scalar types become the Python ones."""
    if isinstance(node, dict):
        return {str(key): _plain(value) for key, value in node.items()}
    if isinstance(node, list):
        return [_plain(value) for value in node]
    if isinstance(node, bool) or node is None:
        return node
    for kind in (int, float, str):
        if isinstance(node, kind):
            return kind(node)
    return node


def _fault(detail: ErrorDetails, tree: CommentedMap, model: type[BaseModel], file: str) -> Fault:
    location = [step for step in detail["loc"] if _is_step(tree, step, detail["loc"])]
    path = dotted(location)
    line = line_of(tree, location)
    owner = _model_at(model, location[:-1])
    if detail["type"] == "extra_forbidden":
        return Fault(file, line, path, "unknown key", suggest(str(location[-1]), _keys(owner)))
    if detail["type"] == "missing":
        return Fault(file, line, path, "missing", f"add {location[-1]}")
    if detail["type"] in {"enum", "literal_error"}:
        choices = _choices(owner, str(location[-1])) or [str(detail.get("ctx", {}).get("expected", ""))]
        return Fault(file, line, path, "not a known word", suggest(str(detail["input"]), choices))
    message = str(detail["msg"]).removeprefix("Value error, ")
    return Fault(file, line, path, message[:1].lower() + message[1:])


def _is_step(tree: Any, step: str | int, location: tuple[str | int, ...]) -> bool:
    """Whether a step of pydantic's location is a key of the document, not the name of a union's branch."""
    del tree, location
    return isinstance(step, int) or not (step.endswith("]") or "(" in step or step[:1].isupper())


def dotted(path: Sequence[str | int]) -> str:
    """Give back the path as people write it: `feeds[0].mapping`."""
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else (f".{step}" if text else step)
    return text


def _model_at(model: type[BaseModel] | None, path: Sequence[str | int]) -> type[BaseModel] | None:
    named_freely = False  # inside a mapping whose keys the writer of the document chooses
    for step in path:
        if model is None or isinstance(step, int):
            continue
        if named_freely:
            named_freely = False
            continue
        field = next((f for n, f in model.model_fields.items() if step in (n, f.alias)), None)
        model = _inner_model(field.annotation) if field else None
        named_freely = field is not None and get_origin(field.annotation) is dict
    return model


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for arg in get_args(annotation) if (found := _inner_model(arg))), None)


def _keys(model: type[BaseModel] | None) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()] if model else []


def _choices(model: type[BaseModel] | None, name: str) -> list[str]:
    field = model.model_fields.get(name) if model else None
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
