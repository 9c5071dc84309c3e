"""What the machine-readable description of the API (OpenAPI 3.1) says beyond the serializers."""

import re
from typing import Any

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter

PROBLEM = {
    "type": "object",
    "description": "A problem (RFC 9457). `problems` maps each field to sentences for a person.",
    "required": ["type", "title", "status", "problems"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "problems": {
            "type": "object",
            "additionalProperties": {"type": "array", "items": {"type": "string"}},
        },
    },
}


class HouseSchema(AutoSchema):
    """What the program's views say of themselves.

    `deeds` who may, `takes` and `gives` what goes in and comes out, each by method; the name of
    a view names its operations.
    """

    def get_operation_id(self) -> str:
        name = re.sub(r"(?<!^)(?=[A-Z])", "_", type(self.view).__name__.removesuffix("View"))
        return f"{self.method.lower()}_{name.lower()}"

    def get_override_parameters(self) -> list[Any]:
        times: frozenset[str] = getattr(self.view, "times", frozenset())
        if self.method != "GET":
            return [
                OpenApiParameter(
                    "If-Match",
                    OpenApiTypes.STR,
                    OpenApiParameter.HEADER,
                    description="The ETag that was read; 412 and no change when it is stale.",
                )
            ]
        return [
            OpenApiParameter(name, OpenApiTypes.DATETIME if name in times else OpenApiTypes.STR)
            for name in getattr(self.view, "filters", {})
        ]

    def get_request_serializer(self) -> Any:
        return getattr(self.view, "takes", {}).get(self.method) or super().get_request_serializer()

    def get_response_serializers(self) -> Any:
        gives = getattr(self.view, "gives", {}).get(self.method)
        if gives is None:
            return super().get_response_serializers()
        # Sent for the first time is 201, the same again 200.
        return {200: gives, 201: gives} if self.method in ("PUT", "POST") else {200: gives}

    def get_description(self) -> str:  # type: ignore[override]
        words = super().get_description() or ""
        deed = getattr(self.view, "deeds", {}).get(self.method)
        return f"{words}\n\nNeeds the right to {deed.value}.".strip() if deed else words


def describe_problems(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Every operation may answer with a problem; say it once for all of them."""
    result.setdefault("components", {}).setdefault("schemas", {})["Problem"] = PROBLEM
    answer = {
        "description": "What is wrong, beside the field it is about.",
        "content": {
            "application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}
        },
    }
    stale = {**answer, "description": "What is there now is not what If-Match names."}
    for operations in result["paths"].values():
        for method, operation in operations.items():
            operation["responses"].setdefault("4XX", answer)
            if method != "get":
                operation["responses"].setdefault("412", stale)
    return result
