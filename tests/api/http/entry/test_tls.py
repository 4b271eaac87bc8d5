"""HTTPS and live lines over TLS, with a certificate made for the test."""

from __future__ import annotations

import asyncio
import ssl
from pathlib import Path

import httpx
import msgspec
import pytest
import websockets

from api.http.entry.tokens import Role, TokenBook
from api.settings import ServiceSection, Settings, StoreSection
from tests.api.fake_loop import RIG_FILE, FakeLoop
from tests.api.harness import listening


async def test_page_commands_and_live_line_work_over_tls(
    data: Path, fake_loop: FakeLoop, certificate: Path
) -> None:
    key = data / "key.pem"
    _, secret = TokenBook(data).add("tablet", Role.OPERATE)
    section = ServiceSection(tls_certificate=str(certificate), tls_key=str(key))
    settings = Settings(RIG_FILE, data, section, None, StoreSection(min_free_mb=0))
    trust = ssl.create_default_context(cafile=str(certificate))
    async with listening(settings) as (server, port):
        await server.config.app.state.context.loop.wait_connected(30.0)  # type: ignore[union-attr]
        base = f"https://127.0.0.1:{port}"
        async with httpx.AsyncClient(base_url=base, verify=trust) as browser:
            signed = await browser.post("/api/sign-in", json={"token": secret})
            assert "Secure" in signed.headers["set-cookie"]
            headers = {"Origin": base, "Drumlin-Client": "page-0001"}
            assert (await browser.post("/api/park", headers=headers)).status_code == 200
            plain = {"Origin": base.replace("https", "http")}
            assert (await browser.post("/api/park", headers=plain)).status_code == 403
            cookie = "; ".join(f"{name}={value}" for name, value in browser.cookies.items())
        async with websockets.connect(
            f"wss://127.0.0.1:{port}/api/live",
            ssl=trust,
            additional_headers={"Cookie": cookie},
            origin=base,  # type: ignore[arg-type]
        ) as line:
            assert "loop_up" in msgspec.json.decode(await line.recv())


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.TLSv1_1 is deprecated:DeprecationWarning")
async def test_what_can_be_read_later_is_not_spoken(
    data: Path, fake_loop: FakeLoop, certificate: Path
) -> None:
    """No TLS before 1.2, and with 1.2 no suite without forward secrecy or with plain CBC."""
    TokenBook(data).add("tablet", Role.OPERATE)
    section = ServiceSection(tls_certificate=str(certificate), tls_key=str(data / "key.pem"))
    settings = Settings(RIG_FILE, data, section, None, StoreSection(min_free_mb=0))
    old = ssl.create_default_context(cafile=str(certificate))
    old.minimum_version = ssl.TLSVersion.TLSv1_1
    old.maximum_version = ssl.TLSVersion.TLSv1_1
    weak = ssl.create_default_context(cafile=str(certificate))
    weak.maximum_version = ssl.TLSVersion.TLSv1_2
    weak.set_ciphers("ECDHE-ECDSA-AES256-SHA:ECDHE-ECDSA-AES128-SHA:AES256-SHA:@SECLEVEL=0")
    async with listening(settings) as (_, port):
        for context in (old, weak):
            with pytest.raises((ssl.SSLError, ConnectionError)):
                await asyncio.open_connection("127.0.0.1", port, ssl=context)
        weak.set_ciphers("ECDHE-ECDSA-AES128-GCM-SHA256")
        _, writer = await asyncio.open_connection("127.0.0.1", port, ssl=weak)
        writer.close()
        await writer.wait_closed()
