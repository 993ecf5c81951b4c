"""A document as PDF: the HTML page as it prints on A4, by a library that comes with the extra `report`."""

from __future__ import annotations

import warnings
from pathlib import Path

from benchmon.errors import BadInput
from benchmon.report.document import Document
from benchmon.report.html import as_page

_MISSING = "PDF needs WeasyPrint: pip install '.[report]' in the clone of benchmon; or print the .html from a browser"
_NO_PANGO = (
    "PDF needs the system library Pango, in Debian libpango-1.0-0 and libpangoft2-1.0-0; or print the .html from a "
    "browser"
)


def write_pdf(document: Document, path: Path) -> None:
    """Write a document as PDF. Raises `BadInput` where the library or what it needs is missing, and `OSError`."""
    with warnings.catch_warnings():
        # Of a system library that is older than the newest: nothing that a person at the bench can mend.
        warnings.simplefilter("ignore", DeprecationWarning)
        try:
            import weasyprint  # noqa: PLC0415 - an extra, and it takes half a second
        except ImportError as problem:
            raise BadInput(_MISSING) from problem
        except OSError as problem:
            raise BadInput(_NO_PANGO) from problem
        # The page holds all it shows; what any part of it may name elsewhere is not fetched.
        nothing = weasyprint.urls.URLFetcher(allowed_protocols=("data",))
        weasyprint.HTML(string=as_page(document), url_fetcher=nothing).write_pdf(path)
