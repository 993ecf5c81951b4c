"""The session file: one SQLite file that holds a whole test, written as it happens and followed by any screen."""
