"""Pieces of SVG with every text and attribute escaped."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from markupsafe import Markup, escape

from netcorr.export.plain_text import plain_text


def element(tag: str, /, *children: object, **attributes: Any) -> Markup:
    """One element; what is not `Markup` is text from a file and is escaped.

    Parameters
    ----------
    tag : str
        Name of the element.
    *children : object
        `Markup` as it is, anything else as escaped text on one line.
    **attributes : object
        By name, ``_`` standing for ``-`` and left out at the end; None is left out. `Markup` as it is.

    Returns
    -------
    markupsafe.Markup
        The element.

    Examples
    --------
    >>> print(element("text", "<b>H-12</b>", x=1.5, class_="label"))
    <text x="1.5" class="label">&lt;b&gt;H-12&lt;/b&gt;</text>
    """
    words = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{_value(value)}"'
        for name, value in attributes.items()
        if value is not None
    )
    inside = "".join(child if isinstance(child, Markup) else escape(plain_text(child)) for child in children)
    return Markup(f"<{tag}{words}>{inside}</{tag}>" if children else f"<{tag}{words}/>")


def group(children: Iterable[Markup], **attributes: Any) -> Markup:
    """Elements as one group."""
    return element("g", Markup("").join(children), **attributes)


def points(xy: Iterable[tuple[float, float]], *, digits: int = 1) -> Markup:
    """Points of a line as SVG writes them."""
    return Markup(" ".join(f"{x:.{digits}f},{y:.{digits}f}" for x, y in xy))


def number(value: float, digits: int = 1) -> str:
    """Number without needless zeros.

    Examples
    --------
    >>> number(12.0), number(3.14159, 2), number(-0.01)
    ('12', '3.14', '0')
    """
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".") if digits else f"{value:.0f}"
    return "0" if text in {"-0", ""} else text


def _value(value: Any) -> Markup:
    if isinstance(value, Markup):
        return value
    return escape(number(value, 2) if isinstance(value, float) else plain_text(value))
