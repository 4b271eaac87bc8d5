"""Tokens: who may watch, operate or maintain, kept as hashes in `<data>/tokens.json`.

Data flows: command line or pairing -> TokenBook -> tokens.json; request -> TokenBook.find -> Token.
A token is 256 random bits, so one round of SHA-256 keeps it: there is no dictionary to try.
The running service sees changes made by others (revocation) by looking at the file's time stamp.
"""

from __future__ import annotations

import contextlib
import enum
import fcntl
import hashlib
import hmac
import math
import os
import secrets
import tempfile
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from api.runtime.host_clock import uptime_s
from daq import wall_clock
from daq.errors import DrumlinError
from daq.texts.message import say

FILE_NAME = "tokens.json"
LOCK_NAME = ".tokens.lock"
IN_USE = b"tokens are in use here\n"  # what the lock file holds from the first one on
PREFIX = "drum_"
MAX_TOKENS = 256
MAX_TOKEN_CHARS = 128
MAX_DAYS = 3650
TRUSTED_ON_S = 12 * 3600.0  # a working day with a clock that somebody stepped
Days = Annotated[int, Meta(ge=1, le=MAX_DAYS)]
TokenName = Annotated[
    str, Meta(min_length=1, max_length=40, pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]*(?![\s\S])")
]


class TokenError(DrumlinError):
    """A token cannot be made, read or revoked."""


class Role(enum.StrEnum):
    """What a caller may do; each role includes the one before it."""

    WATCH = "watch"  # see everything, ease off
    OPERATE = "operate"  # take the helm, command load, annotate runs
    MAINTAIN = "maintain"  # tokens, pairing, audit log

    def covers(self, needed: Role) -> bool:
        """True when this role may do what `needed` may."""
        order = (Role.WATCH, Role.OPERATE, Role.MAINTAIN)
        return order.index(self) >= order.index(needed)


class Token(msgspec.Struct, frozen=True):
    """One token, without its secret."""

    id: str
    name: TokenName
    role: Role
    sha256: str
    made: str  # UTC label
    revoked: str = ""  # UTC label, "" while valid
    expires: str = ""  # UTC label, "" for never

    @property
    def left_s(self) -> float:
        """How long it is valid yet by the computer's date, s; at most 0: revoked or expired."""
        if self.revoked:
            return 0.0
        if not self.expires:
            return math.inf
        return (datetime.fromisoformat(self.expires) - wall_clock.utc_now()).total_seconds()

    @property
    def valid(self) -> bool:
        """True while it is neither revoked nor, by the computer's date, expired."""
        return self.left_s > 0.0


class _File(msgspec.Struct, frozen=True):
    version: int = 1
    tokens: tuple[Token, ...] = ()


class _Life(msgspec.Struct, frozen=True):
    """Of a token that expires, in seconds of uptime."""

    end_s: float
    trusted_until_s: float  # without the date's word for it


