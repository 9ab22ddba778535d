"""A digest as plain text, Markdown or a page that any mailer shows; text from data is text in each."""

from collections.abc import Callable
from html import escape

from pipelines.digest import Digest
from pipelines.visible import visible

MARKUP = r"\`*_{}[]()<>#+!|~&:"  # of Markdown, addresses too


def as_text(told: Digest) -> str:
    """Lines of plain text."""
    parts = [visible(told.headline)]
    for section in told.sections:
        parts += ["", f"{section.title} ({len(section.lines)})", *(f"  {visible(line)}" for line in section.shown())]
    return "\n".join(parts) + "\n"


def as_markdown(told: Digest) -> str:
    """Markdown; nothing in a line is read as markup."""
    parts = [f"# {_plain(told.headline)}"]
    for section in told.sections:
        parts += ["", f"## {section.title} ({len(section.lines)})", ""]
        parts += [f"- {_plain(line)}" for line in section.shown()]
    return "\n".join(parts) + "\n"


def as_html(told: Digest) -> str:
    """One page without script, style sheet or anything from outside."""
    body = [f"<h1>{escape(visible(told.headline))}</h1>"]
    for section in told.sections:
        lines = "".join(f"<li>{escape(visible(line))}</li>" for line in section.shown())
        body.append(f"<h2>{escape(section.title)} ({len(section.lines)})</h2><ul>{lines}</ul>")
    head = '<meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>Leeway digest</title>'
    return f'<!doctype html><html lang="en"><head>{head}</head><body>{"".join(body)}</body></html>\n'


def _plain(text: str) -> str:
    return "".join(f"\\{letter}" if letter in MARKUP else letter for letter in visible(text))


FORMS: dict[str, Callable[[Digest], str]] = {".txt": as_text, ".md": as_markdown, ".html": as_html}
