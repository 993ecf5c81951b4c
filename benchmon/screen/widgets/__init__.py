"""Widgets that show lines."""
