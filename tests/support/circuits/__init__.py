"""Supplies drawn at random, and solutions of them that share nothing with the prediction that is tested."""
