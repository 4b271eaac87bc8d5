"""Bodies of requests and responses: bounded, typed by msgspec, described in OpenAPI.

Data flows: request -> `read` -> struct (or Problem 408, 413, 415, 422); struct -> `answer` ->
JSON. The same structs make the schemas of /api/openapi.json, so that page and code agree.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from typing import Any, TypeVar

import msgspec
from fastapi import FastAPI, Request
from fastapi.openapi.utils import get_openapi
from starlette.requests import ClientDisconnect
from starlette.responses import Response

from api.http.answers.problems import MEDIA_TYPE, Problem, ProblemDetails, in_words
from daq.quantities import UnitSystem
from daq.texts.message import say
from daq.texts.published import published_json

MAX_BODY_BYTES = 64 * 1024
BODY_TIME_S = 10.0
# Ends of patterns are written so that Python and ECMAScript (OpenAPI) read them alike.
# Neither what ends a line or commands a terminal, nor what makes text read backwards.
ONE_LINE = r"^[^\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]*(?![\s\S])"
NO_NUL = r"^[^\x00]*(?![\s\S])"
# The same for words in an address, whose patterns are read by an engine without lookahead.
WORD = r"^[^\x00]*$"
WORD_OF_ONE_LINE = ONE_LINE.replace(r"(?![\s\S])", "$")
LARGEST_WHOLE = 2.0**53  # beyond it not every integer is a number of JSON's usual kind
REF = "#/components/schemas/{name}"
T = TypeVar("T")

_described: dict[str, Any] = {}
_as_found: dict[str, Any] = {}  # components before anything was added to them


FILE_TYPE = "application/octet-stream"


class Nothing(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An empty object, or no body at all."""


# msgspec.ValidationError is a DecodeError too
_NO_JSON = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)


async def read(request: Request, kind: type[T]) -> T:
    """The body as `kind`; an empty body counts as {}."""
    raw = await bounded(request)
    if raw and _content_type(request) != "application/json":
        raise Problem(
            415,
            "media-type",
            say("body-not-declared-as-json"),
            say("send-content-type-application-json"),
        )
    try:
        return msgspec.json.decode(raw or b"{}", type=kind)
    except msgspec.ValidationError as error:
        # JSON knows one kind of number and JSON Schema takes 26.0 for an integer; so do we. What
        # follows the first wrong value was not looked at before and may not even be JSON.
        with contextlib.suppress(*_NO_JSON):
            return msgspec.convert(_whole(msgspec.json.decode(raw)), kind)
        raise Problem(
            422,
            "invalid",
            f"{in_words(str(error))}.",
            say("correct-named-value-api-openapi-json"),
        ) from None
    except _NO_JSON:
        raise Problem(
            400, "json", say("body-not-valid-json"), say("send-one-json-object-in-utf")
        ) from None


def answer(
    value: object,
    status: int = 200,
    headers: dict[str, str] | None = None,
    units: UnitSystem = UnitSystem.METRIC,
) -> Response:
    """`value` as a JSON response, its sentences also in English; NaN and infinity become null."""
    return Response(published_json(value, units), status, headers, "application/json")


def takes(kind: Any) -> dict[str, Any]:
    """`openapi_extra` of a route that reads `kind`."""
    schema = _schema(kind, "Body")
    required = bool(_resolve(schema).get("required"))
    return {
        "requestBody": {
            "required": required,
            "content": {"application/json": {"schema": schema}},
        }
    }


def gives(kind: Any, status: int = 200, description: str = "As asked.") -> dict[int | str, Any]:
    """`responses` of a route that answers `kind` (None: no body), beside the problems."""
    problem = {MEDIA_TYPE: {"schema": _schema(ProblemDetails)}}
    success: dict[str, Any] = {"description": description}
    if kind is not None:
        success["content"] = {"application/json": {"schema": _nullable(_schema(kind))}}
    responses: dict[int | str, Any] = {
        status: success,
        "4XX": {"description": "Refused, with what to do next.", "content": problem},
        "5XX": {"description": "Failed, with what to do next.", "content": problem},
    }
    return responses


def add_properties(name: str, properties: dict[str, Any]) -> None:
    """Describe what a response carries beyond its struct."""
    _described[name]["properties"].update(properties)


def describe(app: FastAPI) -> None:
    """Make app.openapi() carry the msgspec schemas."""

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            schema = get_openapi(
                title=app.title,
                version=app.version,
                summary=app.summary,
                description=app.description,
                routes=app.routes,
            )
            components = schema.setdefault("components", {})
            components.setdefault("schemas", {}).update(_described)
            components["securitySchemes"] = {
                "token": {"type": "http", "scheme": "bearer"},
                "cookie": {"type": "apiKey", "in": "cookie", "name": "drumlin_token"},
            }
            schema["security"] = [{"token": []}, {"cookie": []}, {}]
            app.openapi_schema = schema
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]


