"""The tree of errors: what each says on one line, and where blame sits."""

import inspect

from gateway import errors
from gateway.errors import ConfigurationFault, Fault, GatewayError, SenderFault, UnreadableMessage


def tree(branch: type[GatewayError]) -> list[str]:
    return [branch.__name__, *(name for below in branch.__subclasses__() for name in tree(below))]


def test_the_tree_at_the_top_of_the_file_is_the_tree() -> None:
    assert errors.__doc__
    drawn = [line.strip(" │├└─").split(" ")[0] for line in errors.__doc__.splitlines() if line.startswith("    ")]
    ours = {name for name in tree(GatewayError) if inspect.getmodule(getattr(errors, name, None)) is errors}
    assert set(drawn) == ours
    assert len(drawn) == len(set(drawn))


def test_every_error_says_what_happened() -> None:
    classes = [each for _, each in inspect.getmembers(errors, inspect.isclass) if issubclass(each, GatewayError)]
    assert all(each.__doc__ for each in classes)


def test_a_sender_fault_reads_as_place_message_remedy() -> None:
    whole = UnreadableMessage("no trigger", code="x", path="MSH-9", line=1, remedy="send one")
    assert str(whole) == "MSH-9 (line 1): no trigger: send one"
    assert str(SenderFault("no trigger", code="x", path="MSH-9")) == "MSH-9: no trigger"
    assert str(SenderFault("no trigger", code="x", line=4)) == "line 4: no trigger"
    assert str(SenderFault("no trigger", code="x")) == "no trigger"


def test_a_fault_of_a_file_reads_as_file_line_path_message_remedy() -> None:
    assert str(Fault("r.yaml", 3, "feeds[0].name", "missing", "add name")) == (
        "r.yaml:3: feeds[0].name: missing: add name"
    )
    assert str(Fault("r.yaml", None, "", "not YAML")) == "r.yaml: not YAML"


def test_a_configuration_fault_has_a_line_for_every_mistake() -> None:
    faults = [Fault("a", 1, "", "one"), Fault("b", None, "", "two")]
    error = ConfigurationFault(faults)
    assert error.faults == tuple(faults)
    assert str(error).splitlines() == ["a:1: one", "b: two"]
