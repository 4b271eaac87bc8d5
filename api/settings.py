"""Settings of the service: what `drumlin.toml` and the command line say, checked.

Data flow: file -> tomllib -> typed structs (unknown keys refused) -> Settings. Everything in the
service takes Settings and never the file. docs/api.md and docs/mqtt.md explain every key.
"""

from __future__ import annotations

import ipaddress
import tomllib
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from daq.errors import DrumlinError

Port = Annotated[int, Meta(ge=0, le=65535)]
DEFAULT_PORT = 8440


class SettingsError(DrumlinError):
    """The settings cannot be used."""


class ServiceSection(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where and to whom the service answers."""

    host: Annotated[str, Meta(min_length=1, max_length=255)] = "127.0.0.1"
    port: Port = DEFAULT_PORT
    # Of the helm process, where easing off and the helm have a listener of their own; left out:
    # the next free one after `port` under drumlin serve; 0: none.
    helm_port: Port | None = None
    hosts: tuple[str, ...] = ()  # names people may use in the address bar, beside IP addresses
    origins: tuple[str, ...] = ()  # other pages that may command, e.g. "https://wall.example"
    tls_certificate: str = ""  # PEM file, with the chain
    tls_key: str = ""  # PEM file
    page: str = ""  # folder of the page; "" is the one that comes with Drumlin


# The first levels of a topic: no wildcards, nothing that only a broker may say, one line.
_IN_TOPICS = r"[^#+/$\x00-\x1f\x7f-\x9f]"
TOPIC = rf"^{_IN_TOPICS}(?:{_IN_TOPICS}|/)*(?![\s\S])"


class MqttSection(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The broker to talk to; without this section nothing is sent anywhere."""

    host: Annotated[str, Meta(min_length=1, max_length=255)]
    port: Port = 1883
    username: str = ""
    password_file: str = ""  # a file whose first line is the password
    ca_file: str = ""  # PEM; given: TLS, checked against this authority
    client_id: Annotated[str, Meta(max_length=64)] = ""
    prefix: Annotated[str, Meta(min_length=1, max_length=64, pattern=TOPIC)] = "drumlin"
    telemetry_hz: Annotated[float, Meta(gt=0, le=10)] = 1.0
    slow_hz: Annotated[float, Meta(gt=0, le=50)] = 5.0  # per channel in; faster is dropped
    connect_timeout_s: Annotated[float, Meta(gt=0, le=60)] = 5.0
    back_off_cap_s: Annotated[float, Meta(gt=0, le=600)] = 30.0


class StoreSection(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where the run catalogue lives and when the disk counts as full."""

    url: str = ""  # "" is SQLite in the data directory; or postgresql+psycopg://...
    min_free_mb: Annotated[int, Meta(ge=0)] = 500
    import_mb: Annotated[int, Meta(ge=1, le=100_000)] = 1200  # largest recording taken by HTTP


class FileSections(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The form of `drumlin.toml`."""

    service: ServiceSection = ServiceSection()
    mqtt: MqttSection | None = None
    store: StoreSection = StoreSection()


class Settings(msgspec.Struct, frozen=True):
    """Everything the service needs to know before it starts."""

    rig: Path
    data: Path
    service: ServiceSection = ServiceSection()
    mqtt: MqttSection | None = None
    store: StoreSection = StoreSection()


def load_settings(
    rig: Path,
    data: Path,
    file: Path | None = None,
    host: str = "",
    port: int | None = None,
    helm_port: int | None = None,
) -> Settings:
    """Settings from a file (optional) and the command line, which wins. Raises SettingsError."""
    sections = FileSections() if file is None else parse_sections(_read(file), str(file))
    service = sections.service
    if host:
        service = msgspec.structs.replace(service, host=host)
    if port is not None:
        service = msgspec.structs.replace(service, port=port)
    if helm_port is not None:
        service = msgspec.structs.replace(service, helm_port=helm_port)
    return Settings(rig, data, service, sections.mqtt, sections.store)


def parse_sections(text: str, source: str = "drumlin.toml") -> FileSections:
    """The sections of a settings file. Raises SettingsError naming the key."""
    try:
        return msgspec.convert(tomllib.loads(text), FileSections)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"{source} is not valid TOML: {error}.", "Mend that line and start again."
        ) from None
    except msgspec.ValidationError as error:
        raise SettingsError(
            f"{source}: {error}.", "docs/api.md and docs/mqtt.md list every key and its range."
        ) from None


def is_loopback(host: str) -> bool:
    """True for names and addresses that only this computer can reach."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def check_exposure(settings: Settings, has_tokens: bool) -> None:
    """Raise SettingsError when the service would answer beyond loopback without tokens."""
    service = settings.service
    if bool(service.tls_certificate) != bool(service.tls_key):
        raise SettingsError(
            "TLS needs both tls_certificate and tls_key.", "Give both files, or neither."
        )
    for name in (service.tls_certificate, service.tls_key):
        if name and not Path(name).is_file():
            raise SettingsError(f"There is no TLS file {name}.", "Correct the path.")
    if not is_loopback(service.host) and not has_tokens:
        raise SettingsError(
            f"Nothing is served on {service.host} without tokens: "
            "anybody there could load the rig.",
            "Make a token first (drumlin token add NAME --role maintain), or use host 127.0.0.1.",
        )


def _read(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SettingsError(
            f"There is no settings file {file}.", "Give another with --settings, or leave it out."
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{file} cannot be read: {error}.", "Check the file and its rights."
        ) from None
