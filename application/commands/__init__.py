"""The commands of ``stillgate``, one module each, loaded by ``stillgate.cli`` when called."""

__all__: list[str] = []
