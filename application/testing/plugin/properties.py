"""Properties of pytest's reports that items set and the plugin reads, wherever the items ran."""

from __future__ import annotations

CHECK_PROPERTY = "machine_check"
"""Says how a machine file was checked; it is in JUnit's XML as well."""
