"""Names that a machine file accepts, made of what people call their files."""

from __future__ import annotations

import re

from .starter import STARTER_NAME


def machine_name(text: str) -> str:
    """A name that a machine file accepts, as near to the text as can be."""
    from stillgate.controller.errors import TextError
    from stillgate.controller.machine_file.field_types import LONGEST_NAME, parse_name

    name = (
        re.sub(r"_+", "_", re.sub(r"[^A-Za-z0-9]", "_", text, flags=re.ASCII))
        .strip("_")
        .lstrip("0123456789_")
    )
    name = name[:LONGEST_NAME].rstrip("_") or STARTER_NAME
    try:
        return parse_name(name)
    except TextError:
        return f"{name[: LONGEST_NAME - 8]}_machine"
