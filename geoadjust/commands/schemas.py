"""JSON Schema put into the smaller language that OGC API - Processes describes its inputs in (OpenAPI 3.0)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

DROPPED = ("$schema", "$defs", "x-limits")


def small(schema: Mapping[str, Any], definitions: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """The same schema without references, constants, `null` and lists of examples.

    Parameters
    ----------
    schema : JSON Schema; its references lead into `definitions`, or into its own `$defs`

    Examples
    --------
    >>> small({"anyOf": [{"type": "string", "examples": ["6 mm"]}, {"const": 0}]})
    {'anyOf': [{'type': 'string', 'example': '6 mm'}, {'enum': [0]}]}
    >>> small({"anyOf": [{"type": "integer"}, {"type": "null"}]})
    {'anyOf': [{'type': 'integer'}], 'nullable': True}
    """
    definitions = schema.get("$defs", {}) if definitions is None else definitions
    if "$ref" in schema:
        return small(definitions[schema["$ref"].rpartition("/")[2]], definitions)
    found: dict[str, Any] = {}
    for key, value in schema.items():
        if key == "const":
            found["enum"] = [value]
        elif key == "examples":
            found["example"] = value[0]
        elif key not in DROPPED:
            found[key] = _inside(key, value, definitions)
    if any(option == {"type": "null"} for option in schema.get("anyOf", ())):
        found["anyOf"] = [option for option in found["anyOf"] if option != {"type": "null"}]
        found["nullable"] = True
    return found


def _inside(key: str, value: Any, definitions: Mapping[str, Any]) -> Any:
    if key == "properties":
        return {name: small(inner, definitions) for name, inner in value.items()}
    if key in ("anyOf", "oneOf", "allOf"):
        return [small(inner, definitions) for inner in value]
    if key in ("items", "additionalProperties") and isinstance(value, Mapping):
        return small(value, definitions)
    return value
