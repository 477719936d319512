"""The official NEMSIS schemas where the operator has put them: read once, refused if they are no schema."""

from pathlib import Path

from lxml import etree

from gateway.errors import UsageFault

ENTRY = "EMSDataSet_v3.xsd"  # the entry point of the EMS data set in every NEMSIS 3 release


def load_schema(folder: Path) -> etree.XMLSchema:
    """Give back the schema of the EMS data set in a folder. Raises `UsageFault`."""
    entry = folder / ENTRY
    try:
        if not entry.is_file():
            raise UsageFault(f"{folder}: no {ENTRY} here: name the folder with the NEMSIS XSD files")
        return etree.XMLSchema(etree.parse(str(entry), etree.XMLParser(no_network=True)))
    except (etree.XMLSchemaParseError, etree.XMLSyntaxError) as error:
        raise UsageFault(f"{entry}: not a usable XML Schema") from error
    except OSError as error:
        raise UsageFault(f"{entry}: may not be read: let the user who runs the gateway read it") from error
