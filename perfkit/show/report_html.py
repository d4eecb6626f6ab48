"""HTML in which a stranger's text can only be text, under a policy that lets nothing else run."""

import base64
import hashlib
import json
import re
from dataclasses import dataclass
from html import escape
from importlib import resources
from typing import Any

_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufffe\uffff]")


def stranger(text: object) -> str:
    """Text from a study as HTML: escaped, and unable to turn the line around it.

    Parameters
    ----------
    text : object
        Anything with a ``str``.

    Returns
    -------
    str

    Examples
    --------
    >>> stranger("Quarry <b>")
    '<bdi>Quarry &lt;b&gt;</bdi>'
    """
    return f"<bdi>{escape(visible(text))}</bdi>"


def visible(text: object) -> str:
    r"""Take control signs and direction overrides out of a text.

    Parameters
    ----------
    text : object
        Anything with a ``str``.

    Returns
    -------
    str

    Examples
    --------
    >>> visible("a\u202eb")
    'ab'
    """
    return _UNSEEN.sub("", str(text))


def embedded(data: Any) -> str:
    r"""Write data as JSON that cannot end the script element it stands in.

    Parameters
    ----------
    data : object
        Lists, dicts, text, finite numbers, booleans and None.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        A number is not finite.

    Examples
    --------
    >>> embedded(["</script>"])
    '["\\u003c/script>"]'
    """
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c")


def page_part(name: str) -> str:
    """Read one of the page's own files: style or script.

    Parameters
    ----------
    name : str
        File in ``perfkit/show/page``.

    Returns
    -------
    str
    """
    return (resources.files("perfkit.show") / "page" / name).read_text(encoding="utf-8")


def policy(script: str, style: str) -> str:
    """Content security policy that allows this script, this style, and pictures in the page.

    Parameters
    ----------
    script, style : str
        Exact text of the two elements.

    Returns
    -------
    str
    """
    return (
        f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(style)}'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


@dataclass(frozen=True, slots=True)
class Part:
    """A section of the page.

    Attributes
    ----------
    name : str
        Its address in the page.
    title : str
        Its heading, our own words.
    aside : str
        HTML beside the heading: what the numbers mean.
    body : str
        HTML.
    wide : bool
        Whether the body needs the whole width.
    """

    name: str
    title: str
    aside: str
    body: str
    wide: bool = False

    def html(self) -> str:
        """Write the section."""
        kind = "part wide" if self.wide else "part"
        return (
            f'<section class="{kind}" id="{self.name}" aria-labelledby="{self.name}-title">'
            f'<div class="aside"><h2 id="{self.name}-title">{escape(self.title)}</h2>'
            f'{self.aside}</div><div class="body">{self.body}</div></section>'
        )


def document(title: str, header: str, parts: list[Part], footer: str, data: Any) -> str:
    """Join everything to one file that needs no other.

    Parameters
    ----------
    title : str
        A stranger's text, for the window.
    header, footer : str
        HTML.
    parts : list of Part
    data : object
        What the script reads; see :func:`embedded`.

    Returns
    -------
    str
        A whole HTML document.
    """
    script = page_part("explorer.js").replace("export default { render };", "")
    script = re.sub(r"(?m)^export ", "", script) + page_part("page.js")
    style = page_part("explorer.css") + page_part("page.css")
    links = "".join(f'<li><a href="#{part.name}">{escape(part.title)}</a></li>' for part in parts)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy(script, style)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(visible(title))}</title>\n<style>{style}</style>\n</head>\n"
        '<body class="pk-page">\n<a class="skip" href="#content">To the content</a>\n'
        f'<header>{header}<nav aria-label="Contents"><ul>{links}</ul></nav></header>\n'
        f'<main id="content">{"".join(part.html() for part in parts)}</main>\n'
        f"<footer>{footer}</footer>\n"
        f'<script type="application/json" id="data">{embedded(data)}</script>\n'
        f'<script type="module">{script}</script>\n</body>\n</html>\n'
    )
