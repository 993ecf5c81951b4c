"""Session files of older layouts."""

import sqlite3
from contextlib import closing

from benchmon.session.schema import LAYOUTS, TABLES


def as_layout(path, layout):
    """Make the finished session at `path` one of an older layout, which has fewer tables."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for table in TABLES.keys() - LAYOUTS[layout].keys():
            connection.execute(f"DROP TABLE {table}")
        connection.execute(f"PRAGMA user_version = {layout}")
