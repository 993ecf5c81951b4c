"""Sessions side by side."""
