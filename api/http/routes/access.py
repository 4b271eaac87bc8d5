"""Tokens, pairing of a tablet, signing in and the audit log."""

from __future__ import annotations

import asyncio
from typing import Annotated

import msgspec
from fastapi import APIRouter, Query, Request
from msgspec import Meta
from starlette.responses import Response

from api.http.answers.bodies import answer, gives, read, takes
from api.http.answers.problems import Problem
from api.http.audit import Entry, tail
from api.http.context import Context, context_of
from api.http.entry import pairing
from api.http.entry.access import COOKIE, Caller
from api.http.entry.tokens import MAX_TOKEN_CHARS, Days, Role, Token, TokenError, TokenName
from daq.texts.message import say

router = APIRouter(prefix="/api", tags=["access"])

COOKIE_LIFE_S = 400 * 24 * 3600  # the longest that browsers keep one


class Self(msgspec.Struct, frozen=True):
    """Who the service says you are."""

    name: str
    role: Role
    holder: str
    tokens_in_use: bool
    # Where easing off, helm and state have a listener of their own; 0: nowhere but here.
    helm_port: int


class SignIn(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    token: Annotated[str, Meta(min_length=1, max_length=MAX_TOKEN_CHARS)]


class CodeFor(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    role: Role = Role.OPERATE


class Code(msgspec.Struct, frozen=True):
    code: str
    role: Role
    expires_in_s: float
    link: str  # what the tablet opens, with the code in it; "": no tablet can reach this service
    qr_svg: str  # the link as QR code


class Pair(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    code: Annotated[str, Meta(min_length=1, max_length=32)]
    name: TokenName  # what this tablet will be called


class Paired(msgspec.Struct, frozen=True):
    name: str
    role: Role


class TokenView(msgspec.Struct, frozen=True):
    id: str
    name: str
    role: Role
    made: str
    revoked: str
    expires: str  # "" for never


class NewToken(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: TokenName
    role: Role
    days: Days | None = None  # until it expires


class MadeToken(msgspec.Struct, frozen=True):
    id: str
    name: str
    role: Role
    token: str  # shown this once


class TokenList(msgspec.Struct, frozen=True):
    tokens: list[TokenView]


class AuditTail(msgspec.Struct, frozen=True):
    entries: list[Entry]


@router.get("/self", responses=gives(Self))
async def self(request: Request) -> Response:
    """Name and role of the caller."""
    context = context_of(request)
    caller = context.caller(request, Role.WATCH)
    return answer(
        Self(
            caller.name,
            caller.role,
            caller.holder,
            context.access.book.in_use,
            context.settings.service.helm_port or 0,
        )
    )


@router.post("/sign-in", responses=gives(Paired), openapi_extra=takes(SignIn))
async def sign_in(request: Request) -> Response:
    """Keep a token as this browser's cookie."""
    context = context_of(request)
    body = await read(request, SignIn)
    token = context.access.sign_in(body.token, _peer(request))
    return _with_cookie(request, answer(Paired(token.name, token.role)), body.token)


@router.post("/sign-out", status_code=204, responses=gives(None, 204))
async def sign_out(request: Request) -> Response:
    """Forget this browser's cookie."""
    response = Response(status_code=204)
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return response


@router.post(
    "/pairing-codes", status_code=201, responses=gives(Code, 201), openapi_extra=takes(CodeFor)
)
async def pairing_code(request: Request) -> Response:
    """A short code for a new tablet, also as QR code; it works once and for five minutes."""
    context = context_of(request)
    caller = _maintainer(request)
    body = await read(request, CodeFor)
    code, life_s = context.access.new_code(body.role, caller)
    await context.audit.write(caller, "make-pairing-code", "done", detail={"role": body.role})
    url = request.url
    port = url.port or {"http": 80, "https": 443}.get(url.scheme, 0)
    link = pairing.link(url.scheme, url.hostname or "", port, context.settings.service, code)
    drawn = pairing.svg(link) if link else ""
    return answer(Code(code, body.role, life_s, link, drawn), 201)


@router.post("/pair", status_code=201, responses=gives(Paired, 201), openapi_extra=takes(Pair))
async def pair(request: Request) -> Response:
    """Spend a code: this browser gets a token of its own as a cookie."""
    context = context_of(request)
    body = await read(request, Pair)

    async def make(role: Role) -> tuple[Token, str]:
        return await _add(context, body.name, role)

    token, secret = await context.access.pair(body.code, _peer(request), make)
    caller = Caller(token.name, token.role, _peer(request), "", token.id)
    await context.audit.write(caller, "pair", "done", detail={"token_id": token.id})
    return _with_cookie(request, answer(Paired(token.name, token.role), 201), secret)


@router.get("/tokens", responses=gives(TokenList))
async def tokens(request: Request) -> Response:
    """All tokens, without their secrets."""
    context = context_of(request)
    _maintainer(request)
    listed = [
        TokenView(token.id, token.name, token.role, token.made, token.revoked, token.expires)
        for token in context.access.book.tokens()
    ]
    return answer(TokenList(listed))


@router.post(
    "/tokens", status_code=201, responses=gives(MadeToken, 201), openapi_extra=takes(NewToken)
)
async def add_token(request: Request) -> Response:
    """A new token. The first one made must maintain, or nobody could make another."""
    context = context_of(request)
    caller = _maintainer(request)
    body = await read(request, NewToken)
    if not context.access.book.in_use and body.role is not Role.MAINTAIN:
        raise Problem(
            409,
            "first-token",
            say("first-token-must-have-role-maintain"),
            say("make-one-first-sign-in-with"),
        )
    token, secret = await _add(context, body.name, body.role, body.days)
    await context.audit.write(
        caller, "add-token", "done", detail={"name": token.name, "role": token.role}
    )
    return answer(MadeToken(token.id, token.name, token.role, secret), 201)


@router.delete("/tokens/{token_id}", status_code=204, responses=gives(None, 204))
async def revoke(request: Request, token_id: str) -> Response:
    """Revoke a token by id or name; its open live lines end within seconds."""
    context = context_of(request)
    caller = _maintainer(request)
    try:
        token = await asyncio.to_thread(context.access.book.revoke, token_id)
    except TokenError as error:
        raise Problem(404, "no-token", error.problem, error.remedy) from None
    await context.audit.write(caller, "revoke-token", "done", detail={"name": token.name})
    return Response(status_code=204)


@router.get("/audit", responses=gives(AuditTail))
async def audit(request: Request, limit: Annotated[int, Query(ge=1, le=500)] = 100) -> Response:
    """The newest entries of the audit log, oldest first."""
    context = context_of(request)
    _maintainer(request)
    entries = await asyncio.to_thread(tail, context.settings.data, limit)
    return answer(AuditTail(entries))


async def _add(
    context: Context, name: str, role: Role, days: int | None = None
) -> tuple[Token, str]:
    try:
        return await asyncio.to_thread(context.access.book.add, name, role, days)
    except TokenError as error:
        raise Problem(409, "token-name", error.problem, error.remedy) from None


def _maintainer(request: Request) -> Caller:
    return context_of(request).caller(request, Role.MAINTAIN)


def _peer(request: Request) -> str:
    return request.client.host if request.client is not None else ""


def _with_cookie(request: Request, response: Response, secret: str) -> Response:
    response.set_cookie(
        COOKIE,
        secret,
        max_age=COOKIE_LIFE_S,
        path="/",
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="strict",
    )
    return response
