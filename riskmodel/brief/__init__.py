"""The page that a committee reads: results of a study as one file, without a network or a server."""

from __future__ import annotations

from .material import Material
from .page import Page, build_page

__all__ = ["Material", "Page", "build_page"]
