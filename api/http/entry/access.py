"""Who is calling, and may they: bearer token or cookie to Caller, pairing codes, failure limits.

Data flows: request or WebSocket -> Access.caller -> Caller, or Problem 401, 403 or 429.
Without any token made, callers from this computer maintain; nobody else is let in.
"""

from __future__ import annotations

import hashlib
import math
import secrets
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from http.cookies import CookieError, SimpleCookie

import msgspec
from starlette.requests import HTTPConnection

from api.http.answers.problems import Problem
from api.http.entry.admission import Standing, standing_of
from api.http.entry.tokens import Role, Token, TokenBook
from api.settings import is_loopback
from daq.texts.message import Text, say

COOKIE = "drumlin_token"
CLIENT_HEADER = "drumlin-client"
LOCAL_NAME = "local"
CLIENT_ID_CHARS = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")

FAILURES_ALLOWED = 5  # per address within the window, then locked until it has passed
FAILURE_WINDOW_S = 60.0
ADDRESSES_KEPT = 1024
PAIRING_FAILURES_ALLOWED = 20  # from anywhere within the window; then no code is taken at all
CODE_CHARS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"  # none that look alike
CODE_LENGTH = 8
CODE_LIFE_S = 300.0
CODES_OPEN = 8


class Caller(msgspec.Struct, frozen=True):
    """Whoever made a request."""

    name: str
    role: Role
    peer: str
    client_id: str  # "" when the header is missing
    token_id: str  # "" without tokens

    @property
    def holder(self) -> str:
        """Stable id for the helm."""
        return f"{self.name}:{self.client_id}" if self.client_id else self.name


class Failures:
    """Counts failures per key in a window; remembers a bounded number of keys."""

    def __init__(self, allowed: int, now: Callable[[], float]) -> None:
        self._allowed = allowed
        self._now = now
        self._failed: OrderedDict[str, list[float]] = OrderedDict()

    def wait_s(self, key: str) -> float:
        """Seconds until `key` may try again; 0 when it may now."""
        recent = self._recent(key)
        if len(recent) < self._allowed:
            return 0.0
        return max(0.0, recent[-self._allowed] + FAILURE_WINDOW_S - self._now())

    def add(self, key: str) -> None:
        """Count one failure."""
        recent = self._recent(key)
        recent.append(self._now())
        self._failed[key] = recent[-self._allowed :]
        self._failed.move_to_end(key)
        while len(self._failed) > ADDRESSES_KEPT:
            self._failed.popitem(last=False)

    def _recent(self, key: str) -> list[float]:
        since = self._now() - FAILURE_WINDOW_S
        return [at for at in self._failed.get(key, ()) if at > since]


class _Code(msgspec.Struct, frozen=True):
    digest: str
    role: Role
    made_by: str
    expires: float


