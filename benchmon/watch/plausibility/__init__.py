"""Plausibility: relations between channels that hold whatever the supply does."""
