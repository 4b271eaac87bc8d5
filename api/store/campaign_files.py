"""Campaigns on the disk: one JSON file each in `<data>/campaigns`, written whole or not at all.

Data flows: api.services.campaigns -> write_campaign; service start and routes -> read. All of it
blocks.
"""

from __future__ import annotations

import logging
from pathlib import Path

import msgspec

from api.store.atomic_file import atomic_write
from api.store.catalogue import RUN_ID
from control.campaigns.campaign import Campaign
from control.campaigns.sequence import CampaignMemory
from daq.errors import StoreError
from daq.texts.message import say

FOLDER = "campaigns"
SCHEMA = 1
MOST_LISTED = 100

log = logging.getLogger("drumlin.store")


class Kinds(msgspec.Struct, frozen=True):
    """Of a campaign's plan, what a list needs."""

    setups: tuple[str, ...] = ()
    repeats: int = 1


class Listed(msgspec.Struct, frozen=True):
    """A campaign in a list."""

    id: str
    name: str
    vehicle: str
    made_at: str
    kept: CampaignMemory
    campaign: Kinds


class Filed(msgspec.Struct, frozen=True):
    """A campaign as it is kept."""

    id: str
    name: str
    vehicle: str
    note: str
    made_at: str  # UTC label
    holder: str  # who began it
    campaign: Campaign
    kept: CampaignMemory
    schema: int = SCHEMA


def write_campaign(data: Path, filed: Filed) -> None:
    """Replace its file, whole or not at all. Raises StoreError."""
    folder = data / FOLDER
    path = folder / f"{filed.id}.json"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        atomic_write(path, msgspec.json.encode(filed))
    except OSError as error:
        raise StoreError(
            say("campaign-cannot-be-kept-in", path=path, why=error.strerror),
            say("make-room-on-disk-or-mend"),
        ) from None


def read_campaign(data: Path, campaign_id: str) -> Filed | None:
    """One campaign; None when there is none of that id. Raises StoreError."""
    path = data / FOLDER / f"{campaign_id}.json"
    try:
        return msgspec.json.decode(path.read_bytes(), type=Filed)
    except FileNotFoundError:
        return None
    except (OSError, msgspec.DecodeError) as error:
        raise StoreError(
            say("campaign-file-cannot-be-read", path=path, error=error), say("move-away")
        ) from None


def list_campaigns(data: Path, most: int = MOST_LISTED) -> list[Listed]:
    """The newest campaigns, newest first; files that cannot be read are left out and logged."""
    folder = data / FOLDER
    if not folder.is_dir():
        return []
    found: list[Listed] = []
    ids = sorted(each.stem for each in folder.glob("*.json") if RUN_ID.match(each.stem))
    for campaign_id in reversed(ids[-most:]):
        try:
            text = (folder / f"{campaign_id}.json").read_bytes()
            found.append(msgspec.json.decode(text, type=Listed))
        except (OSError, msgspec.DecodeError) as error:
            log.warning("The campaign file %s cannot be read: %s", campaign_id, error)
    return found
