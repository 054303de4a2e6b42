"""TOML from outside: parsed once the nesting of its keys is known to be shallow."""

from __future__ import annotations

import re
import tomllib
from typing import Any

__all__ = ["parse_toml"]

# a dotted key takes the parser time that grows with the square of its parts, and no limit of Python's stops it
_DEEP = re.compile(r"""(?<![\w"'.-])(?:[\w"'-]+[ \t]*\.[ \t]*){30}""")


def parse_toml(content: bytes) -> dict[str, Any]:
    """Tables of a TOML file, with or without a byte-order mark.

    Raises
    ------
    ValueError
        When it is no TOML in UTF-8.
    RecursionError
        When tables or lists are nested too deeply.
    """
    text = content.decode("utf-8-sig")
    if _DEEP.search(text):
        raise RecursionError
    return tomllib.loads(text)
