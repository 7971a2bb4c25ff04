"""The page on paper: HTML to PDF by WeasyPrint, which is loaded only here. What is on the page is not known here."""

from __future__ import annotations

import hashlib
from typing import Any, NoReturn

__all__ = ["PaperError", "pdf"]

#: What the PDF's library needs of the system, as Debian names it.
DEBIAN_PACKAGES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"


class PaperError(Exception):
    """No PDF could be made; the text says what is missing and what to do."""


def _refuse(url: str, *_: Any, **__: Any) -> NoReturn:
    raise ValueError(f"a report holds all of itself and asks for nothing, yet it asked for {url[:80]}")


def pdf(html: str, size: str) -> tuple[bytes, int]:
    """Return the page as a PDF on paper of `size` ("A4" or "letter"), and its number of pages.

    The same page gives the same bytes with the same fonts and libraries: its dates come from the page, its identifier
    from a hash of it. Raises PaperError.
    """
    try:
        import weasyprint
    except (ImportError, OSError) as error:  # a missing shared library is an OSError of the loader
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise PaperError(
            f"the PDF needs system libraries that are not here ({first}); on Debian: apt-get install {DEBIAN_PACKAGES}, "
            "or print the HTML from a browser"
        ) from error
    sheet = weasyprint.CSS(string=f"@page {{ size: {size} }}", url_fetcher=_refuse)
    document = weasyprint.HTML(string=html, url_fetcher=_refuse).render(stylesheets=[sheet])
    identifier = hashlib.sha256(html.encode()).digest()[:16]
    made: bytes = document.write_pdf(pdf_identifier=identifier)
    return made, len(document.pages)
