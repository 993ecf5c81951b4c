"""The parts of the screen, each in a file named after what the user sees. They know values, never instruments."""
