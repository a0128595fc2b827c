"""How a field of a file's models is described: once, for messages, schemas and reference pages."""

from __future__ import annotations

from typing import Any

from pydantic import Field


def about(sentence: str, example: object, **more: Any) -> Any:
    """What a field means, and how it may look in a file."""
    return Field(description=sentence, examples=[example], **more)
