"""Pure functions from the state of a session to lines of text."""
