"""The screen: it follows a session file and knows values, never instruments."""

import os

# Textual reads this when it is loaded. After Escape it waits so long for the rest of a key's code: its 100 ms would
# by themselves be all the time that a key may take.
os.environ.setdefault("ESCDELAY", "30")
