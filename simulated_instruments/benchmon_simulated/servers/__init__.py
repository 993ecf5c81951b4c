"""Servers that speak each instrument's protocol on a real line."""
