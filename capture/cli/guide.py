"""The command `guide`: the user's manual at the bench, where there may be no internet."""

from __future__ import annotations

import os
import re
import sys
from difflib import get_close_matches
from importlib.resources import files
from typing import Annotated

import typer

from capture.cli.options import fail
from capture.plumbing.outward import say, write

#: A picture on a line of its own; at the bench the screen itself is at hand.
_PICTURE = re.compile(r"^!\[[^\]]*\]\([^)]*\)\n+", re.MULTILINE)


def topics() -> dict[str, str]:
    """Return the topics in the order to read them, each with its title."""
    found = {}
    for file in (files("capture") / "guide").iterdir():
        if file.name.endswith(".md"):
            found[file.name.removesuffix(".md")] = file.read_text(encoding="utf-8").partition("\n")[0].lstrip("# ")
    first = ("hooking-up", "gauge", "build-sheet", "measuring", "gauge-checks", "flags-and-verdict")
    then = (*first, "how-good-are-the-numbers", "parts-and-stock", "steps-and-sign-off", "record")
    return dict(sorted(found.items(), key=lambda one: (then.index(one[0]) if one[0] in then else len(then), one[0])))


def page(topic: str) -> str:
    """Return a topic's page, Markdown without its pictures."""
    return _PICTURE.sub("", (files("capture") / "guide" / f"{topic}.md").read_text(encoding="utf-8"))


def guide(
    topic: Annotated[str | None, typer.Argument(help="What to read about; without one, what there is.")] = None,
) -> None:
    """Show the user's guide: a page by its topic, or which topics there are. Needs no internet."""
    there = topics()
    if topic is None:
        for name, title in there.items():
            say(f"{name:26}{title}")
        say("\nstrokelog guide TOPIC shows one.")
        return
    chosen = topic.strip().lower().removesuffix(".md")
    if chosen not in there:
        near = (
            get_close_matches(chosen, there, n=1, cutoff=0.5) or [one for one in there if chosen and chosen in one][:1]
        )
        meant = f"; did you mean `strokelog guide {near[0]}`?" if near else f"; there are: {', '.join(there)}"
        fail(f"the guide has no topic {topic!r}{meant}", 2)
    if not (sys.stdin.isatty() and sys.stdout.isatty()) or os.environ.get("TERM", "dumb") in ("", "dumb"):
        write(page(chosen))
        return
    from rich.markdown import Markdown

    from capture.plumbing.outward import harmless_console

    # Colours pass through less, and a page that fits the window needs no key to leave it.
    os.environ.setdefault("LESS", "-RFX")
    console = harmless_console(highlight=True)
    with console.pager(styles=True):
        console.print(Markdown(page(chosen), hyperlinks=False))
