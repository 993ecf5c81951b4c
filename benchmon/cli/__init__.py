"""The commands: what a person types, and what is printed."""
