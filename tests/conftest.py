"""For all tests: what hypothesis draws is drawn anew on a desk, and always the same in CI, where a run must repeat."""

import os

from hypothesis import settings

settings.register_profile("ci", derandomize=True, deadline=None, print_blob=True)
settings.register_profile("desk", deadline=None)
settings.load_profile("ci" if os.environ.get("CI") else "desk")
