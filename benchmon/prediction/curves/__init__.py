"""Curves of every quantity against the load or the mains, with bands."""
