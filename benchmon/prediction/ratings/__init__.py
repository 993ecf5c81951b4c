"""Ratings before power is applied: worst-case states, switch-on transient, margins, stored energy and cautions."""
