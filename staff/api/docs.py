"""The description arranged for a page: chapters, addresses, fields and examples."""

import json
from dataclasses import dataclass
from typing import Any

ORDER = (
    "Clients",
    "Register",
    "People",
    "Batches",
    "Letters",
    "Post",
    "Laboratory",
    "Referrals",
    "Oversight",
)
"""The parts in the order of the work."""


@dataclass(frozen=True)
class FieldRow:
    """One field or parameter."""

    name: str
    kind: str
    needed: bool
    words: str


@dataclass(frozen=True)
class Operation:
    """One method of one address."""

    name: str
    method: str
    path: str
    summary: str
    words: str
    parameters: list[FieldRow]
    body: list[FieldRow]
    sends: str
    gives: list[FieldRow]
    status: str
    answer: str
    refusals: list[tuple[str, str]]


def chapters(found: dict[str, Any]) -> list[tuple[str, list[Operation]]]:
    """Every part with its operations: the parts in the order of the work, the operations in that of their addresses."""
    parts: dict[str, list[Operation]] = {}
    for path, methods in found["paths"].items():
        for method, told in methods.items():
            parts.setdefault(told["tags"][0], []).append(_operation(found, path, method, told))
    return sorted(parts.items(), key=lambda part: ORDER.index(part[0]) if part[0] in ORDER else len(ORDER))


def _operation(found: dict[str, Any], path: str, method: str, told: dict[str, Any]) -> Operation:
    good = next(code for code in told["responses"] if code.startswith("2"))
    answer = _content(told["responses"][good])
    body = _content(told.get("requestBody", {}))
    refusals = [
        (code, str(one.get("description", "")))
        for code, one in told["responses"].items()
        if not code.startswith("2")
    ]
    return Operation(
        name=told["operationId"], method=method.upper(), path=path, summary=told.get("summary", ""),
        words=told.get("description", ""),
        parameters=[_parameter(one) for one in told.get("parameters", ())],
        body=_fields(found, body.get("schema", {})), sends=_example(body),
        gives=_fields(found, answer.get("schema", {})), status=good, answer=_example(answer), refusals=refusals,
    )  # fmt: skip


def _content(part: dict[str, Any]) -> dict[str, Any]:
    return dict(next(iter(part.get("content", {}).values()), {}))


def _example(content: dict[str, Any]) -> str:
    value = next((one.get("value") for one in content.get("examples", {}).values()), None)
    if value is None:
        return ""
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, indent=2)


def _parameter(one: dict[str, Any]) -> FieldRow:
    kind = f"{one['in']}, {_kind(one.get('schema', {}))}"
    return FieldRow(one["name"], kind, bool(one.get("required")), str(one.get("description", "")))


def _resolved(found: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    while "$ref" in schema:
        schema = found["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
    return schema


def _fields(
    found: dict[str, Any], schema: dict[str, Any], before: str = "", depth: int = 0
) -> list[FieldRow]:
    schema = _resolved(found, schema)
    rows: list[FieldRow] = []
    for name, one in schema.get("properties", {}).items():
        inner = _resolved(found, one)
        for part in one.get("allOf", ()):
            inner = inner | _resolved(found, part)
        needed = name in schema.get("required", ())
        rows.append(FieldRow(before + name, _kind(inner), needed, str(inner.get("description", ""))))
        item = _resolved(found, inner.get("items", {}))
        deeper = inner if inner.get("properties") else item
        if deeper.get("properties") and depth < 2:
            mark = f"{before}{name}." if inner.get("properties") else f"{before}{name}[]."
            rows.extend(_fields(found, deeper, mark, depth + 1))
    return rows


def _kind(schema: dict[str, Any]) -> str:
    words = str(schema.get("format") or schema.get("type", "object"))
    if schema.get("enum"):
        words += ": " + ", ".join(str(one) for one in schema["enum"] if one not in ("", None))
    return words + (", may be null" if schema.get("nullable") else "")
