"""Where elements stand: held against lxml, which knows lines and paths of small files by itself."""

import re

from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from gateway.adapters.xml_places import find_places

NAMES = st.sampled_from(["a", "b", "Header"])
TREES = st.recursive(
    NAMES.map(lambda name: f"<{name}/>"),
    lambda inner: st.builds(
        lambda name, parts, gap: f"<{name}>{gap}{gap.join(parts)}</{name}>",
        NAMES,
        st.lists(inner, max_size=4),
        st.sampled_from(["", "\n", " é ", "<!-- <a> -->", "\n\n  "]),
    ),
    max_leaves=12,
)


@given(TREES, st.integers(1, 40))
def test_every_place_is_that_of_another_reader(tree: str, size: int) -> None:
    data = f'<x xmlns="http://www.nemsis.org">\n{tree}</x>'.encode()
    elements = list(etree.fromstring(data).iter(etree.Element))
    found = find_places(iter([data[i : i + size] for i in range(0, len(data), size)]), set(range(len(elements))))
    lines = data.decode().split("\n")
    for number, element in enumerate(elements):
        place = found[number]
        assert place.line == element.sourceline
        begins = lines[place.line - 1][place.column - 1 :]
        assert begins.startswith(f"<{place.name}")
        xpath = re.sub(r"/(\w+)", r"/n:\1", place.path)
        assert element.getroottree().xpath(xpath, namespaces={"n": "http://www.nemsis.org"}) == [element]


def test_an_only_child_has_no_number_and_a_repeating_one_always_has() -> None:
    """`Header` may repeat (NEMSIS 3.5.1 XSD), so its number is written even where there is one."""
    data = b'<EMSDataSet xmlns="http://www.nemsis.org"><Header><a/><b/><b/></Header></EMSDataSet>'
    paths = [place.path for _, place in sorted(find_places(iter([data]), set(range(5))).items())]
    assert paths == [
        "/EMSDataSet",
        "/EMSDataSet/Header[1]",
        "/EMSDataSet/Header[1]/a",
        "/EMSDataSet/Header[1]/b[1]",
        "/EMSDataSet/Header[1]/b[2]",
    ]


def test_a_break_ends_the_search_but_not_what_was_found() -> None:
    found = find_places(iter([b"<a><b/>", b"</c>"]), {0, 1, 2})
    assert [place.path for place in found.values()] == ["/a", "/a/b"]
