"""The description as a contract: its operations, and a judge of whether data fit a shape it names."""

from dataclasses import dataclass
from typing import Any

from jsonschema import Draft202012Validator, FormatChecker


@dataclass(frozen=True)
class Op:
    """One operation."""

    name: str
    method: str
    path: str
    told: dict[str, Any]


def operations(found: dict[str, Any]) -> list[Op]:
    """Every operation of the description."""
    return [
        Op(told["operationId"], method, path, told)
        for path, methods in found["paths"].items()
        for method, told in methods.items()
    ]


def resolved(found: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    """The shape itself where a reference to it stands."""
    while "$ref" in schema:
        schema = found["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
    return schema


def plain(found: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    """OpenAPI 3.0's `nullable` said in JSON Schema's own words, references filled in, nothing allowed beyond what is named."""
    schema = dict(resolved(found, schema))
    may_be_null = schema.pop("nullable", False)
    for key in ("oneOf", "anyOf", "allOf"):
        if key in schema:
            schema[key] = [plain(found, one) for one in schema[key]]
    if "properties" in schema:
        schema["properties"] = {name: plain(found, one) for name, one in schema["properties"].items()}
        schema.setdefault("additionalProperties", False)
    for key in ("items", "additionalProperties"):
        if isinstance(schema.get(key), dict):
            schema[key] = plain(found, schema[key])
    schema.pop("readOnly", None)
    return {"anyOf": [schema, {"type": "null"}]} if may_be_null else schema


def validator(found: dict[str, Any], schema: dict[str, Any]) -> Draft202012Validator:
    """The judge of one shape."""
    return Draft202012Validator(plain(found, schema), format_checker=FormatChecker())
