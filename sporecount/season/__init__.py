"""What people decide, kept in SQLite: the only SQL of the package."""

from __future__ import annotations

from sporecount.season.book import Book, KeptVerdict

__all__ = ["Book", "KeptVerdict"]
