"""Text that a spreadsheet would run, made harmless and back again."""

_FORMULA = tuple("=+-@＝＋－＠\t\r\n")
_UNSEEN = "\u200b\u200e\u200f\u2060\ufeff \xa0\u3000"


def safe_text(text: str) -> str:
    """Put an apostrophe before text that a spreadsheet would run.

    Parameters
    ----------
    text : str
        Any text of a stranger.

    Returns
    -------
    str
        The same text, or the text behind an apostrophe when its first visible character, after any
        apostrophes, starts a formula, or is a tab or a line end.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("  @SUM(A1)"), safe_text("'=1"), safe_text("a=b")
    ("'=1+1", "'  @SUM(A1)", "''=1", 'a=b')
    """
    if text[:1].isalnum():
        return text
    return "'" + text if text.lstrip("'").lstrip(_UNSEEN).startswith(_FORMULA) else text


def plain_text(text: str) -> str:
    """Take back what `safe_text` did.

    Parameters
    ----------
    text : str
        As read from a file of perfkit's.

    Returns
    -------
    str
        ``plain_text(safe_text(text)) == text`` for every text.

    Examples
    --------
    >>> plain_text("'=1+1"), plain_text("'tis")
    ('=1+1', "'tis")
    """
    return text[1:] if text.startswith("'") and safe_text(text[1:]) == text else text
