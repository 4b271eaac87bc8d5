"""What a tablet's camera reads to be paired: an address of this service with the code, as QR code.

Data flows: pairing code + the address that was asked -> link -> SVG. The code stands behind the #,
which browsers keep to themselves: it is in no request, no log and no referrer. On paper or screen
it is as good as the code in letters: it works once and for five minutes.
"""

from __future__ import annotations

import ipaddress
import socket

import segno

from api.settings import ServiceSection, is_loopback

# Nothing is sent there: asking for the way to it tells which of our addresses others would see.
_ELSEWHERE = ("192.0.2.1", 9)  # RFC 5737, for documentation


def link(scheme: str, host: str, port: int, service: ServiceSection, code: str) -> str:
    """The address a tablet has to open; "" when no tablet can reach this service.

    `host` is what the caller's browser has in its address bar. On the rig's own computer that may
    be a loopback address, which would lead a tablet to itself: then another one is looked for.
    """
    if is_loopback(service.host):
        return ""
    if is_loopback(host):
        host = service.host if not _everywhere(service.host) else _own_address()
        if not host:
            return ""
    if ":" in host and not host.startswith("["):
        host = f"[{host}]"
    usual = {"http": 80, "https": 443}.get(scheme)
    return f"{scheme}://{host}{'' if port == usual else f':{port}'}/#/pair/{code}"


def svg(address: str) -> str:
    """`address` as a QR code (ISO/IEC 18004, a quarter of it may be hidden): an SVG to scale."""
    drawn: str = segno.make(address, micro=False, error="q").svg_inline(
        border=4, dark="#000", light="#fff", omitsize=True, svgclass=None, lineclass=None
    )
    return drawn.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)


def _everywhere(host: str) -> bool:
    try:
        return ipaddress.ip_address(host.strip("[]")).is_unspecified
    except ValueError:
        return False


def _own_address() -> str:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_ELSEWHERE)
        except OSError:  # no network at all
            return ""
        address: str = probe.getsockname()[0]
    return "" if is_loopback(address) else address
