"""The report as one HTML file: no script, nothing from outside, text from the record never as markup."""

from __future__ import annotations

from datetime import datetime
from functools import cache
from typing import Any

from capture import __version__
from capture.clearance.verdict import COVERAGE
from capture.output.printed_tables import DECISION_RULE
from capture.output.words import CAUTION_LINE
from capture.plumbing.plaintext import clean
from capture.report.contents import Contents
from capture.report.drawing import legend
from capture.report.letterhead import Letterhead
from capture.report.shop_contents import ShopContents
from capture.report.typeface import FACES, faces


@cache
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    def harmless(value: Any) -> Any:
        """Every text that the template prints: one line, nothing in it that could turn a line around."""
        return clean(value) if isinstance(value, str) and not isinstance(value, Markup) else value

    environment = Environment(
        loader=PackageLoader("capture.report", "sheets"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=harmless,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Only what `drawing` built is let through as markup.
    environment.filters["drawn"] = Markup
    return environment


def page(contents: Contents, head: Letterhead | None = None) -> str:
    """Return the whole page, under the shop's letterhead."""
    from markupsafe import Markup

    template = _environment().get_template("report.html.j2")
    html: str = template.render(
        report=contents,
        head=head or Letterhead(),
        legend=legend(),
        rule=DECISION_RULE.format(coverage=COVERAGE),
        caution=CAUTION_LINE,
        version=__version__,
        created=contents.newest.strftime("%Y-%m-%dT%H:%M:%SZ"),
        faces=Markup(FACES),
    )
    return html.replace(FACES, faces(html), 1)


def shop_page(contents: ShopContents, at: datetime, head: Letterhead | None = None) -> str:
    """Return the page of a shop's report, made at `at`, under its letterhead."""
    from markupsafe import Markup

    html: str = (
        _environment()
        .get_template("shop.html.j2")
        .render(
            shop=contents,
            head=head or Letterhead(),
            caution=CAUTION_LINE,
            version=__version__,
            created=at.strftime("%Y-%m-%dT%H:%M:%SZ"),
            faces=Markup(FACES),
        )
    )
    return html.replace(FACES, faces(html), 1)
