"""The documents cannot drift: settings, commands and log events are compared with what they describe."""

import re
from pathlib import Path

import typer.main
from ruamel.yaml import YAML

from gateway.adapters.report_service import Status
from gateway.cli.main import app
from gateway.logs import EVENTS
from gateway.region_file import FeedEntry, ListenerEntry
from gateway.settings import Settings

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def settings_table() -> str:
    rows = [f"| `{name}` | {field.default} | {field.description} |" for name, field in Settings.model_fields.items()]
    return "\n".join(["| setting | default | meaning |", "|---|---|---|", *rows])


def test_the_readme_holds_the_settings_as_they_are() -> None:
    between = README.partition("<!-- settings -->\n")[2].partition("\n<!-- /settings -->")[0]
    assert between == settings_table()


def commands() -> dict[str, str]:
    """The help of every command by its name, those of groups as `region check`."""
    found: dict[str, str] = {}
    for name, command in typer.main.get_command(app).commands.items():  # type: ignore[attr-defined]
        inner = getattr(command, "commands", None)
        found.update({f"{name} {each}": leaf.help for each, leaf in inner.items()} if inner else {name: command.help})
    return found


def test_every_command_stands_in_the_readme_and_shows_an_example() -> None:
    assert len(commands()) > 8
    for name, told in commands().items():
        assert f"`{name}`" in README, name
        assert "Example: bandgate " in told, name


def test_every_log_event_stands_in_the_developers_page() -> None:
    assert [event for event in EVENTS if f"`{event}`" not in DEVELOPERS] == []


def test_the_readme_opens_with_the_job() -> None:
    first = README.split("\n\n")[1]
    assert "wristband" in first
    assert "bandgate is the gateway" in first


def test_the_example_of_listeners_and_feeds_is_what_a_region_file_takes() -> None:
    (block,) = [each for each in re.findall(r"```yaml\n(.*?)```", README, re.DOTALL) if each.startswith("listeners:")]
    hashed = "$argon2id$v=19$m=65536,t=3,p=4$c2FsdHNhbHQ$aGFzaGhhc2hoYXNoaGFzaA"
    written = block.replace('"9f0c…"', f'"{"0" * 64}"').replace("$argon2id$…", hashed)
    document = YAML(typ="safe").load(written)
    (listener,) = (ListenerEntry.model_validate(each) for each in document["listeners"])
    hospital, agency = (FeedEntry.model_validate(each) for each in document["feeds"])
    assert listener.tls is not None
    assert hospital.client_certificates
    assert agency.service is not None


def test_every_code_of_the_web_service_is_explained_in_the_readme() -> None:
    table = README.partition("| code | means |")[2].partition("\n\n")[0]
    told = {int(code) for cell in re.findall(r"^\| ([-0-9, ]+) \|", table, re.MULTILINE) for code in cell.split(",")}
    assert told == set(Status) - {Status.LIMIT_TOLD}


def test_files_named_in_the_readme_exist() -> None:
    named = set(re.findall(r"(?<![\w/])(?:fixtures|deploy|mappings|tests)/[\w./-]+\w", README))
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []
