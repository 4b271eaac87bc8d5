"""The page's files: small, held in memory, compressed once, revalidated by ETag.

Data flows: api/page and the catalogues of sentences on disk -> Shelf (path, bytes, gzip, ETag) ->
ASGI. Only files found by the scan can be asked for, so no name from outside ever reaches the file
system. A file changed on disk is read again, so that the page can be worked on without a restart.
"""

from __future__ import annotations

import functools
import gzip
import hashlib
import mimetypes
import time
from pathlib import Path

import msgspec
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from api.http.answers.problems import Problem
from daq.texts.catalogue import FOLDER, languages
from daq.texts.message import say

INDEX = "index.html"
TEXTS = "texts"  # where the page finds the catalogues of its languages
LANGUAGES = f"{TEXTS}/languages.json"  # and what they are called
COMPRESSED_LEAST_BYTES = 512
MAX_FILE_BYTES = 8 << 20
SCAN_EVERY_S = 1.0
_TYPES = {
    ".js": "text/javascript; charset=utf-8",
    ".mjs": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".html": "text/html; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
    ".woff2": "font/woff2",
    ".json": "application/json",
    ".txt": "text/plain; charset=utf-8",
}
_ALREADY_COMPRESSED = frozenset({".woff2", ".png", ".jpg", ".jpeg", ".webp", ".gz"})


class Item(msgspec.Struct, frozen=True):
    """One file ready to be sent."""

    stamp: tuple[int, int]
    body: bytes
    zipped: bytes  # empty when compression does not pay
    etag: str
    media_type: str


class Shelf:
    """Files under one folder, by their URL path."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._paths: dict[str, Path] = {}
        self._items: dict[str, Item] = {}
        self._scanned_s = -SCAN_EVERY_S
        self.scan()

    def scan(self) -> None:
        """Look which files there are."""
        found: dict[str, Path] = {}
        if self._folder.is_dir():
            for path in self._folder.rglob("*"):
                relative = path.relative_to(self._folder)
                hidden = any(part.startswith((".", "__")) for part in relative.parts)
                if path.is_file() and not path.is_symlink() and not hidden:
                    found[relative.as_posix()] = path
        found |= {f"{TEXTS}/{path.name}": path for path in FOLDER.glob("*.json")}
        self._paths = found

    def look_again(self) -> bool:
        """Look once more, unless that was just done: anybody may ask for what there is not."""
        now_s = time.monotonic()
        if now_s - self._scanned_s < SCAN_EVERY_S:
            return False
        self._scanned_s = now_s
        self.scan()
        return True

    def item(self, name: str) -> Item | None:
        """The file at a URL path ("" is the index), or None."""
        key = name or INDEX
        if key == LANGUAGES:
            return named_languages()
        path = self._paths.get(key)
        if path is None:
            return None
        try:
            status = path.stat()
            stamp = (status.st_mtime_ns, status.st_size)
            item = self._items.get(key)
            if item is None or item.stamp != stamp:
                if status.st_size > MAX_FILE_BYTES:
                    return None
                item = _load(path, stamp)
                self._items[key] = item
        except OSError:
            return None
        return item


class PageServer:
    """ASGI app for everything that is not under /api."""

    def __init__(self, folder: Path) -> None:
        self._shelf = Shelf(folder)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope)
        response = self._respond(request)
        await response(scope, receive, send)

    def _respond(self, request: Request) -> Response:
        if request.method not in ("GET", "HEAD"):
            return Problem(
                405, "method", say("page-only-read"), say("use-get"), {"Allow": "GET, HEAD"}
            ).response()
        name = request.url.path.lstrip("/")
        item = self._shelf.item(name)
        if item is None and self._shelf.look_again():  # it may be new
            item = self._shelf.item(name)
        if item is None:
            return Problem(
                404, "not-found", say("there-nothing-at-address"), say("open")
            ).response()
        headers = {
            "ETag": item.etag,
            # Always asked for again, almost always answered 304: an update shows at once.
            "Cache-Control": "no-cache",
            "Vary": "Accept-Encoding",
        }
        if item.etag in tags(request.headers.get("if-none-match", "")):
            return Response(status_code=304, headers=headers)
        body = item.body
        if item.zipped and takes_gzip(request.headers):
            body = item.zipped
            headers["Content-Encoding"] = "gzip"
        headers["Content-Type"] = item.media_type
        headers["Content-Length"] = str(len(body))
        return Response(b"" if request.method == "HEAD" else body, 200, headers)


@functools.cache
def named_languages() -> Item:
    """What the languages of the page are called."""
    return _made(msgspec.json.encode(languages()), Path(LANGUAGES), (0, 0))


def _load(path: Path, stamp: tuple[int, int]) -> Item:
    return _made(path.read_bytes(), path, stamp)


def _made(body: bytes, path: Path, stamp: tuple[int, int]) -> Item:
    zipped = b""
    if len(body) >= COMPRESSED_LEAST_BYTES and path.suffix not in _ALREADY_COMPRESSED:
        zipped = gzip.compress(body, 9, mtime=0)
        if len(zipped) >= len(body):
            zipped = b""
    guessed = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    return Item(
        stamp,
        body,
        zipped,
        f'"{hashlib.sha256(body).hexdigest()[:32]}"',
        _TYPES.get(path.suffix, guessed),
    )


def tags(header: str) -> set[str]:
    """The entity tags of an If-None-Match header."""
    return {tag.strip().removeprefix("W/") for tag in header.split(",")}


def takes_gzip(headers: Headers) -> bool:
    """True when the other side takes gzip."""
    for part in headers.get("accept-encoding", "").lower().split(","):
        name, _, quality = part.partition(";")
        if name.strip() == "gzip":
            return quality.replace(" ", "") not in ("q=0", "q=0.0", "q=0.00", "q=0.000")
    return False
