"""Errors as people and machines get them: RFC 9457 problem details, always with a remedy.

Data flows: any exception of a route -> one of the handlers here -> application/problem+json.
`code` is stable and listed in docs/api.md; `remedy` says what to do next.
"""

from __future__ import annotations

import errno
import os
import re
from http import HTTPStatus
from typing import Any

import msgspec
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Match, Mount

from api.jobs.job import Busy, NoRoom
from api.runtime.channel import LoopGone
from daq.errors import DrumlinError, NoSuchRun, Refused, StoreError
from daq.texts.message import Text, say
from daq.texts.published import published_json

MEDIA_TYPE = "application/problem+json"
# Full, without room for another file, made read-only, or somebody else's.
_NOT_WRITTEN = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM)


class ProblemDetails(msgspec.Struct, frozen=True):
    """RFC 9457 members, and two of our own: `code` and `remedy`."""

    type: str
    title: str
    status: int
    detail: Text
    code: str
    remedy: Text


class Problem(Exception):
    """Raised by routes; becomes the response. RFC 9457 calls it a problem, not an error."""

    def __init__(
        self,
        status: int,
        code: str,
        detail: Text,
        remedy: Text,
        headers: dict[str, str] | None = None,
    ) -> None:
        super().__init__(str(detail))
        self.status = status
        self.code = code
        self.detail = detail
        self.remedy = remedy
        self.headers = headers or {}

    def details(self) -> ProblemDetails:
        """The body of the response."""
        return ProblemDetails(
            type=f"urn:drumlin:problem:{self.code}",
            title=HTTPStatus(self.status).phrase,
            status=self.status,
            detail=self.detail,
            code=self.code,
            remedy=self.remedy,
        )

    def body(self) -> bytes:
        """The body, encoded."""
        return published_json(self.details())

    def response(self) -> Response:
        """The problem as a response."""
        return Response(self.body(), self.status, self.headers, MEDIA_TYPE)


def problem_of(error: Exception) -> Problem:
    """The problem that tells of `error`; unknown errors tell nothing of the inside."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, LoopGone):
        return Problem(503, "loop-gone", error.problem, error.remedy, {"Retry-After": "1"})
    if isinstance(error, Refused):
        return Problem(409, error.code, error.problem, error.remedy)
    if isinstance(error, NoSuchRun):
        return Problem(404, "no-run", error.problem, error.remedy)
    if isinstance(error, StoreError):
        return Problem(503, "store", error.problem, error.remedy)
    if isinstance(error, NoRoom):
        return Problem(507, "disk-low", error.problem, error.remedy)
    if isinstance(error, Busy):
        return Problem(503, "busy", error.problem, error.remedy, {"Retry-After": "5"})
    if isinstance(error, DrumlinError):
        return Problem(500, "failed", error.problem, error.remedy)
    if isinstance(error, RequestValidationError):
        return Problem(
            422,
            "invalid",
            "; ".join(_complaint(dict(item)) for item in error.errors())[:1000],
            say("correct-named-value-api-openapi-json"),
        )
    if isinstance(error, HTTPException):
        return _of_http(error)
    if isinstance(error, OSError) and error.errno in _NOT_WRITTEN:
        return Problem(
            507, "disk", say("data-directory-takes-nothing", why=os.strerror(error.errno)),
            say("make-room-or-mend-rights"),
        )  # fmt: skip
    return Problem(
        500,
        "internal",
        say("service-failed-answer-request"),
        say("try-again-if-happens-again-keep"),
    )


def install(app: FastAPI) -> None:
    """Answer every error of `app` with problem details."""

    async def handle(request: Request, error: Exception) -> Response:
        if isinstance(error, HTTPException) and error.status_code == 405:
            error = HTTPException(405, headers={"Allow": _allowed(request)})
        return problem_of(error).response()

    for kind in (Problem, DrumlinError, RequestValidationError, HTTPException, Exception):
        app.add_exception_handler(kind, handle)


def _allowed(request: Request) -> str:
    """Every method of this address: several routes may share it, the first knows only its own."""
    found = [
        method
        for method in ("DELETE", "GET", "HEAD", "PATCH", "POST", "PUT")
        if any(
            route.matches({**request.scope, "method": method})[0] is Match.FULL
            for route in request.app.routes
            if not isinstance(route, Mount)
        )
    ]
    return ", ".join(found)


def _complaint(item: dict[str, Any]) -> str:
    place = ".".join(str(part) for part in item.get("loc", ()))
    return f"{place}: {in_words(item.get('msg', 'not acceptable'))}"


# What patterns of our requests mean, by a part of each; people are told this and not the pattern.
_PATTERNS = (
    ("[0-9]{8}-[0-9]{6}", "an id such as 20260131-120000-ab12"),
    ("x1f", "text of one line without control characters"),
    ("^[^", "text without NUL characters"),
)
_PATTERN = re.compile(r"(?:`str` matching regex|String should match pattern) '(?P<is>.*)'")


def in_words(complaint: str) -> str:
    """A complaint about a value, with the pattern it does not fit in words."""

    def said(found: re.Match[str]) -> str:
        words = next((words for part, words in _PATTERNS if part in found["is"]), found[0])
        return words if found[0].startswith("`") else f"Expected {words}"

    return _PATTERN.sub(said, complaint)


def _of_http(error: HTTPException) -> Problem:
    headers = dict(error.headers) if error.headers else {}
    if error.status_code == 404:
        return Problem(
            404, "not-found", say("there-nothing-at-address"), say("see-api-openapi-json"), headers
        )
    if error.status_code == 405:
        allowed = headers.get("Allow", headers.get("allow", "another"))
        return Problem(
            405,
            "method",
            say("address-does-not-take-method"),
            say("use-these", forms=allowed),
            headers,
        )
    return Problem(
        error.status_code,
        "http",
        str(error.detail),
        say("see-api-openapi-json-for-what"),
        headers,
    )
