"""The terminal: differential output and ordered keys; the one place for parts of Textual that are not public."""
