"""The publisher's own command: follows a session until it is over.

python -m benchmon.publish SESSION URL
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from benchmon.errors import EXIT_BAD_INPUT, EXIT_DONE, BenchmonError
from benchmon.publish.broker import read_broker
from benchmon.publish.publisher import Publisher
from benchmon.session.follower import open_session_view
from benchmon.session.records import RECENT_SECONDS
from benchmon.text import one_line


def main(arguments: Sequence[str] | None = None) -> int:
    """Publish, and return the exit status."""
    given = sys.argv[1:] if arguments is None else arguments
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        session, url = given
        view = open_session_view(Path(session), recent=RECENT_SECONDS)
        Publisher(view, read_broker(url)).run()
        view.close()
    except (BenchmonError, ValueError) as problem:
        print(one_line(problem, 1000), file=sys.stderr)  # noqa: T201 - this is a command
        return EXIT_BAD_INPUT
    return EXIT_DONE


if __name__ == "__main__":
    sys.exit(main())
