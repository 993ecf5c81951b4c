"""The circuit, from the values of its parts to its steady state and what a solved period shows."""
