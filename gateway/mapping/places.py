"""Places of an admission message, compiled: from `PID-3` with its conditions to the texts that stand there.

A place is looked at in every occurrence of its segment and every repetition of its field, in order. A
condition on the field of the place holds in the same repetition; one on another field of the segment holds
when any repetition of that field fulfils it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from gateway.adapters.er7 import Position, Segment
from gateway.adapters.er7_text import Delimiters
from gateway.mapping.conversions import text
from gateway.mapping.rules import Condition, Presence

#: The segments about one patient, by name; those above the first PID belong to every patient of a message.
Segments = Mapping[str, list[Segment]]


class Requirement(NamedTuple):
    """One condition: the codes of which one must stand there, or whether anything must."""

    field: int
    component: int
    subcomponent: int
    codes: frozenset[str] | None
    present: bool

    def holds(self, field: int, raw: str, segment: Segment) -> bool:
        """Whether it holds for one repetition `raw` of `field` in its segment."""
        if self.field == field:
            return self._fits(raw, segment.delimiters)
        others = [other for other in segment.repetitions(self.field) if other]
        if self.codes is None and not self.present:
            return all(self._fits(other, segment.delimiters) for other in others)
        return any(self._fits(other, segment.delimiters) for other in others)

    def _fits(self, raw: str, delimiters: Delimiters) -> bool:
        """Whether one repetition has the code, or anything; the delete indicator is nothing."""
        said = text(raw, delimiters, self.component, self.subcomponent)
        return (said is not None) is self.present if self.codes is None else said in self.codes


#: What stands at a place: the raw text of one repetition, never empty, its position, as `OBX[3]-5` or `PID-3[2].1`,
#: and its line. A bare tuple, because a message has dozens.
Found = tuple[str, str, int]


@dataclass(frozen=True, slots=True)
class Spot:
    """One compiled place.

    `printed` is the position as the mapping has it and `part` what of it names a part of the field, as `.4.1`;
    `whole` tells that it names none.
    """

    segment: str
    field: int
    component: int
    subcomponent: int
    printed: str
    part: str
    whole: bool
    requirements: tuple[Requirement, ...]

    def look(self, segments: Segments, delimiters: Delimiters) -> Sequence[Found]:
        """Give back, in order, every repetition that is filled and fulfils the conditions."""
        lines = segments.get(self.segment)
        if lines is None:
            return ()
        if len(lines) > 1 or self.requirements:
            return self._look_closely(lines)
        raw = lines[0].field(self.field)  # usually one field of one segment, and mostly empty
        if not raw:
            return ()
        return self._look_closely(lines) if delimiters.repetition in raw else ((raw, self.printed, lines[0].line),)

    def _look_closely(self, lines: list[Segment]) -> Sequence[Found]:
        return [
            (raw, self._path(occurrence, repetition), segment.line)
            for occurrence, segment in enumerate(lines, 1)
            for repetition, raw in enumerate(segment.repetitions(self.field), 1)
            if raw and all(each.holds(self.field, raw, segment) for each in self.requirements)
        ]

    def _path(self, occurrence: int, repetition: int) -> str:
        segment = self.segment if occurrence == 1 else f"{self.segment}[{occurrence}]"
        field = f"{self.field}" if repetition == 1 else f"{self.field}[{repetition}]"
        return f"{segment}-{field}{self.part}"


#: By segment: each field that somebody looks at, and the names of those who do.
Watch = Mapping[str, Sequence[tuple[int, Sequence[str]]]]


def compile_watch(places: Mapping[str, Iterable[Spot]]) -> Watch:
    """Give back who looks where, from the places of each by name."""
    fields: dict[str, dict[int, list[str]]] = {}
    for name, spots in places.items():
        for spot in spots:
            fields.setdefault(spot.segment, {}).setdefault(spot.field, []).append(name)
    return {name: tuple((number, tuple(who)) for number, who in each.items()) for name, each in fields.items()}


def find_filled(watch: Watch, segments: Segments) -> set[str]:
    """Give back the names of those for whom there may be something to find.

    Most fields of a message are empty, and most values of a mapping are not in it: this saves looking for each.
    """
    filled: set[str] = set()
    for name, wanted in watch.items():
        for segment in segments.get(name, ()):
            fields = segment.fields
            end = len(fields)
            for number, names in wanted:
                if number < end and fields[number]:
                    filled.update(names)
    return filled


def compile_place(at: str, where: Mapping[str, Condition]) -> Spot:
    """Give back the compiled place. Raises `ValueError` for what is no position; a checked mapping has none."""
    position = Position.parse(at)
    if position.field is None:
        raise ValueError("a place needs a field")
    return Spot(
        segment=position.segment,
        field=position.field,
        component=position.component or 1,
        subcomponent=position.subcomponent or 1,
        printed=at,
        part=at[len(f"{position.segment}-{position.field}") :],
        whole=position.component is None,
        requirements=tuple(_compile_requirement(key, condition) for key, condition in where.items()),
    )


def _compile_requirement(key: str, condition: Condition) -> Requirement:
    position = Position.parse(key)
    codes: frozenset[str] | None = None
    if not isinstance(condition, Presence):
        codes = frozenset([condition] if isinstance(condition, str) else condition)
    present = not isinstance(condition, Presence) or condition.present
    return Requirement(position.field or 1, position.component or 1, position.subcomponent or 1, codes, present)
