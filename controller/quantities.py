"""The small typed values that machine files are made of: names, durations, conditions."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, GetJsonSchemaHandler
from pydantic_core import PydanticCustomError

from .expression import Expression

Milliseconds = int
"""A time in whole milliseconds."""

Ticks = int
"""A time in steps of the period in use (the scan, or the check's tick)."""
