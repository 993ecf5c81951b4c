"""Ratings, margins and cautions before power is applied."""
