"""The tables, as numbered steps from an empty file to the present form. A released step never changes."""

from __future__ import annotations

import sqlite3

STEPS = (
    """
    CREATE TABLE reading (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        id TEXT NOT NULL UNIQUE,
        made_at TEXT NOT NULL,
        reader TEXT NOT NULL,
        round INTEGER NOT NULL,
        photo TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        x_px REAL NOT NULL,
        y_px REAL NOT NULL,
        says TEXT NOT NULL,
        machine REAL
    );
    CREATE INDEX reading_of_photo ON reading (photo);
    CREATE TABLE setting (name TEXT PRIMARY KEY, value TEXT NOT NULL);
    """,
    """
    CREATE TABLE verdict (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        id TEXT NOT NULL UNIQUE,
        made_at TEXT NOT NULL,
        reader TEXT NOT NULL,
        sample TEXT NOT NULL,
        says TEXT NOT NULL,
        note TEXT NOT NULL
    );
    """,
)
"""Step n leads from version n to n + 1."""


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a file to the present form, each step whole or not at all.

    Raises
    ------
    ValueError
        The file is of a later version than this program knows.
    """
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > len(STEPS):
        raise ValueError(f"version {version} is later than {len(STEPS)}")
    while version < len(STEPS):
        connection.execute("BEGIN IMMEDIATE")
        try:
            version = connection.execute("PRAGMA user_version").fetchone()[
                0
            ]  # another process may have come first
            if version < len(STEPS):
                for statement in STEPS[version].split(";"):
                    if statement.strip():
                        connection.execute(statement)
                version += 1
                connection.execute(f"PRAGMA user_version = {version}")
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise
