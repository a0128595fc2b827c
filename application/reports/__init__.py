"""What the commands print: text for a person and JSON for a program, from the same values."""

__all__: list[str] = []
