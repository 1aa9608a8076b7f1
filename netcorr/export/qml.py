"""Style of a layer in QML, which maps built on QGIS load from a GeoPackage by themselves."""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree.ElementTree import Element, SubElement, tostring

from netcorr.export.layer_style import Condition, Fill, LayerStyle, Mark, Stroke, Symbol
from netcorr.export.result_schema import Column

_DOCTYPE = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
_HELD = {"Point": "0", "LineString": "1", "MultiLineString": "1", "MultiPolygon": "2", None: "4"}
_KIND_OF = {Mark: "marker", Stroke: "line", Fill: "fill"}
#: Columns whose text fills several lines.
_LONG = frozenset({"directions", "caution", "note", "field_note", "materials", "quality", "reason"})


def layer_qml(style: LayerStyle) -> str:
    """Style, labels, names of columns, pick lists and locks of a layer.

    Parameters
    ----------
    style : LayerStyle
        How the layer looks.

    Returns
    -------
    str
        An XML document.
    """
    root = Element("qgis", version="3.22.0", styleCategories="AllStyleCategories", labelsEnabled="0")
    columns = style.layer.columns
    if style.rules:
        root.append(_renderer(style))
    if style.label:
        root.set("labelsEnabled", "1")
        root.append(_labelling(style))
    root.append(_fields(columns))
    _add_per_field(root, "aliases", "alias", {c.name: {"name": c.title} for c in columns})
    _add_defaults(root, columns)
    if style.label:
        SubElement(root, "previewExpression").text = f'"{style.label}"'
    if style.tip:
        SubElement(root, "mapTip").text = "".join(f'<p>[% "{column}" %]</p>' for column in style.tip)
    editable = {c.name: {"editable": _flag(c.editable)} for c in columns}
    root.append(_form(columns))
    _add_per_field(root, "editable", "field", {"fid": {"editable": "0"}, **editable}, key="name")
    SubElement(root, "layerGeometryType").text = _HELD[style.layer.geometry]
    return _DOCTYPE + tostring(root, encoding="unicode")


def _renderer(style: LayerStyle) -> Element:
    renderer = Element("renderer-v2", type="RuleRenderer", symbollevels="0", enableorderby="0")
    rules = SubElement(renderer, "rules", key="root")
    symbols = SubElement(renderer, "symbols")
    for number, rule in enumerate(style.rules):
        made = SubElement(rules, "rule", key=f"rule{number}", symbol=str(number), label=rule.title)
        if rule.conditions:
            made.set("filter", " AND ".join(map(_condition, rule.conditions)))
        symbols.append(_symbol(rule.symbol, str(number)))
    return renderer


def _condition(condition: Condition) -> str:
    value = condition.value
    if isinstance(value, bool):
        shown = str(value).upper()
    else:
        shown = "'" + value.replace("'", "''") + "'" if isinstance(value, str) else f"{value:g}"
    return f'"{condition.column}" {condition.sign} {shown}'


def _symbol(symbol: Symbol, name: str) -> Element:
    made = Element(
        "symbol", type=_KIND_OF[type(symbol)], name=name, alpha="1", clip_to_extent="1", force_rhr="0"
    )
    if isinstance(symbol, Mark):
        kind, values = "SimpleMarker", {
            "name": "cross2" if symbol.shape == "x" else symbol.shape,
            "size": f"{symbol.size_mm:g}",
            "size_unit": "MM",
            "color": _rgba(symbol.fill or "#ffffff", 1.0 if symbol.fill else 0.0),
            "outline_color": _rgba(symbol.outline),
            "outline_width": f"{symbol.outline_mm:g}",
            "outline_width_unit": "MM",
        }  # fmt: skip
    elif isinstance(symbol, Stroke):
        kind, values = "SimpleLine", {
            "line_color": _rgba(symbol.colour),
            "line_width": f"{symbol.width_mm:g}",
            "line_width_unit": "MM",
            "line_style": "dash" if symbol.dashed else "solid",
            "capstyle": "round",
        }  # fmt: skip
    else:
        kind, values = "SimpleFill", {
            "color": _rgba(symbol.colour, symbol.opacity),
            "style": "solid",
            "outline_color": _rgba(symbol.outline),
            "outline_style": "dash" if symbol.dashed else "solid",
            "outline_width": "0.3",
            "outline_width_unit": "MM",
        }  # fmt: skip
    layer = SubElement(made, "layer", {"class": kind, "enabled": "1", "locked": "0", "pass": "0"})
    layer.append(_options(values))
    return made


