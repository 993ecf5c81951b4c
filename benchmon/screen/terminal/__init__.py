"""The way between Textual and the terminal: all that uses parts of Textual that are not public.

The upper bound of Textual's version in pyproject.toml is the newest one that this was tested with.
"""
