"""Which mapping file a rule stands in: a mapping is laid over its base, and who mends a rule must open the right file.

The origins of a record name the mapping its feed reads by, whichever file a rule came from, because that name is
the same for a whole message. Here the layers of the mapping are asked, its own file first: the first that has the
rule is the one whose rule it is.
"""

from collections.abc import Sequence
from functools import reduce

from gateway.mapping.rules import Mapping, complete

BUILT_IN = "built in"  # times that no mapping places: when the event occurred, when the message was made
_BAND = "band at "


def laid_over(layers: Sequence[Mapping]) -> Mapping:
    """Give back the whole mapping: its own file, which comes first, over all its bases."""
    own, *bases = reversed(layers)
    return reduce(lambda base, mapping: complete(mapping, base), bases, own)


def in_its_file(rule: str, layers: Sequence[Mapping]) -> str:
    """Give back a rule of the mapping, as `band-in-obx: patient.sex`, with the name of its file in front.

    What is no rule of the mapping, such as a row of a feed's authorities, comes back as it is.
    """
    mapping, _, name = rule.partition(": ")
    if not layers or mapping != layers[0].mapping:
        return rule
    file = next((layer.mapping for layer in layers if _has(layer, name)), BUILT_IN)
    return f"{file}: {name}"


def _has(layer: Mapping, name: str) -> bool:
    if name.startswith(_BAND):
        return any(name == f"{_BAND}{place.at or place.custom}" for place in layer.band)
    group, _, value = name.partition(".")
    return (
        layer.values.get(name) is not None
        or name in layer.conditions
        or (group in layer.groups and value in layer.groups[group].values)
    )
