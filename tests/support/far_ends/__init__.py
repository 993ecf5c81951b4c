"""The far ends of the instruments whose drivers are tested."""
