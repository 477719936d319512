"""The command line as a caller has it: arguments in; status, standard output and standard error out."""

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from gateway.cli.main import main

FIXTURES = Path(__file__).parents[2] / "fixtures"
REGION = FIXTURES / "region.yaml"


class Said(NamedTuple):
    """What a command said and how it left."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """Standard output as the one JSON document it must be."""
        return json.loads(self.out)

    @property
    def faults(self) -> list[str]:
        """The lines that name a fault."""
        return [line.removeprefix("bandgate: ") for line in self.err.splitlines() if line.startswith("bandgate: ")]


Bandgate = Callable[..., Said]


@pytest.fixture
def bandgate(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Bandgate:
    """Run `bandgate` with these arguments in this process, through the same function as the installed command."""

    def call(*arguments: object) -> Said:
        monkeypatch.setattr(sys, "argv", ["bandgate", *map(str, arguments)])
        with pytest.raises(SystemExit) as left:
            main()
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return Said(int(left.value.code or 0), out, err)

    return call
