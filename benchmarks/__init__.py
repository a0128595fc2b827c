"""Figures of this project, measured side by side: ``python -m benchmarks``."""
