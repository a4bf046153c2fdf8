"""Everything that is drawn: the only package that imports Qt."""

from __future__ import annotations

__all__: list[str] = []
