"""Text from elsewhere as it may be shown: nothing in it commands a terminal or turns a line round.

Names of channels, notes, notices and labels of recordings come from front ends, brokers, files and
people. What shows them escapes its own markup besides.
"""

from __future__ import annotations

import re

# Control characters but tab and newline, and what changes the direction of writing.
COMMANDING = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
REPLACEMENT = "\N{REPLACEMENT CHARACTER}"


def visible(text: str) -> str:
    """The text with a sign in place of each character that would command."""
    return COMMANDING.sub(REPLACEMENT, text)
