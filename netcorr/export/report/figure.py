"""A picture with its words and the numbers behind it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from netcorr.export.report.svg import element


@dataclass(frozen=True)
class DataTable:
    """Numbers of a picture.

    Attributes
    ----------
    headers : tuple of str
        One for each column.
    rows : tuple of tuple of str
        The first cell of a row names it.
    """

    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Figure:
    """A picture.

    Attributes
    ----------
    title : str
        What it shows.
    words : str
        How to read it, and what it says here.
    pictures : tuple of markupsafe.Markup
        One, or one for wide and one for narrow pages.
    table : DataTable
        Its numbers.
    kind : str
        Class of the figure in the page.
    """

    title: str
    words: str
    pictures: tuple[Markup, ...]
    table: DataTable
    kind: str = "chart"


def picture(
    parts: Sequence[Markup], *, width: float, height: float, name: str, words: str, class_: str = ""
) -> Markup:
    """SVG picture that a screen reader calls by its name.

    Parameters
    ----------
    parts : sequence of Markup
        What is drawn.
    width, height : float
        Size of its own units.
    name, words : str
        Name, and what it says.
    class_ : str
        Class, for the style sheet.

    Returns
    -------
    markupsafe.Markup
        The element ``svg``.
    """
    return element(
        "svg",
        Markup("").join(parts),
        viewBox=f"0 0 {width:g} {height:g}",
        role="img",
        aria_label=f"{name}. {words}",
        class_=class_ or None,
    )