class TokenBook:
    """The tokens of one data directory.

    A token runs out by the time that passes from when it was first seen valid. A computer whose
    date is stepped, by a year and in the middle of a test, shuts nobody out whom it had let in (for
    TRUSTED_ON_S, should the step have been right), and prolongs nothing.
    """

    def __init__(self, folder: Path, elapsed: Callable[[], float] = uptime_s) -> None:
        self._path = folder / FILE_NAME
        self._elapsed = elapsed
        self._lives: dict[str, _Life] = {}
        self._stamp: tuple[int, int, int] | None = None
        self._tokens: tuple[Token, ...] = ()
        self._read_if_changed()

    @property
    def path(self) -> Path:
        """The file behind the book."""
        return self._path

    def tokens(self) -> tuple[Token, ...]:
        """All tokens, revoked ones too."""
        self._read_if_changed(strict=False)
        return self._tokens

    @property
    def in_use(self) -> bool:
        """True as soon as one token was ever made: from then on every caller needs one.

        Revoked tokens count, or revoking the last one would open the door to everybody.
        """
        return bool(self.tokens())

    def find(self, secret: str) -> Token | None:
        """The valid token with this secret, else None. Looks at every entry in constant time."""
        if not secret or len(secret) > MAX_TOKEN_CHARS:
            return None
        digest = _digest(secret)
        found: Token | None = None
        for token in self.tokens():
            if hmac.compare_digest(token.sha256, digest) and self._in_force(token):
                found = token
        return found

    def is_valid(self, token_id: str) -> bool:
        """True while the token exists, is not revoked and has not expired."""
        return any(token.id == token_id and self._in_force(token) for token in self.tokens())

    def _in_force(self, token: Token) -> bool:
        left_s, now_s = token.left_s, self._elapsed()
        if token.revoked or not token.expires:
            return left_s > 0.0
        life = self._lives.get(token.id)
        if left_s > 0.0:
            end_s = now_s + left_s if life is None else min(life.end_s, now_s + left_s)
            life = self._lives[token.id] = _Life(end_s, now_s + TRUSTED_ON_S)
        return life is not None and now_s < min(life.end_s, life.trusted_until_s)

    def add(self, name: str, role: Role, days: int | None = None) -> tuple[Token, str]:
        """A new token and its secret, which is shown once and never kept. Raises TokenError.

        `days` until it expires, from 1 to MAX_DAYS; None: it does not.
        """
        with self._alone():
            return self._add(name, role, days)

    def _add(self, name: str, role: Role, days: int | None) -> tuple[Token, str]:
        self._read_if_changed()
        try:
            name = msgspec.convert(name, TokenName)
        except msgspec.ValidationError:
            raise TokenError(
                say("cannot-be-token-name", name=name[:60]),
                say("use-1-40-letters-digits-blanks"),
            ) from None
        if any(token.name == name and self._in_force(token) for token in self._tokens):
            raise TokenError(
                say("there-valid-token-named", name=name), say("choose-another-name-or-revoke")
            )
        if len(self._tokens) >= MAX_TOKENS:
            raise TokenError(
                say("there-are-tokens", most=MAX_TOKENS),
                say("remove-revoked-ones-from-tokens-json"),
            )
        secret = PREFIX + secrets.token_urlsafe(32)
        expires = "" if days is None else _utc(timedelta(days=days))
        token = Token(secrets.token_hex(4), name, role, _digest(secret), _utc(), expires=expires)
        self._write((*self._tokens, token))
        return token, secret

    def revoke(self, name_or_id: str) -> Token:
        """Revoke the valid token with this name or id. Raises TokenError when there is none."""
        with self._alone():
            return self._revoke(name_or_id)

    def _revoke(self, name_or_id: str) -> Token:
        self._read_if_changed()
        at = _utc()
        for token in self._tokens:
            if name_or_id in (token.name, token.id) and not token.revoked:
                revoked = msgspec.structs.replace(token, revoked=at)
                self._write(tuple(revoked if each is token else each for each in self._tokens))
                return revoked
        raise TokenError(
            say("there-no-valid-token", name=name_or_id[:60]), say("look-at-list-tokens")
        )

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """Service and command line write one after the other: no revocation may get lost."""
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            way = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
            lock = os.open(self._path.parent / LOCK_NAME, way, 0o600)
        except OSError as error:
            raise _unwritten(self._path, error) from None
        try:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield
        finally:
            os.close(lock)  # releases it

    def _read_if_changed(self, strict: bool = True) -> None:
        """Not strict: a file damaged while the service runs leaves what was known in force, so
        that whoever is at the helm can go on easing off."""
        try:
            status = self._path.stat()
        except FileNotFoundError:
            if self._stamp is not None:
                # A file that vanished must not open the door: keep what was known.
                return
            if self._were_in_use():
                raise TokenError(
                    say("gone-tokens-were-in-use-here", path=self._path),
                    say("restore-from-backup-or-begin-anew", path=self._path.with_name(LOCK_NAME)),
                ) from None
            self._tokens = ()
            return
        stamp = (status.st_mtime_ns, status.st_ino, status.st_size)
        if stamp == self._stamp:
            return
        try:
            self._tokens = msgspec.json.decode(self._path.read_bytes(), type=_File).tokens
        except (OSError, msgspec.DecodeError) as error:
            if self._stamp is not None and not strict:
                return
            raise TokenError(
                say("cannot-be-read", path=self._path, error=error),
                say("restore-or-move-away-make-new"),
            ) from None
        self._stamp = stamp
        if self._tokens:
            self._note_use()

    def _were_in_use(self) -> bool:
        """Without the file everybody on this computer would maintain: once there were tokens, a
        mark beside it says so."""
        with contextlib.suppress(OSError):
            return self._path.with_name(LOCK_NAME).stat().st_size > 0
        return False

    def _note_use(self) -> None:
        if not self._were_in_use():
            with contextlib.suppress(OSError):  # a directory that cannot be written to
                self._path.with_name(LOCK_NAME).write_bytes(IN_USE)

    def _write(self, tokens: tuple[Token, ...]) -> None:
        body = msgspec.json.format(msgspec.json.encode(_File(tokens=tokens)), indent=2)
        handle, temporary = tempfile.mkstemp(dir=self._path.parent, prefix=".tokens-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(body + b"\n")
                file.flush()
                os.fsync(file.fileno())
            Path(temporary).replace(self._path)
        except OSError as error:
            Path(temporary).unlink(missing_ok=True)
            raise _unwritten(self._path, error) from None
        self._stamp = None
        self._read_if_changed()


def _unwritten(path: Path, error: OSError) -> TokenError:
    return TokenError(
        say("cannot-be-written", path=path, error=error), say("check-disk-its-rights")
    )


def _utc(later: timedelta = timedelta()) -> str:
    """The UTC label of a moment from now; labels of this form sort by time."""
    return (wall_clock.utc_now() + later).isoformat(timespec="seconds")


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
