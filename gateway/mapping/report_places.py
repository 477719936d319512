"""Places of a care report, compiled: from `ePatient/ePatient.17` with its conditions to the element that stands there.

Element names of the data set are unique, so a report is walked once, through the sections that the mapping
names, and every wanted element is put down under its name; after that each rule only looks its name up. An
element that stands under another parent than the mapping says is still taken, as the versions of the data set
move elements between groups, and its true place is told.

A condition holds within the same group as its place: `eOutcome.03` beside `eOutcome.04`. Written as a whole
path, it is looked up from the container that both places share.
"""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from lxml.etree import _Element as Element

from gateway.adapters.care_reports import HEADER, NAMESPACE, NUMBERED, REPORT
from gateway.errors import ConfigurationFault, Fault
from gateway.mapping.rules import Condition, Presence

_IN = f"{{{NAMESPACE}}}"
_HEADER = "/EMSDataSet/Header/"
_DEMOGRAPHICS = "DemographicGroup"
FEW = 6  # names; measured
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
    """Where one value stands: the name of its element and of the container it should stand in.

    `path` is what the mapping says, below the report, the row of a group or, with `in_header`, the Header.
    `is_fixed` tells that no container on the way may occur twice, so that the path holds as it stands.
    """

    tag: str
    parent: str
    path: str
    attribute: str | None = None
    requirements: tuple[Requirement, ...] = ()
    in_header: bool = False
    is_fixed: bool = True

    @property
    def is_plain(self) -> bool:
        """Whether the value is the text of the element, under no condition, at a path that is known before."""
        return self.attribute is None and not self.requirements and self.is_fixed and not self.in_header

    def fits(self, element: Element) -> bool:
        """Whether every condition holds."""
        return all(requirement.holds(element) for requirement in self.requirements)


class Short(NamedTuple):
    """What is needed to take a text at first sight: the value it is, and the spot's parent and path."""

    name: str
    parent: str
    path: str
    rule: str


#: The wanted elements by their qualified names; with a `Short` where nothing else looks at that element.
Plan = Mapping[str, Short | None]


class Section(NamedTuple):
    """One section of a report that the mapping names.

    `is_deep` tells to look below its children too; `few` are the names to look for, where looking for them is
    faster than looking at everything.
    """

    plan: Plan
    is_deep: bool
    few: tuple[str, ...]

    def elements(self, section: Element) -> Iterable[Element]:
        """Give back the elements among which the wanted ones are, in the order of the document."""
        if self.few:
            return section.iter(*self.few)
        return section.iter() if self.is_deep else section


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


def compile_sections(plan: Plan, spots: Iterable[Spot]) -> Mapping[str, Section]:
    """Give back the sections to walk through, so that the elements of all `spots` are met."""
    steps: dict[str, set[tuple[str, ...]]] = {}
    for spot in spots:
        way, _ = _split(spot.path)
        if way and not spot.in_header:
            steps.setdefault(way[0], set()).add(way)
    return {section: _compile_section(plan, ways) for section, ways in steps.items()}


def _compile_section(plan: Plan, ways: set[tuple[str, ...]]) -> Section:
    tags = sorted({way[-1] for way in ways})
    is_deep = any(len(way) != 2 for way in ways)  # the section itself, or something below one of its groups
    few = tuple(tags) if is_deep and len(tags) <= FEW else ()
    return Section({tag: plan[tag] for tag in tags}, is_deep, few)


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
