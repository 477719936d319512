"""Places of a care report, compiled: from `ePatient/ePatient.17` with its conditions to the element that stands there.

Element names of the data set are unique, so a report is walked once, through the sections that the mapping
names, and every wanted element is put down under its name; after that each rule only looks its name up. An
element that stands under another parent than the mapping says is still taken, as the versions of the data set
move elements between groups, and its true place is told.

A condition holds within the same group as its place: `eOutcome.03` beside `eOutcome.04`. Written as a whole
path, it is looked up from the container that both places share.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import HEADER, NAMESPACE, NUMBERED, REPORT, ReportDocument
from gateway.errors import ConfigurationFault, Fault
from gateway.mapping.rules import Condition, Presence

_IN = f"{{{NAMESPACE}}}"
_HEADER = "/EMSDataSet/Header/"
_DEMOGRAPHICS = "DemographicGroup"
_BELOW_REPORT = "/EMSDataSet/Header/PatientCareReport/"

#: The wanted elements of one report by their names, each list in the order of the document.
Found = Mapping[str, list[Element]]


class Requirement(NamedTuple):
    """One condition: so many containers `up`, then down the `steps`, and there one of the `codes` or anything."""

    up: int
    steps: tuple[str, ...]
    attribute: str | None
    codes: frozenset[str] | None
    present: bool

    def holds(self, element: Element) -> bool:
        """Whether the condition is fulfilled for the element it was written for."""
        said = [text for text in self._texts(element) if text]
        return bool(said) is self.present if self.codes is None else not self.codes.isdisjoint(said)

    def _texts(self, element: Element) -> Iterable[str]:
        shared = _find_ancestor(element, self.up)
        reached = [] if shared is None else [shared]
        for step in self.steps:
            reached = [child for each in reached for child in each.iterchildren(step)]
        for each in reached:
            yield ((each.text if self.attribute is None else each.get(self.attribute)) or "").strip()


@dataclass(frozen=True, slots=True)
class Spot:
    """Where one value stands: the name of its element and of the container it should stand in.

    `path` is what the mapping says, below the report, the row of a group or, with `in_header`, the Header.
    `is_fixed` tells that no container on the way may occur twice, so that the path holds as it stands;
    `is_plain` that the value is the text of the element, under no condition.
    """

    tag: str
    parent: str
    path: str
    attribute: str | None = None
    requirements: tuple[Requirement, ...] = ()
    in_header: bool = False
    is_fixed: bool = True
    is_plain: bool = field(init=False)

    def __post_init__(self) -> None:
        """Decide once whether the short way of reading holds."""
        is_plain = self.attribute is None and not self.requirements and self.is_fixed and not self.in_header
        object.__setattr__(self, "is_plain", is_plain)

    def fits(self, element: Element) -> bool:
        """Whether every condition holds."""
        return all(requirement.holds(element) for requirement in self.requirements)


class Walk(NamedTuple):
    """Which elements to put down: for each section their names, and whether to look below its children."""

    sections: Mapping[str, tuple[frozenset[str], bool]]

    def find(self, document: ReportDocument) -> Found:
        """Give back the wanted elements of a report, those of its Header among them."""
        found: dict[str, list[Element]] = {REPORT: [document.element], **document.header.elements}
        for section in document.element:
            wanted, deep = self.sections.get(str(section.tag), _NOTHING)
            if not wanted:
                continue
            for element in section.iter() if deep else section:
                tag: str = element.tag  # type: ignore[assignment]  # the stubs allow for other trees than parsed ones
                if tag in wanted:
                    if tag in found:
                        found[tag].append(element)
                    else:
                        found[tag] = [element]
        return found


_NOTHING: tuple[frozenset[str], bool] = (frozenset(), False)


def compile_spot(at: str, where: Mapping[str, Condition], *, below: str | None = None) -> Spot:
    """Give back the compiled place.

    `below` is the path of the group whose row the place is relative to. Raises `ConfigurationFault` for a
    place outside the reports, but for the elements of the DemographicGroup.
    """
    if is_in_header(at):
        path = at.removeprefix(_HEADER)
        steps, attribute = _split(path)
        return Spot(steps[-1], steps[0], path, attribute, in_header=True)
    path = _below_report(at)
    steps, attribute = _split(path)
    if not steps:
        return Spot(REPORT, HEADER, path, attribute)
    above = steps[-2] if len(steps) > 1 else (_split(below)[0][-1] if below else REPORT)
    requirements = tuple(_compile_requirement(steps, key, said) for key, said in where.items())
    return Spot(steps[-1], above, path, attribute, requirements, is_fixed=NUMBERED.isdisjoint(steps))


def is_in_header(at: str) -> bool:
    """Whether a place is one of the few that hold for all reports of a Header: its DemographicGroup."""
    return at.startswith(f"{_HEADER}{_DEMOGRAPHICS}/")


def compile_walk(paths: Iterable[str]) -> Walk:
    """Give back the walk that finds the elements at these paths below the report."""
    wanted: dict[str, set[str]] = {}
    deep: set[str] = set()
    for path in paths:
        steps, _ = _split(_below_report(path))
        if steps:
            wanted.setdefault(steps[0], set()).add(steps[-1])
            if len(steps) != 2:  # the section itself, or something below one of its groups
                deep.add(steps[0])
    return Walk({section: (frozenset(tags), section in deep) for section, tags in wanted.items()})


def _compile_requirement(place: tuple[str, ...], key: str, said: Condition) -> Requirement:
    steps, attribute = _split(_below_report(key))
    if len(steps) == 1 and len(place) > 1:
        steps = (*place[:-1], *steps)
    shared = 0
    while shared < min(len(place), len(steps)) - 1 and place[shared] == steps[shared]:
        shared += 1
    codes = None if isinstance(said, Presence) else frozenset([said] if isinstance(said, str) else said)
    present = said.present if isinstance(said, Presence) else True
    return Requirement(len(place) - shared, steps[shared:], attribute, codes, present)


def _below_report(at: str) -> str:
    if at.startswith("/") and not at.startswith(_BELOW_REPORT):
        raise ConfigurationFault(
            [
                Fault(
                    at,
                    None,
                    "",
                    "a place outside the reports",
                    f"start it with {_BELOW_REPORT} or {_HEADER}{_DEMOGRAPHICS}/",
                )
            ]
        )
    return at.removeprefix(_BELOW_REPORT)


def _split(path: str) -> tuple[tuple[str, ...], str | None]:
    """The qualified names of a path's steps, and its attribute."""
    path, _, attribute = path.partition("@")
    return tuple(_IN + step for step in path.rstrip("/").split("/") if step), attribute or None


def _find_ancestor(element: Element, up: int) -> Element | None:
    """The container so many levels up; None above the root, where a misplaced element may lead."""
    for _ in range(up):
        parent = element.getparent()
        if parent is None:
            return None
        element = parent
    return element
