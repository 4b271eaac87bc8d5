"""Sentences on their way out of the house: beside each its English, so that anybody can read it.

Data flow: structs with `Text` in them -> `published` for HTTP and MQTT: where a field holds a
sentence it becomes English text, and `NAME_message` beside it (`NAME_messages` for a list) holds
code and values for a page that renders in another language or other units. `written` is for files,
which outlive catalogues: there a sentence keeps its code and values, and has its English with it.
"""

from __future__ import annotations

from typing import Any

import msgspec

from daq.quantities import UnitSystem
from daq.texts.message import Message, Text, render

_FIELDS = set(Message.__struct_fields__)
_TRACE = b'"values":{'  # of a sentence in JSON; without it there is none


def published(value: object, units: UnitSystem = UnitSystem.METRIC) -> Any:
    """`value` as plain data, its sentences in English with code and values beside."""
    return _published(msgspec.to_builtins(value), units)


def published_json(value: object, units: UnitSystem = UnitSystem.METRIC) -> bytes:
    """`value` as JSON, its sentences in English with code and values beside."""
    raw = msgspec.json.encode(value)
    if _TRACE not in raw:
        return raw
    return msgspec.json.encode(_published(msgspec.json.decode(raw), units))


def written(value: object) -> Any:
    """`value` as plain data for a file: each sentence with its English."""
    return _written(msgspec.to_builtins(value))


def text_of(plain: object) -> Text:
    """A sentence, or text of old, out of plain data."""
    if isinstance(plain, dict) and plain.keys() <= _FIELDS and "code" in plain:
        return msgspec.convert(plain, Message)
    return str(plain) if plain is not None else ""


def stored(text: Text) -> str:
    """A sentence as one line for a column of a table; plain text as it is."""
    return text if isinstance(text, str) else msgspec.json.encode(written(text)).decode()


def restored(line: str) -> Text:
    """What `stored` wrote."""
    if not line.startswith('{"code":'):
        return line
    try:
        return msgspec.json.decode(line, type=Message)
    except msgspec.DecodeError:
        return line


def _is_sentence(node: object) -> bool:
    return isinstance(node, dict) and node.keys() == _FIELDS


def _published(node: Any, units: UnitSystem) -> Any:
    if isinstance(node, dict):
        told: dict[str, Any] = {}
        for name, value in node.items():
            if _is_sentence(value):
                told[name] = render(text_of(value), units)
                told[f"{name}_message"] = _bare(value)
            elif isinstance(value, list | tuple) and any(map(_is_sentence, value)):
                told[name] = [render(text_of(one), units) for one in value]
                told[f"{name}_messages"] = [_bare(one) for one in value]
            else:
                told[name] = _published(value, units)
        return told
    if isinstance(node, list | tuple) and node and isinstance(node[0], dict | list | tuple):
        return [_published(one, units) for one in node]
    return node


def _bare(node: Any) -> Any:
    """Code and values, in all depths; None for plain text, which needs no rendering."""
    if not isinstance(node, dict):
        return None
    return {"code": node["code"], "values": {k: _within(v) for k, v in node["values"].items()}}


def _within(value: Any) -> Any:
    if isinstance(value, dict):
        return _bare(value)
    if isinstance(value, list | tuple):
        return [_within(one) for one in value]
    return value


def _written(node: Any) -> Any:
    if _is_sentence(node):
        return {**node, "text": node["text"] or render(text_of(node))}
    if isinstance(node, dict):
        return {name: _written(value) for name, value in node.items()}
    if isinstance(node, list | tuple) and node and isinstance(node[0], dict | list | tuple):
        return [_written(one) for one in node]
    return node
