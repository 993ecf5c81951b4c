"""The simulated supply: its own circuit integration and heat."""