def _whole(value: Any) -> Any:
    """The same value, with numbers like 26.0 as integers; a field of kind float takes those too."""
    if isinstance(value, float) and value.is_integer() and abs(value) < LARGEST_WHOLE:
        return int(value)
    if isinstance(value, dict):
        return {key: _whole(each) for key, each in value.items()}
    if isinstance(value, list):
        return [_whole(each) for each in value]
    return value


def takes_file() -> dict[str, Any]:
    """`openapi_extra` of a route whose body is a file as it is."""
    content = {FILE_TYPE: {"schema": {"type": "string", "format": "binary"}}}
    return {"requestBody": {"required": True, "content": content}}


def expect_file(request: Request, what: str, file: str) -> None:
    """Raises Problem when the body is not declared as a file as it is."""
    if _content_type(request) != FILE_TYPE:
        raise Problem(
            415,
            "media-type",
            say("body-not-declared-as", what=what),
            say("send-itself-with-content-type", file=file, type=FILE_TYPE),
        )


def _content_type(request: Request) -> str:
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


def length_of(request: Request) -> int | None:
    """Length of the body as announced; None when that is no length."""
    text = request.headers.get("content-length", "")
    # Some signs count as digits and are none, and very long numbers are not read at all.
    return int(text) if text.isascii() and text.isdigit() and len(text) < 20 else None


async def bounded(request: Request, most_bytes: int = MAX_BODY_BYTES) -> bytes:
    """The body as it came, refused when it is larger, late or cut off."""
    too_large = Problem(
        413,
        "too-large",
        say("body-larger-than-kib", most=most_bytes // 1024),
        say("send-less-no-request-service-needs"),
    )
    if "content-length" in request.headers:
        declared = length_of(request)
        if declared is None or declared > most_bytes:
            raise too_large
    parts = bytearray()
    try:
        async with asyncio.timeout(BODY_TIME_S):
            async for part in request.stream():
                parts += part
                if len(parts) > most_bytes:
                    raise too_large
    except TimeoutError:
        raise Problem(
            408,
            "slow-body",
            say("body-did-not-arrive-within-s", limit=BODY_TIME_S),
            say("check-network-then-send-again"),
        ) from None
    except ClientDisconnect:
        raise Problem(400, "cut-off", say("request-was-cut-off"), say("send-again")) from None
    return bytes(parts)


def _schema(kind: Any, suffix: str = "") -> dict[str, Any]:
    """Schema of `kind`, its components registered.

    Bodies have components of their own (`suffix`), since in answers any number may be null; two
    structs of one name never share a description.
    """
    (schema,), components = msgspec.json.schema_components([kind], ref_template=REF)
    names: dict[str, str] = {}
    for name, component in components.items():
        plain = _json_able(component)
        number, own = 2, name + suffix
        while _as_found.get(own, plain) != plain:
            own, number = f"{name}{suffix}{number}", number + 1
        names[REF.format(name=name)] = REF.format(name=own)
        _as_found[own] = plain
    for name, component in components.items():
        own = names[REF.format(name=name)].rpartition("/")[2]
        # Keep the one that is there: `_nullable` may have marked it.
        _described.setdefault(own, _renamed(_json_able(component), names))
    return dict(_renamed(schema, names))


def _renamed(node: Any, names: dict[str, str]) -> Any:
    """References by the names under which components are registered; also in discriminators."""
    if isinstance(node, dict):
        return {key: _renamed(value, names) for key, value in node.items()}
    if isinstance(node, list):
        return [_renamed(each, names) for each in node]
    return names.get(node, node) if isinstance(node, str) else node


def _json_able(node: Any) -> Any:
    """Without defaults that JSON cannot say (NaN); a sentence goes out as English text."""
    if isinstance(node, dict):
        kinds = node.get("anyOf")
        if kinds and {"$ref": REF.format(name="Message")} in kinds and {"type": "string"} in kinds:
            return {name: value for name, value in node.items() if name != "anyOf"} | {
                "type": "string"
            }
        return {
            key: _json_able(value)
            for key, value in node.items()
            if not (isinstance(value, float) and not math.isfinite(value))
        }
    return [_json_able(each) for each in node] if isinstance(node, list) else node


def _resolve(schema: dict[str, Any]) -> dict[str, Any]:
    name = schema.get("$ref", "").rpartition("/")[2]
    return dict(_described.get(name, schema))


def _nullable(schema: dict[str, Any]) -> dict[str, Any]:
    """Responses carry null where a number is not finite; say so in their components."""
    name = schema.get("$ref", "").rpartition("/")[2]
    if not name or _described[name].get("x-nullable"):
        return schema
    component = _described[name]
    component["x-nullable"] = True
    for field, described in component.get("properties", {}).items():
        component["properties"][field] = _nullable_field(described)
    return schema


def _nullable_field(field: dict[str, Any]) -> dict[str, Any]:
    if field.get("type") == "number":
        return {**field, "type": ["number", "null"]}
    if "$ref" in field:
        _nullable(field)
    for key in ("items", "additionalProperties"):
        if isinstance(field.get(key), dict):
            field[key] = _nullable_field(field[key])
    for key in ("anyOf", "prefixItems"):
        if key in field:
            field[key] = [_nullable_field(each) for each in field[key]]
    return field
