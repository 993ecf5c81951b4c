"""The views and dialogues of the screen, each with the head on top."""
