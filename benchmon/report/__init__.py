"""Report and comparison of finished sessions."""
