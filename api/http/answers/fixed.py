"""Answers that are the same for everybody: encoded and compressed once, revalidated by ETag.

Data flow: bytes made at the first question -> Fixed -> 200 with an ETag, or 304 without a body.
"""

from __future__ import annotations

import functools
import gzip
import hashlib

import msgspec
from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from api.http.answers.static import tags, takes_gzip

JSON = "application/json"


class Fixed:
    """One such answer."""

    def __init__(self, body: bytes, media_type: str = JSON) -> None:
        self._body = body
        self._zipped = gzip.compress(body, 6, mtime=0)
        self._media_type = media_type
        self._etag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'

    def answer(self, request: Request) -> Response:
        """As this request takes it."""
        headers = {"ETag": self._etag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
        if self._etag in tags(request.headers.get("if-none-match", "")):
            return Response(status_code=304, headers=headers)
        body = self._body
        if takes_gzip(request.headers):
            body = self._zipped
            headers["Content-Encoding"] = "gzip"
        return Response(body, 200, headers, self._media_type)


def describe_at(app: FastAPI, path: str) -> None:
    """Serve the description of all routes; anybody may ask for it."""

    @functools.cache
    def described() -> Fixed:
        return Fixed(msgspec.json.encode(app.openapi()))

    async def description(request: Request) -> Response:
        return described().answer(request)

    app.add_route(path, description, methods=["GET"], include_in_schema=False)
