"""YAML documents that people write, checked against a model: every mistake at once, each with its line.

A document becomes a tree that knows the line of everything (`gateway.yaml_tree`), then a pydantic model that
forbids unknown keys checks it. Each complaint of the model becomes a `Fault` that names the file, the line, the
dotted path and, for a misspelt key or word, what was probably meant.

One mistake must not hide another. So a misspelt key or word is read on as what was probably meant, and any other
wrong value is `UNREAD`: the rest of the document is read all the same, and can be asked whether it fits together.
What does not fit is a `Mistake`; one that rests on something unread is dropped, for perhaps nobody made it.
Nothing here reads a file: text in, document out.
"""

import difflib
import types
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Annotated, Any, Generic, Literal, NamedTuple, TypeVar, Union, get_args, get_origin

from pydantic import (
    BaseModel,
    ConfigDict,
    ValidationError,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    field_validator,
    model_validator,
)
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from gateway.errors import ConfigurationFault, Fault
from gateway.yaml_tree import UNREAD, Steps, Tree, dotted, parse_yaml

M = TypeVar("M", bound="Section")


class Section(BaseModel):
    """The base of every part of a document: unknown keys are faults, values do not change.

    What is unread has its default, where there is one; elsewhere it is UNREAD itself, whatever the type says.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False)

    @model_validator(mode="before")
    @classmethod
    def _spread_unread(cls, value: Any) -> Any:
        return dict.fromkeys(cls.model_fields, UNREAD) if value is UNREAD else value

    @field_validator("*", mode="wrap")
    @classmethod
    def _let_unread_pass(cls, value: Any, read: ValidatorFunctionWrapHandler, info: ValidationInfo) -> Any:
        if value is not UNREAD:
            return read(value)
        field = cls.model_fields[str(info.field_name)]
        return UNREAD if field.is_required() else field.get_default(call_default_factory=True)


class Mistake(NamedTuple):
    """Something that does not fit in a document of the right form: where, what is wrong, what to write instead.

    `given` are the other places from which this was concluded.
    """

    path: Steps
    message: str
    remedy: str = ""
    given: tuple[Steps, ...] = ()


@dataclass(frozen=True, slots=True)
class Document(Generic[M]):
    """A document as far as it could be read; without `faults`, which are those of its form, `content` is whole."""

    content: M
    tree: Tree
    file: str
    faults: tuple[Fault, ...]

    def find_faults(self, mistakes: Iterable[Mistake]) -> list[Fault]:
        """Give back every fault, of form and by these mistakes, each once and in the order of the lines."""
        found = [
            _fault(self.tree, self.file, mistake.path, mistake.message, mistake.remedy)
            for mistake in mistakes
            if self.tree.knows(mistake.path) and all(map(self.tree.knows_all_of, mistake.given))
        ]
        return sorted(dict.fromkeys([*self.faults, *found]), key=lambda fault: fault.line or 0)


def read_document(text: str, model: type[M], *, file: str) -> Document[M]:
    """Give back the document as far as it can be read, and every mistake of form in it.

    `file` is the name shown in faults. Raises `ConfigurationFault` for what is no YAML mapping at all.
    """
    tree, faults = parse_yaml(text, file=file)
    while True:  # each round respells or spoils some places for good, so there are no more rounds than places
        plain = tree.plain()
        try:
            content = model.model_validate(plain)
        except ValidationError as error:
            faults += _mend(tree, error.errors(), model, file)
            # A place that cannot be found again would be complained of for ever; UNREAD equals "", so compare words.
            if repr(tree.plain()) == repr(plain):
                raise ConfigurationFault(faults) from error
        else:
            return Document(content, tree, file, tuple(sorted(faults, key=lambda fault: fault.line or 0)))


def suggest(word: str, choices: Iterable[str]) -> str:
    """Give back "did you mean …?" for the nearest of `choices`, or the list when none is near."""
    names = sorted(set(choices) - {UNREAD})
    near = find_nearest(word, names)
    if near is not None:
        return f"did you mean {near}?"
    return f"one of: {', '.join(names)}" if names else ""


def find_nearest(word: str, choices: Iterable[str]) -> str | None:
    """Give back which of `choices` a misspelt word probably means; capitals do not matter. None is near: None."""
    names = {name.lower(): name for name in sorted(choices)}
    near = difflib.get_close_matches(word.lower(), names, n=1, cutoff=0.6)
    return names[near[0]] if near else None


# ── a complaint of the model: told as a fault, and put right or spoilt in the tree ─────────────────


def _mend(tree: Tree, complaints: Sequence[ErrorDetails], model: type[BaseModel], file: str) -> list[Fault]:
    """Tell the complaints, and change the tree so that none of them comes again.

    Unknown keys go first: a key that was misspelt is not missing.
    """
    placed = [(_steps(complaint, tree), complaint) for complaint in complaints]
    placed.sort(key=lambda each: each[1]["type"] != "extra_forbidden")
    faults: list[Fault] = []
    settled: set[Steps] = set()
    for path, complaint in placed:
        if any(path[:end] in settled for end in range(1, len(path) + 1)):
            continue
        settled.add(path)
        if not tree.knows(path):  # UNREAD fits no better here, as in a list of numbers: so the whole is unread
            tree.put(path[:-1], Tree(UNREAD, tree.line_of(path)))
            continue
        owner = _model_at(model, path[:-1])
        message, remedy = _complaint(complaint, str(path[-1]), owner)
        faults.append(_fault(tree, file, path, message, remedy))
        if complaint["type"] == "extra_forbidden":
            settled.add(_respell(tree, path, _keys(owner)))
        else:
            tree.put(path, Tree(_meant(complaint, str(path[-1]), owner), tree.line_of(path)))
    return faults


def _fault(tree: Tree, file: str, path: Steps, message: str, remedy: str) -> Fault:
    return Fault(file, tree.line_of(path), dotted(path), message, remedy)


def _respell(tree: Tree, path: Steps, keys: Iterable[str]) -> Steps:
    """Let the key that an unknown one was probably meant to be, if it is free, name the value; give back its place.

    The unknown key goes, in any case.
    """
    below = tree.take(path)
    near = find_nearest(str(path[-1]), keys)
    if near is None or below is None or tree.find(*path[:-1], near):
        return path
    meant = (*path[:-1], near)
    tree.put(meant, below)
    return meant


def _meant(complaint: ErrorDetails, name: str, owner: type[BaseModel] | None) -> Any:
    """The word that a misspelt one was probably meant to be, as far as that is known."""
    if complaint["type"] not in WORD_COMPLAINTS or not isinstance(complaint["input"], str):
        return UNREAD
    return find_nearest(complaint["input"], _choices(owner, name)) or UNREAD


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

#: What pydantic complains of where one word of a list is wanted.
WORD_COMPLAINTS = {"enum", "literal_error"}


def _steps(detail: ErrorDetails, tree: Tree) -> Steps:
    """The keys and indexes of pydantic's location; the names of a union's branches among them are no keys."""
    steps: list[str | int] = []
    for step in detail["loc"]:
        below = tree.find(step)
        if below is not None:
            tree = below
            steps.append(step)
    return (*steps, detail["loc"][-1]) if detail["type"] == "missing" else tuple(steps)


def _complaint(detail: ErrorDetails, name: str, owner: type[BaseModel] | None) -> tuple[str, str]:
    kind, given = detail["type"], detail["input"]
    if kind == "extra_forbidden":
        return "unknown key", suggest(name, _keys(owner))
    if kind == "missing":
        return "missing", f"add {name}"
    if kind in WORD_COMPLAINTS:
        choices = _choices(owner, name) or [str(detail.get("ctx", {}).get("expected", ""))]
        return "not a known word", suggest(str(given), choices)
    if kind == "string_pattern_mismatch":
        example = _example(owner, name)
        return "not in the form that is wanted here", example or f"it must match {detail['ctx']['pattern']}"
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
