"""Places of a care report, compiled: from `ePatient/ePatient.17` with its conditions to the element that stands there.

Element names of the data set are unique, so a report is walked once, through the sections that the mapping
names, and every wanted element is put down under its name; after that each rule only looks its name up. An
element that stands under another parent than the mapping says is still taken, as the versions of the data set
move elements between groups, and its true place is told.

A condition holds within the same group as its place: `eOutcome.03` beside `eOutcome.04`. Written as a whole
path, it is looked up from the container that both places share.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import NAMESPACE, NUMBERED, REPORT
from gateway.errors import ConfigurationFault, Fault
from gateway.mapping.rules import Condition, Presence

_IN = f"{{{NAMESPACE}}}"
_HEADER = "/EMSDataSet/Header/"
_DEMOGRAPHICS = "DemographicGroup"
_BELOW_REPORT = "/EMSDataSet/Header/PatientCareReport/"


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


class Spot(NamedTuple):
    """Where one value stands: the name of its element and of the containers it should stand in.

    `path` is what the mapping says, below the report, the row of a group or, with `in_header`, the Header;
    `containers` are the names on the way, and `inside` those of them below the section or the row. `is_fixed` tells
    that no container on the way may occur twice, so that the path holds as it stands.
    """

    tag: str
    containers: tuple[str, ...]
    inside: tuple[str, ...]
    path: str
    attribute: str | None = None
    requirements: tuple[Requirement, ...] = ()
    in_header: bool = False
    is_fixed: bool = True

    @property
    def is_plain(self) -> bool:
        """Whether the value is the text of the element, under no condition, at a path that is known before."""
        is_near = len(self.inside) < 2
        return is_near and self.attribute is None and not self.requirements and self.is_fixed and not self.in_header

    def is_home_of(self, element: Element, top: Element) -> bool:
        """Whether an element stands just where the path says, below the report or the row `top`."""
        above = element.getparent()
        for tag in reversed(self.containers):
            if above is None or above.tag != tag:
                return False
            above = above.getparent()
        return above is top

    def fits(self, element: Element) -> bool:
        """Whether every condition holds."""
        return all(requirement.holds(element) for requirement in self.requirements)


class Short(NamedTuple):
    """What it takes to read a text at first sight: the value it is, its place, the conversion.

    `label` is what origins call the value: `patient.phones[0]` for the first of a list. `home` is the container
    below the section or the row, None for what stands right below those.
    """

    name: str
    label: str
    home: str | None
    path: str
    rule: str
    read: Callable[[str, Any], Any] | None


#: The wanted elements by their qualified names; with a `Short` where a value can be read at first sight.
Plan = Mapping[str, Short | None]

#: A section of a report, or a row of a group; those of its elements to look at; and what to do with them.
Part = tuple[Element, Iterable[Element], Plan]


class Section(NamedTuple):
    """One section of a report that the mapping names; `is_deep` tells to look below its children too."""

    plan: Plan
    is_deep: bool


def compile_spot(at: str, where: Mapping[str, Condition], *, below: str | None = None) -> Spot:
    """Give back the compiled place.

    `below` is the path of the group whose row the place is relative to. Raises `ConfigurationFault` for a
    place outside the reports, but for the elements of the DemographicGroup.
    """
    if is_in_header(at):
        path = at.removeprefix(_HEADER)
        steps, attribute = _split(path)
        return Spot(steps[-1], steps[:-1], (), path, attribute, in_header=True)
    path = _below_report(at)
    steps, attribute = _split(path)
    if not steps:
        return Spot(REPORT, (), (), path, attribute)
    containers = steps[:-1]
    inside = containers[1:] if below is None else containers
    requirements = tuple(_compile_requirement(steps, key, said) for key, said in where.items())
    return Spot(steps[-1], containers, inside, path, attribute, requirements, is_fixed=NUMBERED.isdisjoint(steps))


def is_in_header(at: str) -> bool:
    """Whether a place is one of the few that hold for all reports of a Header: its DemographicGroup."""
    return at.startswith(f"{_HEADER}{_DEMOGRAPHICS}/")


def compile_sections(plan: Plan, spots: Iterable[Spot]) -> Mapping[str, Section]:
    """Give back the sections to walk through, so that the elements of all `spots` are met."""
    steps: dict[str, set[tuple[str, ...]]] = {}
    for spot in spots:
        way, _ = _split(spot.path)
        if way and not spot.in_header:
            steps.setdefault(way[0], set()).add(way)
    return {section: _compile_section(plan, ways) for section, ways in steps.items()}


def _compile_section(plan: Plan, ways: set[tuple[str, ...]]) -> Section:
    is_deep = any(len(way) != 2 for way in ways)  # the section itself, or something below one of its groups
    return Section({way[-1]: plan[way[-1]] for way in ways}, is_deep)


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