class Access:
    """Authentication of the service."""

    def __init__(self, book: TokenBook, now: Callable[[], float]) -> None:
        self.book = book
        self._now = now
        self._failures = Failures(FAILURES_ALLOWED, now)
        self._pairing_failures = Failures(PAIRING_FAILURES_ALLOWED, now)
        self._codes: list[_Code] = []
        # A locked address must not take the helm from the person who works there: tokens that
        # already proved themselves from an address stay accepted from it.
        self._proven: OrderedDict[tuple[str, str], None] = OrderedDict()
        # Told of every valid token and where it came from: the door's admission.
        self.proved: Callable[[str, Standing], None] = lambda peer, standing: None
        self.refusals = 0

    def caller(self, connection: HTTPConnection, needed: Role) -> Caller:
        """Who calls. Raises Problem: 401 unknown, 403 role too small, 429 too many failures."""
        peer = peer_of(connection)
        if not self.book.in_use:
            if not is_loopback(peer):
                self.refusals += 1
                raise _unknown(say("no-token-exists-yet-so-only"))
            return Caller(LOCAL_NAME, Role.MAINTAIN, peer, _client_id(connection), "")
        token = self._token(connection, peer)
        if not token.role.covers(needed):
            self.refusals += 1
            raise Problem(
                403,
                "role",
                say("may-needs", name=token.name, role=token.role, needed=needed),
                say("ask-whoever-maintains-rig-for-token", role=needed),
            )
        return Caller(token.name, token.role, peer, _client_id(connection), token.id)

    def known(self, connection: HTTPConnection) -> tuple[str, Standing]:
        """Whose budget a request is taken from, and how proven they are. Judges nothing."""
        peer = peer_of(connection)
        if not self.book.in_use:
            return "", Standing.OPERATE if is_loopback(peer) else Standing.STRANGER
        token = self.book.find(_secret(connection))
        return ("", Standing.STRANGER) if token is None else (token.id, standing_of(token.role))

    def still_valid(self, caller: Caller) -> bool:
        """False once the caller's token is revoked, or tokens came into use."""
        if not caller.token_id:
            return not self.book.in_use
        return self.book.is_valid(caller.token_id)

    def sign_in(self, secret: str, peer: str) -> Token:
        """The token behind a secret typed into the page. Raises Problem 401 or 429."""
        return self._proven_token(secret, peer)

    def new_code(self, role: Role, caller: Caller) -> tuple[str, float]:
        """A pairing code, shown once, and its life in seconds."""
        self._drop_expired()
        if len(self._codes) >= CODES_OPEN:
            raise Problem(
                409,
                "codes",
                say("pairing-codes-are-open", count=CODES_OPEN),
                say("use-one-them-or-wait-minutes", minutes=CODE_LIFE_S / 60),
            )
        code = "".join(secrets.choice(CODE_CHARS) for _ in range(CODE_LENGTH))
        self._codes.append(_Code(_hash(code), role, caller.name, self._now() + CODE_LIFE_S))
        return code, CODE_LIFE_S

    async def pair(
        self, code: str, peer: str, make: Callable[[Role], Awaitable[tuple[Token, str]]]
    ) -> tuple[Token, str]:
        """Spend a code and let `make` make the token. Raises Problem 401 or 429.

        The code is spent before anything else happens: it can never be used twice. When `make`
        fails (a name in use) the code is given back.
        """
        for failures, key in ((self._failures, peer), (self._pairing_failures, "")):
            wait = failures.wait_s(key)
            if wait > 0:
                raise _locked(wait)
        self._drop_expired()
        digest = _hash("".join(code.split()).replace("-", "").upper()[:32])
        found = None
        for each in self._codes:
            if secrets.compare_digest(each.digest, digest):
                found = each
        if found is None:
            self._failures.add(peer)
            self._pairing_failures.add("")
            self.refusals += 1
            raise Problem(
                401,
                "pairing-code",
                say("code-not-known-was-used-or"),
                say("make-new-one-on-device-maintains"),
            )
        self._codes.remove(found)
        try:
            return await make(found.role)
        except BaseException:
            self._codes.append(found)
            raise

    def _drop_expired(self) -> None:
        self._codes = [code for code in self._codes if code.expires > self._now()]

    def _token(self, connection: HTTPConnection, peer: str) -> Token:
        secret = _secret(connection)
        if not secret:
            self.refusals += 1
            raise _unknown(say("needs-token"))
        return self._proven_token(secret, peer)

    def _proven_token(self, secret: str, peer: str) -> Token:
        key = (peer, _hash(secret[:256]))
        wait = self._failures.wait_s(peer)
        if wait > 0 and key not in self._proven:
            self.refusals += 1
            raise _locked(wait)
        token = self.book.find(secret)
        if token is None:
            self._proven.pop(key, None)
            self._failures.add(peer)
            self.refusals += 1
            raise _unknown(say("token-not-known-or-was-revoked"))
        self._proven[key] = None
        self._proven.move_to_end(key)
        self.proved(peer, standing_of(token.role))
        while len(self._proven) > ADDRESSES_KEPT:
            self._proven.popitem(last=False)
        return token


def peer_of(connection: HTTPConnection) -> str:
    """The address a request came from."""
    return connection.client.host if connection.client is not None else ""


def _secret(connection: HTTPConnection) -> str:
    scheme, _, value = connection.headers.get("authorization", "").partition(" ")
    if scheme:
        return value.strip() if scheme.lower() == "bearer" else ""
    try:
        cookie = SimpleCookie(connection.headers.get("cookie", "")[:4096])
    except CookieError:
        return ""
    return cookie[COOKIE].value if COOKIE in cookie else ""


def _client_id(connection: HTTPConnection) -> str:
    value = connection.headers.get(CLIENT_HEADER, "")
    if not value:
        return ""
    if not 4 <= len(value) <= 64 or not CLIENT_ID_CHARS.issuperset(value):
        raise Problem(
            400,
            "client-id",
            say("drumlin-client-header-not-usable"),
            say("send-4-64-letters-digits-dashes"),
        )
    return value


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _unknown(detail: Text) -> Problem:
    return Problem(
        401,
        "token",
        detail,
        say("sign-in-with-token-or-pair"),
        {"WWW-Authenticate": 'Bearer realm="drumlin"'},
    )


def _locked(wait_s: float) -> Problem:
    return Problem(
        429,
        "locked",
        say("too-many-wrong-tokens-or-codes"),
        say("wait-s-then-try-right-one", seconds=math.ceil(wait_s)),
        {"Retry-After": str(math.ceil(wait_s))},
    )
