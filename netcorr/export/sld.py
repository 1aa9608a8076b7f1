"""Style of a layer in SLD 1.1 with Symbology Encoding 1.1: the open standards (OGC 05-078r4, 05-077r4)."""

from __future__ import annotations

from xml.etree.ElementTree import Element, SubElement, tostring

from netcorr.export.layer_style import Condition, LayerStyle, Mark, Rule, Stroke, Symbol

#: Size of a standard pixel (OGC 05-077r4, 10.2): widths and sizes are given in pixels. [mm]
_PIXEL_MM = 0.28
_NAMES = {
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:se": "http://www.opengis.net/se",
    "xmlns:ogc": "http://www.opengis.net/ogc",
    "xmlns:xsi": "http://www.w3.org/2001/XMLSchema-instance",
    "xsi:schemaLocation": "http://www.opengis.net/sld "
    "http://schemas.opengis.net/sld/1.1.0/StyledLayerDescriptor.xsd",
}
_COMPARISONS = {
    "=": "ogc:PropertyIsEqualTo",
    ">=": "ogc:PropertyIsGreaterThanOrEqualTo",
    "<": "ogc:PropertyIsLessThan",
}


def layer_sld(style: LayerStyle) -> str:
    """Symbols and labels of a layer.

    Parameters
    ----------
    style : LayerStyle
        How the layer looks; one without rules has no symbols.

    Returns
    -------
    str
        An XML document.
    """
    root = Element("StyledLayerDescriptor", {"version": "1.1.0", **_NAMES})
    layer = SubElement(root, "NamedLayer")
    SubElement(layer, "se:Name").text = style.layer.name
    if style.rules:
        own = SubElement(layer, "UserStyle")
        SubElement(own, "se:Name").text = style.layer.name
        features = SubElement(own, "se:FeatureTypeStyle")
        features.extend(_rule(rule) for rule in style.rules)
        if style.label:
            features.append(_label_rule(style.label, style.label_colour))
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + tostring(root, encoding="unicode")


def _rule(rule: Rule) -> Element:
    made = Element("se:Rule")
    SubElement(made, "se:Name").text = rule.title
    description = SubElement(made, "se:Description")
    SubElement(description, "se:Title").text = rule.title
    if rule.conditions:
        filtered = SubElement(made, "ogc:Filter")
        held = SubElement(filtered, "ogc:And") if len(rule.conditions) > 1 else filtered
        held.extend(_condition(condition) for condition in rule.conditions)
    made.append(_symbolizer(rule.symbol))
    return made


def _condition(condition: Condition) -> Element:
    made = Element(_COMPARISONS[condition.sign])
    SubElement(made, "ogc:PropertyName").text = condition.column
    value = condition.value
    shown = (
        str(int(value)) if isinstance(value, bool) else f"{value:g}" if isinstance(value, float) else value
    )
    SubElement(made, "ogc:Literal").text = shown
    return made


def _symbolizer(symbol: Symbol) -> Element:
    if isinstance(symbol, Mark):
        made = Element("se:PointSymbolizer")
        graphic = SubElement(made, "se:Graphic")
        mark = SubElement(graphic, "se:Mark")
        SubElement(mark, "se:WellKnownName").text = symbol.shape
        if symbol.fill:
            _values(SubElement(mark, "se:Fill"), {"fill": symbol.fill})
        _stroke(mark, symbol.outline, symbol.outline_mm)
        SubElement(graphic, "se:Size").text = _pixels(symbol.size_mm)
        return made
    if isinstance(symbol, Stroke):
        made = Element("se:LineSymbolizer")
        _stroke(made, symbol.colour, symbol.width_mm, dashed=symbol.dashed)
        return made
    made = Element("se:PolygonSymbolizer")
    _values(SubElement(made, "se:Fill"), {"fill": symbol.colour, "fill-opacity": f"{symbol.opacity:g}"})
    _stroke(made, symbol.outline, 0.3, dashed=symbol.dashed)
    return made


def _label_rule(column: str, colour: str) -> Element:
    made = Element("se:Rule")
    SubElement(made, "se:Name").text = "Label"
    text = SubElement(made, "se:TextSymbolizer")
    SubElement(SubElement(text, "se:Label"), "ogc:PropertyName").text = column
    _values(SubElement(text, "se:Font"), {"font-size": "12", "font-weight": "bold"})
    placement = SubElement(SubElement(text, "se:LabelPlacement"), "se:PointPlacement")
    shift = SubElement(placement, "se:Displacement")
    SubElement(shift, "se:DisplacementX").text = SubElement(shift, "se:DisplacementY").text = "10"
    halo = SubElement(text, "se:Halo")
    SubElement(halo, "se:Radius").text = "3"
    _values(SubElement(halo, "se:Fill"), {"fill": "#ffffff"})
    _values(SubElement(text, "se:Fill"), {"fill": colour})
    return made


def _stroke(parent: Element, colour: str, width_mm: float, *, dashed: bool = False) -> None:
    values = {"stroke": colour, "stroke-width": _pixels(width_mm)}
    if dashed:
        values["stroke-dasharray"] = "6 4"
    _values(SubElement(parent, "se:Stroke"), values)


def _values(parent: Element, values: dict[str, str]) -> None:
    for name, value in values.items():
        SubElement(parent, "se:SvgParameter", name=name).text = value


def _pixels(size_mm: float) -> str:
    return f"{size_mm / _PIXEL_MM:.1f}"
