"""The screen: it follows a session file and knows values, never instruments."""

import os

# Textual reads this when it is loaded. After Escape it waits so long for the rest of a key's code: 100 ms, unless told,
# would by itself be all the time that a key may take.
os.environ.setdefault("ESCDELAY", "30")