def _labelling(style: LayerStyle) -> Element:
    labelling = Element("labeling", type="simple")
    settings = SubElement(labelling, "settings", calloutType="simple")
    text = SubElement(
        settings, "text-style", fieldName=str(style.label), isExpression="0", fontSize="9",
        fontSizeUnit="Point", namedStyle="Bold", fontWeight="75", textColor=_rgba(style.label_colour),
        textOpacity="1",
    )  # fmt: skip
    SubElement(
        text, "text-buffer", bufferDraw="1", bufferSize="0.9", bufferSizeUnits="MM",
        bufferColor="255,255,255,255", bufferOpacity="1",
    )  # fmt: skip
    # around the point, at 3 mm, shown even where labels crowd
    SubElement(settings, "placement", placement="6", dist="3", distUnits="MM", priority="8", offsetUnits="MM")
    SubElement(settings, "rendering", displayAll="1", obstacle="1", scaleVisibility="0")
    return labelling


def _fields(columns: tuple[Column, ...]) -> Element:
    fields = Element("fieldConfiguration")
    for column in columns:
        kind, values = _widget(column)
        field = SubElement(fields, "field", name=column.name, configurationFlags="None")
        widget = SubElement(field, "editWidget", type=kind)
        SubElement(widget, "config").append(values)
    return fields


def _widget(column: Column) -> tuple[str, Element]:
    """How a person fills a column in."""
    if column.choices:
        picks = Element("Option", type="Map")
        listed = SubElement(picks, "Option", type="List", name="map")
        for choice in column.choices:
            listed.append(_options({choice: choice}))
        return "ValueMap", picks
    if column.name == "photo":
        shown = {"DocumentViewer": 1, "FileWidget": True, "FileWidgetButton": True, "RelativeStorage": 1,
                 "StorageMode": 0, "UseLink": True}  # fmt: skip
        return "ExternalResource", _options(shown)
    if column.kind == "time":
        shape = "yyyy-MM-dd HH:mm"
        return "DateTime", _options(
            {"display_format": shape, "field_format": shape, "field_format_overwrite": True,
             "allow_null": True, "calendar_popup": True}
        )  # fmt: skip
    if column.kind == "flag":
        return "CheckBox", _options({"CheckedState": "", "UncheckedState": ""})
    return "TextEdit", _options({"IsMultiline": column.name in _LONG, "UseHtml": False})


def _add_defaults(root: Element, columns: tuple[Column, ...]) -> None:
    """A point that a crew adds starts as the first of the pick list."""
    first = {c.name: f"'{c.choices[0]}'" for c in columns if c.choices}
    values = {c.name: {"expression": first.get(c.name, ""), "applyOnUpdate": "0"} for c in columns}
    _add_per_field(root, "defaults", "default", values)


def _form(columns: tuple[Column, ...]) -> Element:
    """What a crew fills in comes first, on a page of its own."""
    form = Element("attributeEditorForm")
    pages = {
        "What the ground said": [c for c in columns if c.editable],
        "What was computed": [c for c in columns if not c.editable],
    }
    for title, held in pages.items():
        if held:
            page = SubElement(
                form, "attributeEditorContainer", name=title, columnCount="1", groupBox="0", showLabel="1"
            )
            for column in held:
                SubElement(page, "attributeEditorField", name=column.name, showLabel="1")
    return form


def _add_per_field(
    root: Element, group: str, each: str, values: dict[str, dict[str, str]], *, key: str = "field"
) -> None:
    if group == "editable":
        SubElement(root, "editorlayout").text = "tablayout"
    listed = SubElement(root, group)
    for name, attributes in values.items():
        SubElement(listed, each, {key: name, **attributes})


def _options(values: Mapping[str, object]) -> Element:
    group = Element("Option", type="Map")
    for name, value in values.items():
        kind = "bool" if isinstance(value, bool) else "int" if isinstance(value, int) else "QString"
        shown = str(value).lower() if isinstance(value, bool) else str(value)
        SubElement(group, "Option", type=kind, name=name, value=shown)
    return group


def _rgba(colour: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


def _flag(value: bool) -> str:
    return "1" if value else "0"
