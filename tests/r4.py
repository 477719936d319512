"""The FHIR R4 4.0.1 schema as a validator, hardened the way its data set's README says.

The published schema lets missing required primitives, empty objects and two values of one choice through.
Beside it stand the rules a schema cannot say: the invariants of a history Bundle, and reference closure.
"""

import gzip
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from fhir.resources.R4B import get_fhir_model_class

FOLDER = Path(__file__).parents[2] / "shared" / "standards" / "fhir"

Json = dict[str, Any]


def _harden(definitions: Json, extras: Json) -> None:
    for name, definition in definitions.items():
        if "properties" not in definition:
            continue
        definition["type"], definition["minProperties"] = "object", 1
        for each in definition["properties"].values():
            if each.get("type") == "array":
                each["minItems"] = 1
        rules = [
            {"anyOf": [{"required": [field]}, {"required": [f"_{field}"]}]}
            for field in extras["required"].get(name, [])
        ]
        for group in extras["choice"].get(name, {}).values():
            types = group["types"]
            if group["required"]:
                rules.append({"anyOf": [{"required": [each]} for each in types]})
            if len(types) <= 12:
                rules += [
                    {"not": {"required": [one, other]}}
                    for place, one in enumerate(types)
                    for other in types[place + 1 :]
                ]
        if rules:
            definition["allOf"] = rules


def build_validator() -> jsonschema_rs.Validator:
    schema = json.loads(gzip.decompress((FOLDER / "fhir.schema.r4.json.gz").read_bytes()))
    extras = json.loads((FOLDER / "r4-cardinality-extras.json").read_text())
    definitions = schema["definitions"]
    names = [each["$ref"].rsplit("/", 1)[1] for each in schema["oneOf"]]
    _harden(definitions, extras)
    definitions["ResourceList"] = {
        "type": "object",
        "required": ["resourceType"],
        "properties": {"resourceType": {"enum": names}},
        "allOf": [
            {
                "if": {"required": ["resourceType"], "properties": {"resourceType": {"const": name}}},
                "then": {"$ref": f"#/definitions/{name}"},
            }
            for name in names
        ],
    }
    return jsonschema_rs.validator_for(
        {
            "$schema": "http://json-schema.org/draft-07/schema#",
            "$ref": "#/definitions/ResourceList",
            "definitions": definitions,
        }
    )


def skip_without_schema() -> None:
    if not FOLDER.is_dir():
        pytest.skip("the R4 schema is not beside this checkout (../shared/standards/fhir)")


class R4:
    """Says what is wrong with a resource by the R4 schema; raises by the R4B models."""

    def __init__(self) -> None:
        self._validator = build_validator()

    def complaints(self, resource: Json) -> list[str]:
        return [
            f"{list(error.instance_path)}: {error.message[:200]}" for error in self._validator.iter_errors(resource)
        ]

    def check(self, resource: Json) -> None:
        """Assert that the schema has no complaint and that the R4B models take the resource."""
        assert self.complaints(resource) == []
        get_fhir_model_class(resource["resourceType"]).model_validate(resource)


def check_history_bundle(bundle: Json, base: str) -> None:
    """Assert what FHIR R4 asks of a history Bundle (bdl-3, bdl-4, bdl-7) and that its references stay inside."""
    entries = bundle["entry"]
    addresses = [entry["fullUrl"] for entry in entries]
    assert bundle["type"] == "history"
    assert all("request" in entry and "response" in entry for entry in entries)
    assert len(set(addresses)) == len(addresses)
    assert all(address.startswith(f"{base}/") for address in addresses)
    for entry in entries:
        resource = entry["resource"]
        assert entry["fullUrl"] == f"{base}/{resource['resourceType']}/{resource['id']}"
        inside = {f"#{each['id']}" for each in resource.get("contained", ())}
        outside = {address for address in references(resource) if not address.startswith(f"{base}/Subscription/")}
        assert outside <= inside | set(addresses)


def references(node: Any) -> Iterator[str]:
    """Give back every literal reference below `node`."""
    if isinstance(node, dict):
        if isinstance(node.get("reference"), str):
            yield node["reference"]
        for value in node.values():
            yield from references(value)
    elif isinstance(node, list):
        for value in node:
            yield from references(value)
