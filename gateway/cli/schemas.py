"""`bandgate schemas`: the official NEMSIS schema and rule files that submissions are held against."""

from pathlib import Path
from typing import Annotated, Any

import typer

from gateway.cli.output import counted, errors, out, print_json
from gateway.data_folder import make_data_folder
from gateway.errors import ConfigurationFault, Fault, UsageFault
from gateway.rule_orders import Stylesheet
from gateway.rule_runner import RuleBroken, RuleRunner, TookTooLong, is_installed
from gateway.schema_files import VERSION, Kind, read_files, recognise
from gateway.schemas import Registered, Schemas

SHOWN = 5  # names of files left out that are shown

Data = Annotated[Path, typer.Option(help="The data folder of the gateway.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]

schemas_app = typer.Typer(help="The official schema and rule files.", no_args_is_help=True, rich_markup_mode=None)


@schemas_app.command(short_help="Register the schema and rule files of a release.")
def add(
    source: Annotated[Path, typer.Argument(metavar="ZIP|DIR", help="The official files, packed or unpacked.")],
    data: Data,
    version: Annotated[
        str | None, typer.Option(help="The version of files that do not say theirs, such as 3.5.1.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Register the XML Schema (.xsd) and Schematron (.sch) files of a release: all of them, or none.

    Data set and version are read from the files. Of a name that is registered already the new files count. A gateway
    that runs takes them up with its next submission. Other files are left out.

    Exit status 0 when everything is registered, 2 when nothing is.

    Example: bandgate schemas add NEMSIS_XSDs.zip --data ./data
    """
    if version is not None and not VERSION.fullmatch(version):
        raise UsageFault(f"--version {version}: not a version of the standard: write it as 3.5.1")
    found = read_files(source)
    sets = recognise(source, found.files, version)
    make_data_folder(data)
    with RuleRunner(processes=1) as runner:
        added = Schemas(data).add(sets, try_rules=lambda sheet: _try_out(runner, sheet))
    if as_json:
        print_json({"registered": [_shown(each) for each in added], "left_out": list(found.left_out)})
    else:
        _print(added)
    if found.left_out:
        more = ", ..." if len(found.left_out) > SHOWN else ""
        names = ", ".join(found.left_out[:SHOWN]) + more
        errors.print(f"left out, being neither .xsd nor .sch: {counted(len(found.left_out), 'file')} ({names})")
    if not is_installed() and any(each.kind is Kind.RULES for each in added):
        errors.print("the rules are run once their processor is there: pip install 'bandgate[schematron]'")


@schemas_app.command("list", short_help="What is registered.")
def list_schemas(data: Data, as_json: Json = False) -> None:
    """Show the registered schema and rule files.

    Example: bandgate schemas list --data ./data
    """
    listed = Schemas(data).registered()
    if as_json:
        print_json({"registered": [_shown(each) for each in listed]})
    elif listed:
        _print(listed)
    else:
        errors.print("nothing is registered: care reports are read, and held against no schema")


@schemas_app.command(short_help="Take a set off the list.")
def remove(
    name: Annotated[str, typer.Argument(help="The name that the list shows.")], data: Data, as_json: Json = False
) -> None:
    """Register a set no longer; submissions are not held against it from the next one on.

    Example: bandgate schemas remove EMSDataSet-3.4.0 --data ./data
    """
    removed = Schemas(data).remove(name)
    if as_json:
        print_json({"removed": _shown(removed)})
    else:
        out.print(f"removed {removed.name}")


def _try_out(runner: RuleRunner, sheet: Stylesheet) -> None:
    """Let the processor read a rule file, if there is one."""
    if not is_installed():
        return
    try:
        runner.compile(sheet)
    except RuleBroken as broken:  # compiled without any report, so the words hold nobody's data
        words = " ".join(broken.words.split())
        raise ConfigurationFault(
            [Fault("", None, "", f"the rules cannot be used: {words}", "mend the rule file")]
        ) from broken
    except TookTooLong as endless:
        raise ConfigurationFault([Fault("", None, "", str(endless), "mend the rule file")]) from endless


def _shown(each: Registered) -> dict[str, Any]:
    return {
        "name": each.name,
        "kind": each.kind.value,
        "data_set": each.data_set.value,
        "version": each.version,
        "release": each.release,
        "title": each.title,
    }


def _print(registered: tuple[Registered, ...]) -> None:
    for each in registered:
        release = f" ({each.release})" if each.release != each.version else ""
        out.print(f"{each.name}: {each.kind.value} of {each.data_set} {each.version}{release}")
