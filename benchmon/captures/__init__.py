"""Captures saved by an oscilloscope: times and columns of numbers from a text file of any layout.

`scope_file` is the entry point. It uses `file_layout` (separators, headings, units) and `number_columns` (the numbers).
"""
