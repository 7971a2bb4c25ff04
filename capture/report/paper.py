"""The page on paper: HTML to PDF by WeasyPrint, which is loaded only here. What is on the page is not known here."""

from __future__ import annotations

import contextlib
import hashlib
import io
import logging
import re
from collections.abc import Iterator
from dataclasses import dataclass

#: What the PDF's library needs of the system, as Debian names it.
_DEBIAN_PACKAGES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
_NO_GLYPH = re.compile(r"notdef glyph .*\(U\+([0-9A-F]{4,6})\)")


class PaperError(Exception):
    """No PDF could be made; the text says what is missing and what to do."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A PDF, its number of pages, and the characters that no installed font has: they are boxes on it."""

    data: bytes
    pages: int
    boxes: str


def pdf(html: str, size: str) -> Paper:
    """Return the page as a PDF on paper of `size` ("A4" or "letter").

    The same page gives the same bytes with the same fonts and libraries: its dates come from the page, its identifier
    from a hash of it. Raises PaperError.
    """
    try:
        # Where a library is missing, WeasyPrint says so on standard output, which may be read by a program.
        with contextlib.redirect_stdout(io.StringIO()):
            import weasyprint
            from weasyprint.urls import URLFetcher
    except (ImportError, OSError) as error:  # a missing shared library is an OSError of the loader
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise PaperError(
            f"the PDF needs system libraries that are not here ({first}); on Debian: apt-get install "
            f"{_DEBIAN_PACKAGES}, or print the HTML from a browser"
        ) from error
    with _heard() as said:
        # A report holds all of itself: what it asks for beyond that is refused.
        itself = URLFetcher(allowed_protocols={"data"})
        sheet = weasyprint.CSS(string=f"@page {{ size: {size} }}", url_fetcher=itself)
        document = weasyprint.HTML(string=html, url_fetcher=itself).render(stylesheets=[sheet])
        identifier = hashlib.sha256(html.encode()).digest()[:16]
        data: bytes = document.write_pdf(pdf_identifier=identifier)
    boxes = sorted({chr(int(found[1], 16)) for text in said if (found := _NO_GLYPH.search(text))})
    return Paper(data, len(document.pages), "".join(boxes))


@contextlib.contextmanager
def _heard() -> Iterator[list[str]]:
    """What the library logs meanwhile: there alone it says which characters no font has."""
    said: list[str] = []

    class _Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.append(record.getMessage())

    logger, ear = logging.getLogger("weasyprint"), _Ear(logging.WARNING)
    propagate, logger.propagate = logger.propagate, False
    logger.addHandler(ear)
    try:
        yield said
    finally:
        logger.removeHandler(ear)
        logger.propagate = propagate
