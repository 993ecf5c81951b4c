"""The screen: it follows a session file and knows values, never instruments."""
